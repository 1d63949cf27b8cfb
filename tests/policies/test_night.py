"""When it is dark, held to almanac figures and to a second, independent solar formula."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from policies.model import Place
from policies.night import HORIZON_DEG, Light, LightStep, light_at, light_steps

LONDON = Place(51.5, -0.12)
LISBON = Place(38.70, -9.14)
LISBON_TIME = ZoneInfo("Europe/Lisbon")
DAY_S = 86400.0


def almanac_height_deg(place: Place, at: datetime) -> float:
    """Return the sun's true height, in degrees.

    Source: "Low precision formulas for the Sun" of the Astronomical Almanac (0.01 degrees, 1950 to
    2050), with Greenwich mean sidereal time to first order; both from memory. It shares no formula
    with the library that the policies use.
    """
    days = (at - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / DAY_S
    mean_deg = 280.460 + 0.9856474 * days
    anomaly = math.radians(357.528 + 0.9856003 * days)
    longitude = math.radians(mean_deg + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2 * anomaly))
    tilt = math.radians(23.439 - 0.0000004 * days)
    ascension = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude))
    declination = math.asin(math.sin(tilt) * math.sin(longitude))
    sidereal_deg = 15.0 * (18.697374558 + 24.06570982441908 * days)
    hour_angle = math.radians(sidereal_deg + place.longitude) - ascension
    latitude = math.radians(place.latitude)
    return math.degrees(
        math.asin(
            math.sin(latitude) * math.sin(declination)
            + math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
        )
    )


@pytest.mark.parametrize(
    ("day", "rises", "sets"),
    [
        # Published tables for London in Greenwich time, from memory.
        (date(2024, 6, 21), time(3, 43), time(20, 21)),
        (date(2024, 12, 21), time(8, 4), time(15, 53)),
    ],
)
def test_longest_and_shortest_day_of_london_are_the_printed_ones(
    day: date, rises: time, sets: time
) -> None:
    """Lights that come on an hour late in the plan are watts that the battery does not have."""
    midnight = datetime.combine(day, time(0), UTC)

    steps = light_steps(LONDON, begins=midnight, lasts_s=DAY_S)

    assert [step.light for step in steps] == [Light.NIGHT, Light.DAY, Light.NIGHT]
    for step, printed in zip(steps[1:], (rises, sets), strict=True):
        expected = datetime.combine(day, printed, UTC)
        assert abs((midnight + timedelta(seconds=step.after_s)) - expected) < timedelta(minutes=2)


@given(
    st.floats(-89.0, 89.0),
    st.floats(-180.0, 180.0),
    st.datetimes(datetime(2000, 1, 1), datetime(2049, 1, 1), timezones=st.just(UTC)),
)
def test_light_changes_where_another_formula_has_the_sun_on_the_horizon(
    latitude: float, longitude: float, begins: datetime
) -> None:
    """Whatever the place and the date: polar days, the date line, leap years."""
    place = Place(latitude, longitude)

    steps = light_steps(place, begins=begins, lasts_s=1.5 * DAY_S)

    for step in steps[1:]:
        height_deg = almanac_height_deg(place, begins + timedelta(seconds=step.after_s))
        assert height_deg == pytest.approx(HORIZON_DEG, abs=0.05)
    for before, after in pairwise(steps):
        assert before.light is not after.light
    for hours in range(0, 36, 3):
        at = begins + timedelta(hours=hours)
        height_deg = almanac_height_deg(place, at)
        if abs(height_deg - HORIZON_DEG) > 0.05:
            dark = height_deg < HORIZON_DEG
            assert light_at(place, at) is (Light.NIGHT if dark else Light.DAY)


@pytest.mark.parametrize(("month", "light"), [(6, Light.DAY), (12, Light.NIGHT)])
def test_far_north_has_one_light_for_days(month: int, light: Light) -> None:
    """Where the sun does not set there is no sunset to wait for, and no error either."""
    begins = datetime(2026, month, 21, tzinfo=UTC)

    steps = light_steps(Place(69.65, 18.96), begins=begins, lasts_s=3 * DAY_S)

    assert steps == (LightStep(0.0, light),)


def test_night_in_which_clocks_are_put_back_is_an_hour_longer_on_the_wall_only() -> None:
    """An outage is elapsed time; a wall clock that jumps must not shift the sunrise."""
    begins = datetime(2026, 10, 24, 20, tzinfo=LISBON_TIME)  # summer time ends in this night

    steps = light_steps(LISBON, begins=begins, lasts_s=0.75 * DAY_S)

    (sunrise,) = [step.after_s for step in steps if step.light is Light.DAY]
    at = begins.astimezone(UTC) + timedelta(seconds=sunrise)
    assert almanac_height_deg(LISBON, at) == pytest.approx(HORIZON_DEG, abs=0.05)


def test_outage_at_five_runs_into_the_night() -> None:
    """The load that the battery meets is not the load at the moment mains fails."""
    begins = datetime(2026, 11, 25, 17, tzinfo=LISBON_TIME)

    steps = light_steps(LISBON, begins=begins, lasts_s=4 * 3600.0)

    assert [step.light for step in steps] == [Light.DAY, Light.NIGHT]
    assert steps[1].after_s == pytest.approx(17 * 60, abs=60)  # sunset at 17:17


def test_without_a_place_the_light_is_unknown() -> None:
    """A guess of daylight would leave out watts that may be there."""
    begins = datetime(2026, 6, 21, 12, tzinfo=UTC)

    assert light_steps(None, begins=begins, lasts_s=DAY_S) == (LightStep(0.0, Light.UNKNOWN),)


def test_instant_without_a_zone_is_refused() -> None:
    """It could be off by hours, silently."""
    with pytest.raises(ValueError, match="time zone"):
        light_at(LISBON, datetime(2026, 6, 21, 12))
    with pytest.raises(ValueError, match="time zone"):
        light_steps(None, begins=datetime(2026, 6, 21, 12), lasts_s=1.0)
