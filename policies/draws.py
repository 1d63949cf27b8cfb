"""Many guesses of one battery at once: the two-well model of `runtime`, vectorised.

Every array here has one entry a guess, and float64 throughout; times inside are hours and energies
Wh, as in `runtime`, and spans in the interface are seconds. Functions never change their
arguments.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from policies.belief import Drawn, full_energy_wh
from policies.model import Battery, Chemistry, Unit
from policies.runtime import LoadStep, cells_of, inverter_of

Array = NDArray[np.float64]

_HOUR_S = 3600.0
_NEWTON_STEPS = 8
_SETTLED_H = 1e-12


@dataclass(frozen=True, slots=True)
class Draws:
    """Guesses of a battery and its inverter, each array of shape (n,).

    Attributes:
        energy_wh: E, > 0; available_share: c, 0..1; flow_per_h: k, > 0.
        own_draw_w: P0, >= 0; efficiency: 0..1.
    """

    energy_wh: Array
    available_share: Array
    flow_per_h: Array
    own_draw_w: Array
    efficiency: Array

    def __len__(self) -> int:
        """Return the number of guesses."""
        return len(self.energy_wh)

    def drawn_w(self, load_w: float) -> Array:
        """Return the power drawn from the battery by each guess, in W."""
        return load_w / self.efficiency + self.own_draw_w

    def chosen(self, index: NDArray[np.intp]) -> Draws:
        """Return the guesses at *index*, as many as it is long."""
        return Draws(
            self.energy_wh[index],
            self.available_share[index],
            self.flow_per_h[index],
            self.own_draw_w[index],
            self.efficiency[index],
        )


@dataclass(frozen=True, slots=True)
class ManyWells:
    """Energy in the two wells of each guess, in Wh; negative where a guess is refuted."""

    available_wh: Array
    bound_wh: Array


def full_wells(draws: Draws) -> ManyWells:
    """Return the wells of the full battery, by each guess."""
    return ManyWells(
        draws.available_share * draws.energy_wh, (1.0 - draws.available_share) * draws.energy_wh
    )


def wells_less(draws: Draws, drawn: Drawn) -> ManyWells:
    """Return the wells of the full battery less what our account says is missing."""
    full = full_wells(draws)
    return ManyWells(full.available_wh - drawn.available_wh, full.bound_wh - drawn.bound_wh)


def after_stretch(draws: Draws, wells: ManyWells, *, drawn_w: Array, stretch_h: Array) -> ManyWells:
    """Return the wells after a stretch of constant draw; see `runtime.after_stretch`."""
    k, c = draws.flow_per_h, draws.available_share
    y0 = wells.available_wh + wells.bound_wh
    decay = np.expm1(-k * stretch_h)
    u = -decay / k
    available = (
        wells.available_wh * (1.0 + decay)
        + (y0 * k * c - drawn_w) * u
        - drawn_w * c * (stretch_h - u)
    )
    return ManyWells(available, y0 - drawn_w * stretch_h - available)


def empties_after_h(draws: Draws, wells: ManyWells, *, drawn_w: Array) -> Array:
    """Return after how many hours of constant draw each guess's available well is empty.

    y1'' keeps its sign, so Newton's method converges from one side: from the start of the stretch
    where y1 is convex, from y0/P, where all is spent, where it is concave.
    """
    k, c = draws.flow_per_h, draws.available_share
    y1, y0 = wells.available_wh, wells.available_wh + wells.bound_wh
    drawn = np.maximum(drawn_w, 1e-12)
    # y1(t) = fading e^(-kt) + level - drain t; the sign of y1'' is that of fading, for ever.
    level, drain = c * y0 - drawn * (1.0 - c) / k, drawn * c
    fading = y1 - level
    most = np.maximum(y0, 0.0) / drawn
    at = np.where(fading > 0.0, 0.0, most)
    for _ in range(_NEWTON_STEPS):
        faded = fading * np.exp(-k * at)
        following = at + (faded + level - drain * at) / (k * faded + drain)
        following = np.minimum(np.maximum(following, 0.0), most)
        is_settled = np.abs(following - at).max(initial=0.0) <= _SETTLED_H
        at = following
        if is_settled:
            break
    return np.where(y1 <= 0.0, 0.0, at)


def ends_after_s(draws: Draws, wells: ManyWells, steps: Sequence[LoadStep]) -> Array:
    """Return after how many seconds the output ends, by each guess; see `runtime.ends_after_s`.

    Raises:
        ValueError: no step is given, or they are not in order.
    """
    if not steps or any(a.after_s >= b.after_s for a, b in pairwise(steps)):
        raise ValueError("load steps are given by rising time, and there is at least one")
    k, c = draws.flow_per_h, draws.available_share
    # What is in both wells, and by how much the available one is off its share of that: each goes
    # its own way under a steady draw.
    whole = wells.available_wh + wells.bound_wh
    off = wells.available_wh - c * whole
    lag_h = (1.0 - c) / k
    ends_h = np.full(len(draws), np.nan)
    began_h = 0.0

    def end_of(some: NDArray[np.intp], drawn_w: Array) -> None:
        available = off[some] + c[some] * whole[some]
        few = ManyWells(available, whole[some] - available)
        lasts_h = empties_after_h(draws.chosen(some), few, drawn_w=drawn_w[some])
        ends_h[some] = began_h + lasts_h

    for step, following in pairwise(steps):
        stretch_h = max(0.0, following.after_s / _HOUR_S - began_h)
        drawn_w = draws.drawn_w(step.load_w)
        after_whole = whole - stretch_h * drawn_w
        after_off = off + (off + lag_h * drawn_w) * np.expm1(-stretch_h * k)
        ended = (after_off + c * after_whole <= 0.0) & np.isnan(ends_h)
        if ended.any():
            end_of(np.flatnonzero(ended), drawn_w)
        whole, off, began_h = after_whole, after_off, began_h + stretch_h
    end_of(np.flatnonzero(np.isnan(ends_h)), draws.drawn_w(steps[-1].load_w))
    return _HOUR_S * ends_h


def prior(unit: Unit, n: int, chance: np.random.Generator) -> Draws:
    """Return *n* guesses of a unit of which nothing was measured.

    ln E about the file's figure, spread 0.20 (0.35 where only a table or nothing is given); ln P0
    about max(6, 2 % of the rating), 0.5; logit of the efficiency about 0.86, 0.3; logit c about
    0.55, 0.8; ln k about 3 /h, 1.5. Lithium: c about 0.97, k about 10 /h, almost no rate effect.
    """
    cells, inverter = cells_of(unit.battery), inverter_of(unit.rating_w)
    energy_wh, spread = full_energy_wh(unit), _energy_spread(unit.battery)
    lithium = unit.battery.chemistry is Chemistry.LITHIUM
    return Draws(
        energy_wh=np.exp(math.log(energy_wh) + spread * _z(chance, n)),
        available_share=_logistic(_logit(cells.available_share) + 0.8 * _z(chance, n)),
        flow_per_h=np.exp(math.log(cells.flow_per_h) + (0.5 if lithium else 1.5) * _z(chance, n)),
        own_draw_w=np.exp(math.log(inverter.own_draw_w) + 0.5 * _z(chance, n)),
        efficiency=_logistic(_logit(inverter.efficiency) + 0.3 * _z(chance, n)),
    )


def _energy_spread(battery: Battery) -> float:
    return 0.20 if battery.amp_hours is not None or battery.watt_hours is not None else 0.35


def _z(chance: np.random.Generator, n: int) -> Array:
    return chance.standard_normal(n)


def _logit(share: float) -> float:
    return math.log(share / (1.0 - share))


def _logistic(value: Array) -> Array:
    return 1.0 / (1.0 + np.exp(-value))
