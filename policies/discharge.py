"""What one discharge teaches of the full battery, by our own account of what was drawn from it.

Either the end was seen: then what is missing from the available well is all that it ever held. Or
the unit's charge fell: then what was drawn stands against that share. Both go by the losses that
are assumed of the inverter, so the level may be off by a tenth; the trend over years is not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from policies.battery import Discharge
from policies.belief import Drawn
from policies.model import BatteryStatus, Unit
from policies.runtime import cells_of
from policies.supply import UnitState

LEAST_SHARE = 0.25
"""A shallower discharge teaches nothing that is worth keeping."""

LEAST_S = 120.0

_LOSSES = 0.10  # spread of ln E by the inverter's losses, which are assumed
_GAUGE = 0.04  # how far the unit's charge may be off at either end, as a share
_FULL_SPREAD = 0.08
_BOUND_SPREAD = 0.25  # of what the bound well still holds at the end: its share is assumed
_Z = NormalDist().inv_cdf(0.95)


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a full battery holds, in Wh; the truth lies between low and high with 90 %."""

    energy_wh: float
    low_wh: float
    high_wh: float
    how: str


def lesson_of(unit: Unit, before: UnitState, after: UnitState) -> Lesson | None:
    """Return what a discharge taught that ended between two states; None = it did not, or nothing.

    Args:
        unit: as the file has it.
        before: what was known before the event that may have ended it.
        after: what is known with it.
    """
    course = before.battery.discharge
    if course is None or after.battery.discharge is not None:
        return None
    if has_ended_empty(after):
        account = after.drawn
        return _by_end(unit, account) if account.total_wh > 0.0 else None
    if before.on_battery_at is None or after.on_battery_at is not None:
        return None
    return _by_charge(course)


def has_ended_empty(state: UnitState) -> bool:
    """Whether a discharge went to its end: the unit says so, or fell silent after it said low."""
    if state.lost_at is not None:
        return state.is_low
    reading = state.reading
    is_depleted = reading is not None and reading.battery_status is BatteryStatus.DEPLETED
    return is_depleted and state.is_on_battery


def _by_end(unit: Unit, drawn: Drawn) -> Lesson | None:
    """The output ends when the available well is empty: what is missing from it is c times E."""
    energy_wh = drawn.available_wh / cells_of(unit.battery).available_share
    if energy_wh <= 0.0:
        return None
    left = max(0.0, 1.0 - drawn.total_wh / energy_wh)
    return _lesson(energy_wh, math.hypot(_FULL_SPREAD, _BOUND_SPREAD * left), "a full discharge")


def _by_charge(course: Discharge) -> Lesson | None:
    began, last = course.began, course.last
    if began.charge is None or last.charge is None or last.at - began.at < LEAST_S:
        return None
    fell = began.charge - last.charge
    drawn_wh = last.drawn.total_wh - began.drawn.total_wh
    if fell < LEAST_SHARE or drawn_wh <= 0.0:
        return None
    how = f"a discharge from {100 * began.charge:.0f} to {100 * last.charge:.0f} %"
    return _lesson(drawn_wh / fell, _GAUGE * math.sqrt(2.0) / fell, how)


def _lesson(energy_wh: float, spread: float, how: str) -> Lesson:
    reach = math.exp(_Z * math.hypot(spread, _LOSSES))
    return Lesson(energy_wh, energy_wh / reach, energy_wh * reach, how)
