"""What is believed of a reading: a gauge that stands still, or is at its end, says nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.model import Battery, BatteryStatus, Chemistry, Reading
from policies.sight import Sight, look
from tests.policies.discharges import UNIT, Truth

READING = Truth().reading(400.0)


def test_a_charge_that_stands_still_while_the_battery_empties_is_stuck() -> None:
    """A gauge that hangs at 87 % would talk the belief into an endless battery."""
    sight, seen = look(Sight(), UNIT, READING, load_w=200.0, passed=0.10)
    assert seen.charge == READING.charge

    still, later = look(sight, UNIT, READING, load_w=200.0, passed=0.13)
    assert later.charge == READING.charge  # a whole percent may well stand so long

    _, later = look(still, UNIT, READING, load_w=200.0, passed=0.15)
    assert later.charge is None


def test_minutes_that_stand_still_are_stuck_until_they_move() -> None:
    """Whole minutes stand still for one; for three they do not, at a few minutes left."""
    sight, _ = look(Sight(), UNIT, READING, load_w=200.0, passed=0.1)
    stuck = replace(READING, at=READING.at + 300.0)
    sight, seen = look(sight, UNIT, stuck, load_w=200.0, passed=0.1)
    assert seen.runtime_s is None

    moved = replace(stuck, at=stuck.at + 2.0, runtime_s=600.0)
    _, seen = look(sight, UNIT, moved, load_w=200.0, passed=0.1)
    assert seen.runtime_s == 600.0


@pytest.mark.parametrize(
    ("shown_s", "still_s", "is_believed"),
    [
        (900.0, 140.0, True),
        (900.0, 160.0, False),
        (3600.0, 300.0, True),  # far from the end a unit counts in steps of several minutes
        (3600.0, 400.0, False),
    ],
)
def test_minutes_may_stand_still_for_a_while_and_longer_when_many_are_left(
    shown_s: float, still_s: float, is_believed: bool
) -> None:
    """Taken for stuck too soon, the only gauge that many a unit has would never be heard."""
    first = replace(READING, runtime_s=shown_s)
    sight, _ = look(Sight(), UNIT, first, load_w=200.0, passed=0.1)
    later = replace(first, at=first.at + still_s)
    _, seen = look(sight, UNIT, later, load_w=200.0, passed=0.1)

    assert (seen.runtime_s == shown_s) is is_believed


def test_a_full_battery_teaches_nothing() -> None:
    """100 % is shown of 100 % and of 97 alike."""
    _, seen = look(Sight(), UNIT, replace(READING, charge=1.0), load_w=200.0, passed=0.0)

    assert seen.charge is None


def test_an_empty_charge_of_a_unit_that_is_well_is_a_fault() -> None:
    """0 % with a normal battery is a gauge that was never wired."""
    odd = replace(READING, charge=0.0, battery_status=BatteryStatus.NORMAL)
    _, seen = look(Sight(), UNIT, odd, load_w=200.0, passed=0.0)

    assert seen.charge is None


@pytest.mark.parametrize(
    ("battery", "volts", "block_v"),
    [
        (Battery(volts=36, amp_hours=7), 36.6, 12.2),
        (Battery(volts=36, amp_hours=7), 12.2, None),  # of one block, or in other units
        (Battery(volts=48, amp_hours=20, chemistry=Chemistry.LITHIUM), 51.0, None),
        (Battery(watt_hours=200), 36.6, None),
    ],
)
def test_volts_count_where_they_can_be_understood(
    battery: Battery, volts: float, block_v: float | None
) -> None:
    """Lithium's volts stand still, and a string's are no block's."""
    reading: Reading = replace(READING, battery_v=volts)
    _, seen = look(Sight(), replace(UNIT, battery=battery), reading, load_w=200.0, passed=0.1)

    assert seen.block_v == pytest.approx(block_v) if block_v else seen.block_v is None
