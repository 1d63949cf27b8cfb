"""How a battery ages: the trend against scipy's, the forecast, and honesty with few points."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import pytest
from scipy.stats import theilslopes

from policies.battery import BatteryPoint
from policies.health import (
    END_OF_LIFE,
    SOON_DAYS,
    Ageing,
    Band,
    HealthPoint,
    ageing_of,
    health_point,
    new_energy_wh,
    sen_slope,
    trend_of,
)
from policies.model import Battery, Unit

FIRST = date(2026, 1, 1)
CABINET = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=7, age_years=1.0))


def point(days: float, share: float, *, wide: float = 0.02) -> HealthPoint:
    return HealthPoint(
        FIRST + timedelta(days=round(days)), Band(share, share - wide, share + wide), "a test"
    )


def line(
    *, per_year: float, begins: float = 1.0, every_days: int = 60, n: int = 8
) -> list[HealthPoint]:
    """Points on a straight line."""
    return [
        point(i * every_days, begins + per_year * i * every_days / 365.25) for i in range(n)
    ]  # fmt: skip


@pytest.mark.parametrize("n", [4, 5, 9, 20, 41])
def test_slope_and_its_band_are_those_of_scipy(n: int) -> None:
    """scipy.stats.theilslopes computes the same from the same papers (Theil 1950, Sen 1968)."""
    chance = random.Random(n)
    xs = sorted(chance.uniform(0.0, 1500.0) for _ in range(n))
    ys = [1.0 - 0.0002 * x + chance.gauss(0.0, 0.03) for x in xs]
    ys[n // 2] += 0.4

    found = sen_slope(xs, ys)
    theirs = theilslopes(ys, xs, alpha=0.9)

    assert found.middle == pytest.approx(theirs.slope, rel=1e-12)
    assert (found.low, found.high) == pytest.approx((theirs.low_slope, theirs.high_slope))


def test_slope_with_ties_is_that_of_scipy() -> None:
    """Two discharges on one day, and figures that come out the same."""
    xs = [0.0, 0.0, 30.0, 60.0, 60.0, 90.0, 120.0, 200.0]
    ys = [1.0, 0.98, 0.98, 0.95, 0.96, 0.95, 0.93, 0.90]

    found = sen_slope(xs, ys)
    theirs = theilslopes(ys, xs, alpha=0.9)

    assert (found.middle, found.low, found.high) == pytest.approx(
        (theirs.slope, theirs.low_slope, theirs.high_slope)
    )


def test_steady_fall_passes_eighty_percent_when_it_does() -> None:
    """The owner orders a battery by that date: 5 % a year from new takes four years."""
    trend = trend_of(line(per_year=-0.05), FIRST + timedelta(days=420))

    assert trend.now is not None and trend.passing is not None and trend.per_year is not None
    assert trend.now.middle == pytest.approx(1.0 - 0.05 * 420 / 365.25, abs=1e-6)
    assert trend.per_year.middle == pytest.approx(-0.05)
    assert trend.passing.likely == FIRST + timedelta(days=round(4 * 365.25))
    assert trend.passing.early is not None and trend.passing.late is not None
    assert trend.passing.early < trend.passing.likely < trend.passing.late


def test_one_wild_point_in_eight_hardly_moves_the_forecast() -> None:
    """One outage with a fan heater plugged in must not order a new battery."""
    today = FIRST + timedelta(days=420)
    wild = line(per_year=-0.05)
    wild[5] = point(300, 0.55)
    clean, moved = trend_of(line(per_year=-0.05), today), trend_of(wild, today)

    assert clean.passing is not None and clean.passing.likely is not None
    assert moved.passing is not None and moved.passing.likely is not None
    assert abs((moved.passing.likely - clean.passing.likely).days) < 60


def test_band_holds_the_truth_nine_times_in_ten() -> None:
    """A band that is too narrow promises a date that nobody can know."""
    chance = random.Random(7)
    truth = FIRST + timedelta(days=round(0.2 / 0.06 * 365.25))
    held, worlds = 0, 300
    for _ in range(worlds):
        points = [
            point(p * 60, 1.0 - 0.06 * p * 60 / 365.25 + chance.gauss(0.0, 0.02), wide=0.033)
            for p in range(10)
        ]
        passing = trend_of(points, FIRST + timedelta(days=600)).passing
        assert passing is not None
        early = passing.early or date.max
        late = passing.late or date.max
        held += early <= truth <= late

    assert held / worlds >= 0.9


def test_too_few_points_give_no_forecast_and_say_so() -> None:
    """Three points make a line and no forecast."""
    today = FIRST + timedelta(days=400)
    few = trend_of(line(per_year=-0.05, n=3), today)
    close = trend_of(line(per_year=-0.05, every_days=10, n=6), today)
    none = trend_of([], today)

    assert few.passing is None and few.now is not None
    assert "3 measurements so far; a forecast needs 4" in few.why_none
    assert close.passing is None
    assert "within 50 days" in close.why_none
    assert none.now is None and none.why_none == "nothing was measured yet"


def test_battery_that_does_not_fall_is_given_no_date() -> None:
    """A line that rises crosses nothing; only the early end of the band may have a date."""
    trend = trend_of(line(per_year=0.01, begins=0.95), FIRST + timedelta(days=420))

    assert trend.passing is not None
    assert trend.passing.likely is None and trend.passing.late is None


def test_vague_point_is_no_part_of_the_trend() -> None:
    """A discharge that might mean half or double teaches nothing."""
    vague = HealthPoint(FIRST, Band(0.3, 0.2, 0.6))
    trend = trend_of([vague], FIRST)

    assert trend.points == 0 and trend.now is None
    assert "no discharge was deep enough" in trend.why_none


@pytest.mark.parametrize(
    ("points", "later_days", "grade"),
    [
        (line(per_year=-0.05), 420, Ageing.FINE),
        (line(per_year=-0.05), 4 * 365 - SOON_DAYS + 30, Ageing.SOON),
        (line(per_year=-0.05), 4 * 365 + 60, Ageing.WORN),
        ([point(0, 0.6)], 0, Ageing.WORN),
        ([point(0, 0.79)], 0, Ageing.FINE),  # it may as well be 81 %
        ([], 0, Ageing.FINE),
    ],
)
def test_ageing_is_said_in_time(points: list[HealthPoint], later_days: int, grade: Ageing) -> None:
    """Half a year is time to order; one vague point is no alarm."""
    today = FIRST + timedelta(days=later_days)

    assert ageing_of(trend_of(points, today), today) is grade


def test_end_of_life_is_the_trades() -> None:
    """IEEE 450 and IEEE 1188: replace at 80 % of rated capacity (from memory)."""
    assert END_OF_LIFE == 0.80


def test_health_is_held_against_the_new_battery_at_25_degrees() -> None:
    """36 V x 7 Ah is 252 Wh by its label; a cold room makes a good battery look worn."""
    measured = BatteryPoint(FIRST, 200.0, 180.0, 222.0, "a full discharge")
    warm = health_point(CABINET, measured)
    cold = health_point(
        replace(CABINET, battery=replace(CABINET.battery, temperature_c=10.0)), measured
    )

    assert new_energy_wh(CABINET) == pytest.approx(1.08 * 252.0)
    assert warm.share.middle == pytest.approx(200.0 / (1.08 * 252.0))
    # IEEE 485, cell size correction at 10 °C: 1.19 (from memory).
    assert cold.share.middle == pytest.approx(1.19 * warm.share.middle)


def test_age_of_the_file_is_no_part_of_what_a_new_one_held() -> None:
    """Else an old battery would be held against an old one, and always be as new."""
    older = replace(CABINET, battery=replace(CABINET.battery, age_years=6.0))

    assert new_energy_wh(older) == new_energy_wh(CABINET)
