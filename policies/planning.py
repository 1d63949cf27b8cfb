"""Making a plan: each unit's best course, by a lower bound that knows only what it is asked.

A belief answers how long a course of load can be carried, and the search wants a battery. So the
file's battery is scaled until it ends when the bound, less the reserve, says; the best course for
it is found, the bound is asked about that course, and so on until both agree.

Several units are planned one after the other: each is told what hangs on it from elsewhere, and
then by when what it uses elsewhere goes.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from policies.belief import Belief
from policies.footing import REST, Caps, Footing, Terms, UnitProblem, problem_of
from policies.model import Role, Site
from policies.plan import Plan
from policies.plan_limits import Limit, first_limit
from policies.plan_telling import Solved, Teller, works_until_s
from policies.runtime import LoadStep, Wells, after_stretch, cells_of, inverter_of
from policies.shed_items import HOUR_S, Answer, Battery, Problem, course
from policies.shed_search import Solver, exhausted
from policies.state import SiteState
from policies.supply import UnitState
from policies.timeline import MARGIN_S, reserve_s
from policies.way_out import kept_for_notices_s

_TURNS, _LATE = 16, 7
_AGREES, _NEAR, _LESS = 2e-3, 8e-3, 5e-4
_SLOPE, _MOST_SLOPE, _STRIDE = 2.0, 6.0, 0.15  # of the end over the battery, as logarithms
_MOST_LOG, _CLOSE = 12.0, 1e-11
_TINY_S = 1e-9
_LONGEST_S = 60 * 86400.0
_MOST_LIMITS = 12
_LITTLE = 0.02
"""Share of the worth for which what holds data is not stopped before it must be."""

_DATA_FIRST = 1e-3
"""By this the worth of all else is lessened where what holds data would be given up for it."""


def make_plan(
    site: Site, state: SiteState, beliefs: Mapping[str, Belief], now: float, terms: Terms
) -> Plan:
    """Return the plan at once; see `plan_in_steps`."""
    return exhausted(plan_in_steps(site, state, beliefs, now, terms))


def plan_in_steps(
    site: Site, state: SiteState, beliefs: Mapping[str, Belief], now: float, terms: Terms
) -> Generator[None, None, Plan]:
    """Make a plan, slice by slice: whoever runs it may do other things between them.

    Args:
        site: what there is.
        state: what is known of it.
        beliefs: of the units that run on battery, and only of those.
        now: site time, s.
        terms: on which terms.
    """
    yield
    plan, _ = yield from _Maker(site, state, beliefs, now, terms).made()
    return plan


def plan_and_workings(
    site: Site, state: SiteState, beliefs: Mapping[str, Belief], now: float, terms: Terms
) -> tuple[Plan, Mapping[str, Solved]]:
    """Return the plan at once, with each unit's best course that it was told from."""
    return exhausted(_Maker(site, state, beliefs, now, terms).made())


class _Maker:
    """One plan in the making."""

    def __init__(
        self,
        site: Site,
        state: SiteState,
        beliefs: Mapping[str, Belief],
        now: float,
        terms: Terms,
    ) -> None:
        self._site, self._state, self._beliefs = site, state, beliefs
        self._now, self._terms = now, terms
        self._footing = Footing(site, state, on_battery=list(beliefs))
        self._outage_at = now if state.outage_at is None else state.outage_at
        self._hold_s = {
            name: self._outage_at + device.hold_s - now
            for name, device in site.devices.items()
            if self._outage_at + device.hold_s > now
        }

    def made(self) -> Generator[None, None, tuple[Plan, Mapping[str, Solved]]]:
        """Make it."""
        solved: dict[str, Solved] = {}
        across = self._across()
        for unit in self._beliefs:
            caps = Caps(self._wished(), self._credits(across, unit, solved))
            solved[unit] = yield from self._solved(unit, caps)
        if across or self._box_ends_s(solved, "") < math.inf:
            # Now it is known when each unit ends, and what uses another's devices waits for that.
            for unit in self._beliefs:
                most_s = self._limited(across, unit, solved)
                caps = Caps(most_s, self._credits(across, unit, solved))
                solved[unit] = yield from self._solved(unit, caps)
        teller = Teller(
            self._site,
            self._footing,
            self._terms,
            self._beliefs,
            solved,
            now=self._now,
            outage_at=self._outage_at,
        )
        return teller.plan(), solved

    # What units have to do with each other

    def _across(self) -> list[tuple[str, str]]:
        """Devices that use one of another unit, with that one."""
        units = self._footing.units
        return [
            (name, other)
            for name in self._site.devices
            if name in self._footing.on and len(units[name]) == 1
            for other in sorted(self._footing.graph.uses[name])
            if other in self._footing.on and units[other] and units[other] != units[name]
        ]

    def _credits(
        self, across: Sequence[tuple[str, str]], unit: str, solved: Mapping[str, Solved]
    ) -> dict[str, list[tuple[float, float]]]:
        credits: dict[str, list[tuple[float, float]]] = {}
        for name, other in across:
            if self._footing.units[other] == {unit} and self._footing.works(name):
                (own,) = self._footing.units[name]
                until_s = works_until_s(solved[own], name) if own in solved else math.inf
                worth = self._site.devices[name].worth
                credits.setdefault(other, []).append((worth, until_s))
        return credits

    def _limited(
        self, across: Sequence[tuple[str, str]], unit: str, solved: Mapping[str, Solved]
    ) -> dict[str, float]:
        """Latest begins of stops on one unit, for the sake of what ends elsewhere."""
        most_s = self._wished()
        box_s = self._box_ends_s(solved, unit)
        for name, device in self._site.devices.items():
            if self._footing.units[name] == {unit}:
                by_s = box_s - device.rest_s - MARGIN_S - kept_for_notices_s(self._site, name)
                most_s[name] = min(most_s.get(name, math.inf), max(0.0, by_s))
        for name, other in across:
            if self._footing.units[name] == {unit}:
                ends_s = min(works_until_s(solved[u], other) for u in self._footing.units[other])
                takes_s = self._site.devices[name].rest_s + MARGIN_S
                takes_s += kept_for_notices_s(self._site, name)
                by_s = max(0.0, ends_s - takes_s)
                most_s[name] = min(most_s.get(name, math.inf), by_s)
        return {name: by_s for name, by_s in most_s.items() if by_s < math.inf}

    def _box_ends_s(self, solved: Mapping[str, Solved], unit: str) -> float:
        """When the agent's box goes dark, if it does not hang on *unit*; else inf."""
        ends = [
            max(solved[u].lower_s for u in self._footing.units[name])
            for name, device in self._site.devices.items()
            if device.role is Role.AGENT_BOX
            and self._footing.is_planned(name)
            and unit not in self._footing.units[name]
            and (unit or len(self._beliefs) > 1)
        ]
        return min(ends, default=math.inf)

    def _wished(self) -> dict[str, float]:
        """Owners' limits of time on battery, from now."""
        if not self._terms.thresholds:
            return {}
        return {
            name: max(0.0, self._outage_at + device.stop_when.on_battery_for_s - self._now)
            for name, device in self._site.devices.items()
            if device.stop_when is not None and device.stop_when.on_battery_for_s is not None
        }

    # One unit

    def _solved(self, unit: str, caps: Caps) -> Generator[None, None, Solved]:
        """Solve one unit; owners' thresholds are met one after the other, the earliest first."""
        limits: dict[str, Limit] = {}
        most_s = dict(caps.most_s)
        while True:
            hung = problem_of(
                self._footing,
                unit,
                self._terms,
                hold_s=self._hold_s,
                caps=replace(caps, most_s=most_s),
            )
            found = yield from self._agreed(unit, hung)
            found = replace(found, limits=limits)
            if not self._terms.thresholds or len(limits) >= _MOST_LIMITS:
                return found
            limit = first_limit(
                self._site, hung, found.answer, found.bound, met=limits, least_s=0.0
            )
            if limit is None:
                return found
            limits = {**limits, limit.device: limit}
            most_s[limit.device] = min(most_s.get(limit.device, math.inf), limit.at_s)

    def _agreed(self, unit: str, hung: UnitProblem) -> Generator[None, None, Solved]:
        """Solve one unit; what holds data is not given up for little.

        In a plan that is acted on, the last of it is given up for nothing that holds none.
        """
        found = yield from self._agree(unit, hung)
        items, kept = hung.problem.items, found.answer.is_kept
        data = [is_kept for item, is_kept in zip(items, kept, strict=True) if item.holds_data]
        if not data or any(data):
            return found
        factor = found.planned.cells.energy_wh / self._plain(unit).cells.energy_wh
        if self._terms.data_first:
            first = tuple(
                item if item.holds_data else replace(item, worth=_DATA_FIRST * item.worth)
                for item in items
            )
            problem = replace(hung.problem, items=first)
            other = yield from self._agree(unit, replace(hung, problem=problem), factor)
            worth = _worth_of(hung.problem, other.answer)
            return replace(other, hung=hung, answer=replace(other.answer, worth=worth))
        rest_worth = sum(
            item.worth for item, name in zip(items, hung.names, strict=True) if name == REST
        )
        if rest_worth <= 0.0:
            return found
        # All of them stop before the end, so that what nobody can stop runs on: at what gain?
        for_data = tuple(
            replace(item, worth=0.0) if name == REST else item
            for item, name in zip(items, hung.names, strict=True)
        )
        problem = replace(hung.problem, items=for_data)
        other = yield from self._agree(unit, replace(hung, problem=problem), factor)
        end_h = min(other.answer.end_s, hung.problem.horizon_s) / HOUR_S
        worth = other.answer.worth + rest_worth * end_h
        if worth < (1.0 - _LITTLE) * found.answer.worth:
            return found
        return replace(other, hung=hung, answer=replace(other.answer, worth=worth))

    def _plain(self, unit: str) -> Battery:
        return battery_of(self._site, unit, self._state.units[unit])

    def _agree(
        self, unit: str, hung: UnitProblem, factor: float | None = None
    ) -> Generator[None, None, Solved]:
        """Search until the bound agrees with the battery that was searched with.

        *factor* is how much of the file's battery that may be, if it is known.
        """
        belief, problem = self._beliefs[unit], hung.problem
        keeps = any(item.holds_data for item in problem.items)
        plain = self._plain(unit)
        solver = Solver(problem, thorough=self._terms.thorough)

        def lower_s(steps: Sequence[LoadStep]) -> float:
            return min(_LONGEST_S, belief.end_after_s(steps, belief.bound_quantile))

        def kept_s(bound_s: float) -> float:
            return bound_s - (reserve_s(self._site, bound_s) if keeps else 0.0)

        steps = course(problem, np.full(len(problem.items), math.inf))
        if factor is None:
            factor = scale_to(plain, steps, kept_s(lower_s(steps)))
        is_drawing = any(any(item.watts) for item in problem.items)
        seeker = _Seeker(factor, is_rough=is_drawing)
        best: _Tried | None = None
        for turn in range(_TURNS):
            answer = yield from solver.solve(plain.scaled(seeker.tried), rough=seeker.is_rough)
            steps = _carried(problem, answer)
            tried = _Tried(answer, steps, lower_s(steps), lower_s(answer.steps), seeker.tried)
            yield
            ends_s = kept_s(tried.lower_s)
            lacks = -1.0 + max(
                _needed_s(problem, answer) / max(ends_s, _TINY_S),
                answer.end_s / max(tried.dark_s, _TINY_S),
            )
            if lacks <= _CLOSE and (best is None or _rank(problem, tried) > _rank(problem, best)):
                best = tried
            if lacks > 0.0 and solver.is_least(answer):
                break  # nothing could stop any sooner: with less no other course is found
            agrees, is_late = scale_to(plain, steps, ends_s), turn >= _LATE
            if seeker.is_found(agrees, lacks=lacks, is_late=is_late):
                break
        found = best or tried
        return Solved(
            unit,
            hung,
            found.answer,
            bound=scaled_to(plain, found.steps, found.lower_s),
            planned=plain.scaled(found.factor),
            lower_s=found.lower_s,
            dark_s=found.dark_s,
            median_s=min(_LONGEST_S, belief.end_after_s(found.steps, 0.5)),
            limits={},
            carried=found.steps,
        )


@dataclass(frozen=True, slots=True)
class _Tried:
    """A course that was found for some battery, and what the bound says of it.

    Attributes:
        steps: the course that the bound was asked about; see `_carried`.
        lower_s, dark_s: how long the output lasts along it, and along the course itself.
        factor: how much of the file's battery it was found for.
    """

    answer: Answer
    steps: tuple[LoadStep, ...]
    lower_s: float
    dark_s: float
    factor: float


def _rank(problem: Problem, tried: _Tried) -> tuple[int, int, float]:
    """Rank what can be carried: as few hold times let go of as can be, and then by worth."""
    unmet = tried.answer.unmet
    return -sum(problem.items[i].holds_data for i in unmet), -len(unmet), tried.answer.worth


class _Seeker:
    """Seeks the largest battery whose course the bound can carry, as a factor of the file's.

    First roughly, then exactly. Where the best course changes its kind the bound leaps, so what was
    enough and what was not are kept, and the goal is narrowed down between them.
    """

    def __init__(self, factor: float, *, is_rough: bool) -> None:
        self.tried = factor
        self.is_rough = is_rough
        self._enough: tuple[float, float] | None = None
        self._short: tuple[float, float] | None = None
        self._slope = _SLOPE

    def is_found(self, agrees: float, *, lacks: float, is_late: bool) -> bool:
        """Return whether it was; else try another.

        Args:
            agrees: the factor with which the bound agrees along the course for what was tried.
            lacks: how much longer that course is than the bound lasts, as a share; < 0 = it is not.
            is_late: it has been sought for long enough; what is enough will do.
        """
        at, off = math.log(self.tried), math.log1p(max(lacks, -0.999))
        is_enough = lacks <= _CLOSE
        is_near = abs(off) < _NEAR or (is_enough and (self._is_narrow(at) or is_late))
        if is_near and is_enough and not self.is_rough:
            return True
        if self.is_rough and (is_near or is_late):
            is_off = abs(off) >= _NEAR
            start = self._enough[0] if self._enough and is_off else at - off / self._slope
            self.is_rough, self._enough, self._short = False, None, None
            self.tried = math.exp(start - _LESS)  # a plan must be kept
            return False
        before = self._enough or self._short
        if before is not None and abs(at - before[0]) > _CLOSE:
            slope = (off - before[1]) / (at - before[0])
            self._slope = min(_MOST_SLOPE, max(1.0, slope))
        if is_enough:
            self._enough = (at, off)
        else:
            self._short = (at, off)
        is_first = before is None and self.is_rough and is_enough
        self._try(math.log(agrees) if is_first else at - off / self._slope - _LESS)
        return False

    def _is_narrow(self, at: float) -> bool:
        narrow = 4.0 * _AGREES if self.is_rough else _AGREES
        return self._short is not None and self._short[0] - at < narrow

    def _try(self, at: float) -> None:
        """Try what is looked for next, between what is known."""
        low = -math.inf if self._enough is None else self._enough[0]
        high = math.inf if self._short is None else self._short[0]
        if self._enough is not None and self._short is not None:
            # Where a straight line between both says, or the middle where the bound leaps.
            share = self._enough[1] / (self._enough[1] - self._short[1])
            at = low + min(max(share, 0.25), 0.75) * (high - low)
        last = math.log(self.tried)
        at = min(max(at, last - _STRIDE), last + _STRIDE)
        self.tried = math.exp(min(at, high - _LESS))


def _worth_of(problem: Problem, answer: Answer) -> float:
    """Hours times worth, up to the horizon."""
    return sum(
        item.worth * min(max(0.0, start_s), problem.horizon_s) / HOUR_S
        for item, start_s in zip(problem.items, answer.starts_s, strict=True)
    )


def battery_of(site: Site, unit: str, known: UnitState) -> Battery:
    """Return the battery of the file, less what our account says is missing."""
    rating = site.units[unit]
    cells = cells_of(rating.battery)
    full = cells.full()
    wells = Wells(
        max(1e-6, full.available_wh - known.drawn.available_wh),
        max(1e-6, full.bound_wh - known.drawn.bound_wh),
    )
    return Battery(cells, wells, inverter_of(rating.rating_w))


def scale_to(battery: Battery, steps: Sequence[LoadStep], ends_s: float) -> float:
    """Return how many times as much a battery must hold to end so, along that course of load.

    The two-well model is linear: at any moment the available well holds what was in it, times the
    factor, less what the load has taken. Under a steady draw it has no lowest point but at the
    ends, so the factor is what the dearest of the steps until then asks for.
    """
    cells, inverter = battery.cells, battery.inverter
    full, taken = battery.wells, Wells(0.0, 0.0)
    ends_s, at_s, factor = max(ends_s, _TINY_S), 0.0, 0.0
    until_s = [*(step.after_s for step in steps[1:]), math.inf]
    for step, following_s in zip(steps, until_s, strict=True):
        stretch_h = max(0.0, min(following_s, ends_s) - at_s) / HOUR_S
        drawn_w = inverter.drawn_w(step.load_w)
        full = after_stretch(cells, full, drawn_w=0.0, stretch_h=stretch_h)
        taken = after_stretch(cells, taken, drawn_w=drawn_w, stretch_h=stretch_h)
        factor = max(factor, -taken.available_wh / full.available_wh)
        at_s = following_s
        if at_s >= ends_s:
            break
    return min(max(factor * (1.0 + _CLOSE), math.exp(-_MOST_LOG)), math.exp(_MOST_LOG))


def scaled_to(battery: Battery, steps: Sequence[LoadStep], ends_s: float) -> Battery:
    """Return the battery with so much in it that it ends so; see `scale_to`."""
    return battery.scaled(scale_to(battery, steps, ends_s))


def _needed_s(problem: Problem, answer: Answer) -> float:
    """By when the last stop ends that the reserve is kept back for."""
    data = [i for i, item in enumerate(problem.items) if item.holds_data]
    if not data or any(answer.is_kept[i] for i in data):
        return answer.end_s
    return max(answer.offs_s[i] for i in data)


def _carried(problem: Problem, answer: Answer) -> tuple[LoadStep, ...]:
    """The course that the bound is asked about: what is on at the end is carried on for ever.

    That end is the last stop of what holds data, or the last of all where nothing does; so the
    reserve is counted at the load that has to be carried then.
    """
    if not problem.items:
        return course(problem, np.zeros(0))
    starts, offs = np.array(answer.starts_s), np.array(answer.offs_s)
    has_data = np.array([item.holds_data for item in problem.items], dtype=np.bool_)
    last_s = starts[has_data].max() if has_data.any() else math.inf
    is_on = np.array(answer.is_kept, dtype=np.bool_) | (offs >= last_s)
    return course(problem, np.where(is_on, math.inf, offs / HOUR_S))
