"""The shapes of a ride-through's picture: what a device does is seen without colours too."""

from __future__ import annotations

from collections.abc import Iterator

from agent.pictures.ride_view import Doing
from agent.pictures.svg import width_px

THREAD_PX = 2.0
"""How thick the thread is that stands for being at rest."""

CLASSES = {
    Doing.ON: "on",
    Doing.STOPPING: "ebb",
    Doing.AT_REST: "rest",
    Doing.STARTING: "flow",
    Doing.FAILED: "failed",
    Doing.LOST: "lost",
    Doing.DARK: "dark",
    Doing.UNKNOWN: "unknown",
}


def shape_of(doing: Doing, a: float, b: float, y: float, high: float) -> str:
    """Return the path of a span from *a* to *b*, in px, in a bar whose top is at *y*."""
    middle, end, thread = y + 0.5 * high, y + high, 0.5 * THREAD_PX
    match doing:
        case Doing.STOPPING:
            return (
                f"M{a:.1f},{y:.1f} L{b:.1f},{middle - thread:.1f} V{middle + thread:.1f} "
                f"L{a:.1f},{end:.1f} Z"
            )
        case Doing.STARTING:
            return (
                f"M{a:.1f},{middle - thread:.1f} L{b:.1f},{y:.1f} V{end:.1f} "
                f"L{a:.1f},{middle + thread:.1f} Z"
            )
        case Doing.AT_REST | Doing.DARK:
            return f"M{a:.1f},{middle:.1f} H{b:.1f}"
        case Doing.LOST:
            falling, rising = f"l{high:.1f},{high:.1f}", f"l{high:.1f},-{high:.1f}"
            return f"M{a:.1f},{y:.1f} {falling} M{a:.1f},{end:.1f} {rising}"
        case _:
            return f"M{a:.1f},{y:.1f} H{b:.1f} V{end:.1f} H{a:.1f} Z"


def rows_of(text: str, room_px: float, *, face_px: float) -> Iterator[str]:
    """Give the lines of a text."""
    row = ""
    for word in text.split():
        longer = f"{row} {word}" if row else word
        if row and width_px(longer, face_px=face_px) > room_px:
            yield row
            row = word
        else:
            row = longer
    if row:
        yield row
