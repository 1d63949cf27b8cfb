"""The ride-through for the picture: what happened from the past that was kept, the rest planned.

In an outage, and until everything is back after it, the picture is of that. On mains it shows what
an outage that begins now would be.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from agent.page.live_past import Past
from agent.page.view_seen import Seen, in_order
from agent.pictures.ride_battery import drawn_wh, left_ahead
from agent.pictures.ride_view import DeviceRide, Doing, Load, RideView, Span, UnitRide
from policies.belief import full_energy_wh
from policies.model import Place
from policies.night import Light, light_steps
from policies.plan import Plan, PlannedStop, UnitCourse, Why
from policies.reasons import sureness_text
from policies.runtime import LoadStep, inverter_of
from policies.state import Phase

_MOST_TIMES = 1.25
"""The time axis goes so far beyond the likely end of the battery."""

_LEAST_AHEAD_S = 600.0
_TINY_S = 1e-6


@dataclass(frozen=True, slots=True)
class Axis:
    """What times in the picture mean.

    Attributes:
        zero_at: site time of the picture's zero.
        begins: the same by the site's clock.
        now_s: the present, from there.
    """

    zero_at: float
    begins: datetime
    now_s: float

    def of(self, at: float) -> float:
        """Return a site time as the picture has it."""
        return at - self.zero_at


def ride_of(seen: Seen, past: Past, place: Place | None, *, description: str) -> RideView | None:
    """Return the ride-through to draw, None where nothing is known to draw.

    Args:
        seen: the agent now.
        past: what was kept of the ride-through under way.
        place: where the site lies, for its nights.
        description: what the picture says, for those who cannot see it.
    """
    is_past = past.outage_at is not None and (
        seen.state.outage_at is not None or not past.is_over(seen.state)
    )
    plan = seen.plan if is_past else seen.ahead
    if not is_past and plan is None:
        return None
    zero_at = past.outage_at if is_past else (seen.now if plan is None else plan.made_at)
    assert zero_at is not None
    begins = (seen.utc - timedelta(seconds=seen.now - zero_at)).astimezone(seen.zone)
    axis = Axis(zero_at, begins, seen.now - zero_at if is_past else 0.0)
    units = tuple(_units(seen, past if is_past else None, plan, axis))
    until_s = _until_s(units, plan, axis, past if is_past else None)
    ends = None if past.back_at is None or not is_past else axis.of(past.back_at)
    return RideView(
        title=_title(seen, is_past=is_past),
        description=description,
        begins=begins,
        now_s=axis.now_s,
        units=units,
        devices=tuple(_devices(seen, past if is_past else None, plan, axis)),
        until_s=until_s,
        mains_back_s=ends,
        dark=tuple(_dark(place, axis, until_s)),
    )


def _title(seen: Seen, *, is_past: bool) -> str:
    what = "the ride-through under way" if is_past else "an outage that begins now"
    return f"{seen.site.name}: {what}"


def _until_s(
    units: tuple[UnitRide, ...], plan: Plan | None, axis: Axis, past: Past | None
) -> float:
    """Where the axis ends: somewhat beyond what is drawn, not beyond all measure."""
    likely = [unit.likely_end_s for unit in units if unit.likely_end_s is not None]
    if not likely or (past is not None and past.back_at is not None):
        return max(_LEAST_AHEAD_S, 1.1 * axis.now_s)
    most_s = max(likely) * _MOST_TIMES
    ends = [1.04 * end_s for end_s in likely] + [axis.now_s + _LEAST_AHEAD_S]
    if plan is not None:
        stops = plan.stops.values()
        rests = [axis.of(s.at_rest_at) for s in stops if math.isfinite(s.at_rest_at)]
        ends += [1.03 * rest_s for rest_s in rests if rest_s < most_s]
    return max(ends)


def _dark(place: Place | None, axis: Axis, until_s: float) -> Iterator[tuple[float, float]]:
    steps = light_steps(place, begins=axis.begins, lasts_s=until_s)
    ends_s = [*(step.after_s for step in steps[1:]), until_s]
    for step, end_s in zip(steps, ends_s, strict=True):
        if step.light is Light.NIGHT:
            yield step.after_s, end_s


# Units


def _units(seen: Seen, past: Past | None, plan: Plan | None, axis: Axis) -> Iterator[UnitRide]:
    for name in seen.site.units:
        course = None if plan is None else plan.units.get(name)
        if past is None and course is None:
            continue
        kept = None if past is None else past.units.get(name)
        is_over = seen.state.outage_at is None and past is not None
        ahead = None if is_over else _course(seen, name, plan, course)
        unit = UnitRide(
            name,
            left=() if kept is None else tuple(kept.left),
            load=() if kept is None else tuple(kept.load),
            charge=() if kept is None else tuple(kept.charge),
        )
        yield unit if ahead is None else _with_ahead(unit, seen, ahead, axis)


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What is ahead of a unit: from when on, its course, and how long it lasts along `carried`."""

    from_at: float
    steps: tuple[LoadStep, ...]
    carried: tuple[LoadStep, ...]
    lower_s: float
    likely_s: float
    quantile: float


def _course(seen: Seen, name: str, plan: Plan | None, course: UnitCourse | None) -> _Ahead | None:
    if plan is not None and course is not None and math.isfinite(course.median_s):
        return _Ahead(
            plan.made_at,
            course.steps,
            course.carried,
            course.lower_s,
            course.median_s,
            course.quantile,
        )
    shown = next(unit for unit in seen.shown["units"] if unit["name"] == name)
    if shown["lower_s"] is None or shown["median_s"] is None:
        return None
    steady = (LoadStep(0.0, seen.state.units[name].load_w),)
    quantile = seen.quantiles.get(name, math.nan)
    return _Ahead(seen.now, steady, steady, shown["lower_s"], shown["median_s"], quantile)


def _with_ahead(unit: UnitRide, seen: Seen, ahead: _Ahead, axis: Axis) -> UnitRide:
    rating = seen.site.units[unit.name]
    inverter = inverter_of(rating.rating_w)
    since_wh = drawn_wh(ahead.steps, seen.now - ahead.from_at, inverter)
    missing_wh = min(seen.state.units[unit.name].drawn.total_wh, full_energy_wh(rating))
    if seen.state.outage_at is not None:
        missing_wh = max(0.0, missing_wh - since_wh)  # as it was when the course began
    points = left_ahead(
        axis.of(ahead.from_at),
        ahead.steps,
        carried=ahead.carried,
        missing_wh=missing_wh,
        lower_s=ahead.lower_s,
        likely_s=ahead.likely_s,
        until_s=_MOST_TIMES * ahead.likely_s,
        inverter=inverter,
        also_s=max(0.0, seen.now - ahead.from_at),
    )
    from_s = axis.of(ahead.from_at)
    loads = [Load(from_s + step.after_s, step.load_w) for step in ahead.steps]
    now_s = axis.now_s
    before = [load for load in loads if load.at_s <= now_s]
    if before:
        loads = [Load(now_s, before[-1].watts), *(load for load in loads if load.at_s > now_s)]
    return UnitRide(
        unit.name,
        left=unit.left,
        left_planned=tuple(point for point in points if point.at_s >= now_s - _TINY_S),
        load=unit.load,
        load_planned=tuple(loads),
        charge=unit.charge,
        sure_end_s=from_s + ahead.lower_s,
        likely_end_s=from_s + ahead.likely_s,
        sureness="" if math.isnan(ahead.quantile) else sureness_text(ahead.quantile),
    )


# Devices


def _devices(seen: Seen, past: Past | None, plan: Plan | None, axis: Axis) -> Iterator[DeviceRide]:
    for shown in in_order(seen):
        name = shown["name"]
        stop = None if plan is None else plan.stops.get(name)
        spans = () if past is None else tuple(past.devices.get(name, ()))
        device, state = seen.site.devices[name], seen.state.devices[name]
        latest_s = _latest_s(shown["stop_latest_in_s"], stop, axis)
        is_running = state.phase in (Phase.RUNNING, Phase.STARTING)
        is_over = past is not None and past.back_at is not None
        planned = () if stop is None or is_over or not is_running else tuple(_ahead(stop, axis))
        yield DeviceRide(
            name,
            past=spans,
            planned=planned,
            hold_until_s=device.hold_s if device.hold_s > 0.0 else None,
            is_held=_is_held(stop, spans, device.hold_s),
            latest_s=latest_s if is_running and not is_over else None,
            note=_note(seen, stop if planned else None, state.phase, is_past=past is not None),
            is_at_risk=_is_at_risk(stop if planned else None, state.phase),
        )


def _latest_s(in_s: float | None, stop: PlannedStop | None, axis: Axis) -> float | None:
    """The latest safe start: by the plan where there is one, else at the load there is."""
    if stop is not None and stop.why is Why.GIVES_WAY and stop.latest_at <= stop.on_until_at:
        return None  # the plan did not look how late it could begin
    if stop is not None:
        return axis.of(stop.latest_at) if math.isfinite(stop.latest_at) else None
    return None if in_s is None else axis.now_s + in_s


def _ahead(stop: PlannedStop, axis: Axis) -> Iterator[Span]:
    """Give what is planned for one device, from now on."""
    now_s, on_s = axis.now_s, axis.of(stop.on_until_at)
    if stop.why is Why.DARK:
        yield Span(now_s, None, Doing.DARK, stop.why.value)
        return
    if stop.why in (Why.OFF, Why.OTHER_POWER):
        return
    if on_s > now_s:
        yield Span(now_s, on_s if math.isfinite(on_s) else None, Doing.ON, stop.why.value)
    if not math.isfinite(on_s):
        return
    begins_s = max(now_s, on_s)
    if math.isfinite(stop.at_rest_at):
        rest_s = max(begins_s, axis.of(stop.at_rest_at))
        yield Span(begins_s, rest_s, Doing.STOPPING)
        yield Span(rest_s, None, Doing.AT_REST)
    else:
        yield Span(begins_s, None, Doing.DARK)


def _is_held(stop: PlannedStop | None, spans: tuple[Span, ...], hold_s: float) -> bool:
    """Whether it stays, or stayed, on for as long as its owner wishes."""
    stopped_s = next((s.begins_s for s in spans if s.doing is not Doing.ON), math.inf)
    if math.isfinite(stopped_s):
        return stopped_s >= hold_s - 1.0
    return stop is None or stop.is_held


def _note(seen: Seen, stop: PlannedStop | None, phase: Phase, *, is_past: bool) -> str:
    if stop is None:
        return phase.value if is_past or phase is not Phase.RUNNING else ""
    if stop.why in (Why.DARK, Why.OFF, Why.OTHER_POWER) or not math.isfinite(stop.on_until_at):
        return "dark at once" if stop.why is Why.DARK else ""
    until = seen.since(stop.on_until_at)
    return f"off by {until}" if stop.why is Why.UNTOLD else f"until {until}"


def _is_at_risk(stop: PlannedStop | None, phase: Phase) -> bool:
    return phase in (Phase.GIVEN_UP, Phase.NEEDS_HAND) or (
        stop is not None and not stop.is_in_time and stop.why is not Why.NO_TOUCH
    )
