"""Discharges of a battery that is truly so, as its unit shows them to the agent."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from policies.model import Battery, BatteryStatus, OutputSource, Reading, Unit
from policies.runtime import (
    Cells,
    Inverter,
    LoadStep,
    Wells,
    after_stretch,
    cells_of,
    ends_after_s,
    inverter_of,
)
from policies.supply import UnitState, judge

UNIT = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=7, age_years=1), flicker_s=0.0)
CELLS = cells_of(UNIT.battery)
INVERTER = inverter_of(UNIT.rating_w)

Telling = Callable[[Reading], Reading]
"""What the unit shows instead of what is so."""


def honest(reading: Reading) -> Reading:
    return reading


@dataclass(frozen=True)
class Truth:
    """A battery, what it carries, and since when it has been in use."""

    cells: Cells = CELLS
    inverter: Inverter = INVERTER
    load_w: float = 200.0
    began_at: float = 100.0

    def wells(self, at: float) -> Wells:
        return after_stretch(
            self.cells,
            self.cells.full(),
            drawn_w=self.inverter.drawn_w(self.load_w),
            stretch_h=(at - self.began_at) / 3600.0,
        )

    def left_s(self, at: float) -> float:
        steps = [LoadStep(0.0, self.load_w)]
        return ends_after_s(self.cells, self.wells(at), self.inverter, steps)

    def reading(self, at: float) -> Reading:
        """What a unit with good gauges shows."""
        wells = self.wells(at)
        head = wells.available_wh / self.cells.full().available_wh
        sag_v = 0.5 * self.inverter.drawn_w(self.load_w) / self.cells.energy_wh
        return Reading(
            UNIT.name,
            at,
            OutputSource.BATTERY,
            BatteryStatus.NORMAL,
            on_battery_s=at - self.began_at,
            runtime_s=60.0 * math.floor(self.left_s(at) / 60.0),
            charge=round(wells.total_wh / self.cells.energy_wh, 2),
            battery_v=round(3.0 * (11.3 + 1.4 * head - sag_v), 1),
            output_w=self.load_w,
        )


def states(
    truth: Truth, *, until_s: float, every_s: float = 10.0, telling: Telling = honest
) -> Iterator[UnitState]:
    """Return what is known of the unit after each reading of a discharge, by the real fold."""
    state = judge(UNIT, UnitState(), on_mains(truth.began_at - 5.0, truth.load_w), listed_w=0.0)
    at = truth.began_at + 2.0
    while at <= truth.began_at + until_s:
        state = judge(UNIT, state, telling(truth.reading(at)), listed_w=0.0)
        yield state
        at += every_s


def on_mains(at: float, load_w: float = 200.0) -> Reading:
    return Reading(
        UNIT.name,
        at,
        OutputSource.NORMAL,
        BatteryStatus.NORMAL,
        on_battery_s=0.0,
        charge=1.0,
        output_w=load_w,
    )


def holding(factor: float) -> Cells:
    """The file's battery, with so many times its energy."""
    return replace(CELLS, energy_wh=factor * CELLS.energy_wh)
