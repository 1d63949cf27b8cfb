"""What has happened in the ride-through under way, as far as this run of the agent saw it.

Kept for the picture alone: the journal has all of it, and the report is made from there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from agent.pictures.ride_battery import left_now
from agent.pictures.ride_view import Doing, Left, Load, RideView, Span
from policies.belief import full_energy_wh
from policies.decide import Decision
from policies.model import Site
from policies.runtime import inverter_of
from policies.state import DeviceState, Phase, SiteState

T = TypeVar("T")

POINTS_KEPT = 300
SPANS_KEPT = 24
_CHANGED_W = 1.0

DOINGS: Mapping[Phase, Doing] = {
    Phase.RUNNING: Doing.ON,
    Phase.RESTING: Doing.STOPPING,
    Phase.AT_REST: Doing.AT_REST,
    Phase.GIVEN_UP: Doing.FAILED,
    Phase.STARTING: Doing.STARTING,
    Phase.NEEDS_HAND: Doing.FAILED,
}


@dataclass(slots=True)
class UnitPast:
    """One unit's; times in s after mains failed."""

    left: list[Left] = field(default_factory=list)
    load: list[Load] = field(default_factory=list)
    charge: list[tuple[float, float]] = field(default_factory=list)
    heard_at: float | None = None


@dataclass(slots=True)
class Past:
    """The ride-through under way, or the last one until everything is back.

    Attributes:
        outage_at: when mains failed, site time; None = there was no outage in this run.
        back_at: when mains was back, None = it is not.
        units, devices: by name; devices' spans in order, the last one open.
    """

    outage_at: float | None = None
    back_at: float | None = None
    units: dict[str, UnitPast] = field(default_factory=dict)
    devices: dict[str, list[Span]] = field(default_factory=dict)
    _devices: Mapping[str, DeviceState] | None = None

    def look(self, site: Site, state: SiteState, decision: Decision | None, now: float) -> None:
        """Take in how the site is; to be called after every event, and costs next to nothing."""
        if state.outage_at is not None and state.outage_at != self.outage_at:
            self._begin(state)
        if self.outage_at is None:
            return
        if state.outage_at is None and self.back_at is None:
            self.back_at = now
        if self.is_over(state):
            return
        self._look_at_devices(state)
        for name in site.units:
            self._look_at_unit(site, state, name, decision)

    def recall(self, outage_at: float, told: RideView, state: SiteState) -> None:
        """Take in what the journal tells of the outage under way, from before this run.

        Args:
            outage_at: when mains failed, by this run's site time.
            told: the ride-through so far, nothing planned.
            state: the site now.
        """
        self._begin(state)
        self.outage_at = outage_at
        for unit in told.units:
            if unit.name in self.units:
                self.units[unit.name] = UnitPast(
                    list(unit.left), list(unit.load), list(unit.charge)
                )
        for device in told.devices:
            if device.name in self.devices and device.past:
                last = device.past[-1]
                open_end = Span(last.begins_s, None, last.doing, last.why)
                self.devices[device.name] = [*device.past[:-1], open_end]

    def is_over(self, state: SiteState) -> bool:
        """Whether mains is back, and so is every device."""
        return self.back_at is not None and all(
            device.phase is Phase.RUNNING for device in state.devices.values()
        )

    def _begin(self, state: SiteState) -> None:
        assert state.outage_at is not None
        self.outage_at, self.back_at, self._devices = state.outage_at, None, None
        self.units = {name: UnitPast() for name in state.units}
        self.devices = {}
        for name, device in state.devices.items():
            since_s = device.since_at - self.outage_at
            spans = [Span(0.0, None, DOINGS[device.phase], device.evidence)]
            if since_s > 0.0 and device.phase is not Phase.RUNNING:
                # It was told before this run of the agent began; it was on until then.
                spans = [Span(0.0, since_s, Doing.ON), Span(since_s, None, DOINGS[device.phase])]
            self.devices[name] = spans

    def _look_at_devices(self, state: SiteState) -> None:
        if state.devices is self._devices:
            return
        assert self.outage_at is not None
        for name, device in state.devices.items():
            spans = self.devices.setdefault(name, [])
            doing, at_s = DOINGS[device.phase], device.since_at - self.outage_at
            if spans and spans[-1].doing is doing:
                continue
            if spans:
                last = spans[-1]
                at_s = max(at_s, last.begins_s)
                spans[-1] = Span(last.begins_s, at_s, last.doing, last.why)
            spans.append(Span(max(0.0, at_s), None, doing, device.evidence))
            del spans[:-SPANS_KEPT]
        self._devices = state.devices

    def _look_at_unit(
        self, site: Site, state: SiteState, name: str, decision: Decision | None
    ) -> None:
        known, past = state.units[name], self.units[name]
        if known.heard_at is None or known.heard_at == past.heard_at or self.outage_at is None:
            return
        past.heard_at = known.heard_at
        at_s = known.heard_at - self.outage_at
        if at_s < 0.0:
            return
        if not past.load or abs(past.load[-1].watts - known.load_w) >= _CHANGED_W:
            past.load.append(Load(at_s if past.load else 0.0, known.load_w))
        charge = None if known.reading is None else known.reading.trusted("charge")
        if charge is not None:
            past.charge.append((at_s, charge))
        left = None if decision is None else _left(site, state, name, decision, at_s)
        if left is not None:
            past.left.append(left)
        _thin(past.left)
        _thin(past.load)
        _thin(past.charge)


def _left(site: Site, state: SiteState, name: str, decision: Decision, at_s: float) -> Left | None:
    course, known = decision.timeline, state.units[name]
    lower_s = course.unit_lower_s.get(name, math.inf)
    likely_s = course.unit_median_s.get(name, math.inf)
    if not math.isfinite(likely_s) or not math.isfinite(lower_s):
        return None
    unit = site.units[name]
    return left_now(
        at_s,
        missing_wh=min(known.drawn.total_wh, full_energy_wh(unit)),
        load_w=known.load_w,
        lower_s=lower_s,
        likely_s=likely_s,
        inverter=inverter_of(unit.rating_w),
    )


def _thin(kept: list[T]) -> None:
    """Leave out every other of the older ones once there are too many to be told apart."""
    if len(kept) > POINTS_KEPT:
        half = 2 * (len(kept) // 4)
        del kept[1:half:2]
