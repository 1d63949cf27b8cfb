"""What measured full runs say of a backup unit: load and hours in, guesses of its battery out.

The two-well battery behind an inverter, as in `runtime`. Unknown are E, P0, c and k; the
efficiency is held, since run times cannot tell it from the energy. A run's residual is
r = ln T_predicted - ln T_observed, and its likelihood is

    0.75 Normal(r; 0, 0.03)  +  0.25 Exponential(r; scale 0.30) for r > 0 only,

because what goes wrong with a run (watts that nobody metered, a battery not quite full) only makes
it shorter. Chance comes from the runs themselves: the same runs, the same fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from policies.draws import Array, Draws, ManyWells, empties_after_h
from policies.model import Battery, Chemistry
from policies.runtime import Inverter, cells_of, energy_for_run_wh, inverter_of
from policies.tempering import sample

NOISE = 0.03
"""Standard deviation of ln T from one good run to the next."""

MISFIT = 0.95
"""Probability from which on a run is said not to fit."""

_CLEAN = 0.75
_SHORTFALL = 0.30
_EFFICIENCY = 0.86
_MOST_DRAWS, _LEAST_DRAWS, _BUDGET = 4000, 1000, 60_000
_FLAT_RUNS, _FLAT_SPAN = 5, 8.0


@dataclass(frozen=True, slots=True)
class Run:
    """A discharge at constant load to the end of the output.

    Attributes:
        watts: load at the unit's output, > 0; hours: how long it lasted, > 0.
        charge: share 0..1 at its start, rested.
        energy_factor: the energy of its battery that day (age, temperature) against that of the
            battery that is fitted, > 0.
    """

    watts: float
    hours: float
    charge: float = 1.0
    energy_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a unit beforehand; None where it is not.

    Attributes:
        rating_w: what it can carry, in W.
        battery: with whatever figures there are, perhaps none.
    """

    rating_w: float | None = None
    battery: Battery | None = None


@dataclass(frozen=True, slots=True)
class Prior:
    """Independent normal priors of ln E, ln P0, logit c and ln k, in that order."""

    centre: tuple[float, float, float, float]
    spread: tuple[float, float, float, float]
    efficiency: float = _EFFICIENCY


@dataclass(frozen=True, slots=True)
class Judged:
    """A run as the fit sees it.

    Attributes:
        residual: median of ln T_predicted - ln T_observed; positive: shorter than predicted.
        outlier_probability: that something other than chance made it short, 0..1.
        explains_watts: how many watts beyond those given would explain it; may be negative.
        explains_charge: the share of charge at the start that would explain it; above 1 where it
            lasted longer than predicted.
    """

    run: Run
    residual: float
    outlier_probability: float
    explains_watts: float
    explains_charge: float

    @property
    def fits(self) -> bool:
        """Whether it is more likely good than not."""
        return self.outlier_probability < 0.5


@dataclass(frozen=True, slots=True)
class Fit:
    """What the runs say.

    Attributes:
        draws: guesses of the battery that is fitted, full, all of the same weight.
        judged: each run, in the order given.
        log_evidence: to compare readings of the same runs by.
        noise: standard deviation of ln T that was assumed of good runs.
    """

    draws: Draws
    judged: tuple[Judged, ...]
    log_evidence: float
    noise: float = NOISE


@dataclass(frozen=True, slots=True)
class Prediction:
    """How long a full battery carries a load, in h; the next run's own chance is counted in."""

    watts: float
    median_h: float
    lower_5pct_h: float
    lower_1pct_h: float
    upper_5pct_h: float


def fit(
    runs: Sequence[Run],
    known: Known,
    *,
    prior: Prior | None = None,
    noise: float = NOISE,
    told: Callable[[float], None] = lambda _: None,
) -> Fit:
    """Return what *runs* say of a unit.

    Where five or more good runs span the loads by 8 to 1 the battery is better known than any prior
    could say, and the fit is made again with near-flat ones.

    Args:
        runs: at least one; their order does not matter.
        known: what the priors are made from.
        prior: stands in for those.
        noise: standard deviation of ln T of good runs.
        told: hears how far it is, 0..1.

    Raises:
        ValueError: there is no run, or a run has no watts or no hours.
    """
    if not runs or any(not (run.watts > 0.0 and run.hours > 0.0) for run in runs):
        raise ValueError("a fit takes at least one run, each with watts and hours above zero")
    given = prior or prior_of(known, runs)
    found = _fitted(runs, given, noise, told)
    good = [judged.run.watts for judged in found.judged if judged.fits]
    if prior is None and len(good) >= _FLAT_RUNS and max(good) >= _FLAT_SPAN * min(good):
        found = _fitted(runs, _flattened(given), noise, told)
    return found


def prior_of(known: Known, runs: Sequence[Run]) -> Prior:
    """Return what is believed of a unit before its runs are looked at.

    Those of `draws.prior` where the rating and the battery's figures are known. Where they are not,
    wide ones: of the own draw about 16 W, and of the energy about what the best of the runs took
    from the battery, since what goes wrong with a run only makes it look smaller.
    """
    battery = known.battery or Battery()
    lithium = battery.chemistry is Chemistry.LITHIUM
    c, k = (0.97, 10.0) if lithium else (0.55, 3.0)
    rated = None if known.rating_w is None else inverter_of(known.rating_w)
    own_draw_w, own_spread = (16.0, 1.0) if rated is None else (rated.own_draw_w, 0.5)
    energy_wh, energy_spread = _energy(battery, runs, Inverter(_EFFICIENCY, own_draw_w))
    return Prior(
        centre=(math.log(energy_wh), math.log(own_draw_w), math.log(c / (1.0 - c)), math.log(k)),
        spread=(energy_spread, own_spread, 0.8, 0.5 if lithium else 1.5),
        efficiency=_EFFICIENCY,
    )


def _energy(battery: Battery, runs: Sequence[Run], inverter: Inverter) -> tuple[float, float]:
    """Energy of the full battery and the spread of its logarithm, as believed beforehand."""
    has_figures = battery.watt_hours is not None or (
        battery.volts is not None and battery.amp_hours is not None
    )
    if has_figures:
        return cells_of(battery).energy_wh, 0.20
    if battery.table:
        like = cells_of(battery)
        implied = sorted(
            energy_for_run_wh(inverter, watts=point.watts, lasts_s=point.lasts_s, like=like)
            for point in battery.table
        )
        return implied[len(implied) // 2], 0.35
    taken = (inverter.drawn_w(r.watts) * r.hours / (r.charge * r.energy_factor) for r in runs)
    return 1.2 * max(taken), 1.0


def _flattened(prior: Prior) -> Prior:
    return Prior(prior.centre, (2.0, 1.5, 2.5, 2.5), prior.efficiency)


def _fitted(runs: Sequence[Run], prior: Prior, noise: float, told: Callable[[float], None]) -> Fit:
    size = min(_MOST_DRAWS, max(_LEAST_DRAWS, _BUDGET // len(runs)))
    ordered = sorted(runs, key=_figures)
    chance = np.random.default_rng(_entropy(ordered))
    centre = np.array(prior.centre)[:, None]
    spread = np.array(prior.spread)[:, None]

    def log_prior(points: Array) -> Array:
        off = (points - centre) / spread
        return np.asarray(-0.5 * (off * off).sum(axis=0))

    def log_likelihood(points: Array) -> Array:
        clean, short = _log_terms(_residuals(_draws(points, prior.efficiency), ordered), noise)
        return np.asarray(np.logaddexp(clean, short).sum(axis=0))

    start = centre + spread * chance.standard_normal((4, size))
    sampled = sample(
        start, log_prior=log_prior, log_likelihood=log_likelihood, chance=chance, told=told
    )
    draws = _draws(sampled.points, prior.efficiency)
    return Fit(draws, judge(draws, runs, noise=noise), sampled.log_evidence, noise)


def judge(draws: Draws, runs: Sequence[Run], *, noise: float = NOISE) -> tuple[Judged, ...]:
    """Return how each run looks to guesses of a battery, whether or not they were made from it."""
    residuals = _residuals(draws, runs)
    clean, short = _log_terms(residuals, noise)
    outlier = np.exp(short - np.logaddexp(clean, short)).mean(axis=1)
    return tuple(
        Judged(
            run,
            residual=float(np.median(residual)),
            outlier_probability=float(probability),
            explains_watts=float(np.median(_carries_w(draws, run) - run.watts)),
            explains_charge=float(np.median(_starts_at(draws, run))),
        )
        for run, residual, probability in zip(runs, residuals, outlier, strict=True)
    )


def predicted(found: Fit, loads_w: Sequence[float]) -> tuple[Prediction, ...]:
    """Return how long the full battery carries each of *loads_w*, > 0, in the order given."""
    noise = found.noise * _normal_scores(len(found.draws))
    hours = log_hours(found.draws, [Run(watts, 1.0) for watts in loads_w]) + noise
    low, lower, middle, upper = np.exp(np.quantile(hours, (0.01, 0.05, 0.5, 0.95), axis=1))
    return tuple(
        Prediction(watts, float(middle[i]), float(lower[i]), float(low[i]), float(upper[i]))
        for i, watts in enumerate(loads_w)
    )


def idle_draw_w(draws: Draws, run: Run) -> Array:
    """Return what each guess of the battery gave, in W, in a run with nothing plugged in.

    Units then idle in a lighter mode, so such a run is no part of a fit; its watts are not looked
    at.
    """
    return run.charge * _emptying_w(draws, run)


def log_hours(draws: Draws, runs: Sequence[Run]) -> Array:
    """Return ln of the hours that each run lasts by each guess, of shape (runs, guesses)."""
    watts = np.array([run.watts for run in runs])[:, None]
    held = np.array([run.charge * run.energy_factor for run in runs])[:, None] * draws.energy_wh
    wells = ManyWells(draws.available_share * held, (1.0 - draws.available_share) * held)
    drawn_w = watts / draws.efficiency + draws.own_draw_w
    lasts_h = empties_after_h(draws, wells, drawn_w=drawn_w)
    return np.asarray(np.log(np.maximum(lasts_h, 1e-9)))


def _residuals(draws: Draws, runs: Sequence[Run]) -> Array:
    observed = np.log(np.array([run.hours for run in runs]))[:, None]
    return np.asarray(log_hours(draws, runs) - observed)


def _log_terms(residuals: Array, noise: float) -> tuple[Array, Array]:
    """Log densities of a good and of a short run, each with the share of such runs."""
    off = residuals / noise
    clean = math.log(_CLEAN / (noise * math.sqrt(2.0 * math.pi))) - 0.5 * off * off
    # A run that lasted longer than predicted cannot be a short one; finite, so that it can be told
    # how far off it is.
    short = np.where(
        residuals > 0.0, math.log((1.0 - _CLEAN) / _SHORTFALL) - residuals / _SHORTFALL, -1e6
    )
    return clean, short


def _emptying_w(draws: Draws, run: Run) -> Array:
    """The draw that empties a full battery at the very end of the run: y1(t) = 0, solved for P."""
    k, c = draws.flow_per_h, draws.available_share
    decay = np.expm1(-k * run.hours)
    u = -decay / k
    full_wh = draws.energy_wh * run.energy_factor
    return np.asarray(full_wh * c * (1.0 + decay + k * u) / (u + c * (run.hours - u)))


def _carries_w(draws: Draws, run: Run) -> Array:
    """The load at the output that makes the run last as long as it did, from the same charge."""
    drawn_w = run.charge * _emptying_w(draws, run)
    return np.asarray((drawn_w - draws.own_draw_w) * draws.efficiency)


def _starts_at(draws: Draws, run: Run) -> Array:
    """The charge, as a share, that makes the run last as long as it did at the same load."""
    return draws.drawn_w(run.watts) / _emptying_w(draws, run)


def _draws(points: Array, efficiency: float) -> Draws:
    return Draws(
        energy_wh=np.exp(points[0]),
        available_share=1.0 / (1.0 + np.exp(-points[2])),
        flow_per_h=np.exp(points[3]),
        own_draw_w=np.exp(points[1]),
        efficiency=np.full(points.shape[1], efficiency),
    )


def _figures(run: Run) -> tuple[float, float, float, float]:
    return run.watts, run.hours, run.charge, run.energy_factor


def _entropy(runs: Sequence[Run]) -> list[int]:
    figures = np.array([_figures(run) for run in runs], dtype=np.float64)
    return [int(word) for word in figures.ravel().view(np.uint32)]


def _normal_scores(n: int) -> Array:
    """Standard normal quantiles in an order that has nothing to do with that of the draws."""
    normal = NormalDist()
    scores = np.array([normal.inv_cdf((i + 0.5) / n) for i in range(n)])
    return np.random.default_rng(n).permutation(scores)
