"""The picture of a ride-through: battery, load and one bar a device, what was and what is planned.

What has happened is drawn solid, what is planned faint. What a device does is told by the shape of
its bar and not by colour alone: full while it is on, a wedge that runs out while it stops, a thread
at rest. The picture needs no script; on a page it takes its colours from `ride.css`, alone it
brings them along.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from agent.moment import shown
from agent.pictures.clock_ticks import changes, labelled, moment_on, round_moments
from agent.pictures.ride_shapes import CLASSES, rows_of, shape_of
from agent.pictures.ride_view import DeviceRide, Doing, Left, Load, RideView, Span, UnitRide
from agent.pictures.svg import Point, Scale, band, figure, line, render, shortened, width_px
from policies.reasons import duration_text

_TICK_S = (10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_MINUTE_S = 60
_DAY_S = 86400.0
_LEAST_PX = 2.0
_FACE_PX = 12.5


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things stand, in px.

    Attributes:
        width: of the whole; left, right: the ends of the time axis.
        names_above: a device's name stands above its bar rather than beside it.
        name_px: room for a name; note_px: where notes end; note_room_px: room for one.
        most_ticks: moments named on the time axis.
    """

    width: float
    left: float
    right: float
    names_above: bool
    name_px: float
    note_px: float
    note_room_px: float
    row: float
    bar: float
    battery: float
    load: float
    most_ticks: int


WIDE = Layout(900.0, 176.0, 730.0, False, 160.0, 742.0, 158.0, 26.0, 12.0, 120.0, 54.0, 9)
"""For a desk, a printed page and a report."""

NARROW = Layout(344.0, 40.0, 338.0, True, 192.0, 338.0, 136.0, 37.0, 12.0, 96.0, 44.0, 5)
"""For a phone held upright."""


def ride_picture(
    view: RideView, *, layout: Layout = WIDE, name: str = "ride", is_alone: bool = True
) -> str:
    """Return the SVG of a ride-through.

    Args:
        view: what there is to draw.
        layout: `WIDE` or `NARROW`.
        name: begins every id in the picture, so that two may stand on one page.
        is_alone: it brings its style along; on a page with `ride.css` that stays away, since the
            page's policy allows no style inside it.
    """
    return _Drawing(view, layout).render(name, is_alone=is_alone)


class _Drawing:
    """One picture under way."""

    def __init__(self, view: RideView, layout: Layout) -> None:
        self._view, self._layout = view, layout
        self._until_s = view.ends_s
        self._x = Scale(0.0, self._until_s, layout.left, layout.right)
        self._many = len(view.units) > 1
        self._changes = changes(view.begins, self._until_s)

    def render(self, name: str, *, is_alone: bool) -> str:
        view, layout = self._view, self._layout
        top = 22.0
        units, below = [], top + 22.0
        for unit in view.units:
            units.append(self._unit(unit, below))
            below = units[-1].bottom + 26.0
        bars_top = below - 6.0
        bars = [
            self._bar(device, bars_top + layout.row * i) for i, device in enumerate(view.devices)
        ]
        bottom = bars_top + layout.row * len(bars) + 2.0
        key, key_bottom = self._key(bottom + 38.0)
        return render(
            "ride.svg",
            name=name,
            is_alone=is_alone,
            layout=layout,
            height=math.ceil(key_bottom),
            title=view.title,
            description=view.description,
            top=top,
            bottom=bottom,
            ticks=[(self._x.at(at_s), text) for at_s, text in self._ticks()],
            nights=[(self._x.at(a), self._x.at(b)) for a, b in view.dark if b > 0.0],
            changes=[self._x.at(change.at_s) for change in self._changes],
            now_px=None if view.now_s is None else self._x.at(view.now_s),
            back_px=None if view.mains_back_s is None else self._x.at(view.mains_back_s),
            heads=list(self._heads()),
            units=units,
            bars=bars,
            key=key,
        )

    # Time

    def _clock(self, at_s: float, *, with_seconds: bool = False) -> str:
        at = moment_on(self._view.begins, at_s)
        return shown(at, "%H:%M:%S" if with_seconds else "%H:%M")

    def _ticks(self) -> Iterator[tuple[float, str]]:
        """Give round moments of the site's clock."""
        layout, until_s = self._layout, self._until_s
        step_s = next((s for s in _TICK_S if until_s / s <= layout.most_ticks), None)
        if step_s is None:
            step_s = _TICK_S[-1] * math.ceil(until_s / _TICK_S[-1] / layout.most_ticks)
        begins = self._view.begins
        moments = list(round_moments(begins, until_s, step_s))
        texts = labelled(
            begins,
            moments,
            form="%H:%M:%S" if step_s < _MINUTE_S else "%H:%M",
            px=[self._x.at(at_s) for at_s in moments],
            per_char=width_px("0", face_px=_FACE_PX),
        )
        yield from zip(moments, texts, strict=True)

    def _heads(self) -> Iterator[tuple[float, str, str, str]]:
        """Give what stands above the axis: x, anchor, class and text; none on top of another."""
        view, layout = self._view, self._layout
        taken: list[tuple[float, float]] = []
        wanted = []
        if view.now_s is not None:
            wanted.append((view.now_s, "now", f"now, {self._clock(view.now_s)}"))
        if view.mains_back_s is not None:
            wanted.append(
                (view.mains_back_s, "back", f"mains back {self._clock(view.mains_back_s)}")
            )
        wanted += [(change.at_s, "quiet", change.words) for change in self._changes]
        if view.now_s != 0.0:
            wanted.append((0.0, "quiet", f"mains failed {self._clock(0.0)}"))
        for at_s, kind, text in wanted:
            half = 0.5 * width_px(text, face_px=_FACE_PX)
            x = min(max(self._x.at(at_s), 4.0 + half), layout.width - 4.0 - half)
            if all(x + half < low or x - half > high for low, high in taken):
                taken.append((x - half - 6.0, x + half + 6.0))
                yield x, "middle", kind, text

    # Units

    def _unit(self, unit: UnitRide, top: float) -> _Unit:
        layout = self._layout
        said = _said_of(unit, self._clock) if unit.sure_end_s is not None else ""
        head = ": ".join(filter(None, [unit.name if self._many or not said else "", said]))
        rows = list(rows_of(_capital(head), layout.width - 20.0, face_px=_FACE_PX))
        battery_top = top + 17.0 * len(rows) + 4.0
        battery = _panel(Scale(0.0, 1.0, battery_top + layout.battery, battery_top), _SHARES)
        most = max((each.watts for each in (*unit.load, *unit.load_planned)), default=1.0)
        load_top = battery.bottom + 24.0
        watts = Scale(0.0, max(1.0, 1.15 * most), load_top + layout.load, load_top)
        load = _panel(watts, [(value, figure(value)) for value in watts.ticks(2)])
        return _Unit(
            rows=[(top + 12.0 + 17.0 * i, text) for i, text in enumerate(rows)],
            battery=battery,
            load=load,
            bottom=load.bottom,
            was=self._band(unit.left, battery.scale),
            will=self._band(unit.left_planned, battery.scale),
            charge=self._charge(unit.charge, battery.scale),
            load_was=self._load(unit.load, watts, until_s=self._view.now_s),
            load_will=self._load(unit.load_planned, watts, until_s=_end_of(unit.left_planned)),
            sure_px=None if unit.sure_end_s is None else self._x.at(unit.sure_end_s),
            ended_px=None if unit.ended_s is None else self._x.at(unit.ended_s),
        )

    def _band(self, points: Sequence[Left], y: Scale) -> _Band | None:
        if len(points) < 2:
            return None
        lower = [(self._x.at(p.at_s), y.at(min(p.lower, p.likely))) for p in points]
        likely = [(self._x.at(p.at_s), y.at(p.likely)) for p in points]
        return _Band(band(likely, lower), line(lower), line(likely))

    def _charge(self, said: Sequence[tuple[float, float]], y: Scale) -> str:
        if len(said) < 2:
            return ""
        return line((self._x.at(at_s), y.at(share)) for at_s, share in said)

    def _load(self, loads: Sequence[Load], y: Scale, *, until_s: float | None) -> str:
        """Return the stairs of a load; the last one holds until the end, or until now."""
        if not loads:
            return ""
        corners: list[Point] = []
        for load in loads:
            at = self._x.at(load.at_s)
            if corners:
                corners.append((at, corners[-1][1]))
            corners.append((at, y.at(load.watts)))
        ends_s = loads[-1].at_s if until_s is None else max(until_s, loads[-1].at_s)
        corners.append((self._x.at(ends_s), corners[-1][1]))
        return line(corners)

    # Devices

    def _bar(self, device: DeviceRide, top: float) -> _Bar:
        layout, view = self._layout, self._view
        y = top + (
            layout.row - layout.bar - 5.0 if layout.names_above else 0.5 * (layout.row - layout.bar)
        )
        now_s = self._until_s if view.now_s is None else view.now_s
        pieces = [self._piece(span, y, now_s, "was") for span in device.past]
        pieces += [self._piece(span, y, self._until_s, "will") for span in device.planned]
        has_hold = device.hold_until_s is not None and device.hold_until_s > 0.0
        latest = device.latest_s
        return _Bar(
            name=shortened(device.name, room_px=layout.name_px, face_px=_FACE_PX),
            title=self._title(device),
            name_y=y - 5.0 if layout.names_above else y + 0.5 * layout.bar + 4.5,
            y=y,
            pieces=[piece for piece in pieces if piece is not None],
            hold_px=self._x.at(device.hold_until_s or 0.0) if has_hold else None,
            is_held=device.is_held,
            latest_px=self._x.at(latest)
            if latest is not None and 0.0 <= latest < math.inf
            else None,
            note=shortened(device.note, room_px=layout.note_room_px, face_px=_FACE_PX),
            is_at_risk=device.is_at_risk,
        )

    def _piece(self, span: Span, y: float, open_s: float, when: str) -> _Piece | None:
        begins_s, ends_s = span.begins_s, open_s if span.ends_s is None else span.ends_s
        if ends_s < 0.0 or begins_s > self._until_s:
            return None
        a = self._x.at(begins_s)
        b = max(self._x.at(ends_s), a + _LEAST_PX)
        return _Piece(when, CLASSES[span.doing], shape_of(span.doing, a, b, y, self._layout.bar))

    def _title(self, device: DeviceRide) -> str:
        """Return what is told of a bar to who points at it."""
        parts = [device.name]
        for span in (*device.past, *device.planned):
            planned = "planned: " if span in device.planned else ""
            begins = "" if span.begins_s <= 0.0 else f" from {self._clock(span.begins_s)}"
            ends = "" if span.ends_s is None else f" to {self._clock(span.ends_s)}"
            parts.append(f"{planned}{span.doing}{begins}{ends}")
        if device.hold_until_s is not None and device.hold_until_s > 0.0:
            met = "met" if device.is_held else "not met"
            parts.append(f"hold time {duration_text(device.hold_until_s)}, {met}")
        if device.latest_s is not None and 0.0 <= device.latest_s < math.inf:
            parts.append(f"latest safe start {self._clock(device.latest_s, with_seconds=True)}")
        return "; ".join(parts)

    # Key

    def _key(self, top: float) -> tuple[list[_Entry], float]:
        """Return what the picture's signs mean, of those that are in it, and where that ends."""
        entries: list[_Entry] = []
        x, y = 10.0, top
        for kind, text in self._signs():
            room = 34.0 + width_px(text, face_px=_FACE_PX)
            if x > 10.0 and x + room > self._layout.width:
                x, y = 10.0, y + 20.0
            shape = shape_of(kind, x, x + 20.0, y - 10.0, 12.0) if isinstance(kind, Doing) else ""
            style = CLASSES[kind] if isinstance(kind, Doing) else kind
            entries.append(_Entry(x, y, style, shape, text))
            x += room
        return entries, y + 12.0

    def _signs(self) -> Iterator[tuple[Doing | str, str]]:
        view = self._view
        spans = [span for device in view.devices for span in (*device.past, *device.planned)]
        seen = {span.doing for span in spans}
        yield from ((doing, doing.value) for doing in Doing if doing in seen)
        if any(device.planned for device in view.devices):
            yield "faint", "faint: planned"
        if any(device.hold_until_s for device in view.devices):
            yield "hold", "hold time"
        if any(device.latest_s is not None for device in view.devices):
            yield "latest", "latest safe start"
        if any(unit.left or unit.left_planned for unit in view.units):
            yield "band", "battery, at least to likely"
        if any(unit.charge for unit in view.units):
            yield "charge", "charge by the unit's own word"
        if any(dark_until_s > 0.0 for _, dark_until_s in view.dark):
            yield "night", "night"


@dataclass(frozen=True, slots=True)
class _Panel:
    top: float
    bottom: float
    scale: Scale
    labels: list[tuple[float, str]]


@dataclass(frozen=True, slots=True)
class _Band:
    area: str
    lower: str
    likely: str


@dataclass(frozen=True, slots=True)
class _Unit:
    rows: list[tuple[float, str]]
    battery: _Panel
    load: _Panel
    bottom: float
    was: _Band | None
    will: _Band | None
    charge: str
    load_was: str
    load_will: str
    sure_px: float | None
    ended_px: float | None


@dataclass(frozen=True, slots=True)
class _Piece:
    when: str
    kind: str
    path: str


@dataclass(frozen=True, slots=True)
class _Bar:
    name: str
    title: str
    name_y: float
    y: float
    pieces: list[_Piece]
    hold_px: float | None
    is_held: bool
    latest_px: float | None
    note: str
    is_at_risk: bool


@dataclass(frozen=True, slots=True)
class _Entry:
    x: float
    y: float
    kind: str
    path: str
    text: str


_SHARES = [(0.0, "0"), (0.5, "50 %"), (1.0, "100 %")]


def _panel(scale: Scale, labels: Sequence[tuple[float, str]]) -> _Panel:
    return _Panel(
        scale.end_px, scale.start_px, scale, [(scale.at(value), text) for value, text in labels]
    )


def _end_of(points: Sequence[Left]) -> float | None:
    return points[-1].at_s if points else None


def _said_of(unit: UnitRide, clock: Callable[[float], str]) -> str:
    assert unit.sure_end_s is not None
    sure = f" ({unit.sureness})" if unit.sureness else ""
    said = f"lasts until {clock(unit.sure_end_s)} at least{sure}"
    if unit.likely_end_s is not None:
        said += f", {clock(unit.likely_end_s)} likely"
    return said


def _capital(text: str) -> str:
    """A heading that is no name begins with a large letter."""
    return f"L{text[1:]}" if text.startswith("lasts until") else text
