"""Draws from a posterior: from the prior to the data in steps, moved about at each.

Sequential Monte Carlo (Del Moral, Doucet & Jasra, "Sequential Monte Carlo samplers", 2006): the
likelihood is raised to a power that grows from 0 to 1, each time by as much as leaves half of the
points worth something; points are drawn anew by their weight and then moved by Metropolis steps.
A step goes along the difference of two points of the other half of the population (ter Braak, "A
Markov chain Monte Carlo version of the genetic algorithm differential evolution", 2006), so steps
take the size and the slant of what is left without anything to tune, from one hill to another too.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Density = Callable[[Array], Array]
"""From points, of shape (dimensions, n), to the logarithm of a density at each, of shape (n,)."""

_KEPT = 0.5  # share of the points that a step of the power leaves worth something
_MOVES = 4
_LAST_MOVES = 12
_LEAP = 0.15  # share of steps by a whole difference: from one hill onto another
_MOST_STAGES = 200


@dataclass(frozen=True, slots=True)
class Sampled:
    """Draws from a posterior.

    Attributes:
        points: of shape (dimensions, n), all of the same weight, in no order.
        log_evidence: logarithm of the likelihood's mean under the prior, to compare models by.
    """

    points: Array
    log_evidence: float


@dataclass(slots=True)
class _Crowd:
    """The points on their way, with both logarithms at each."""

    points: Array
    log_prior: Array
    log_likelihood: Array


def sample(
    start: Array,
    *,
    log_prior: Density,
    log_likelihood: Density,
    chance: np.random.Generator,
    told: Callable[[float], None] = lambda _: None,
) -> Sampled:
    """Return as many draws from the posterior as *start* has.

    Args:
        start: draws from the prior, of shape (dimensions, n), n >= 4.
        log_prior: up to a constant.
        log_likelihood: finite everywhere.
        chance: all randomness.
        told: hears how far it is, 0..1.
    """
    crowd = _Crowd(start.copy(), log_prior(start), log_likelihood(start))
    jitter = 0.02 * start.std(axis=1, keepdims=True)
    power, log_evidence = 0.0, 0.0
    for stage in range(1, _MOST_STAGES):
        step = _step(crowd.log_likelihood, 1.0 - power)
        log_weight = step * crowd.log_likelihood
        most = log_weight.max()
        weight = np.exp(log_weight - most)
        log_evidence += float(most) + math.log(weight.mean())
        power += step
        is_last = power >= 1.0
        _redraw(crowd, weight, chance)
        for _ in range(_LAST_MOVES if is_last else _MOVES):
            _move(crowd, jitter, power, log_prior, log_likelihood, chance)
        # The power grows about geometrically, and then there are the last moves.
        told(1.0 if is_last else stage / (stage + 4))
        if is_last:
            break
    return Sampled(crowd.points, log_evidence)


def _step(log_likelihood: Array, left: float) -> float:
    """The largest growth of the power, up to *left*, that leaves enough points worth something."""
    if _worth(left * log_likelihood) >= _KEPT:
        return left
    low, high = 0.0, left
    for _ in range(50):
        middle = 0.5 * (low + high)
        if _worth(middle * log_likelihood) >= _KEPT:
            low = middle
        else:
            high = middle
    return high


def _worth(log_weight: Array) -> float:
    """Effective share of the points under these weights."""
    weight = np.exp(log_weight - log_weight.max())
    return float(weight.sum() ** 2 / (weight * weight).sum() / len(weight))


def _redraw(crowd: _Crowd, weight: Array, chance: np.random.Generator) -> None:
    n = len(weight)
    reached = np.cumsum(weight / weight.sum())
    index = np.searchsorted(reached, (chance.random() + np.arange(n)) / n).clip(0, n - 1)
    chance.shuffle(index)  # or the halves would hold copies of the same points
    crowd.points = crowd.points[:, index]
    crowd.log_prior = crowd.log_prior[index]
    crowd.log_likelihood = crowd.log_likelihood[index]


def _move(
    crowd: _Crowd,
    jitter: Array,
    power: float,
    log_prior: Density,
    log_likelihood: Density,
    chance: np.random.Generator,
) -> None:
    """Move each half of the points once, along differences within the other half."""
    dimensions, n = crowd.points.shape
    fine = 2.38 / math.sqrt(2.0 * dimensions)
    for half in (0, 1):
        own = np.arange(half, n, 2)
        other = np.arange(1 - half, n, 2)
        one, two = chance.choice(other, len(own)), chance.choice(other, len(own))
        size = np.where(
            chance.random(len(own)) < _LEAP, 1.0, fine * chance.choice((0.4, 1.0), len(own))
        )
        shaken = jitter * chance.choice((0.05, 1.0), len(own))
        proposed = (
            crowd.points[:, own]
            + size * (crowd.points[:, one] - crowd.points[:, two])
            + shaken * chance.standard_normal((dimensions, len(own)))
        )
        likelihood, prior = log_likelihood(proposed), log_prior(proposed)
        gain = power * (likelihood - crowd.log_likelihood[own]) + prior - crowd.log_prior[own]
        taken = np.log(chance.random(len(own))) < gain
        to = own[taken]
        crowd.points[:, to] = proposed[:, taken]
        crowd.log_likelihood[to], crowd.log_prior[to] = likelihood[taken], prior[taken]
