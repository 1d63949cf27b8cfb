"""A battery that really empties: two wells behind an inverter, exact at every instant.

Its parameters are the truth of the virtual site. They differ from what the site's file says, as a
real battery's do, and from what the unit's own gauge believes of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from policies.belief import Drawn
from policies.runtime import Cells, Inverter, Wells, after_stretch, empties_after_h

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Build:
    """What a virtual battery truly is.

    Attributes:
        cells: energy and rate dependence of the full battery as it is today.
        inverter: the losses between battery and output.
        charger_w: what the charger puts into the battery at most, in W.
        nominal_v: nominal voltage of the whole string, a multiple of 12 V.
    """

    cells: Cells
    inverter: Inverter
    charger_w: float
    nominal_v: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """How the unit's own estimate is made: simply, and so imperfectly.

    It counts watt-hours against an energy it was once told, knows nothing of rate dependence, and
    smooths the load, so that its minutes lag behind a device that was switched off.

    Attributes:
        believed_wh: energy it takes the full battery to hold.
        believed_efficiency: the one loss factor that it knows.
        smoothing_s: time constant of its smoothed load.
    """

    believed_wh: float
    believed_efficiency: float = 0.9
    smoothing_s: float = 20.0


def charged(cells: Cells, wells: Wells, *, charger_w: float, stretch_h: float) -> Wells:
    """Return the wells after *stretch_h* >= 0 hours on the charger.

    It gives constant power until the available well is full; from there on only as much as seeps
    into the bound one: y2' = k c ((1 - c) E - y2), the two-well equation at y1 = c E.
    """
    full = cells.full()
    after = after_stretch(cells, wells, drawn_w=-charger_w, stretch_h=stretch_h)
    if after.available_wh < full.available_wh and after.total_wh < cells.energy_wh:
        return after  # the brim is crossed once
    bulk_h = _bulk_charging_h(cells, wells, charger_w=charger_w)
    after = after_stretch(cells, wells, drawn_w=-charger_w, stretch_h=min(stretch_h, bulk_h))
    if stretch_h <= bulk_h:
        return after
    seeps_per_h = cells.flow_per_h * cells.available_share
    missing_wh = (full.bound_wh - after.bound_wh) * math.exp(-seeps_per_h * (stretch_h - bulk_h))
    return Wells(full.available_wh, full.bound_wh - missing_wh)


@lru_cache(maxsize=64)  # asked at each instant of one charging
def _bulk_charging_h(cells: Cells, wells: Wells, *, charger_w: float) -> float:
    """Hours of full charging power until the available well is full.

    It may first sink, where the bound well is emptier; it crosses its brim once, on the way up,
    and at the latest when the whole battery would be full.
    """
    full = cells.full()
    low, high = 0.0, (cells.energy_wh - wells.total_wh) / charger_w
    if high <= 0.0:
        return 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        after = after_stretch(cells, wells, drawn_w=-charger_w, stretch_h=middle)
        if after.available_wh < full.available_wh:
            low = middle
        else:
            high = middle
    return high


class VirtualBattery:
    """A battery, what it is connected to, and what the unit makes of it.

    Between two changes nothing is computed; each question is answered in closed form for its
    instant. Instants are the loop's time, in s, and never go back.
    """

    def __init__(
        self,
        build: Build,
        gauge: Gauge,
        *,
        at: float,
        load_w: float = 0.0,
        missing: Drawn | None = None,
    ) -> None:
        """Start on the charger, while mains has carried *load_w* for a long time.

        It is full but for what is *missing*, which may not be more than there is.
        """
        self.build = build
        self._gauge = gauge
        self._at = at
        full, gone = build.cells.full(), missing or Drawn()
        self._wells = Wells(
            max(0.0, full.available_wh - gone.available_wh),
            max(0.0, full.bound_wh - gone.bound_wh),
        )
        self._load_w: float | None = None
        self._charging = True
        self._output_w = load_w
        self._smoothed_w = load_w

    def carry(self, load_w: float, *, at: float) -> None:
        """From *at* on, carry *load_w* >= 0 W at the unit's output through the inverter."""
        self._settle(at)
        self._load_w, self._charging, self._output_w = load_w, False, load_w

    def charge(self, load_w: float, *, at: float) -> None:
        """From *at* on, be charged, while mains carries *load_w*: the gauge watches that too."""
        self._settle(at)
        self._load_w, self._charging, self._output_w = None, True, load_w

    def rest(self, *, at: float) -> None:
        """From *at* on, neither give nor take: the unit is off."""
        self._settle(at)
        self._load_w, self._charging, self._output_w = None, False, 0.0

    def lose(self, share: float, *, at: float) -> None:
        """From *at* on, be without a *share*, 0..1, of all it holds and could: a cell has died."""
        self._settle(at)
        left = 1.0 - share
        cells = replace(self.build.cells, energy_wh=self.build.cells.energy_wh * left)
        self.build = replace(self.build, cells=cells)
        self._wells = Wells(self._wells.available_wh * left, self._wells.bound_wh * left)

    @property
    def ends_at(self) -> float:
        """When the output ends if nothing changes, in s; inf while it carries nothing."""
        if self._load_w is None:
            return math.inf
        drawn_w = self.build.inverter.drawn_w(self._load_w)
        return self._at + _HOUR_S * empties_after_h(self.build.cells, self._wells, drawn_w=drawn_w)

    def wells(self, at: float) -> Wells:
        """Return what is in the wells at *at*."""
        cells, hours = self.build.cells, max(0.0, at - self._at) / _HOUR_S
        if self._charging:
            return charged(cells, self._wells, charger_w=self.build.charger_w, stretch_h=hours)
        drawn_w = 0.0 if self._load_w is None else self.build.inverter.drawn_w(self._load_w)
        return after_stretch(cells, self._wells, drawn_w=drawn_w, stretch_h=hours)

    def volts(self, at: float) -> float:
        """Return the voltage at the terminals, by a plain invented rule for lead-acid.

        Per 12 V block: 13.6 on the charger, else 11.4 with the available well empty to 12.8 full,
        less half a volt at a draw that would empty the battery within the hour.
        """
        blocks = self.build.nominal_v / 12.0
        if self._charging:
            return 13.6 * blocks
        cells = self.build.cells
        head = max(0.0, self.wells(at).available_wh) / cells.full().available_wh
        drawn_w = 0.0 if self._load_w is None else self.build.inverter.drawn_w(self._load_w)
        return blocks * (11.4 + 1.4 * head - 0.5 * drawn_w / cells.energy_wh)

    def amperes(self, at: float) -> float:
        """Return the current out of the battery in A; the charger's is not metered."""
        if self._load_w is None:
            return 0.0
        return self.build.inverter.drawn_w(self._load_w) / self.volts(at)

    def gauged_charge(self, at: float) -> float:
        """Return the charge that the unit believes in, as a share 0..1."""
        missing_wh = self.build.cells.energy_wh - self.wells(at).total_wh
        return min(1.0, max(0.0, 1.0 - missing_wh / self._gauge.believed_wh))

    def gauged_minutes(self, at: float) -> int:
        """Return the unit's own estimate of the minutes left, whole, at least 1 as its type asks.

        RFC 1628, upsEstimatedMinutesRemaining: at the present load, on mains too.
        """
        drawn_w = self._smoothed(at) / self._gauge.believed_efficiency
        if drawn_w <= 0.0:
            return _MOST_MINUTES
        left_wh = self.gauged_charge(at) * self._gauge.believed_wh
        return max(1, min(_MOST_MINUTES, int(60.0 * left_wh / drawn_w)))

    def _settle(self, at: float) -> None:
        assert at >= self._at, "a battery's time does not run backwards"
        self._wells, self._smoothed_w, self._at = self.wells(at), self._smoothed(at), at

    def _smoothed(self, at: float) -> float:
        lag = math.exp(-max(0.0, at - self._at) / self._gauge.smoothing_s)
        return self._output_w + (self._smoothed_w - self._output_w) * lag


_MOST_MINUTES = 999
"""What the gauge shows where next to nothing is drawn."""
