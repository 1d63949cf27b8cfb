"""How long the battery will carry a course of load, and how sure that is.

The simple belief: the two-well model at what the file says of the battery (its runtime table
corrects the model where it speaks), less what was drawn by our own account, and never longer than
the unit's own minutes allow. Each is a log-normal guess; a quantile is the least of theirs. Of a
battery that two full runs have measured a unit's gauges, which err by a third, say nothing new
unless they show far less: then it is no longer the battery that was measured.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from statistics import NormalDist, median
from typing import Protocol

from policies.model import Battery, Unit
from policies.runtime import (
    Cells,
    Inverter,
    LoadStep,
    Wells,
    after_stretch,
    cells_of,
    ends_after_s,
    energy_for_run_wh,
    inverter_of,
)

_HOUR_S = 3600.0
_RECHARGE_HOURS = 6.0  # time constant: a sealed lead-acid set is at about 85 % after 12 h
_MINUTES_SPREAD = 0.30  # of the unit's own minutes, on the logarithmic scale

MEASURED_POINTS = 2
"""So many points of a runtime table make a battery a measured one."""

_GAUGE_SPREAD = 0.36
_GAUGE_OFF = 0.04
_GAUGE_LEAST = 0.10
_FAR_BELOW = 1.6
"""How gauges err: of what they count, of the whole scale, at least; and how many such spreads below
a measured battery they are heard from. That is about half of it early on, three quarters later."""


class Belief(Protocol):
    """What answers how long a unit lasts; the simple one here, fuller ones at the same seam."""

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        """Return the time to the end of the output, in s from now; inf if it does not end.

        Args:
            load_steps: the course of load at the unit's output, by rising time.
            quantile: 0.05 = with 95 % it lasts at least that long; 0.5 = the median.
        """
        ...

    @property
    def bound_quantile(self) -> float:
        """The quantile to act on: lower while the battery was never measured."""
        ...


@dataclass(frozen=True, slots=True)
class Drawn:
    """Our own account of what is missing from a battery, by well; independent of its size.

    The two-well model is linear, so what is missing follows the same equations whatever the
    battery's energy is. That keeps the account true for every guess of it.
    """

    available_wh: float = 0.0
    bound_wh: float = 0.0

    @property
    def total_wh(self) -> float:
        """What is missing in both wells, in Wh."""
        return self.available_wh + self.bound_wh


def discharged(unit: Unit, drawn: Drawn, *, load_w: float, stretch_s: float) -> Drawn:
    """Return the account after *stretch_s* >= 0 seconds on battery at *load_w*."""
    cells = cells_of(unit.battery)
    after = after_stretch(
        cells,
        Wells(-drawn.available_wh, -drawn.bound_wh),
        drawn_w=inverter_of(unit.rating_w).drawn_w(load_w),
        stretch_h=stretch_s / _HOUR_S,
    )
    return Drawn(-after.available_wh, -after.bound_wh)


def recharged(unit: Unit, drawn: Drawn, *, stretch_s: float) -> Drawn:
    """Return the account after *stretch_s* >= 0 seconds on mains; no more is missing than fits."""
    left = math.exp(-stretch_s / _HOUR_S / _RECHARGE_HOURS)
    left *= min(1.0, full_energy_wh(unit) / max(drawn.total_wh, 1e-9))
    return Drawn(drawn.available_wh * left, drawn.bound_wh * left)


def from_charge(unit: Unit, charge: float) -> Drawn:
    """Return the account of a battery at rest whose unit reports *charge*, a share 0..1."""
    cells = cells_of(unit.battery)
    missing_wh = max(0.0, 1.0 - charge) * full_energy_wh(unit)
    return Drawn(cells.available_share * missing_wh, (1.0 - cells.available_share) * missing_wh)


def full_energy_wh(unit: Unit) -> float:
    """Return the median guess of what the full battery holds, in Wh; its runtime table counts."""
    table = _table_of(unit.battery, unit.rating_w)
    if table:
        return median(energy_wh for _, energy_wh in table)
    return cells_of(unit.battery).energy_wh


@dataclass(frozen=True, slots=True)
class SimpleBelief:
    """The belief of one unit at one moment.

    Attributes:
        cells: median battery, full; drawn: what is missing from it.
        spread: standard deviation of ln E.
        table: energy that each point of the runtime table implies: (watts, Wh), by rising watts.
        unit_wh: what the unit's own minutes at the present load amount to, or None.
        charge: the charge the unit reports, as a share, or None.
        ceiling_wh: energy left as gauges that collapse have it, or None; see `collapse`.
    """

    cells: Cells
    inverter: Inverter
    drawn: Drawn
    spread: float
    bound_quantile: float
    table: tuple[tuple[float, float], ...] = ()
    unit_wh: float | None = None
    charge: float | None = None
    ceiling_wh: float | None = None

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        """Return the time to the end of the output, in s from now (see Belief)."""
        z = _normal_score(quantile)
        ends = [self._model_end_s(load_steps, math.exp(z * self.spread))]
        if self.unit_wh is not None and self._is_minutes_heard(load_steps):
            budget_wh = self.unit_wh * math.exp(z * _MINUTES_SPREAD)
            ends.append(spent_after_s(self.inverter, load_steps, budget_wh))
        if self.ceiling_wh is not None:
            ends.append(spent_after_s(self.inverter, load_steps, self.ceiling_wh))
        return min(ends)

    def _model_end_s(self, load_steps: Sequence[LoadStep], scale: float) -> float:
        energy_wh = scale * self._energy_wh(load_steps[0].load_w)
        cells = Cells(energy_wh, self.cells.available_share, self.cells.flow_per_h)
        full = cells.full()
        wells = Wells(
            full.available_wh - self.drawn.available_wh, full.bound_wh - self.drawn.bound_wh
        )
        excess_wh = 0.0 if self.charge is None else wells.total_wh - self.charge * energy_wh
        if excess_wh > 0.0 and self._is_charge_heard(load_steps[0].load_w):
            # The unit says that less is left than our account does: believe the worse of the two.
            # What is missing beyond our account is taken from both wells; a charge, as a share of
            # the whole, tells nothing of how much of it late in a discharge is available at once.
            wells = Wells(
                wells.available_wh - cells.available_share * excess_wh,
                wells.bound_wh - (1.0 - cells.available_share) * excess_wh,
            )
        if wells.available_wh <= 0.0:
            return 0.0
        return ends_after_s(cells, wells, self.inverter, load_steps)

    def _is_minutes_heard(self, load_steps: Sequence[LoadStep]) -> bool:
        """Whether the unit's minutes count: of a measured battery, only if far below it."""
        if len(self.table) < MEASURED_POINTS:
            return True
        assert self.unit_wh is not None
        now = load_steps[:1]
        left_wh = self._model_end_s(now, 1.0) * self.inverter.drawn_w(now[0].load_w) / _HOUR_S
        measured_wh = max(self.drawn.total_wh + left_wh, 1e-9)
        shown_wh = self.drawn.total_wh + self.unit_wh
        spread = max(_GAUGE_LEAST, _GAUGE_SPREAD * min(1.0, self.unit_wh / max(shown_wh, 1e-9)))
        shown = shown_wh / measured_wh
        return self._is_far_below(shown, spread)

    def _is_charge_heard(self, load_w: float) -> bool:
        """The same of the charge: what is missing, against what we know to have been drawn."""
        if len(self.table) < MEASURED_POINTS:
            return True
        assert self.charge is not None
        missing = max(1.0 - self.charge, 1e-9)
        spread = math.hypot(_GAUGE_SPREAD, _GAUGE_OFF / missing)
        shown = self.drawn.total_wh / missing / self._energy_wh(load_w)
        return self._is_far_below(shown, spread)

    def _is_far_below(self, shown: float, spread: float) -> bool:
        """Whether a gauge shows so small a share of the measured battery that it is another."""
        return math.log(max(shown, 1e-9)) < -_FAR_BELOW * math.hypot(self.spread, spread)

    def _energy_wh(self, load_w: float) -> float:
        """Energy at that load: by the table, between its points on the logarithm of the load."""
        if not self.table:
            return self.cells.energy_wh
        watts = [point[0] for point in self.table]
        right = bisect.bisect_left(watts, load_w)
        if right == 0 or right == len(watts):
            return self.table[min(right, len(watts) - 1)][1]
        (w0, e0), (w1, e1) = self.table[right - 1], self.table[right]
        x0, x1, x = (math.log(max(w, 1.0)) for w in (w0, w1, load_w))
        return e0 if x1 <= x0 else e0 + (e1 - e0) * (x - x0) / (x1 - x0)


@lru_cache(maxsize=64)
def _normal_score(quantile: float) -> float:
    return NormalDist().inv_cdf(quantile)


def spent_after_s(inverter: Inverter, steps: Sequence[LoadStep], budget_wh: float) -> float:
    """Seconds until a plain energy budget is spent; the unit's minutes say no more than that."""
    left_wh, began_s = budget_wh, 0.0
    for step, following in pairwise(steps):
        drawn_w = inverter.drawn_w(step.load_w)
        spent_wh = drawn_w * max(0.0, following.after_s - began_s) / _HOUR_S
        if spent_wh >= left_wh and drawn_w > 0.0:
            return began_s + _HOUR_S * left_wh / drawn_w
        left_wh, began_s = left_wh - spent_wh, max(began_s, following.after_s)
    drawn_w = inverter.drawn_w(steps[-1].load_w)
    return began_s + _HOUR_S * left_wh / drawn_w if drawn_w > 0.0 else math.inf


def simple_belief(
    unit: Unit,
    drawn: Drawn,
    *,
    load_w: float,
    runtime_s: float | None = None,
    charge: float | None = None,
) -> SimpleBelief:
    """Return the belief of a unit.

    Args:
        unit: rating and battery.
        drawn: our own account so far.
        load_w: what the unit carries now, in W; gives the unit's minutes their meaning in Wh.
        runtime_s: the unit's own minutes as seconds, None where absent or in doubt.
        charge: its own charge as a share, None where absent or in doubt.
    """
    inverter = inverter_of(unit.rating_w)
    cells = cells_of(unit.battery)
    spread, quantile = _trust(unit.battery)
    return SimpleBelief(
        cells=cells,
        inverter=inverter,
        drawn=drawn,
        spread=spread,
        bound_quantile=quantile,
        table=_table_of(unit.battery, unit.rating_w),
        unit_wh=None if runtime_s is None else runtime_s * inverter.drawn_w(load_w) / _HOUR_S,
        charge=charge,
    )


@lru_cache(maxsize=64)
def _table_of(battery: Battery, rating_w: float) -> tuple[tuple[float, float], ...]:
    """Energy that each point of a runtime table implies: (watts, Wh); costly, and never changes."""
    inverter, like = inverter_of(rating_w), cells_of(battery)
    return tuple(
        (p.watts, energy_for_run_wh(inverter, watts=p.watts, lasts_s=p.lasts_s, like=like))
        for p in battery.table
    )


def _trust(battery: Battery) -> tuple[float, float]:
    """Spread of ln E and the quantile to act on: 1 % until two full runs are known, then 5 %."""
    match len(battery.table):
        case 0:
            return (0.20 if battery.watt_hours is not None else 0.30), 0.01
        case 1:
            return 0.18, 0.01
        case _:
            return 0.12, 0.05


def full_runtime_s(unit: Unit, *, load_w: float, quantile: float) -> float:
    """Return how long the full battery carries *load_w*, in s; what `check` weighs stops by."""
    belief = simple_belief(unit, Drawn(), load_w=load_w)
    return belief.end_after_s([LoadStep(0.0, load_w)], quantile)
