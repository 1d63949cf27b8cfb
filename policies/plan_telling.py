"""Telling a plan: what each device has before it, from its unit's best course."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np

from policies.belief import Belief
from policies.footing import Footing, Terms, UnitProblem
from policies.model import HOLDS_DATA, Role, Site
from policies.plan import Fall, Plan, PlannedStop, UnitCourse, Why
from policies.plan_limits import Limit
from policies.runtime import LoadStep
from policies.shed_energy import Energy
from policies.shed_exchange import latest_offs
from policies.shed_items import HOUR_S, Answer, Battery, Form, course, holds_fit
from policies.shed_search import exhausted
from policies.state import Phase
from policies.timeline import MARGIN_S, reserve_s
from policies.way_out import kept_for_notices_s

_HALVINGS = 48
_NEARLY = 0.9
_GIFT_S = 300.0
"""A device that is given up leaves its power to others for so long, or it is no gift."""


@dataclass(frozen=True, slots=True)
class Solved:
    """One unit's best course.

    Attributes:
        bound: the battery that ends when the lower bound says.
        planned: the battery that ends so much earlier as is kept in reserve.
        lower_s, median_s: how long the output lasts along `carried`, by the belief.
        dark_s: when it ends at the earliest along the course itself.
        limits: owners' thresholds that come before anything else.
        carried: the course of load that the bound was asked about.
    """

    unit: str
    hung: UnitProblem
    answer: Answer
    bound: Battery
    planned: Battery
    lower_s: float
    median_s: float
    dark_s: float
    limits: Mapping[str, Limit]
    carried: tuple[LoadStep, ...]


def works_until_s(solved: Solved, name: str) -> float:
    """Return until when a device does its work, or is on at all, s from now."""
    number = solved.hung.number_of(name)
    return solved.dark_s if number is None else solved.answer.starts_s[number]


def late_s(solved: Solved, number: int) -> float:
    """Return how much later than searched for a stop may be: the reserve is for what holds data."""
    if not solved.answer.is_kept[number]:
        return 0.0
    uses = {number}
    waiting = [number]
    while waiting:
        item = solved.hung.problem.items[waiting.pop()]
        if item.holds_data:
            return 0.0
        for other in item.uses:
            if other not in uses:
                uses.add(other)
                waiting.append(other)
    return max(0.0, solved.lower_s - solved.answer.end_s)


class Teller:
    """Knows the best course of each unit, and says what that means."""

    def __init__(
        self,
        site: Site,
        footing: Footing,
        terms: Terms,
        beliefs: Mapping[str, Belief],
        solved: Mapping[str, Solved],
        *,
        now: float,
        outage_at: float,
    ) -> None:
        self._site, self._footing, self._terms = site, footing, terms
        self._beliefs, self._solved = beliefs, solved
        self._now, self._outage_at = now, outage_at
        self._latest_s = {
            unit: _latest_s(each) if terms.thorough else each.answer.starts_s
            for unit, each in solved.items()
        }

    def plan(self) -> Plan:
        """Return the plan."""
        solved = self._solved
        stops = {name: self._stop(name) for name in self._site.devices}
        gaining = self._gaining(stops.values())
        stops = {name: self._with_sake(stop, gaining) for name, stop in stops.items()}
        return Plan(
            made_at=self._now,
            outage_at=self._outage_at,
            horizon_s=self._terms.horizon_s,
            stops=stops,
            units={unit: self._unit_course(each) for unit, each in solved.items()},
            worth=sum(each.answer.worth for each in solved.values()),
        )

    def _unit_course(self, solved: Solved) -> UnitCourse:
        short_wh, share = _short(solved)
        falls = _falls(solved)
        all_off_s = max((fall.begins_s + fall.takes_s for fall in falls), default=0.0)
        # Should the unit switch itself off once the data is safe, little is lost.
        data_off_s = max(
            (fall.begins_s + fall.takes_s for fall in falls if fall.holds_data), default=all_off_s
        )
        steps = _steps(solved)
        least_w = self._site.units[solved.unit].min_load_w
        return UnitCourse(
            unit=solved.unit,
            quantile=self._beliefs[solved.unit].bound_quantile,
            lower_s=solved.lower_s,
            median_s=solved.median_s,
            dark_s=solved.dark_s,
            stops_end_s=all_off_s,
            steps=steps,
            carried=solved.carried,
            falls=falls,
            changes=_changes(solved),
            short_wh=short_wh,
            short_share=share,
            light_load_s=_lighter_s(steps, least_w, data_off_s),
            made_w=self._footing.state.units[solved.unit].load_w,
        )

    def _stop(self, name: str) -> PlannedStop:
        device, footing = self._site.devices[name], self._footing
        units = footing.units[name]
        wish_at = self._outage_at + device.hold_s if device.hold_s > 0.0 else -math.inf
        stop = PlannedStop(name, Why.UNTOLD, math.inf, hold_until_at=wish_at)
        has_data = device.role in HOLDS_DATA
        if footing.is_off(name):
            at = self._footing.state.devices[name].since_at
            return replace(
                stop, why=Why.OFF, on_until_at=at, at_rest_at=at, hold_until_at=-math.inf
            )
        if not footing.graph.units[name] or name not in footing.on:
            at = self._outage_at
            return replace(stop, why=Why.DARK, on_until_at=at, dark_at=at, is_in_time=not has_data)
        if not footing.is_planned(name):
            return replace(stop, why=Why.OTHER_POWER)
        if len(units) > 1:
            return self._shared(stop)
        (unit,) = units
        return self._alone(stop, self._solved[unit])

    def _shared(self, stop: PlannedStop) -> PlannedStop:
        """What hangs on several units stays on until the last of them; it is never given up."""
        device, footing = self._site.devices[stop.device], self._footing
        units_s = {u: self._solved[u].lower_s for u in footing.units[stop.device]}
        dark_at = self._now + max(self._solved[u].dark_s for u in units_s)
        if not footing.can_go(stop.device):
            return self._untold(stop, dark_at)
        kept_s = max(
            end_s - (reserve_s(self._site, end_s) if device.role in HOLDS_DATA else 0.0)
            for end_s in units_s.values()
        )
        uses_s = [
            works_until_s(self._solved[u], other)
            for other in footing.graph.uses[stop.device]
            for u in footing.units[other]
            if len(footing.units[other]) == 1
        ]
        takes_s = device.rest_s + MARGIN_S + kept_for_notices_s(self._site, stop.device)
        begin_s = min([kept_s, *uses_s]) - takes_s
        begin_at = self._now + max(0.0, begin_s)
        return replace(
            stop,
            why=Why.KEPT,
            on_until_at=begin_at,
            at_rest_at=begin_at + takes_s,
            latest_at=begin_at,
            dark_at=dark_at,
            is_in_time=begin_s >= 0.0 or device.role not in HOLDS_DATA,
        )

    def _alone(self, stop: PlannedStop, solved: Solved) -> PlannedStop:
        """What hangs on one unit on battery."""
        name, answer = stop.device, solved.answer
        device, footing = self._site.devices[name], self._footing
        number = solved.hung.number_of(name)
        host = footing.host(name)
        end_at = self._now + solved.dark_s
        dark_at = end_at
        if host is not None and host != name:
            host_number = solved.hung.number_of(host)
            assert host_number is not None, "what hosts a device is an item"
            dark_at = self._now + answer.offs_s[host_number] + late_s(solved, host_number)
        if number is None:
            return self._untold(stop, dark_at)
        later_s = late_s(solved, number)
        on_until_at = self._now + answer.starts_s[number] + later_s
        if not solved.hung.is_told[number]:
            return self._untold(stop, dark_at, on_until_at=on_until_at)
        at_rest_at = self._now + answer.offs_s[number] + later_s
        latest_s = self._latest_s[solved.unit][number] + later_s
        return replace(
            stop,
            why=self._why(name, number, solved),
            on_until_at=on_until_at,
            at_rest_at=at_rest_at,
            latest_at=self._now + latest_s,
            dark_at=end_at if device.stop_s is None else at_rest_at,
            is_in_time=at_rest_at <= end_at + 1.0 or device.role not in HOLDS_DATA,
        )

    def _why(self, name: str, number: int, solved: Solved) -> Why:
        if self._footing.state.devices[name].phase is Phase.RESTING:
            return Why.UNDER_WAY
        if solved.answer.is_kept[number]:
            return Why.KEPT
        item = solved.hung.problem.items[number]
        starts_s = solved.answer.starts_s[number]
        if self._terms.thresholds and starts_s >= item.most_s - 1.0:
            wish = self._site.devices[name].stop_when
            if name in solved.limits or (wish is not None and wish.on_battery_for_s is not None):
                return Why.OWNER
        end_s = solved.answer.end_s
        # What stops so near the end, or draws nothing, is no gift to anything else.
        is_near = starts_s >= min(_NEARLY * end_s, end_s - _GIFT_S)
        return Why.KEPT if is_near or not any(item.watts) else Why.GIVES_WAY

    def _untold(
        self, stop: PlannedStop, dark_at: float, *, on_until_at: float | None = None
    ) -> PlannedStop:
        """What loses power without a word."""
        device = self._site.devices[stop.device]
        works = self._footing.works(stop.device)
        until_at = dark_at if on_until_at is None else min(dark_at, on_until_at)
        return replace(
            stop,
            why=Why.NO_TOUCH if device.no_touch else Why.UNTOLD,
            on_until_at=until_at if works else self._now,
            dark_at=dark_at,
            is_in_time=device.role not in HOLDS_DATA,
        )

    def _gaining(self, stops: Iterable[PlannedStop]) -> Mapping[str, _Gaining]:
        """What could gain by the giving way of another, by unit."""
        found: dict[str, list[tuple[float, float, str]]] = {}
        for stop in stops:
            device = self._site.devices[stop.device]
            if stop.why in _GAINS and device.role is not Role.AGENT_BOX:
                for unit in self._footing.units[stop.device]:
                    gains = (stop.on_until_at, device.worth, stop.device)
                    found.setdefault(unit, []).append(gains)
        return {unit: _Gaining.of(those) for unit, those in found.items()}

    def _with_sake(self, stop: PlannedStop, gaining: Mapping[str, _Gaining]) -> PlannedStop:
        """Name what gains by its giving way: the most worth of what stays on longer on its unit."""
        if stop.why is not Why.GIVES_WAY:
            return stop
        units = self._footing.units[stop.device] & gaining.keys()
        most = [gaining[unit].most_after(stop.on_until_at + 1.0) for unit in units]
        return replace(stop, sake=max(most, default=(0.0, ""))[1])


_GAINS = frozenset({Why.KEPT, Why.GIVES_WAY, Why.OWNER, Why.UNTOLD})


@dataclass(frozen=True, slots=True)
class _Gaining:
    """Moments by which what is on one unit goes, rising; what is worth most of all from each on."""

    until_at: Sequence[float]
    most: Sequence[tuple[float, str]]

    @classmethod
    def of(cls, those: Iterable[tuple[float, float, str]]) -> _Gaining:
        """Take them as (on until, worth, name)."""
        latest_first = sorted(those, reverse=True)
        most = list(accumulate(((worth, name) for _, worth, name in latest_first), max))
        return cls([at for at, _, _ in reversed(latest_first)], most[::-1])

    def most_after(self, at: float) -> tuple[float, str]:
        """Return the most worth that stays on beyond a moment, and whose it is; "" = nobody's."""
        first = bisect.bisect_right(self.until_at, at)
        return self.most[first] if first < len(self.most) else (-1.0, "")


def _offs_s(solved: Solved) -> list[float]:
    return [off_s + late_s(solved, i) for i, off_s in enumerate(solved.answer.offs_s)]


def _steps(solved: Solved) -> tuple[LoadStep, ...]:
    return course(solved.hung.problem, np.array(_offs_s(solved)) / HOUR_S)


def _falls(solved: Solved) -> tuple[Fall, ...]:
    pieces_s = solved.hung.problem.pieces_s
    falls = []
    for i, off_s in enumerate(_offs_s(solved)):
        item = solved.hung.problem.items[i]
        if solved.hung.is_told[i]:
            watts = item.watts[max(0, bisect.bisect_left(pieces_s, off_s) - 1)]
            begins_s = off_s - item.takes_s
            falls.append(Fall(item.name, begins_s, item.takes_s, watts, item.holds_data))
    return tuple(sorted(falls, key=lambda fall: (fall.begins_s, fall.device)))


def _changes(solved: Solved) -> tuple[tuple[float, float], ...]:
    """By how much the load changes with the light, of what is on then."""
    problem, offs_s = solved.hung.problem, _offs_s(solved)
    changes = []
    for piece, at_s in enumerate(problem.pieces_s[1:], start=1):
        by_w = problem.base_w[piece] - problem.base_w[piece - 1]
        for item, off_s in zip(problem.items, offs_s, strict=True):
            if off_s > at_s:
                by_w += item.watts[piece] - item.watts[piece - 1]
        if by_w:
            changes.append((at_s, by_w))
    return tuple(changes)


def _latest_s(solved: Solved) -> list[float]:
    """When each stop could begin at the latest, if all else goes as planned."""
    problem, answer = solved.hung.problem, solved.answer
    form = exhausted(Form.of(problem))
    offs = np.array(answer.offs_s) / HOUR_S
    latest = latest_offs(form, Energy(form, solved.planned), offs) if len(offs) else offs
    return [
        start_s if is_kept else max(start_s, HOUR_S * float(off - takes))
        for start_s, is_kept, off, takes in zip(
            answer.starts_s, answer.is_kept, latest, form.takes, strict=True
        )
    ]


def _short(solved: Solved) -> tuple[float, float]:
    """What the battery lacks to meet all hold times, in Wh and as a share of what it has."""
    # An owner's threshold shorter than his hold time is no matter of energy.
    items = tuple(
        replace(item, most_s=max(item.most_s, item.least_s)) for item in solved.hung.problem.items
    )
    form = exhausted(Form.of(replace(solved.hung.problem, items=items)))
    if not solved.answer.unmet or holds_fit(form, solved.planned):
        return 0.0, 1.0
    low, high = 0.0, 12.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if holds_fit(form, solved.planned.scaled(math.exp(middle))):
            high = middle
        else:
            low = middle
    share = math.exp(high)
    return (share - 1.0) * solved.bound.wells.total_wh, share


def _lighter_s(steps: Sequence[LoadStep], least_w: float, until_s: float) -> float:
    """For how long until then the load is below what the unit needs to stay on."""
    if least_w <= 0.0:
        return 0.0
    ends = [*(step.after_s for step in steps[1:]), math.inf]
    return sum(
        max(0.0, min(end_s, until_s) - step.after_s)
        for step, end_s in zip(steps, ends, strict=True)
        if step.load_w < least_w
    )
