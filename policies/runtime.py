"""How long a battery carries a course of load: the two-well model in closed form.

Source: the kinetic battery model, Manwell & McGowan, "Lead acid battery storage model for hybrid
energy systems", Solar Energy 50 (1993), restated in energy: an available well feeds the load and
is fed in turn by a bound one; the output ends when the available well is empty.

Here times are hours and energies watt-hours, as in the paper; the callers' seconds are converted
at `ends_after_s`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from policies.model import Battery, Chemistry

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Cells:
    """What a battery is, whatever its charge.

    Attributes:
        energy_wh: energy E of the full battery at its present health and temperature, > 0.
        available_share: share c of it that is available at once, 0 < c < 1.
        flow_per_h: rate k at which the bound well feeds the available one, in 1/h, > 0.
    """

    energy_wh: float
    available_share: float
    flow_per_h: float

    def full(self) -> Wells:
        """Return the wells of the full battery, at rest."""
        return Wells(
            self.available_share * self.energy_wh, (1.0 - self.available_share) * self.energy_wh
        )


@dataclass(frozen=True, slots=True)
class Wells:
    """Energy in the two wells, in Wh."""

    available_wh: float
    bound_wh: float

    @property
    def total_wh(self) -> float:
        """Energy in both wells, in Wh."""
        return self.available_wh + self.bound_wh


@dataclass(frozen=True, slots=True)
class Inverter:
    """The losses between battery and output: P_battery = P_output / efficiency + own draw.

    Attributes:
        efficiency: proportional part, 0 < efficiency <= 1.
        own_draw_w: what the unit itself takes while its inverter runs, in W, >= 0.
    """

    efficiency: float
    own_draw_w: float

    def drawn_w(self, load_w: float) -> float:
        """Return the power drawn from the battery, in W, at *load_w* >= 0 at the output."""
        return load_w / self.efficiency + self.own_draw_w


@dataclass(frozen=True, slots=True)
class LoadStep:
    """From *after_s* seconds on, until the next step, the output carries *load_w* watts."""

    after_s: float
    load_w: float


def after_stretch(cells: Cells, wells: Wells, *, drawn_w: float, stretch_h: float) -> Wells:
    """Return the wells after a stretch of constant draw.

    y1(t) = y1 e^(-kt) + (y0 k c - P) u - P c (t - u), u = (1 - e^(-kt)) / k, y0 = y1 + y2.

    Args:
        cells: the battery.
        wells: its wells at the start of the stretch; a deficit may be given as negative energy,
            since the model is linear.
        drawn_w: power P drawn from the battery, losses included, in W.
        stretch_h: length t of the stretch, in h, >= 0.

    Returns:
        The wells; an available energy of zero or less means that the output ends within it.

    Raises:
        ValueError: *stretch_h* is negative.
    """
    if stretch_h < 0.0:
        raise ValueError(f"a stretch lasts zero or more hours, not {stretch_h}")
    k, c, y0 = cells.flow_per_h, cells.available_share, wells.total_wh
    u = -math.expm1(-k * stretch_h) / k
    available = (
        wells.available_wh * math.exp(-k * stretch_h)
        + (y0 * k * c - drawn_w) * u
        - drawn_w * c * (stretch_h - u)
    )
    return Wells(available, y0 - drawn_w * stretch_h - available)


def empties_after_h(cells: Cells, wells: Wells, *, drawn_w: float) -> float:
    """Return after how many hours of constant draw the available well is empty.

    By `after_stretch`, y1(t) = a e^(-kt) + b - P c t with b = c y0 - P (1 - c) / k, a = y1 - b.
    y1'' keeps its sign, so there is one crossing in (0, y0/P]: from its end Newton's method comes
    down on it without a turn where a < 0, and up to it, after one step, where a > 0.

    Returns:
        Hours, >= 0; inf when *drawn_w* <= 0; 0 when the well is empty already.
    """
    if wells.available_wh <= 0.0:
        return 0.0
    if drawn_w <= 0.0:
        return math.inf
    k, c, y0 = cells.flow_per_h, cells.available_share, wells.total_wh
    level = c * y0 - drawn_w * (1.0 - c) / k
    fading, drain = wells.available_wh - level, drawn_w * c
    at = most = max(0.0, y0) / drawn_w
    for _ in range(60):
        faded = fading * math.exp(-k * at)
        left, falls = faded + level - drain * at, k * faded + drain
        if falls <= 0.0:
            break
        following = min(most, max(0.0, at + left / falls))
        if abs(following - at) <= 1e-12 * (1.0 + at):
            break
        at = following
    return at


def ends_after_s(
    cells: Cells, wells: Wells, inverter: Inverter, steps: Sequence[LoadStep]
) -> float:
    """Return after how many seconds the output ends under a load that changes in time.

    Args:
        cells: the battery.
        wells: its wells now.
        inverter: the losses behind them.
        steps: at least one, by rising `after_s`; the first governs from now on, the last for ever.

    Returns:
        Seconds from now, >= 0; inf where nothing is drawn for ever.

    Raises:
        ValueError: no step is given, or they are not in order.
    """
    if not steps or any(a.after_s >= b.after_s for a, b in pairwise(steps)):
        raise ValueError("load steps are given by rising time, and there is at least one")
    began_s = 0.0
    for step, following in pairwise(steps):
        drawn_w = inverter.drawn_w(step.load_w)
        stretch_h = max(0.0, following.after_s - began_s) / _HOUR_S
        after = after_stretch(cells, wells, drawn_w=drawn_w, stretch_h=stretch_h)
        if after.available_wh <= 0.0:
            return began_s + _HOUR_S * empties_after_h(cells, wells, drawn_w=drawn_w)
        wells, began_s = after, max(began_s, following.after_s)
    drawn_w = inverter.drawn_w(steps[-1].load_w)
    return began_s + _HOUR_S * empties_after_h(cells, wells, drawn_w=drawn_w)


def energy_for_run_wh(inverter: Inverter, *, watts: float, lasts_s: float, like: Cells) -> float:
    """Return the energy of a battery with *like*'s wells that carries *watts* for *lasts_s*.

    The time to empty from full grows with E alone, so E is found by halving.

    Raises:
        ValueError: *watts* is negative or *lasts_s* not positive.
    """
    if watts < 0.0 or lasts_s <= 0.0:
        raise ValueError(f"a run has watts >= 0 and lasts longer than 0 s: {watts} W, {lasts_s} s")
    drawn_w = inverter.drawn_w(watts)
    low = drawn_w * lasts_s / _HOUR_S
    high = low / like.available_share
    for _ in range(60):
        middle = 0.5 * (low + high)
        cells = Cells(middle, like.available_share, like.flow_per_h)
        if empties_after_h(cells, cells.full(), drawn_w=drawn_w) * _HOUR_S < lasts_s:
            low = middle
        else:
            high = middle
    return high


_FACTORS = (
    (-3.9, 1.52), (-1.1, 1.43), (1.7, 1.35), (4.4, 1.30), (7.2, 1.25), (10.0, 1.19), (12.8, 1.15),
    (15.6, 1.11), (18.3, 1.08), (21.1, 1.04), (25.0, 1.00),
)  # fmt: skip
"""°C and cell-sizing factor, IEEE 485 (from memory; a published cubic agrees within 0.015)."""


def temperature_factor(temperature_c: float) -> float:
    """Return by how much a cold lead-acid battery must be larger; never below 1: heat is no gift.

    Source: IEEE 485, cell size correction factors, interpolated linearly; below the table its
    last slope goes on.
    """
    points = _FACTORS
    if temperature_c >= points[-1][0]:
        return 1.0
    for (t0, f0), (t1, f1) in pairwise(points):
        if temperature_c < t1:
            return f0 + (f1 - f0) * (temperature_c - t0) / (t1 - t0)
    raise AssertionError("the table covers every temperature below its end")


def health_at(age_years: float) -> float:
    """Return the share of its new capacity that a battery of that age is assumed to have left.

    exp(-0.035 a - 0.004 a^2): an assumption, 0.80 at about 4.5 years, until the site's own
    discharges show better.
    """
    return math.exp(-0.035 * age_years - 0.004 * age_years * age_years)


PER_NOMINAL = 1.08
"""Energy of a new battery against its nominal volts x ampere-hours: a slow discharge's volts."""


def nominal_energy_wh(battery: Battery) -> float | None:
    """Return what the battery held when it was new, at 25 °C, in Wh; None = its file lacks that."""
    if battery.volts is None or battery.amp_hours is None:
        return None
    return PER_NOMINAL * battery.volts * battery.amp_hours


def cells_of(battery: Battery) -> Cells:
    """Return the median belief of a battery from what its file says, nothing measured.

    E = 1.08 x V x Ah x health / F(T) where volts and ampere-hours are given (1.08: the mean
    voltage of a slow discharge against the nominal one), the owner's watt-hours as they are.
    c = 0.55 and k = 3 /h are priors for sealed lead-acid; lithium has almost no rate effect.

    Raises:
        ValueError: the battery has none of these figures, nor a table to go by.
    """
    c, k = (0.55, 3.0) if battery.chemistry is Chemistry.LEAD_ACID else (0.97, 10.0)
    if battery.watt_hours is not None:
        return Cells(battery.watt_hours, c, k)
    nominal_wh = nominal_energy_wh(battery)
    if nominal_wh is not None:
        # Five years is assumed where nobody knows: most batteries are older than one thinks.
        health = health_at(5.0 if battery.age_years is None else battery.age_years)
        return Cells(nominal_wh * health / temperature_factor(battery.temperature_c), c, k)
    if battery.table:
        return Cells(1.0, c, k)
    raise ValueError("a battery needs volts and amp_hours, watt_hours, or a runtime table")


def inverter_of(rating_w: float) -> Inverter:
    """Return the losses assumed of a unit of that rating, in W, nothing measured."""
    return Inverter(efficiency=0.86, own_draw_w=max(6.0, 0.020 * rating_w))
