"""What a unit's battery may be, as weighted guesses that every reading sharpens.

A particle filter over what stays as it is (energy, rate dependence, losses, how the unit's minutes
are made); the wells follow from that exactly, by the loads of the discharge so far. A guess whose
battery would be empty by now is dropped. Where few guesses carry the weight they are drawn anew
and shaken a little (Liu & West, "Combined parameter and state estimation in simulation-based
filtering", 2001), in such a way that the shaken ones last about as long as before.

Chance comes in by the unit's name and the number of the step: the same readings, the same guesses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from policies.course import Course, Stretch, longer, usual_w
from policies.draws import Array, Draws, ManyWells, after_stretch, empties_after_h, full_wells
from policies.gauges import Gauges, Present, weighed
from policies.seen import Seen

PARTICLES = 2000

COLUMNS = 7
"""ln E, ln P0, logit c, ln k, ln of efficiency and meter, logit of the blend, today's ln E."""

_ENERGY, _OWN_DRAW, _SHARE, _FLOW, _EFFICIENCY, _BLEND, _TODAY = range(COLUMNS)

_SHAKEN = 0.12
"""Liu & West's h: how far each guess moves, as a share of the spread of all."""

_GAIN_SPREAD = 0.03
"""Of the unit's power meter."""

_BLEND_SPREAD = 1.5
_INDEPENDENT = 0.02
"""Readings within so much of a discharge err alike: together they count as one."""

_LEAST_UNSEEN = 0.1 * _INDEPENDENT
"""Nothing is learnt from a reading sooner: it would cost time and tell nothing."""

DRIFT = 0.1
"""Over a whole discharge a gauge's error, taken to stay, wanders by that share of its spread."""

DRIFT_MEASURED = 0.6
"""The same against guesses that full runs have narrowed: what a gauge errs by in ways that no line
holds is small beside a prior, and large beside these. Gauges trusted as before break the bound.
"""

_TODAY_SPREAD = 0.06
"""Of ln E from one day to another: warmth, how full "full" is."""

_YEAR_SPREAD = 0.05
"""By how much a year's ageing differs from what is assumed, on ln E."""

_RECHARGE_HOURS = 6.0
_RECHARGE_SPREAD = 0.4
_MOST_MISSING = 0.9
_LEAST_ALIVE = 0.01
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Particles:
    """The guesses of one unit at one moment; arrays are of shape (n,) but `matrix`.

    Attributes:
        seed: of all chance in here, from the unit's name.
        matrix: the guesses on the scales of their priors, of shape (n, COLUMNS).
        draws, blend: the same in plain units; the meter's error is in the efficiency.
        gauges: what each guess has learnt of the unit's gauges.
        rested_wh: what was missing when the discharge began.
        missing: what is missing now, by well.
        log_weight: unnormalised; -inf for a guess that is refuted.
        course: the discharge so far.
        passed: how much of a whole discharge that was, as a share; seen_at: when that was so much,
            something was last learnt from a reading.
        steps: how many times chance was drawn.
        is_refuted: in this discharge the battery outlasted every guess.
    """

    seed: int
    matrix: Array
    draws: Draws
    blend: Array
    gauges: Gauges
    rested_wh: Array
    missing: ManyWells
    log_weight: Array
    course: Course = ()
    passed: float = 0.0
    seen_at: float = -math.inf
    steps: int = 0
    is_refuted: bool = False

    def __len__(self) -> int:
        """Return the number of guesses."""
        return len(self.log_weight)

    @property
    def wells(self) -> ManyWells:
        """What is in the wells now."""
        full = full_wells(self.draws)
        return ManyWells(
            full.available_wh - self.missing.available_wh, full.bound_wh - self.missing.bound_wh
        )

    @property
    def weight(self) -> Array:
        """Weights that sum to one."""
        weight: Array = np.exp(self.log_weight - self.log_weight.max())
        weight /= weight.sum()
        return weight

    @property
    def usual_energy_wh(self) -> Array:
        """Energy of the full battery by each guess, whatever is special about today, in Wh."""
        energy_wh: Array = np.exp(self.matrix[:, _ENERGY])
        return energy_wh

    def drawn_w(self, load_w: float | None) -> Array:
        """Power drawn from the battery at a logged load, by each guess; None = neither way."""
        return np.zeros(len(self)) if load_w is None else self.draws.drawn_w(load_w)


def begin(draws: Draws, *, unit: str, missing_wh: float = 0.0, n: int = PARTICLES) -> Particles:
    """Return the first guesses of a unit's battery, at rest.

    Args:
        draws: of the prior, or of what full runs say, all of one weight.
        unit: its name, for the chance.
        missing_wh: our account of what is missing from the battery.
        n: how many guesses.
    """
    seed = int.from_bytes(unit.encode(), "big")
    chance = np.random.default_rng([seed, 0])
    if len(draws) != n:
        draws = draws.chosen(chance.choice(len(draws), n, replace=len(draws) < n))
    gain = np.exp(_GAIN_SPREAD * chance.standard_normal(n))
    columns = [
        np.log(draws.energy_wh),
        np.log(np.maximum(draws.own_draw_w, 1e-3)),
        _logit(draws.available_share),
        np.log(draws.flow_per_h),
        np.log(draws.efficiency * gain),
        _BLEND_SPREAD * chance.standard_normal(n),
        _TODAY_SPREAD * chance.standard_normal(n),
    ]
    return restored(
        seed,
        np.column_stack(columns),
        gauges=Gauges.new(n),
        rested_wh=np.minimum(missing_wh, _MOST_MISSING * draws.energy_wh),
        log_weight=np.zeros(n),
        steps=1,
    )


def restored(
    seed: int,
    matrix: Array,
    *,
    gauges: Gauges,
    rested_wh: Array,
    log_weight: Array,
    course: Course = (),
    passed: float = 0.0,
    seen_at: float = -math.inf,
    steps: int = 0,
    is_refuted: bool = False,
) -> Particles:
    """Return guesses from what defines them; everything else follows. See `Particles`."""
    draws, blend = _plain(matrix)
    return Particles(
        seed=seed,
        matrix=matrix,
        draws=draws,
        blend=blend,
        gauges=gauges,
        rested_wh=rested_wh,
        missing=_missing(draws, rested_wh, course),
        log_weight=log_weight,
        course=course,
        passed=passed,
        seen_at=seen_at,
        steps=steps,
        is_refuted=is_refuted,
    )


def discharged(particles: Particles, *, load_w: float | None, stretch_s: float) -> Particles:
    """Return the guesses after a stretch at a logged load, in W; None = neither used nor charged.

    A guess that is empty by then is refuted, if the output is still there at the next reading.
    """
    if stretch_s <= 0.0:
        return particles
    stretch = Stretch(stretch_s / _HOUR_S, load_w)
    drawn_w = particles.drawn_w(load_w)
    missing = _carried(particles.draws, particles.missing, drawn_w=drawn_w, hours=stretch.hours)
    passed = float(np.dot(particles.weight, drawn_w / particles.draws.energy_wh)) * stretch.hours
    return replace(
        particles,
        missing=missing,
        course=longer(particles.course, stretch),
        passed=particles.passed + passed,
    )


def observed(particles: Particles, seen: Seen, *, drift: float = DRIFT) -> Particles:
    """Return the guesses, weighed by one more reading of a unit whose output is there.

    Args:
        particles: carried forward to it.
        seen: what of it can be believed.
        drift: how far the gauges' errors wander; see DRIFT.
    """
    alive = particles.wells.available_wh > 0.0
    if np.count_nonzero(alive & np.isfinite(particles.log_weight)) < _LEAST_ALIVE * len(particles):
        particles = _revived(particles)
        alive = particles.wells.available_wh > 0.0
    particles = replace(particles, log_weight=np.where(alive, particles.log_weight, -np.inf))
    if particles.passed - particles.seen_at >= _LEAST_UNSEEN and not seen.is_empty:
        particles = _learnt(particles, seen, drift)
    weight = particles.weight
    if 1.0 / float(np.dot(weight, weight)) < 0.5 * len(particles):
        particles = _drawn_anew(particles, weight)
        # Shaken, some would be empty by now: they are no guesses at all.
        alive = particles.wells.available_wh > 0.0
        if not alive.any():
            return _revived(particles)
        particles = replace(particles, log_weight=np.where(alive, 0.0, -np.inf))
    return particles


def recharged(particles: Particles, *, stretch_s: float, ageing: float = 1.0) -> Particles:
    """Return the guesses after so long on mains: at rest, and charged by an unknown pace.

    A new discharge begins: the battery may be a little other than it was on the day before.

    Args:
        particles: as they were when mains came back.
        stretch_s: how long it was there.
        ageing: by what share of itself the battery's energy is assumed to have faded meanwhile.
    """
    chance = np.random.default_rng([particles.seed, particles.steps])
    n = len(particles)
    pace_h = _RECHARGE_HOURS * np.exp(_RECHARGE_SPREAD * chance.standard_normal(n))
    matrix = particles.matrix.copy()
    matrix[:, _TODAY] = _TODAY_SPREAD * chance.standard_normal(n)
    years = stretch_s / (365.25 * 86400.0)
    unsure = _YEAR_SPREAD * math.sqrt(years) * chance.standard_normal(n)
    matrix[:, _ENERGY] += math.log(ageing) + unsure
    missing = particles.missing
    total = np.clip(missing.available_wh + missing.bound_wh, 0.0, particles.draws.energy_wh)
    return restored(
        particles.seed,
        matrix,
        gauges=particles.gauges,
        rested_wh=total * np.exp(-stretch_s / _HOUR_S / pace_h),
        log_weight=particles.log_weight,
        steps=particles.steps + 1,
    )


def quantile(values: Array, weight: Array, share: float) -> float:
    """Return the weighted quantile of *values*, the lower of two where it falls between them."""
    order = np.argsort(values)
    at = int(np.searchsorted(np.cumsum(weight[order]), share))
    return float(values[order[min(at, len(order) - 1)]])


def systematic(weight: Array, start: float) -> NDArray[np.intp]:
    """Return who is drawn, by weights that sum to one: each as often as its weight says, ± 1.

    Source: systematic resampling, Kitagawa 1996.

    Args:
        weight: of shape (n,).
        start: one draw of chance, 0..1.
    """
    n = len(weight)
    places = (np.arange(n) + start) / n
    index: NDArray[np.intp] = np.minimum(np.searchsorted(np.cumsum(weight), places), n - 1)
    return index


def _learnt(particles: Particles, seen: Seen, drift: float) -> Particles:
    unseen = particles.passed - particles.seen_at
    drawn_w, wells = particles.drawn_w(seen.load_w), particles.wells
    ends_h = None
    if seen.runtime_s is not None:
        ends_h = empties_after_h(particles.draws, wells, drawn_w=drawn_w)
    gauges, more = weighed(
        seen,
        particles.gauges.drifted(min(1.0, unseen) * drift * drift),
        Present(particles.weight, particles.draws, wells, drawn_w, particles.blend, ends_h),
        counts=min(1.0, unseen / _INDEPENDENT),
    )
    log_weight = particles.log_weight + more
    return replace(
        particles,
        gauges=gauges,
        seen_at=particles.passed,
        log_weight=log_weight - log_weight.max(),
    )


def _plain(matrix: Array) -> tuple[Draws, Array]:
    """Return the guesses in plain units, and the blend of each."""
    draws = Draws(
        energy_wh=np.exp(matrix[:, _ENERGY] + matrix[:, _TODAY]),
        own_draw_w=np.exp(matrix[:, _OWN_DRAW]),
        available_share=_logistic(matrix[:, _SHARE]),
        flow_per_h=np.exp(matrix[:, _FLOW]),
        efficiency=np.exp(matrix[:, _EFFICIENCY]),
    )
    return draws, _logistic(matrix[:, _BLEND])


def _missing(draws: Draws, rested_wh: Array, course: Course) -> ManyWells:
    """What is missing by well after a course that began at rest."""
    c = draws.available_share
    missing = ManyWells(c * rested_wh, (1.0 - c) * rested_wh)
    for each in course:
        drawn_w = np.zeros(len(draws)) if each.load_w is None else draws.drawn_w(each.load_w)
        missing = _carried(draws, missing, drawn_w=drawn_w, hours=each.hours)
    return missing


def _carried(draws: Draws, missing: ManyWells, *, drawn_w: Array, hours: float) -> ManyWells:
    """What is missing after a stretch: the two wells' equation, which is linear, negated."""
    after = after_stretch(
        draws,
        ManyWells(-missing.available_wh, -missing.bound_wh),
        drawn_w=drawn_w,
        stretch_h=np.full(len(draws), hours),
    )
    return ManyWells(-after.available_wh, -after.bound_wh)


def _drawn_anew(particles: Particles, weight: Array) -> Particles:
    """Draw the guesses by their weights, and shake them.

    While they are shaken the first column is not the energy but how long it lasts at the usual
    load: else a shake would undo what the discharge has shown so far.
    """
    n = len(particles)
    chance = np.random.default_rng([particles.seed, particles.steps])
    matrix = particles.matrix.copy()
    load_w = usual_w(particles.course)
    matrix[:, _ENERGY] = np.log(_lasts_h(particles, load_w))
    mean = weight @ matrix
    off = matrix - mean
    covariance = (weight[:, None] * off).T @ off
    spread = np.linalg.cholesky(covariance + 1e-10 * np.eye(COLUMNS))
    index = systematic(weight, chance.random())
    kept = math.sqrt(1.0 - _SHAKEN * _SHAKEN)
    shaken = mean + kept * off[index] + _SHAKEN * chance.standard_normal((n, COLUMNS)) @ spread.T
    shaken[:, _ENERGY] = np.log(_energy_wh(shaken, load_w)) - shaken[:, _TODAY]
    return restored(
        particles.seed,
        shaken,
        gauges=particles.gauges.chosen(index),
        rested_wh=particles.rested_wh[index],
        log_weight=np.zeros(n),
        course=particles.course,
        passed=particles.passed,
        seen_at=particles.seen_at,
        steps=particles.steps + 1,
        is_refuted=particles.is_refuted,
    )


def _lasts_h(particles: Particles, load_w: float) -> Array:
    draws = particles.draws
    return empties_after_h(draws, full_wells(draws), drawn_w=particles.drawn_w(load_w))


def _energy_wh(matrix: Array, load_w: float) -> Array:
    """Energy of a full battery that carries *load_w* for the hours in its first column.

    y1(T) = 0 from full, solved for E: E = P (T + u (1 - c) / c), u = (1 - e^(-kT)) / k.
    """
    hours, c, k = np.exp(matrix[:, _ENERGY]), _logistic(matrix[:, _SHARE]), np.exp(matrix[:, _FLOW])
    drawn_w = load_w / np.exp(matrix[:, _EFFICIENCY]) + np.exp(matrix[:, _OWN_DRAW])
    u = -np.expm1(-k * hours) / k
    energy: Array = drawn_w * (hours + u * (1.0 - c) / c)
    return energy


def _revived(particles: Particles) -> Particles:
    """All guesses are refuted: let each have just so much more energy that it is not."""
    n = len(particles)
    chance = np.random.default_rng([particles.seed, particles.steps])
    needed_wh = particles.missing.available_wh / particles.draws.available_share
    slack = 1.001 + 0.05 * np.abs(chance.standard_normal(n))
    matrix = particles.matrix.copy()
    matrix[:, _TODAY] += np.log(np.maximum(1.0, slack * needed_wh / particles.draws.energy_wh))
    return restored(
        particles.seed,
        matrix,
        gauges=particles.gauges,
        rested_wh=particles.rested_wh,
        log_weight=np.zeros(n),
        course=particles.course,
        passed=particles.passed,
        seen_at=particles.seen_at,
        steps=particles.steps + 1,
        is_refuted=True,
    )


def _logit(share: Array) -> Array:
    value: Array = np.log(share / (1.0 - share))
    return value


def _logistic(value: Array) -> Array:
    share: Array = 1.0 / (1.0 + np.exp(-value))
    return share
