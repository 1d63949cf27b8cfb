"""Draws a glance as lines of text, for a terminal of any size, with colours and without.

Solid is what has happened and faint what is planned: the characters alone say so, and colours only
help. One column is a stretch of time, the same for batteries, loads and devices.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from agent.moment import shown
from agent.pictures.clock_ticks import moment_on, round_moments
from agent.pictures.ride_view import DeviceRide, Doing, Left, Load, RideView, Span, UnitRide
from agent.terminal.glance import Glance

LEAST_WIDTH, LEAST_HEIGHT = 40, 12
"""On less there is room for the sentence alone."""

BAND_ROWS = 4
_NAME_MOST, _NOTE_MOST = 18, 14
_TICK_COLUMNS = 11
_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_JOURNAL_MOST = 6


class Piece(NamedTuple):
    """Some text and what it is: "", "head", "alarm", "heed", "well", "past", "planned", "quiet"."""

    text: str
    style: str = ""


Line = list[Piece]


@dataclass(frozen=True, slots=True)
class Glyphs:
    """What things are drawn by.

    Attributes:
        past, planned: a device's doing, by its word.
        lower, band: the battery, as it was: its lower bound, and up to what is likely.
        lower_planned, band_planned: as it will be.
        levels: a load, from nothing to the most.
    """

    past: dict[Doing, str]
    planned: dict[Doing, str]
    lower: str
    band: str
    lower_planned: str
    band_planned: str
    levels: str
    now: str
    hold: str = "h"
    latest: str = "s"


BLOCKS = Glyphs(
    past={
        Doing.ON: "█", Doing.STOPPING: "▒", Doing.AT_REST: "·", Doing.STARTING: "▒",
        Doing.FAILED: "!", Doing.LOST: "×", Doing.DARK: " ", Doing.UNKNOWN: "?",
    },
    planned={
        Doing.ON: "░", Doing.STOPPING: "▒", Doing.AT_REST: "·", Doing.STARTING: "▒",
        Doing.FAILED: "!", Doing.LOST: "×", Doing.DARK: " ", Doing.UNKNOWN: "?",
    },
    lower="█",
    band="▒",
    lower_planned="▒",
    band_planned="░",
    levels="▁▂▃▄▅▆▇█",
    now="│",
)  # fmt: skip

PLAIN = Glyphs(
    past={
        Doing.ON: "#", Doing.STOPPING: "%", Doing.AT_REST: ".", Doing.STARTING: "%",
        Doing.FAILED: "!", Doing.LOST: "x", Doing.DARK: " ", Doing.UNKNOWN: "?",
    },
    planned={
        Doing.ON: "-", Doing.STOPPING: "%", Doing.AT_REST: ".", Doing.STARTING: "%",
        Doing.FAILED: "!", Doing.LOST: "x", Doing.DARK: " ", Doing.UNKNOWN: "?",
    },
    lower="#",
    band=":",
    lower_planned="=",
    band_planned=".",
    levels="_.:-=+*#",
    now="|",
)  # fmt: skip
"""For terminals that know ASCII alone."""


def lines(
    glance: Glance,
    width: int,
    height: int,
    *,
    glyphs: Glyphs = BLOCKS,
    journal: Sequence[str] = (),
    stale: str = "",
) -> list[Line]:
    """Return the whole picture, at most *height* lines of at most *width* columns.

    Args:
        glance: the site.
        width: of the terminal, in columns.
        height: of it, in lines.
        glyphs: what to draw by.
        journal: its latest lines, oldest first; shown as far as there is room.
        stale: why the picture is an old one, "" = it is not.
    """
    top = list(_top(glance, width, stale))
    if glance.ride is None or width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return _fitted(top, width, height)
    picture = _picture(glance, glance.ride, width, height - len(top), glyphs)
    whole = [*top, *picture]
    room = height - len(whole) - 1
    if room >= 1 and journal:
        whole.append([])
        latest = journal[-min(room, _JOURNAL_MOST) :]
        whole += [[Piece(entry, "quiet")] for entry in latest]
    return _fitted(whole, width, height)


def _top(glance: Glance, width: int, stale: str) -> Iterator[Line]:
    at = f"{glance.at:%a} {glance.at.day} {glance.at:%b %H:%M:%S}"
    room = width - len(at) - 1
    yield [Piece(glance.site[: max(0, room)].ljust(max(0, room + 1))), Piece(at, "quiet")]
    if stale:
        yield from ([Piece(text, "alarm")] for text in textwrap.wrap(stale, width))
    yield from ([Piece(text, glance.tone)] for text in textwrap.wrap(glance.head, width))
    yield from ([Piece(text)] for text in textwrap.wrap(glance.why, width))
    for note in glance.notes:
        yield from ([Piece(text, "heed")] for text in textwrap.wrap(note, width))
    if glance.rehearsal:
        style = "heed" if glance.is_rehearsed else "quiet"
        yield from ([Piece(text, style)] for text in textwrap.wrap(glance.rehearsal, width))


def _fitted(whole: list[Line], width: int, height: int) -> list[Line]:
    fitted = []
    for line in whole[:height]:
        left, cut = width, list[Piece]()
        for piece in line:
            cut.append(Piece(piece.text[:left], piece.style))
            left -= len(cut[-1].text)
        fitted.append(cut)
    return fitted


# The picture


@dataclass(frozen=True, slots=True)
class _Grid:
    """Columns of time between names on the left and notes on the right.

    Attributes:
        now_s: where what happened ends, and what is planned begins; the end where nothing is.
    """

    names: int
    columns: int
    notes: int
    ends_s: float
    now_s: float

    def middle_s(self, column: int) -> float:
        return (column + 0.5) * self.ends_s / self.columns

    def column(self, at_s: float) -> int | None:
        found = int(at_s / self.ends_s * self.columns)
        return found if 0 <= found < self.columns else None

    @property
    def now_column(self) -> int | None:
        return self.column(self.now_s) if self.now_s < self.ends_s else None


def _picture(
    glance: Glance, ride: RideView, width: int, height: int, glyphs: Glyphs
) -> Iterator[Line]:
    grid = _grid(ride, width)
    devices = list(ride.devices)
    # A heading with the times, and below it the key; between them batteries, loads and devices.
    heading = "In the rehearsal:" if glance.is_rehearsed else ""
    heading = "If mains failed now:" if glance.is_imagined else heading
    fixed = 3 + (1 if heading else 0)
    room = height - fixed - len(ride.units)
    band_rows = max(1, min(BAND_ROWS, (room - len(devices)) // max(1, len(ride.units))))
    room -= band_rows * len(ride.units)
    yield []
    if heading:
        yield [Piece(heading, "head")]
    # What came as JSON has lost its zone, and with it the changes of the clocks.
    zone = ZoneInfo(glance.time_zone) if glance.time_zone else ride.begins.tzinfo
    yield _times(ride.begins.astimezone(zone), grid)
    for unit in ride.units:
        yield from _battery(unit, grid, band_rows, glyphs)
        yield _load(unit, grid, glyphs)
    shown = devices if len(devices) <= room else devices[: max(0, room - 1)]
    for device in shown:
        yield _device(device, grid, glyphs)
    if len(shown) < len(devices):
        yield [Piece(f"and {len(devices) - len(shown)} more devices", "quiet")]
    yield [Piece(_key(glyphs, width), "quiet")]


def _grid(ride: RideView, width: int) -> _Grid:
    lengths = [len(unit.name) for unit in ride.units] + [len(d.name) for d in ride.devices]
    names = max([len("  load"), *lengths])
    names = min(names, _NAME_MOST, width // 4)
    notes = max([7, *(len(device.note) for device in ride.devices)])
    notes = min(notes, _NOTE_MOST, width // 5)
    now_s = ride.ends_s if ride.now_s is None else ride.now_s
    return _Grid(names, width - names - notes - 2, notes, ride.ends_s, now_s)


def _row(name: str, cells: Line, note: str, grid: _Grid, style: str = "") -> Line:
    named = name if len(name) <= grid.names else f"{name[: grid.names - 1]}."
    return [
        Piece(f"{named:<{grid.names}} ", style),
        *cells,
        Piece(f" {note[: grid.notes]}", style or "quiet"),
    ]


def _times(begins: datetime, grid: _Grid) -> Line:
    """Times of day where whole steps of them fall, and now."""
    step_s = next(
        (s for s in _STEPS_S if s * grid.columns / grid.ends_s >= _TICK_COLUMNS), _STEPS_S[-1]
    )
    text = [" "] * (grid.columns + 12)
    taken = 0
    for at_s in round_moments(begins, grid.ends_s, step_s):
        column = grid.column(at_s)
        label = shown(moment_on(begins, at_s), "%H:%M")
        if column is not None and column >= taken:
            text[column : column + len(label)] = label
            taken = column + len(label) + 1
    return [Piece(" " * (grid.names + 1)), Piece("".join(text).rstrip(), "quiet")]


def _cells(chars: Sequence[str], grid: _Grid, glyphs: Glyphs, *, marks_now: bool = True) -> Line:
    """A row's columns, parted at now into what happened and what is planned."""
    now = grid.now_column
    if now is None:
        return [Piece("".join(chars), "past" if grid.now_s > 0 else "planned")]
    middle = glyphs.now if marks_now else chars[now]
    return [
        Piece("".join(chars[:now]), "past"),
        Piece(middle, "head"),
        Piece("".join(chars[now + 1 :]), "planned"),
    ]


def _battery(unit: UnitRide, grid: _Grid, rows: int, glyphs: Glyphs) -> Iterator[Line]:
    for row in range(rows):
        top = 1.0 - row / rows
        bottom = top - 1.0 / rows
        chars = [
            _battery_cell(unit, grid.middle_s(c), bottom, top, grid.now_s, glyphs)
            for c in range(grid.columns)
        ]
        name = unit.name if row == 0 else ""
        yield _row(name, _cells(chars, grid, glyphs), _battery_note(unit, row, grid), grid)


def _battery_cell(
    unit: UnitRide, at_s: float, bottom: float, top: float, now_s: float, glyphs: Glyphs
) -> str:
    is_past = at_s < now_s
    left = _left_at(unit.left if is_past else (unit.left_planned or unit.left), at_s)
    if left is None:
        return " "
    middle = 0.5 * (bottom + top)
    if left.lower > middle:
        return glyphs.lower if is_past else glyphs.lower_planned
    if left.likely > middle:
        return glyphs.band if is_past else glyphs.band_planned
    return " "


def _left_at(points: Sequence[Left], at_s: float) -> Left | None:
    """What is left at a moment, by a straight line between two points; None outside of them."""
    before: Left | None = None
    for point in points:
        if point.at_s >= at_s:
            if before is None:
                return point if at_s >= 0.0 else None
            share = (at_s - before.at_s) / max(1e-9, point.at_s - before.at_s)
            return Left(
                at_s,
                before.lower + share * (point.lower - before.lower),
                before.likely + share * (point.likely - before.likely),
            )
        before = point
    return before if before is not None and before.likely > 0.0 else None


def _battery_note(unit: UnitRide, row: int, grid: _Grid) -> str:
    if row == 0 and unit.charge:
        return f"{100.0 * unit.charge[-1][1]:.0f} % now"
    return ""


def _load(unit: UnitRide, grid: _Grid, glyphs: Glyphs) -> Line:
    loads = [*unit.load, *unit.load_planned]
    most = max((load.watts for load in loads), default=0.0)
    chars = []
    for column in range(grid.columns):
        at_s = grid.middle_s(column)
        is_past = at_s < grid.now_s
        watts = _load_at(unit.load if is_past else (unit.load_planned or unit.load), at_s)
        level = 0 if most <= 0.0 else round(watts / most * (len(glyphs.levels) - 1))
        chars.append(" " if watts <= 0.0 else glyphs.levels[level])
    now_w = _load_at([*unit.load, *unit.load_planned[:1]], grid.now_s)
    return _row("  load", _cells(chars, grid, glyphs), f"{now_w:.0f} W", grid)


def _load_at(loads: Sequence[Load], at_s: float) -> float:
    watts = 0.0
    for load in loads:
        if load.at_s > at_s:
            break
        watts = load.watts
    return watts


def _device(device: DeviceRide, grid: _Grid, glyphs: Glyphs) -> Line:
    chars = [
        _device_char(device, grid.middle_s(c), grid.now_s, glyphs) for c in range(grid.columns)
    ]
    for at_s, mark in ((device.hold_until_s, glyphs.hold), (device.latest_s, glyphs.latest)):
        column = None if at_s is None else grid.column(at_s)
        if column is not None:
            chars[column] = mark
    style = "alarm" if device.is_at_risk else ""
    return _row(device.name, _cells(chars, grid, glyphs), device.note, grid, style)


def _device_char(device: DeviceRide, at_s: float, now_s: float, glyphs: Glyphs) -> str:
    if at_s < now_s or (not device.planned and not device.past):
        doing = _doing_at(device.past, at_s, until_s=now_s)
        return " " if doing is None else glyphs.past[doing]
    doing = _doing_at(device.planned, at_s)
    if doing is None and device.past and not device.planned:
        last = device.past[-1].doing
        return glyphs.planned[last] if last is not Doing.ON else " "
    return " " if doing is None else glyphs.planned[doing]


def _doing_at(spans: Sequence[Span], at_s: float, *, until_s: float | None = None) -> Doing | None:
    for span in spans:
        ends_s = span.ends_s if span.ends_s is not None else until_s
        if span.begins_s <= at_s and (ends_s is None or at_s < ends_s):
            return span.doing
    return None


def _key(glyphs: Glyphs, width: int) -> str:
    past, planned = glyphs.past, glyphs.planned
    parts = [
        f"{past[Doing.ON]} was on",
        f"{planned[Doing.ON]} will be",
        f"{past[Doing.STOPPING]} stopping, starting",
        f"{past[Doing.AT_REST]} at rest",
        f"{glyphs.latest} latest safe start",
        f"{glyphs.hold} hold time",
    ]
    while len("  ".join(parts)) > width:
        parts.pop()
    return "  ".join(parts)
