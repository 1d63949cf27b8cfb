"""A battery that collapses is seen by its own gauges; an ordinary discharge is no collapse."""

from __future__ import annotations

import math
import random

import pytest

from policies.collapse import Collapse, Fall
from policies.seen import Seen
from tests.policies.discharges import UNIT, Truth, holding, states


def fall(*samples: tuple[float, float]) -> Fall:
    found = Fall()
    for at, left_s in samples:
        found = found.seeing(at, left_s)
    return found


def test_minutes_that_fall_five_times_as_fast_as_the_clock_are_a_collapse() -> None:
    """30 minutes that lose one every twelve seconds are six: that is when it ends."""
    found = fall(*((at, 1800.0 - 5.0 * at) for at in range(0, 121, 10)))

    assert found.says_s == pytest.approx((1800.0 - 600.0) / 5.0)


@pytest.mark.parametrize("rate", [0.5, 1.0, 1.6])
def test_minutes_that_only_misjudge_are_no_collapse(rate: float) -> None:
    """A gauge that is off by a factor runs fast or slow all along; that is learnt, not feared."""
    found = fall(
        *((at, 60.0 * math.floor((3600.0 - rate * at) / 60.0)) for at in range(0, 1200, 5))
    )

    assert found.says_s is None


def test_a_load_that_comes_and_goes_is_no_collapse() -> None:
    """Ten hours left to within a tenth: what swings, swings back."""
    chance = random.Random(3)
    found = fall(*((at, (36000.0 - at) * chance.uniform(0.93, 1.0)) for at in range(0, 3600, 10)))

    assert found.says_s is None


def test_one_step_down_is_taken_as_it_stands() -> None:
    """A unit that corrects itself from 40 minutes to 10 means 10, not the end of the world."""
    before = [(at, 2400.0 - at) for at in range(0, 60, 10)]
    after = [(at, 600.0 - (at - 60.0)) for at in range(60, 300, 10)]

    found = fall(*before, *after)

    assert found.says_s == pytest.approx(after[-1][1], rel=0.1)


def test_it_is_over_when_the_gauge_is_back() -> None:
    """One garbled answer must not shorten the rest of an outage."""
    falling = [(at, 1800.0 - 8.0 * at) for at in range(0, 100, 10)]
    found = fall(*falling, (110.0, 1690.0))

    assert fall(*falling).says_s is not None
    assert found.says_s is None


def test_volts_that_drop_off_the_knee_say_when_it_ends() -> None:
    """12 V blocks end near 10.5 V at a light load: what makers of sealed lead-acid print."""
    found = Collapse()
    for at in range(0, 130, 10):
        seen = Seen(20.0, block_v=11.7 - 0.005 * at)
        found = found.seeing(UNIT, seen, at=float(at), lasting_s=600.0 + at)

    left_wh = found.says_wh(UNIT)
    assert left_wh is not None
    drawn_w = 20.0 / 0.86 + 14.0  # 2 % of 700 W
    sag_v = 0.5 * drawn_w / 240.0
    expected_s = (11.7 - 0.6 - 10.5 + sag_v) / 0.005
    assert 3600.0 * left_wh / drawn_w == pytest.approx(expected_s, rel=0.1)


def test_the_dip_at_the_beginning_is_no_collapse() -> None:
    """Every lead-acid battery dips when it is first loaded."""
    found = Collapse()
    for at in range(0, 60, 5):
        seen = Seen(300.0, block_v=11.6 - 0.01 * at)
        found = found.seeing(UNIT, seen, at=float(at), lasting_s=float(at))

    assert found.says_wh(UNIT) is None


def test_a_collapse_is_not_over_because_a_device_stopped() -> None:
    """Shedding lengthens what is left, and mends nothing."""
    found = Collapse(200.0)
    for at in range(0, 100, 10):
        found = found.seeing(
            UNIT, Seen(200.0, runtime_s=1800.0 - 8.0 * at), at=float(at), lasting_s=300.0 + at
        )
    before_wh = found.says_wh(UNIT)
    found = found.seeing(UNIT, Seen(100.0), at=100.0, lasting_s=400.0)

    after_wh = found.says_wh(UNIT)
    assert before_wh is not None and after_wh is not None
    drawn_w = 100.0 / 0.86 + 14.0  # 2 % of 700 W, for the ten seconds since the last minutes
    assert after_wh == pytest.approx(before_wh - 10.0 * drawn_w / 3600.0)


@pytest.mark.parametrize("load_w", [15.0, 60.0, 200.0, 500.0])
@pytest.mark.parametrize("factor", [0.6, 1.0, 1.5])
def test_an_honest_discharge_is_never_cut_short(load_w: float, factor: float) -> None:
    """From beginning to end, whatever the battery is, no ceiling falls below the truth."""
    truth = Truth(cells=holding(factor), load_w=load_w)
    found = Collapse()
    lasts_s = truth.left_s(truth.began_at)
    for state in states(truth, until_s=0.97 * lasts_s, every_s=max(5.0, lasts_s / 400.0)):
        reading = state.reading
        assert reading is not None
        seen = Seen(
            load_w,
            charge=reading.charge,
            runtime_s=reading.runtime_s,
            block_v=None if reading.battery_v is None else reading.battery_v / 3.0,
        )
        found = found.seeing(UNIT, seen, at=reading.at, lasting_s=reading.at - truth.began_at)
        left_wh = found.says_wh(UNIT)
        if left_wh is not None:
            drawn_w = load_w / 0.86 + 14.0
            assert 3600.0 * left_wh / drawn_w > 0.4 * truth.left_s(reading.at)
