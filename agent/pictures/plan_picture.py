"""The picture of an outage: battery, load, and one bar a device, above one another over time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from agent.cli.plan_text import clock, conclusion
from agent.pictures.clock_ticks import changes, labelled, round_moments
from agent.pictures.svg import Point, Scale, band, figure, line, render, shortened, width_px
from agent.planning.outlook import Outlook, UnitOutlook
from policies.night import Light, light_steps
from policies.plan import PlannedStop, Why
from policies.reasons import duration_text
from policies.runtime import LoadStep

_WIDTH = 960
_LEFT, _RIGHT = 196.0, 930.0
_TITLE_LINE, _TITLE_CHARS = 18, 122
_BATTERY_HIGH, _LOAD_HIGH, _GAP = 120.0, 72.0, 34.0
_ROW, _BAR = 22.0, 12.0
_NAME_PX = 178.0
_TICK_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_MOST_TICKS = 10
_LABEL_PX = 62.0


@dataclass(frozen=True, slots=True)
class _Panel:
    """A strip of the picture."""

    name: str
    top: float
    bottom: float
    scale: Scale
    labels: list[tuple[float, str]]


def plan_picture(found: Outlook) -> str:
    """Return an SVG of what comes of an outage."""
    until_s = _until_s(found)
    x = Scale(0.0, until_s, _LEFT, _RIGHT)
    said = list(_wrapped(_capital(conclusion(found).split(": ", 1)[1])))
    top = 44.0 + _TITLE_LINE * len(said) + 12.0
    first_top = top
    units: list[_Unit] = []
    for unit in found.units.values():
        units.append(_unit(found, unit, x, top))
        top = units[-1].bottom + _GAP
    bars_top = top
    stops = sorted(found.plan.stops.values(), key=lambda s: (-s.on_until_at, s.device))
    bars = [_bar(found, stop, x, bars_top + _ROW * i) for i, stop in enumerate(stops)]
    bottom = bars_top + _ROW * len(bars)
    return render(
        "plan.svg",
        width=_WIDTH,
        height=math.ceil(bottom + 84.0),
        title=f"{found.loaded.site.name}: an outage from {found.begins:%Y-%m-%d %H:%M} on",
        description=conclusion(found),
        said=[(44.0 + _TITLE_LINE * i, text) for i, text in enumerate(said)],
        x=x,
        ticks=[(x.at(at_s), text) for at_s, text in _ticks(found, until_s)],
        nights=_nights(found, x, until_s),
        changes=[(x.at(each.at_s), each.words) for each in changes(found.begins, until_s)],
        top=first_top,
        bottom=bottom,
        units=units,
        bars=bars,
        left=_LEFT,
        right=_RIGHT,
        bar_high=_BAR,
        row_high=_ROW,
        horizon=_horizon(found, x, until_s),
    )


def _until_s(found: Outlook) -> float:
    ends = [unit.points[-1].after_s for unit in found.units.values()]
    ends += [unit.course.stops_end_s for unit in found.units.values()]
    return max(600.0, 1.02 * max((end for end in ends if math.isfinite(end)), default=0.0))


def _capital(text: str) -> str:
    """A sentence with its first letter large, unless that is the first of somebody's name."""
    return f"E{text[1:]}" if text.startswith("everything") else text


def _wrapped(text: str) -> Iterator[str]:
    """Give the lines of a text."""
    row = ""
    for word in text.split():
        if row and len(row) + 1 + len(word) > _TITLE_CHARS:
            yield row
            row = word
        else:
            row = f"{row} {word}" if row else word
    yield row


# Time


def _ticks(found: Outlook, until_s: float) -> list[tuple[float, str]]:
    """Return round moments of the site's clock."""
    step_s = next((s for s in _TICK_S if until_s / s <= _MOST_TICKS), _TICK_S[-1])
    moments = list(round_moments(found.begins, until_s, step_s))
    px = [Scale(0.0, until_s, _LEFT, _RIGHT).at(at_s) for at_s in moments]
    form = "%H:%M:%S" if step_s < 60 else "%H:%M"
    texts = labelled(found.begins, moments, form=form, px=px, per_char=width_px("0"))
    return list(zip(moments, texts, strict=True))


def _nights(found: Outlook, x: Scale, until_s: float) -> list[tuple[float, float]]:
    """Return from where to where it is dark, in px."""
    steps = light_steps(found.loaded.place, begins=found.begins, lasts_s=until_s)
    ends_s = [*(step.after_s for step in steps[1:]), until_s]
    return [
        (x.at(step.after_s), x.at(end_s))
        for step, end_s in zip(steps, ends_s, strict=True)
        if step.light is Light.NIGHT
    ]


def _horizon(found: Outlook, x: Scale, until_s: float) -> float | None:
    return x.at(found.plan.horizon_s) if found.plan.horizon_s < until_s else None


# Panels


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit's two panels."""

    name: str
    top: float
    bottom: float
    battery: _Panel
    load: _Panel
    band: str
    lower: str
    median: str
    sure_px: float
    sure: str
    load_path: str


def _unit(found: Outlook, unit: UnitOutlook, x: Scale, top: float) -> _Unit:
    course = unit.course
    battery = _panel(
        "at hand, Wh",
        top + 18.0,
        _BATTERY_HIGH,
        max((point.median_wh for point in unit.points), default=1.0),
    )
    load = _panel(
        "load, W", battery.bottom + 22.0, _LOAD_HIGH, max(step.load_w for step in course.steps)
    )
    lower = [(x.at(p.after_s), battery.scale.at(p.lower_wh)) for p in unit.points]
    median = [(x.at(p.after_s), battery.scale.at(p.median_wh)) for p in unit.points]
    sure = f"{100.0 * (1.0 - course.quantile):.0f} % sure"
    return _Unit(
        name=course.unit,
        top=top,
        bottom=load.bottom,
        battery=battery,
        load=load,
        band=band(median, lower),
        lower=line(lower),
        median=line(median),
        sure_px=x.at(course.lower_s),
        sure=f"carries what is kept on until {clock(found, course.lower_s)} at least, {sure}",
        load_path=line(_stairs(course.steps, x, load.scale, unit.points[-1].after_s)),
    )


def _panel(name: str, top: float, high: float, most: float) -> _Panel:
    scale = Scale(0.0, max(1.0, 1.05 * most), top + high, top)
    labels = [(scale.at(value), figure(value)) for value in scale.ticks(4)]
    return _Panel(name, top, top + high, scale, labels)


def _stairs(steps: Sequence[LoadStep], x: Scale, y: Scale, until_s: float) -> Iterator[Point]:
    """Give the corners of the load's line."""
    before_w: float | None = None
    for step in steps:
        if step.after_s > until_s:
            break
        if before_w is not None:
            yield x.at(step.after_s), y.at(before_w)
        yield x.at(step.after_s), y.at(step.load_w)
        before_w = step.load_w
    if before_w is not None:
        yield x.at(until_s), y.at(before_w)


# Bars

_KINDS = {
    Why.KEPT: "kept",
    Why.GIVES_WAY: "given",
    Why.OWNER: "given",
    Why.UNDER_WAY: "given",
}


def _bar(found: Outlook, stop: PlannedStop, x: Scale, top: float) -> dict[str, object]:
    on_px, rest_px = x.at(stop.on_until_at), x.at(_finite(stop.at_rest_at, stop.on_until_at))
    ends_px = max(on_px, rest_px)
    dark_px = x.at(stop.dark_at) if math.isfinite(stop.dark_at) else ends_px
    kind = _KINDS.get(stop.why, "untold")
    hold_px = x.at(stop.hold_until_at) if stop.hold_until_at > 0.0 else None
    label_px = max(ends_px, dark_px) if kind == "untold" else ends_px
    if hold_px is not None and 0.0 <= hold_px - label_px < _LABEL_PX:
        label_px = hold_px
    is_late = not stop.is_in_time
    label = _label(found, stop)
    fits_right = label_px + 8.0 + _LABEL_PX * len(label) / 9.0 < _RIGHT
    return {
        "name": shortened(stop.device, room_px=_NAME_PX),
        "title": _title(found, stop),
        "y": top + 0.5 * (_ROW - _BAR),
        "text_y": top + 0.5 * _ROW + 4.0,
        "kind": kind,
        "on_px": on_px,
        "rest_px": ends_px,
        "dark_px": dark_px,
        "hold_px": hold_px,
        "is_held": stop.is_held,
        "latest_px": x.at(stop.latest_at) if 0.0 <= stop.latest_at < math.inf else None,
        "is_late": is_late,
        "label": label,
        "label_px": label_px + 8.0 if fits_right else ends_px - 6.0,
        "is_outside": fits_right,
    }


def _label(found: Outlook, stop: PlannedStop) -> str:
    match stop.why:
        case Why.DARK:
            return "dark at once"
        case Why.OTHER_POWER | Why.OFF:
            return stop.why.value
        case _:
            return clock(found, stop.on_until_at)


def _title(found: Outlook, stop: PlannedStop) -> str:
    said = [f"{stop.device}: {stop.why}"]
    if math.isfinite(stop.on_until_at):
        said.append(f"on until {clock(found, stop.on_until_at, with_seconds=True)}")
    if math.isfinite(stop.at_rest_at):
        said.append(f"at rest by {clock(found, stop.at_rest_at, with_seconds=True)}")
    if 0.0 <= stop.latest_at < math.inf:
        said.append(f"latest safe start {clock(found, stop.latest_at, with_seconds=True)}")
    if stop.hold_until_at > 0.0:
        met = "met" if stop.is_held else "not met"
        said.append(f"hold time {duration_text(stop.hold_until_at)}, {met}")
    return "; ".join(said)


def _finite(at_s: float, otherwise: float) -> float:
    return at_s if math.isfinite(at_s) else otherwise
