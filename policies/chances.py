"""The chance that a plan ends well: many outages at once, each with a battery of its own.

Each outage draws a battery, a factor of the load and the time that each stop takes; then the wells
are followed, in closed form, from the end of one stop to that of the next. A device is saved if the
available well has never been empty until its stop has ended.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from policies.draws import Array, Draws, ManyWells, empties_after_h

Mask = NDArray[np.bool_]

LOAD_SPREAD = 0.05
"""Of the load against what was listed or measured, on the logarithmic scale; an assumption."""

STOP_SPREAD = 0.25
"""Of the time a stop takes against the time stated for it, likewise."""

_HOUR_S = 3600.0
_AT_ONCE = 4096  # small enough for a processor's cache


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop of a plan.

    Attributes:
        begins_s: when it begins, s from the start of the outage.
        takes_s: how long it takes as stated.
        watts: what is no longer drawn once it has ended.
        counts: whether it has to end before the battery does.
    """

    begins_s: float
    takes_s: float
    watts: float
    counts: bool = True


@dataclass(frozen=True, slots=True)
class Course:
    """A course of load as planned.

    Attributes:
        load_w: with everything on.
        stops: what is switched off when.
        changes: by how many W the load grows at which moment, for other reasons, s; by rising time.
    """

    load_w: float
    stops: tuple[Stop, ...]
    changes: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Chances:
    """What came of many outages.

    Attributes:
        outages: how many.
        all_well: share of them in which every stop that counts ended in time.
        saved: the same for each stop, in the order given.
        ends_s: when the output ended, at the quantiles asked for.
    """

    outages: int
    all_well: float
    saved: tuple[float, ...]
    ends_s: Mapping[float, float]


def chances(
    course: Course,
    draws: Draws,
    wells: ManyWells,
    chance: np.random.Generator,
    *,
    quantiles: Sequence[float] = (),
    load_spread: float = LOAD_SPREAD,
    stop_spread: float = STOP_SPREAD,
) -> Chances:
    """Return what comes of as many outages as there are guesses.

    Args:
        course: what is planned; nothing is re-planned on the way.
        draws: guesses of the battery, one an outage.
        wells: theirs, at the start.
        chance: where load and times come from.
        quantiles: at which the end of the output is wanted.
        load_spread: see LOAD_SPREAD.
        stop_spread: see STOP_SPREAD.
    """
    saved, ends = [], []
    for start in range(0, len(draws), _AT_ONCE):
        index = np.arange(start, min(start + _AT_ONCE, len(draws)))
        some = ManyWells(wells.available_wh[index], wells.bound_wh[index])
        outcome = _followed(
            course,
            draws.chosen(index),
            some,
            loads=np.exp(load_spread * chance.standard_normal(len(index))),
            takes=np.exp(stop_spread * chance.standard_normal((len(course.stops), len(index)))),
            wants_end=bool(quantiles),
        )
        saved.append(outcome[0])
        ends.append(outcome[1])
    each = np.concatenate(saved, axis=1)
    counts = np.array([stop.counts for stop in course.stops], dtype=np.bool_)
    end_s = _HOUR_S * np.concatenate(ends)
    found: list[float] = np.quantile(end_s, list(quantiles), method="lower").tolist()
    return Chances(
        outages=len(draws),
        all_well=float(each[counts].all(axis=0).mean()),
        saved=tuple(each.mean(axis=1).tolist()),
        ends_s=dict(zip(quantiles, found, strict=True)),
    )


def _followed(
    course: Course,
    draws: Draws,
    wells: ManyWells,
    *,
    loads: Array,
    takes: Array,
    wants_end: bool,
) -> tuple[Mask, Array]:
    """Which stops were in time, (stops, outages), and when the output ended, in h."""
    begins = _column([stop.begins_s for stop in course.stops])
    stated = _column([stop.takes_s for stop in course.stops])
    off = begins + stated * takes
    changes = _column([at_s for at_s, _ in course.changes])
    moments = np.concatenate([off, np.broadcast_to(changes, (len(changes), len(draws)))])
    by_w = np.array([-stop.watts for stop in course.stops] + [w for _, w in course.changes])
    order = np.argsort(moments, axis=0, kind="stable")
    moments = np.take_along_axis(moments, order, axis=0)
    in_time = np.zeros(order.shape, dtype=np.bool_)
    alive = wells.available_wh > 0.0
    ended = np.where(alive, np.nan, 0.0)
    y1, y0 = wells.available_wh, wells.available_wh + wells.bound_wh
    c, k = draws.available_share, draws.flow_per_h
    per_w, own_w = loads / draws.efficiency, draws.own_draw_w
    load_w = np.full(len(draws), course.load_w)
    before = np.zeros(len(draws))
    for row, moment in enumerate(moments):
        drawn_w = load_w * per_w + own_w
        stretch = moment - before
        decay = np.expm1(-k * stretch)
        u = -decay / k
        after = y1 * (1.0 + decay) + (y0 * k * c - drawn_w) * u - drawn_w * c * (stretch - u)
        lives = alive & (after > 0.0)
        if wants_end:
            _note_end(ended, alive & ~lives, draws, y1, y0, drawn_w, before)
        alive = lives
        in_time[row] = alive
        y0 = y0 - drawn_w * stretch
        y1, before = after, moment
        load_w = np.maximum(0.0, load_w + by_w[order[row]])
    if wants_end:
        _note_end(ended, alive, draws, y1, y0, load_w * per_w + own_w, before)
    saved = np.empty_like(in_time)
    np.put_along_axis(saved, order, in_time, axis=0)
    return saved[: len(course.stops)], ended


def _column(spans_s: Sequence[float]) -> Array:
    return np.array(spans_s, dtype=np.float64).reshape(-1, 1) / _HOUR_S


def _note_end(
    ended: Array, some: Mask, draws: Draws, y1: Array, y0: Array, drawn_w: Array, before: Array
) -> None:
    """Write down when the output of *some* ended, in the stretch that begins at *before*."""
    index = np.flatnonzero(some)
    if not len(index):
        return
    few = ManyWells(y1[index], y0[index] - y1[index])
    ended[index] = before[index] + empties_after_h(draws.chosen(index), few, drawn_w=drawn_w[index])


def spread_to(
    draws: Draws, ends_s: Array, *, median_s: float, lower_s: float, quantile: float
) -> Draws:
    """Return the guesses with their energies moved so that ends agree with a belief.

    Args:
        draws: guesses whose ends are known.
        ends_s: of each, along the course that the belief was asked about.
        median_s: the belief's median end along it.
        lower_s: its end at *quantile*.
        quantile: below 0.5.
    """
    own_median, own_lower = np.quantile(ends_s, [0.5, quantile])
    if min(own_median, own_lower, median_s, lower_s) <= 0.0:
        return draws
    wanted = math.log(median_s / lower_s)
    own = math.log(own_median / own_lower)
    share = wanted / own if own > 1e-9 else 1.0
    rank = np.log(np.maximum(ends_s, 1e-9) / own_median)
    energy = draws.energy_wh * np.exp((share - 1.0) * rank) * (median_s / own_median)
    return Draws(
        energy, draws.available_share, draws.flow_per_h, draws.own_draw_w, draws.efficiency
    )
