"""How a backup unit's own gauges err, and how likely a reading is, given a battery.

The charge, the minutes and the volts that a unit shows are each off by something that stays. Given
the battery these errors are nearly linear, so each guess of the battery carries what it has learnt
of them as a Gaussian (a Kalman filter a guess), rather than as one more thing to guess.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from policies.draws import Array, Draws, ManyWells
from policies.seen import FULL, SAG_V_H, Seen

CHARGE = ((1.0, 0.18), (0.0, 0.036))
"""What the gauge counts for each Wh missing, and what it is off by besides: centre, spread."""

MINUTES = ((0.0, 0.36),)
"""ln of the minutes shown for each minute left."""

VOLTS = ((11.3, 0.36), (1.4, 0.36))
"""Volts of a 12 V block under load with its available well empty, and what it has more full."""

_CHARGE_SCALE = 0.019
_MINUTES_SCALE = 0.09
_VOLTS_SCALE = 0.09
"""Of what a gauge errs by from reading to reading, beside what stays."""

_ODD = 2.5
"""Deviations beyond so many standard ones count ever less: one odd value moves little."""

_BOAST = 3.0
"""A value that many spreads above what the guesses expect is no gauge's error: it is not heard.

One far below is: it may be the battery's end.
"""

_HALF_STEP_S = 15.0
_STEP_SPREAD_S = 25.0
"""Whole minutes, cut or rounded: the middle of what it may have been, and its spread."""

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Line:
    """What each guess has learnt of one gauge: coefficients of a line, and how sure they are.

    Attributes:
        mean: of shape (n, m).
        cov: of shape (n, m, m).
    """

    mean: Array
    cov: Array

    @classmethod
    def new(cls, prior: tuple[tuple[float, float], ...], n: int) -> Line:
        """Return what is known before anything was seen: centre and spread of each coefficient."""
        centre = np.array([c for c, _ in prior])
        spread = np.diag([s * s for _, s in prior])
        return cls(np.tile(centre, (n, 1)), np.tile(spread, (n, 1, 1)))

    def chosen(self, index: NDArray[np.intp]) -> Line:
        """Return those of the guesses at *index*."""
        return Line(self.mean[index], self.cov[index])

    def loosened(self, share: float, prior: tuple[tuple[float, float], ...]) -> Line:
        """Return the coefficients less sure by that share of the prior's variance."""
        return Line(self.mean, self.cov + share * np.diag([s * s for _, s in prior]))

    def seeing(
        self,
        value: Array,
        inputs: Array,
        variance: float,
        *,
        weight: Array,
        counts: float = 1.0,
    ) -> tuple[Line, Array]:
        """Return what is known after one value, and its log likelihood but for a constant.

        The Kalman filter's measurement update (Kalman 1960) of each guess.

        Args:
            value: what was seen, by each guess, of shape (n,).
            inputs: what the coefficients are multiplied by, of shape (n, m).
            variance: of what is left unexplained.
            weight: of the guesses, to judge by whether the value can be believed at all.
            counts: as how much of an independent value it counts, 0 < counts <= 1.
        """
        reach = np.einsum("nij,nj->ni", self.cov, inputs)
        explained = np.einsum("ni,ni->n", reach, inputs)
        off = value - np.einsum("ni,ni->n", self.mean, inputs)
        # How odd a value is does not hang on how often the unit is asked.
        total = explained + variance
        if float(weight @ (off / np.sqrt(total))) > _BOAST:
            return self, np.zeros(len(off))
        odd = off * off / (_ODD * _ODD * total)
        left = variance / counts + np.where(odd > 1.0, (odd - 1.0) * total, 0.0)
        total = explained + left
        gain = reach / total[:, None]
        line = Line(
            self.mean + gain * off[:, None], self.cov - gain[:, :, None] * reach[:, None, :]
        )
        return line, -0.5 * (off * off / total + np.log(total))


@dataclass(frozen=True, slots=True)
class Gauges:
    """What each guess has learnt of the unit's three gauges."""

    charge: Line
    minutes: Line
    volts: Line

    @classmethod
    def new(cls, n: int) -> Gauges:
        """Return what is known of gauges that were never read."""
        return cls(Line.new(CHARGE, n), Line.new(MINUTES, n), Line.new(VOLTS, n))

    def drifted(self, share: float) -> Gauges:
        """Return it less sure by that share of each prior's variance: their errors wander a bit."""
        return Gauges(
            self.charge.loosened(share, CHARGE),
            self.minutes.loosened(share, MINUTES),
            self.volts.loosened(share, VOLTS),
        )

    def chosen(self, index: NDArray[np.intp]) -> Gauges:
        """Return those of the guesses at *index*."""
        return Gauges(
            self.charge.chosen(index), self.minutes.chosen(index), self.volts.chosen(index)
        )


@dataclass(frozen=True, slots=True)
class Present:
    """The battery at the moment of a reading, by each guess.

    Attributes:
        weight: of the guesses, summing to one.
        draws: what it is; wells: what is in it.
        drawn_w: power drawn from it, in W.
        blend: 1 = the minutes shown know rate dependence, 0 = they divide energy by power.
        ends_h: hours left at this load; None only where no minutes are seen.
    """

    weight: Array
    draws: Draws
    wells: ManyWells
    drawn_w: Array
    blend: Array
    ends_h: Array | None


def weighed(seen: Seen, gauges: Gauges, present: Present, *, counts: float) -> tuple[Gauges, Array]:
    """Return what is known of the gauges after a reading, and its log likelihood by each guess.

    Args:
        seen: the reading.
        gauges: what was known of them.
        present: the battery now.
        counts: as how much of an independent reading it counts, 0 < counts <= 1.
    """
    draws, wells, weight = present.draws, present.wells, present.weight
    n = len(draws)
    log_weight = np.zeros(n)
    left_wh = np.maximum(wells.available_wh + wells.bound_wh, 1e-6)
    charge, minutes, volts = gauges.charge, gauges.minutes, gauges.volts
    if seen.charge is not None and seen.charge < FULL:
        inputs = np.column_stack([left_wh / draws.energy_wh - 1.0, np.ones(n)])
        value = np.full(n, seen.charge - 1.0)
        charge, more = charge.seeing(value, inputs, _CHARGE_SCALE**2, weight=weight, counts=counts)
        log_weight += more
    if seen.runtime_s is not None and present.ends_h is not None:
        left_h = present.blend * present.ends_h + (1.0 - present.blend) * left_wh / present.drawn_w
        middle_s = seen.runtime_s + _HALF_STEP_S
        off = math.log(middle_s) - np.log(np.maximum(_HOUR_S * left_h, _HALF_STEP_S))
        variance = _MINUTES_SCALE**2 + (_STEP_SPREAD_S / middle_s) ** 2
        minutes, more = minutes.seeing(off, np.ones((n, 1)), variance, weight=weight, counts=counts)
        log_weight += more
    if seen.block_v is not None:
        head = np.maximum(wells.available_wh, 0.0) / (draws.available_share * draws.energy_wh)
        value = seen.block_v + SAG_V_H * present.drawn_w / draws.energy_wh
        inputs = np.column_stack([np.ones(n), head])
        volts, more = volts.seeing(value, inputs, _VOLTS_SCALE**2, weight=weight, counts=counts)
        log_weight += more
    return Gauges(charge, minutes, volts), log_weight
