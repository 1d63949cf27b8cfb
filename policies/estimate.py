"""The estimate of one unit's battery, as its readings come: what the agent holds and asks.

Idle on mains; on battery each reading is carried forward to, and learnt from. A short return of
mains is a rest within one discharge, a longer one charges the battery and begins another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from policies.belief import spent_after_s
from policies.collapse import Collapse
from policies.draws import Array, Draws, ends_after_s
from policies.model import Unit
from policies.particles import (
    DRIFT,
    DRIFT_MEASURED,
    Particles,
    begin,
    discharged,
    observed,
    quantile,
    recharged,
)
from policies.runtime import LoadStep, health_at, inverter_of
from policies.sight import Sight, look
from policies.supply import UnitState

REST_S = 1200.0
"""Mains for less than this charges nothing that counts, and ends no discharge."""

MEASURED_RUNS = 2
"""So many full runs make the 5 % bound one to act on; until then it is the 1 % one."""

MEASURED_QUANTILE = 0.05
_HOUR_S = 3600.0
_YEAR_S = 365.25 * 86400.0


@dataclass(frozen=True, slots=True)
class Origin:
    """What an estimate began from.

    Attributes:
        draws: guesses of the full battery, all of one weight.
        full_runs: how many good runs from full they were made of; 0 = the prior.
        name: tells one origin from another.
    """

    draws: Draws
    full_runs: int
    name: str

    @property
    def bound_quantile(self) -> float:
        """The quantile to act on."""
        return MEASURED_QUANTILE if self.full_runs >= MEASURED_RUNS else 0.01


@dataclass(frozen=True, slots=True)
class Estimate:
    """What is believed of one unit's battery at its last reading.

    Attributes:
        particles: the guesses.
        bound_quantile: the quantile to act on.
        origin: the name of what it began from.
        heard_at: site time up to which they are carried, s; on mains, when mains came back.
        load_w: what the unit carried then.
        is_drawing: the battery was in use.
        began_at: when this discharge began.
        drawn_wh: our own account of what was missing at heard_at, to bridge a gap with.
        sight: what the gauges last showed; collapse: whether they fall too fast.
    """

    particles: Particles
    bound_quantile: float
    origin: str
    heard_at: float
    load_w: float
    is_drawing: bool
    began_at: float
    drawn_wh: float = 0.0
    sight: Sight = field(default_factory=Sight)
    collapse: Collapse = field(default_factory=Collapse)


@dataclass(frozen=True, slots=True)
class EnergyBand:
    """Energy of the full battery, in Wh: the median guess, and where 5 % and 95 % lie below."""

    lower_wh: float
    median_wh: float
    upper_wh: float


def is_drawing(state: UnitState) -> bool:
    """Return whether the battery is in use, outage or not; the account of `supply` says so too."""
    return state.on_battery_at is not None or state.sign_at is not None


def begun(unit: Unit, origin: Origin, state: UnitState) -> Estimate:
    """Return the estimate at the first reading on battery that is known.

    Args:
        unit: as its file has it.
        origin: where the guesses come from.
        state: after that reading.
    """
    assert state.reading is not None and state.heard_at is not None
    began_at = min(_began_at(state), state.heard_at)
    since_s = max(state.heard_at - began_at, state.reading.trusted("on_battery_s") or 0.0)
    already_wh = inverter_of(unit.rating_w).drawn_w(state.load_w) * since_s / _HOUR_S
    before_wh = max(0.0, state.drawn.total_wh - already_wh)
    particles = begin(origin.draws, unit=unit.name, missing_wh=before_wh)
    estimate = Estimate(
        discharged(particles, load_w=state.load_w, stretch_s=since_s),
        origin.bound_quantile,
        origin.name,
        heard_at=state.heard_at,
        load_w=state.load_w,
        is_drawing=True,
        began_at=state.heard_at - since_s,
        drawn_wh=state.drawn.total_wh,
    )
    return _learnt(estimate, unit, state)


def heard(estimate: Estimate, unit: Unit, state: UnitState) -> Estimate:
    """Return the estimate after one more reading of its unit.

    There may have been others in between that it was not told of, as after a restart.

    Args:
        estimate: before it.
        unit: as its file has it.
        state: after it.
    """
    if state.reading is None or state.heard_at is None or state.heard_at <= estimate.heard_at:
        return estimate
    draws_now = is_drawing(state)
    if not estimate.is_drawing and not draws_now:
        return estimate
    if estimate.is_drawing:
        load_w, stretch_s = _mean_load_w(estimate, unit, state), state.heard_at - estimate.heard_at
    else:
        began_at = max(estimate.heard_at, min(_began_at(state), state.heard_at))
        estimate = _resumed(estimate, unit, began_at)
        load_w, stretch_s = state.load_w, state.heard_at - began_at
    estimate = replace(
        estimate,
        particles=discharged(estimate.particles, load_w=load_w, stretch_s=stretch_s),
        heard_at=state.heard_at,
        load_w=state.load_w,
        is_drawing=draws_now,
        drawn_wh=state.drawn.total_wh,
    )
    return _learnt(estimate, unit, state) if draws_now else estimate


def energy_wh_band(estimate: Estimate) -> EnergyBand:
    """Return what is believed of the full battery's energy."""
    energy_wh, weight = estimate.particles.usual_energy_wh, estimate.particles.weight
    return EnergyBand(*(quantile(energy_wh, weight, share) for share in (0.05, 0.5, 0.95)))


def _began_at(state: UnitState) -> float:
    began = [at for at in (state.on_battery_at, state.sign_at) if at is not None]
    return min(began, default=math.inf)


def _mean_load_w(estimate: Estimate, unit: Unit, state: UnitState) -> float:
    """What was carried since the estimate's last reading, by our own account of what was drawn."""
    assert state.heard_at is not None
    drawn_wh = state.drawn.total_wh - estimate.drawn_wh
    if drawn_wh <= 0.0:  # the account began anew in between
        return estimate.load_w
    inverter = inverter_of(unit.rating_w)
    drawn_w = _HOUR_S * drawn_wh / (state.heard_at - estimate.heard_at)
    return max(0.0, inverter.efficiency * (drawn_w - inverter.own_draw_w))


def _resumed(estimate: Estimate, unit: Unit, began_at: float) -> Estimate:
    """The battery came into use again, then, after so long on mains."""
    rest_s = began_at - estimate.heard_at
    if rest_s < REST_S:
        return replace(
            estimate, particles=discharged(estimate.particles, load_w=None, stretch_s=rest_s)
        )
    age = 2.0 if unit.battery.age_years is None else unit.battery.age_years
    ageing = health_at(age + rest_s / _YEAR_S) / health_at(age)
    return replace(
        estimate,
        particles=recharged(estimate.particles, stretch_s=rest_s, ageing=ageing),
        began_at=began_at,
        sight=Sight(),
        collapse=Collapse(),
    )


def _learnt(estimate: Estimate, unit: Unit, state: UnitState) -> Estimate:
    """What the reading itself teaches; one that speaks of mains teaches nothing."""
    assert state.reading is not None
    if state.sign_at is None:
        return estimate
    particles = estimate.particles
    sight, seen = look(
        estimate.sight, unit, state.reading, load_w=state.load_w, passed=particles.passed
    )
    lasting_s = estimate.heard_at - estimate.began_at
    drift = DRIFT_MEASURED if estimate.bound_quantile == MEASURED_QUANTILE else DRIFT
    return replace(
        estimate,
        particles=observed(particles, seen, drift=drift),
        sight=sight,
        collapse=estimate.collapse.seeing(unit, seen, at=estimate.heard_at, lasting_s=lasting_s),
    )


@dataclass(frozen=True, slots=True)
class LiveBelief:
    """The belief of one unit at one moment, by its estimate.

    Attributes:
        aged_s: how long ago the estimate's last reading was.
        ceiling_wh: energy left then as a collapse has it; None = there is no collapse.
    """

    unit: Unit
    estimate: Estimate
    aged_s: float
    ceiling_wh: float | None
    _weight: Array
    _ends: dict[tuple[LoadStep, ...], Array] = field(default_factory=dict, repr=False)

    @property
    def bound_quantile(self) -> float:
        """The quantile to act on (see `belief.Belief`)."""
        return self.estimate.bound_quantile

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        """Return the time to the end of the output, in s from now (see `belief.Belief`)."""
        steps = tuple(load_steps)
        ends_s = self._ends.get(steps)
        if ends_s is None:
            ends_s = self._ends[steps] = self._ends_s(steps)
        return _quantile(ends_s, self._weight, quantile)

    def _ends_s(self, steps: tuple[LoadStep, ...]) -> Array:
        estimate, aged_s = self.estimate, self.aged_s
        if aged_s > 0.0:
            since = LoadStep(0.0, estimate.load_w)
            steps = (since, *(replace(s, after_s=s.after_s + aged_s) for s in steps))
        particles = estimate.particles
        ends_s = ends_after_s(particles.draws, particles.wells, steps)
        if self.ceiling_wh is not None:
            most_s = spent_after_s(inverter_of(self.unit.rating_w), steps, self.ceiling_wh)
            ends_s = ends_s.clip(0.0, most_s)
        return (ends_s - aged_s).clip(0.0, math.inf)


_quantile = quantile  # a belief's own argument has that name too


def belief_from(estimate: Estimate, unit: Unit, *, now: float) -> LiveBelief:
    """Return the belief of a unit on battery at site time *now*, its last reading carried on."""
    return LiveBelief(
        unit,
        estimate,
        aged_s=max(0.0, now - estimate.heard_at),
        ceiling_wh=estimate.collapse.says_wh(unit),
        _weight=estimate.particles.weight,
    )
