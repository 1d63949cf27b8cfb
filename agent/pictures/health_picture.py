"""The picture of a battery's health: what discharges showed over the years, and when it is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from agent.pictures.svg import Scale, render

_WIDTH, _HEIGHT = 344, 150
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 336.0, 12.0, 124.0
_LEAST_DAYS = 90
_MOST_SHARE = 1.2


def health_picture(battery: Mapping[str, Any], *, name: str) -> str:
    """Return the SVG of a battery's health, for a page with `ride.css`; "" with no trend to show.

    Args:
        battery: the document of `agent.battery.view`.
        name: begins every id in the picture.
    """
    points = [point for point in battery["measured"] if point["counts"]]
    if len(points) < 2:
        return ""
    days = [date.fromisoformat(point["date"]).toordinal() for point in points]
    likely = None if battery["passes"] is None else battery["passes"]["likely"]
    due = None if likely is None else date.fromisoformat(likely).toordinal()
    first, last = min(days), max([*days, *([] if due is None else [due])])
    x = Scale(first, max(last, first + _LEAST_DAYS), _LEFT, _RIGHT)
    y = Scale(0.0, _MOST_SHARE, _BOTTOM, _TOP)
    ends_at = float(battery["end_of_life"])
    return render(
        "health.svg",
        name=name,
        width=_WIDTH,
        height=_HEIGHT,
        title=f"Health of the battery of {battery['unit']}",
        description=_described(points, likely),
        points=[
            (
                x.at(day),
                y.at(point["health"]),
                y.at(point["lower_wh"] / battery["new_wh"]),
                y.at(point["upper_wh"] / battery["new_wh"]),
                f"{point['date']}: {100 * point['health']:.0f} %",
            )
            for day, point in zip(days, points, strict=True)
        ],
        due=None
        if due is None
        else (x.at(days[-1]), y.at(points[-1]["health"]), x.at(due), y.at(ends_at)),
        shares=[(y.at(share), f"{100 * share:.0f} %") for share in (0.0, 0.5, ends_at, 1.0)],
        end_px=y.at(ends_at),
        left=_LEFT,
        right=_RIGHT,
        bottom=_BOTTOM,
        ends=(points[0]["date"][:7], likely[:7] if likely else points[-1]["date"][:7]),
    )


def _described(points: Sequence[Mapping[str, Any]], likely: str | None) -> str:
    first, last = points[0], points[-1]
    text = (
        f"{100 * first['health']:.0f} % of a new one in {first['date'][:7]}, "
        f"{100 * last['health']:.0f} % in {last['date'][:7]}."
    )
    return f"{text} Likely due in {likely[:7]}." if likely else text
