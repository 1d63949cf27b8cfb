"""What the unit measures beside what the file lists."""

from __future__ import annotations

import pytest

from policies.model import Device, Role, Site
from policies.night import Light
from policies.unexplained import Measured, gap_of, measured_of, unexplained_w
from tests.policies.sites import CABINET, on_mains, site_of


def _site(day_w: float = 100.0, night_w: float = 120.0) -> Site:
    pc = Device("pc", Role.COMPUTER, day_w, night_w, ("cabinet",), power_factor=0.5)
    return site_of(pc)


def test_twelve_watts_too_many_are_said_by_day_and_by_night() -> None:
    """Something is plugged in that the plan knows nothing of."""
    site = _site()

    by_day = gap_of(site, "cabinet", Measured(112.0, 1.0), Light.DAY)
    by_night = gap_of(site, "cabinet", Measured(132.0, 1.0), Light.NIGHT)

    assert (by_day.unexplained_w, by_night.unexplained_w) == (12.0, 12.0)
    assert by_day.sentence.startswith(
        "112 W measured by day, 100 W listed: 12 W more than the file explains"
    )
    assert "132 W measured by night, 120 W listed: 12 W more" in by_night.sentence


def test_less_than_listed_is_said_too() -> None:
    """A camera that is dead draws nothing, and nobody looks at its picture."""
    gap = gap_of(_site(), "cabinet", Measured(80.0, 1.0), Light.DAY)

    assert gap.unexplained_w == -20.0
    assert "20 W less than the file lists" in gap.sentence


@pytest.mark.parametrize(
    ("listed_w", "measured_w", "step_w", "gap_w"),
    [
        (100.0, 104.9, 1.0, 0.0),  # below 5 W
        (100.0, 105.0, 1.0, 5.0),
        (100.0, 95.0, 1.0, -5.0),
        (400.0, 419.0, 1.0, 0.0),  # below 5 %
        (400.0, 420.0, 1.0, 20.0),
        (10.0, 16.0, 7.0, 0.0),  # below what the unit can tell
        (10.0, 17.0, 7.0, 7.0),
        (0.0, 30.0, 1.0, 30.0),
    ],
)
def test_noise_is_no_finding(
    listed_w: float, measured_w: float, step_w: float, gap_w: float
) -> None:
    """A notice a day over a meter's last digit would soon be read by nobody."""
    assert unexplained_w(listed_w=listed_w, measured_w=measured_w, step_w=step_w) == gap_w


@pytest.mark.parametrize(("measured_w", "gap_w"), [(90.0, -10.0), (110.0, 0.0), (132.0, 12.0)])
def test_without_a_place_anything_between_day_and_night_is_explained(
    measured_w: float, gap_w: float
) -> None:
    """Nobody knows whether the lights are on."""
    gap = gap_of(_site(), "cabinet", Measured(measured_w, 1.0), Light.UNKNOWN)

    assert gap.unexplained_w == gap_w
    assert " by " not in gap.sentence


def test_percent_load_is_held_against_the_worse_of_watts_and_volt_amperes() -> None:
    """RFC 1628 has one percentage: 100 W at a power factor of 0.5 load 1000 VA by 20 %."""
    reading = on_mains(0.0, output_w=None, load_share=0.20)
    measured = measured_of(CABINET, reading)

    assert measured == Measured(140.0, 7.0, is_share=True)
    assert gap_of(_site(), "cabinet", measured, Light.DAY).unexplained_w == 0.0


def test_watts_are_believed_before_a_percentage_and_doubts_not_at_all() -> None:
    """The finer figure wins; a marked one is nothing to accuse the file with."""
    both = on_mains(0.0, output_w=112.0, load_share=0.5)
    doubted = on_mains(0.0, output_w=112.0, doubts={"output_w": "stuck"})

    assert measured_of(CABINET, both) == Measured(112.0, 1.0)
    assert measured_of(CABINET, doubted) is None
    assert measured_of(CABINET, on_mains(0.0, output_w=0.0)) is None
