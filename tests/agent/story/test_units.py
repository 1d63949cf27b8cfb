"""How long mains was away from one unit, by what its readings came to mean."""

from __future__ import annotations

from dataclasses import replace

from agent.story.units import MainsWatch
from policies.events import SupplyJudged
from policies.model import BatteryStatus, OutputSource
from policies.supply import FOR_A_MOMENT, ONE_SAYS_MAINS, SELF_TEST, Supply
from tests.policies.sites import on_battery, on_mains

FAILED = "mains has failed; it runs on its battery"
THERE = "mains is there"


def judged(at: float, supply: Supply, why: str) -> SupplyJudged:
    return SupplyJudged(at, "cabinet", supply, why)


def failed(at: float) -> MainsWatch:
    """Return the watch of a unit whose mains failed then, which was seen two seconds later."""
    watch = MainsWatch("cabinet")
    watch.read(on_battery(at + 2.0, at))
    watch.judged(judged(at + 2.0, Supply.MAINS, FOR_A_MOMENT))
    watch.read(on_battery(at + 12.0, at))
    watch.judged(judged(at + 12.0, Supply.BATTERY, FAILED))
    return watch


def test_mains_failed_when_the_unit_says_so() -> None:
    """UpsSecondsOnBattery counts from the true moment; the poll comes later."""
    watch = failed(100.0)

    assert watch.away is not None
    assert watch.away.failed_at == 100.0
    assert watch.away.last_on_battery_at == 112.0


def test_mains_returned_with_the_first_of_the_two_readings_that_say_so() -> None:
    """The second only confirms it."""
    watch = failed(100.0)
    watch.judged(judged(160.0, Supply.BATTERY, ONE_SAYS_MAINS))
    over = watch.judged(judged(165.0, Supply.MAINS, THERE))

    assert over is not None
    assert (over.failed_at, over.returned_at, over.last_on_battery_at) == (100.0, 160.0, 112.0)
    assert watch.away is None


def test_one_reading_of_mains_that_was_wrong_ends_nothing() -> None:
    """The next one on battery takes it back."""
    watch = failed(100.0)
    watch.judged(judged(160.0, Supply.BATTERY, ONE_SAYS_MAINS))
    watch.judged(judged(165.0, Supply.BATTERY, FAILED))
    over = watch.judged(judged(300.0, Supply.MAINS, THERE))

    assert over is not None
    assert over.returned_at == 300.0


def test_a_flicker_is_told_as_short_as_it_was() -> None:
    """It was no outage, and counts as a momentary interruption of the year."""
    watch = MainsWatch("cabinet")
    watch.read(on_battery(102.0, 100.0))
    assert watch.judged(judged(102.0, Supply.MAINS, FOR_A_MOMENT)) is None
    over = watch.judged(judged(104.0, Supply.MAINS, THERE))

    assert over is not None
    assert (over.failed_at, over.returned_at) == (100.0, 104.0)
    assert watch.away is None


def test_a_self_test_is_no_interruption() -> None:
    """It runs on battery with mains there; the alarm may come a poll later."""
    watch = MainsWatch("cabinet")
    watch.read(on_battery(102.0, 100.0))
    watch.judged(judged(102.0, Supply.MAINS, FOR_A_MOMENT))

    assert watch.judged(judged(104.0, Supply.MAINS, SELF_TEST)) is None
    assert watch.judged(judged(120.0, Supply.MAINS, THERE)) is None


def test_a_card_that_started_anew_on_mains_lost_its_power_before() -> None:
    """So the output ended after it was last heard, and mains was back when the card started."""
    watch = failed(100.0)
    watch.read(replace(on_battery(500.0, 100.0), uptime_s=9000.0))
    watch.read(replace(on_mains(900.0), uptime_s=40.0))

    assert watch.away is not None
    assert watch.away.ended_at == 500.0
    over = watch.judged(judged(905.0, Supply.MAINS, THERE))
    assert over is not None
    assert over.returned_at == 860.0


def test_a_card_that_somebody_restarted_on_battery_ended_nothing() -> None:
    """The unit carries on; only its card was away."""
    watch = failed(100.0)
    watch.read(replace(on_battery(500.0, 100.0), uptime_s=9000.0))
    watch.read(replace(on_battery(600.0, 100.0), uptime_s=40.0))

    assert watch.away is not None
    assert watch.away.ended_at is None


def test_low_is_remembered() -> None:
    """A unit that fell silent after it is taken to have ended; one that was not low is not."""
    watch = failed(100.0)
    watch.read(replace(on_battery(300.0, 100.0), battery_status=BatteryStatus.LOW))

    assert watch.away is not None
    assert watch.away.was_low
    assert on_mains(1.0).output_source is OutputSource.NORMAL
