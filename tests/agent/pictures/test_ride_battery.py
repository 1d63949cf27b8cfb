"""What is left in a battery, as the picture draws it, against sums done by hand."""

from __future__ import annotations

import pytest

from agent.pictures.ride_battery import left_ahead, left_now
from policies.runtime import Inverter, LoadStep

_EVEN = Inverter(efficiency=1.0, own_draw_w=0.0)


def test_a_full_battery_is_likely_all_there_and_surely_less() -> None:
    """100 W for an hour at the least, two likely: half of what is likely is sure."""
    left = left_now(
        0.0, missing_wh=0.0, load_w=100.0, lower_s=3600.0, likely_s=7200.0, inverter=_EVEN
    )

    assert (left.lower, left.likely) == pytest.approx((0.5, 1.0))


def test_what_was_taken_is_missing() -> None:
    """50 Wh are gone and 150 Wh likely left: three quarters."""
    left = left_now(
        0.0, missing_wh=50.0, load_w=100.0, lower_s=1800.0, likely_s=5400.0, inverter=_EVEN
    )

    assert (left.lower, left.likely) == pytest.approx((0.25, 0.75))


def test_the_bound_reaches_nothing_when_it_says_and_what_is_likely_later() -> None:
    """Along a steady load both lines end where the text beside them says."""
    steady = [LoadStep(0.0, 100.0)]
    points = left_ahead(
        900.0,
        steady,
        carried=steady,
        missing_wh=0.0,
        lower_s=1800.0,
        likely_s=3600.0,
        until_s=3600.0,
        inverter=_EVEN,
    )

    assert next(p.at_s for p in points if p.lower <= 0.0) == pytest.approx(900.0 + 1800.0)
    assert points[-1].at_s == pytest.approx(900.0 + 3600.0)
    assert points[-1].likely == pytest.approx(0.0, abs=1e-9)
    assert all(p.lower <= p.likely for p in points)


def test_giving_up_load_stretches_what_is_left() -> None:
    """Half the load after a quarter of an hour: by the half hour less is gone than without it."""
    steady = [LoadStep(0.0, 100.0)]
    points = left_ahead(
        0.0,
        [LoadStep(0.0, 100.0), LoadStep(900.0, 50.0)],
        carried=steady,
        missing_wh=0.0,
        lower_s=1800.0,
        likely_s=3600.0,
        until_s=3600.0,
        inverter=_EVEN,
    )

    by_half_hour = next(p for p in points if p.at_s >= 1800.0)
    assert by_half_hour.likely == pytest.approx(1.0 - (25.0 + 12.5) / 100.0)
