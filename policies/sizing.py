"""Which battery carries a load for a wanted time: with a stated sureness, and by IEEE 485.

The two-well model is linear in the battery's energy: what a full battery has available after a
course of load is c E less a deficit that does not depend on E. So each guess of everything else
says at once how much energy it takes, and the smallest battery is a quantile of those: no search.

Sizes are nominal, volts x ampere-hours as they are printed on the blocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from policies.draws import Array, Draws, ManyWells, after_stretch, ends_after_s, full_wells, prior
from policies.model import Battery, Chemistry, Unit
from policies.runtime import LoadStep, temperature_factor

SURENESS = 0.95
"""The chance with which the battery is to last."""

END_OF_LIFE = 0.8
"""Share of its capacity that a battery has when it is due for replacement (IEEE 450 and 1188)."""

DESIGN_MARGIN = 1.10
"""IEEE 485: 10 to 15 % for load that is not known yet and upkeep below the best (from memory)."""

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Pack:
    """A battery that could be fitted.

    Attributes:
        nominal_wh: volts x ampere-hours of all its strings.
        volts, amp_hours: of one string; None where only its energy is known.
        is_present: it is the one that is there.
    """

    name: str
    nominal_wh: float
    volts: float | None = None
    amp_hours: float | None = None
    strings: int = 1
    is_present: bool = False


def pack_of(volts: float, amp_hours: float, strings: int = 1, *, name: str = "") -> Pack:
    """Return a battery of so many strings in parallel, named by its figures where no name is given.

    Raises:
        ValueError: it could hold nothing.
    """
    if volts <= 0.0 or amp_hours <= 0.0 or strings < 1:
        raise ValueError(f"a battery of {volts:g} V, {amp_hours:g} Ah x {strings} holds nothing")
    times = "" if strings == 1 else f" x {strings}"
    return Pack(
        name or f"{volts:g} V {amp_hours:g} Ah{times}",
        volts * amp_hours * strings,
        volts,
        amp_hours,
        strings,
    )


ORDINARY_V = (12.0, 24.0, 36.0, 48.0)
ORDINARY_AH = (5.0, 7.0, 9.0, 12.0, 18.0, 26.0, 40.0, 65.0, 100.0)
MOST_STRINGS = 4
"""Sizes that sealed blocks are commonly sold in, and strings that are commonly joined (memory)."""


def smallest_ordinary(needed_wh: float, *, volts: float, strings: int) -> Pack | None:
    """Return the smallest battery of ordinary blocks that holds *needed_wh*, None if none does."""
    for amp_hours in ORDINARY_AH:
        if volts * amp_hours * strings >= needed_wh:
            return pack_of(volts, amp_hours, strings)
    return None


# Guesses of a battery, for each Wh of its size


@dataclass(frozen=True, slots=True)
class Setting:
    """How a battery is when it has to last.

    Attributes:
        health: share of its new capacity that is left, > 0; temperature_c: of its room, in °C.
    """

    health: float = END_OF_LIFE
    temperature_c: float = 25.0

    @property
    def share(self) -> float:
        """Share of the energy of a new battery at 25 °C that is left."""
        return self.health / temperature_factor(self.temperature_c)


def per_watt_hour(
    *, rating_w: float, chemistry: Chemistry, n: int, chance: np.random.Generator
) -> Draws:
    """Return guesses of a unit of that rating with a battery of 1 Wh, new, at 25 °C, unmeasured."""
    new = Battery(volts=1.0, amp_hours=1.0, chemistry=chemistry, age_years=0.0)
    return prior(Unit("", rating_w, rating_w, new), n, chance)


def per_watt_hour_of(measured: Draws, *, nominal_wh: float, setting: Setting) -> Draws:
    """Return what a fit of another battery says of one of 1 Wh, new, at 25 °C.

    Args:
        measured: guesses of that other battery.
        nominal_wh: its size.
        setting: how it was when it was measured.
    """
    return replace(measured, energy_wh=measured.energy_wh / (nominal_wh * setting.share))


def _battery(reference: Draws, nominal_wh: float, setting: Setting) -> Draws:
    return replace(reference, energy_wh=reference.energy_wh * nominal_wh * setting.share)


# How large, and how long


def needed_wh(
    reference: Draws,
    steps: Sequence[LoadStep],
    *,
    target_s: float,
    setting: Setting,
    sureness: float = SURENESS,
) -> float:
    """Return the size of the smallest battery that lasts *target_s* with that sureness, in Wh.

    Args:
        reference: guesses for each Wh of size.
        steps: the load, from the full battery on.
        target_s: how long it is to last, > 0.
        setting: how the battery is then.
        sureness: share of the guesses that must last, 0..1.
    """
    each = _energy_wh(reference, steps, target_s) / (reference.energy_wh * setting.share)
    return float(np.quantile(each, sureness, method="higher"))


def _energy_wh(draws: Draws, steps: Sequence[LoadStep], target_s: float) -> Array:
    """Return the energy E with which each guess lasts just so long; that of *draws* is not used.

    Within a stretch of constant load the slope of the available well runs monotonically towards
    -c P < 0, so the well is lowest at one of the stretch's ends.
    """
    none = np.zeros(len(draws))
    wells, energy_wh = ManyWells(none, none), none
    for step, until_s in _stretches(steps, target_s):
        drawn_w = draws.drawn_w(step.load_w)
        stretch_h = np.full(len(draws), (until_s - step.after_s) / _HOUR_S)
        wells = after_stretch(draws, wells, drawn_w=drawn_w, stretch_h=stretch_h)
        energy_wh = np.maximum(energy_wh, -wells.available_wh / draws.available_share)
    return energy_wh


def _stretches(steps: Sequence[LoadStep], target_s: float) -> list[tuple[LoadStep, float]]:
    """Return each step of the load up to the target, and when it ends."""
    if not steps or steps[0].after_s != 0.0 or target_s <= 0.0:
        raise ValueError("a course of load begins at 0 s, and the time wanted is more than none")
    ends = [following.after_s for _, following in pairwise(steps)] + [target_s]
    return [
        (step, min(until_s, target_s))
        for step, until_s in zip(steps, ends, strict=True)
        if step.after_s < target_s
    ]


@dataclass(frozen=True, slots=True)
class Outlook:
    """How long a battery lasts.

    Attributes:
        sure_s: with the sureness asked for; likely_s: the median; cautious_s: with 99 %, which is
            what an agent acts on that knows of no full run.
        chance: of lasting for the time wanted.
    """

    sure_s: float
    likely_s: float
    cautious_s: float
    chance: float


def outlook(
    reference: Draws,
    nominal_wh: float,
    steps: Sequence[LoadStep],
    *,
    target_s: float,
    setting: Setting,
    sureness: float = SURENESS,
) -> Outlook:
    """Return how long a battery of that size lasts; the arguments as in `needed_wh`."""
    battery = _battery(reference, nominal_wh, setting)
    ends_s = ends_after_s(battery, full_wells(battery), steps)
    sure_s, likely_s, cautious_s = np.quantile(ends_s, [1.0 - sureness, 0.5, 0.01])
    # The battery of just the size needed ends at just that time: rounding must not fail it.
    chance = float(np.mean(ends_s >= target_s * (1.0 - 1e-9)))
    return Outlook(float(sure_s), float(likely_s), float(cautious_s), chance)


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """How long a battery carries one load, in s: with the sureness asked for, and likely."""

    load_w: float
    sure_s: float
    likely_s: float


def curve(
    reference: Draws,
    nominal_wh: float,
    loads_w: Sequence[float],
    *,
    setting: Setting,
    sureness: float = SURENESS,
) -> tuple[CurvePoint, ...]:
    """Return how long a battery of that size carries each of some constant loads."""
    points = []
    for load_w in loads_w:
        ends = outlook(
            reference,
            nominal_wh,
            [LoadStep(0.0, load_w)],
            target_s=1.0,
            setting=setting,
            sureness=sureness,
        )
        points.append(CurvePoint(load_w, ends.sure_s, ends.likely_s))
    return tuple(points)


def loads_for_curve(least_w: float, most_w: float, n: int = 25) -> tuple[float, ...]:
    """Return *n* loads from *least_w* > 0 to *most_w*, each by the same factor above the last."""
    return tuple(float(load_w) for load_w in np.geomspace(least_w, most_w, n))


# The deterministic check


def ieee485_size(
    duty: float,
    *,
    temperature_c: float,
    design_margin: float = DESIGN_MARGIN,
    ageing: float = 1.0 / END_OF_LIFE,
) -> float:
    """Return the size that IEEE 485 asks for: duty x temperature x design margin x ageing.

    Args:
        duty: what the duty cycle takes, in any unit of capacity; the answer is in the same.
        temperature_c: lowest of the battery, in °C.
        design_margin: factor, >= 1.
        ageing: factor, >= 1; 1.25 is a battery at 80 %.
    """
    return duty * temperature_factor(temperature_c) * design_margin * ageing


@dataclass(frozen=True, slots=True)
class Ieee485:
    """IEEE 485's product, factor by factor.

    Attributes:
        duty_wh: energy taken from the battery, the inverter's losses included.
        rate_factor: how much more energy a full battery must hold so that this much is available
            at this rate, >= 1.
        per_nominal: energy of a new battery against its volts x ampere-hours.
        watt_hours: the size, nominal.
    """

    duty_wh: float
    rate_factor: float
    temperature_factor: float
    design_margin: float
    ageing_factor: float
    per_nominal: float
    watt_hours: float


def ieee485(
    reference: Draws, steps: Sequence[LoadStep], *, target_s: float, setting: Setting
) -> Ieee485:
    """Return the check by IEEE 485's factors, at the median of everything that is guessed."""
    centre = Draws(
        *(
            np.array([np.median(guesses)])
            for guesses in (
                reference.energy_wh,
                reference.available_share,
                reference.flow_per_h,
                reference.own_draw_w,
                reference.efficiency,
            )
        )
    )
    duty_wh = sum(
        float(centre.drawn_w(step.load_w)[0]) * (until_s - step.after_s) / _HOUR_S
        for step, until_s in _stretches(steps, target_s)
    )
    energy_wh = float(_energy_wh(centre, steps, target_s)[0])
    per_nominal = float(centre.energy_wh[0])
    ageing = 1.0 / setting.health
    size_wh = ieee485_size(energy_wh, temperature_c=setting.temperature_c, ageing=ageing)
    return Ieee485(
        duty_wh=duty_wh,
        rate_factor=energy_wh / duty_wh,
        temperature_factor=temperature_factor(setting.temperature_c),
        design_margin=DESIGN_MARGIN,
        ageing_factor=ageing,
        per_nominal=per_nominal,
        watt_hours=size_wh / per_nominal,
    )
