"""A battery that collapses: what the unit shows falls much faster than the clock.

A weak cell ends a discharge long before anything learnt of the whole battery says so, and the
first to show it are the unit's own gauges. What they say then is a ceiling, never a floor: it can
only shorten what is believed.

Each gauge is watched as seconds left at the present load: the unit's minutes as they are, its
charge and its volts by what they would amount to. Falling by more than twice the time that passes,
and by more than noise, is a collapse; it is over when the gauge is back near where it fell from.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from statistics import median

from policies.belief import full_energy_wh
from policies.model import Unit
from policies.runtime import inverter_of
from policies.seen import SAG_V_H, Seen

WINDOW_S = 300.0
"""So far back a fall is looked for."""

_APART_S = 4.0
_FASTER = 2.0
_STEP_S = 60.0
"""The minutes come whole, so a fall of one is none."""

_SHARE = 0.15
_LEAST_S = 15.0
_LEAST = 4
"""A fall shows in so many readings, over so many seconds at least, and is that share of all."""

_BACK = 0.95
_LIKE_LOAD = 0.10
_EMPTY_V = 10.5
"""Volts of a 12 V block at the end of a slow discharge, 1.75 V a cell: what its makers print."""

_SETTLED_S = 120.0
"""The volts dip when a discharge begins and then settle; until then they say nothing."""

_KNEE_V = 11.7
_FALL_V = 0.2
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Fall:
    """One gauge, as seconds left: what it showed of late, and from where it fell.

    Attributes:
        samples: (site time in s, seconds left), oldest first, over the last WINDOW_S.
        fell_from: the sample before a collapse that is not over; None = there is none.
        rate: seconds lost for each that passes in that collapse, >= 1.
    """

    samples: tuple[tuple[float, float], ...] = ()
    fell_from: tuple[float, float] | None = None
    rate: float = 1.0

    def seeing(self, at: float, left_s: float) -> Fall:
        """Return it after one more value."""
        if self.samples and at - self.samples[-1][0] < _APART_S and left_s >= self.samples[-1][1]:
            return self
        kept = [sample for sample in self.samples if at - sample[0] <= WINDOW_S]
        samples = (*kept, (at, left_s))
        fell_from = self.fell_from
        if fell_from is not None and left_s >= _BACK * (fell_from[1] - (at - fell_from[0])):
            return Fall(((at, left_s),))
        if fell_from is None and (top := _top_of_fall(samples)) is not None:
            fell_from = top
        rate = self.rate
        if fell_from is not None and len(samples) >= _LEAST and at - samples[0][0] >= _LEAST_S:
            rate = max(1.0, _falls_by(samples))
        return Fall(samples, fell_from, rate)

    def at_load(self, scale: float) -> Fall:
        """Return what it amounts to at another load, at which all lasts *scale* times as long.

        Nothing but a collapse is kept: it is not over because a device stopped.
        """
        if self.fell_from is None:
            return Fall()
        (at, left_s), (from_at, from_s) = self.samples[-1], self.fell_from
        return Fall(((at, scale * left_s),), (from_at, scale * from_s), self.rate)

    @property
    def says_s(self) -> float | None:
        """Seconds left at the last sample, going on as it falls; None = no collapse."""
        if self.fell_from is None:
            return None
        return self.samples[-1][1] / self.rate


def _top_of_fall(samples: tuple[tuple[float, float], ...]) -> tuple[float, float] | None:
    """Return the sample from which the gauge fell too fast, if it did."""
    if len(samples) < _LEAST:
        return None
    (at, left_s) = samples[-1]
    for since_at, before_s in samples[: -_LEAST + 1]:
        fell_s, passed_s = before_s - left_s, at - since_at
        too_far_s = max(_FASTER * passed_s + _STEP_S, _SHARE * before_s)
        if passed_s >= _LEAST_S and fell_s > too_far_s:
            return since_at, before_s
    return None


@lru_cache(maxsize=64)
def _falls_by(samples: tuple[tuple[float, float], ...]) -> float:
    """Seconds lost for each that passes: the median over all pairs (Theil-Sen), odd values or not.

    A gauge that made one step and goes on as before is no worse than what it shows. Asked anew at
    each decision, it is worked out once for each reading.
    """
    every = max(1, len(samples) // 24)
    some = samples[::-every][::-1]
    slopes = [
        (some[i][1] - some[j][1]) / (some[j][0] - some[i][0])
        for i in range(len(some))
        for j in range(i + 1, len(some))
        if some[j][0] > some[i][0]
    ]
    return median(slopes) if slopes else 0.0


@dataclass(frozen=True, slots=True)
class Collapse:
    """The gauges of one unit in one discharge, watched for a collapse.

    Attributes:
        load_w: at which the samples hold; another load begins anew.
        volts: of a 12 V block, as (site time in s, volts).
        at: site time of the last reading, s, whether or not it showed all of these.
    """

    load_w: float = 0.0
    minutes: Fall = field(default_factory=Fall)
    charge: Fall = field(default_factory=Fall)
    volts: tuple[tuple[float, float], ...] = ()
    at: float = 0.0

    def seeing(self, unit: Unit, seen: Seen, *, at: float, lasting_s: float) -> Collapse:
        """Return it after one more reading.

        Args:
            unit: as its file has it.
            seen: what of the reading can be believed.
            at: its site time, s.
            lasting_s: how long the discharge has lasted.
        """
        now = replace(self, at=at)
        if abs(seen.load_w - self.load_w) > _LIKE_LOAD * max(self.load_w, 1.0):
            inverter = inverter_of(unit.rating_w)
            scale = inverter.drawn_w(self.load_w) / inverter.drawn_w(seen.load_w)
            now = Collapse(
                seen.load_w, self.minutes.at_load(scale), self.charge.at_load(scale), at=at
            )
        if seen.runtime_s is not None:
            now = replace(now, minutes=now.minutes.seeing(at, seen.runtime_s))
        if seen.charge is not None:
            drawn_w = inverter_of(unit.rating_w).drawn_w(seen.load_w)
            left_s = _HOUR_S * seen.charge * full_energy_wh(unit) / drawn_w
            now = replace(now, charge=now.charge.seeing(at, left_s))
        if seen.block_v is not None and lasting_s >= _SETTLED_S:
            now = replace(now, volts=_with_volts(now.volts, at, seen.block_v))
        return now

    def says_wh(self, unit: Unit) -> float | None:
        """Return the energy left as the collapse has it, losses included; None = there is none.

        It is that at the last reading; a gauge that fell silent before it goes on by the clock.
        """
        drawn_w = inverter_of(unit.rating_w).drawn_w(self.load_w)
        falls = (self.minutes, self.charge)
        left_s = [
            max(0.0, fall.says_s - (self.at - fall.samples[-1][0]))
            for fall in falls
            if fall.says_s is not None
        ]
        if (knee_s := _knee_s(self.volts, drawn_w / full_energy_wh(unit))) is not None:
            left_s.append(knee_s)
        return min(left_s) * drawn_w / _HOUR_S if left_s else None


def _with_volts(
    volts: tuple[tuple[float, float], ...], at: float, block_v: float
) -> tuple[tuple[float, float], ...]:
    if volts and at - volts[-1][0] < _APART_S:
        return volts
    return (*(v for v in volts if at - v[0] <= WINDOW_S), (at, block_v))


def _knee_s(volts: tuple[tuple[float, float], ...], rate_per_h: float) -> float | None:
    """Seconds until the volts are at their end, going on as they fall; None = they do not.

    Under a heavy load a battery gives what it has down to fewer volts.
    """
    if len(volts) < _LEAST or volts[-1][1] > _KNEE_V or volts[-1][0] - volts[0][0] < _LEAST_S:
        return None
    falls_v = _falls_by(volts)
    if falls_v <= 0.0 or volts[0][1] - volts[-1][1] < _FALL_V:
        return None
    end_v = _EMPTY_V - SAG_V_H * rate_per_h
    return max(0.0, volts[-1][1] - end_v) / falls_v
