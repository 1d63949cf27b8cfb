"""The watch over the listed load: what it says, when, and how seldom."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from agent.battery.load_watch import EVERY_S, SAID_EVERY_S, SAMPLES, LoadWatch
from agent.journal.codec import VERSION, decode, encode, kind_of
from policies.events import Ending, LoadFound, OrderClosed, OrderGiven, PauseSet, ReadingTaken
from policies.model import (
    Device,
    Order,
    Place,
    Reading,
    Reason,
    Role,
    Site,
    Task,
)
from policies.night import Light
from policies.state import SiteState, fold, initial
from tests.policies.sites import on_battery, on_mains, site_of

LISBON = Place(38.70, -9.14)
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
PC = Device("pc", Role.COMPUTER, 100, 120, ("cabinet",), stop_s=10.0)


class Watched:
    """A watch with a wall clock that goes along with the readings."""

    def __init__(
        self,
        site: Site,
        place: Place | None = LISBON,
        *,
        state: SiteState | None = None,
        at: float = 0.0,
    ) -> None:
        self.site = site
        self.state = initial(site) if state is None else state
        self.at = at
        self.kept: list[LoadFound] = []
        self.said: list[tuple[str, str, str]] = []
        self.watch = LoadWatch(
            site,
            place,
            utc=lambda: NOON + timedelta(seconds=self.at),
            say=lambda *said: self.said.append(said),
            keep=self.keep,
            known=self.state,
        )

    def keep(self, found: LoadFound) -> None:
        """Journal it, and fold it through what a file makes of it."""
        self.kept.append(found)
        kind = kind_of(LoadFound)
        back = decode(kind, VERSION, encode(found))
        assert back == found
        self.state = fold(self.site, self.state, back)

    def restarted(self) -> Watched:
        """Return what takes up where this one ended."""
        return Watched(self.site, state=self.state, at=self.at)

    def hear(self, reading: Reading) -> None:
        event = ReadingTaken(reading.at, reading)
        self.state = fold(self.site, self.state, event)
        self.watch.hear(event, self.state)

    def measure(self, watts: float, *, hours: float, every_s: float = EVERY_S) -> None:
        """Read that load on mains for so long."""
        for _ in range(round(hours * 3600.0 / every_s)):
            self.at += every_s
            self.hear(on_mains(self.at, output_w=watts))


def test_load_that_the_file_does_not_explain_is_said_after_an_hour() -> None:
    """The plan would run out earlier than it says, were the unit's own figure not believed."""
    watched = Watched(site_of(PC))

    watched.measure(112.0, hours=0.95)
    early = list(watched.said)
    watched.measure(112.0, hours=0.1)

    assert early == []
    ((severity, about, text),) = watched.said
    assert (severity, about) == ("warning", "cabinet")
    assert "12 W more than the file explains" in text


def test_load_that_fits_is_never_said() -> None:
    """By day and by night, over two days."""
    watched = Watched(site_of(PC))
    for _ in range(2):
        watched.measure(100.0, hours=5.5)  # to 17:30, sunset at 17:17
        watched.measure(120.0, hours=13.0)  # to 6:30, an hour before sunrise
        watched.measure(100.0, hours=5.5)

    assert watched.said == []
    assert len(watched.watch.gaps("cabinet")) == 2


def test_day_and_night_have_findings_of_their_own() -> None:
    """Lights that draw more than listed are no fault of the daytime figures."""
    watched = Watched(site_of(PC))

    watched.measure(100.0, hours=5.0)
    watched.measure(150.0, hours=5.0)

    ((_, _, text),) = watched.said
    assert "100 W measured by day, 100 W listed: that fits" in text
    assert "150 W measured by night, 120 W listed: 30 W more" in text
    assert [gap.unexplained_w for gap in watched.watch.gaps("cabinet")] == [0.0, 30.0]


def test_same_finding_is_said_once_and_another_the_next_day() -> None:
    """A notice that comes every day is read by nobody; one that changes is news."""
    watched = Watched(site_of(PC), place=None)

    watched.measure(140.0, hours=72.0)
    once = len(watched.said)
    watched.measure(170.0, hours=2.0)
    again = len(watched.said)
    watched.measure(100.0, hours=2.0)
    too_soon = len(watched.said)
    watched.measure(100.0, hours=24.0)

    assert (once, again, too_soon, len(watched.said)) == (1, 2, 2, 3)
    assert "that fits" in watched.said[-1][2]


def test_two_notices_of_a_unit_are_a_day_apart() -> None:
    """Whatever the load does: a fan heater that comes and goes."""
    watched = Watched(site_of(PC), place=None)
    heard_at = []
    for hour in range(96):
        before = len(watched.said)
        watched.measure(140.0 if hour % 4 < 2 else 400.0, hours=1.0)
        if len(watched.said) > before:
            heard_at.append(watched.at)

    assert len(heard_at) >= 3
    assert all(b - a >= SAID_EVERY_S for a, b in pairwise(heard_at))


def test_readings_on_battery_and_in_other_states_do_not_count() -> None:
    """On battery devices stop one by one; the file's sum is of no use then."""
    watched = Watched(site_of(PC))
    watched.hear(on_mains(1.0))
    for n in range(2 * SAMPLES):
        at = 100.0 + n * EVERY_S
        watched.hear(on_battery(at, 90.0, output_w=400.0))

    assert watched.said == []
    assert watched.watch.gaps("cabinet") == []


def test_readings_while_a_device_is_off_do_not_count() -> None:
    """A PC at rest draws less than the file lists, and that is as it should be."""
    watched = Watched(site_of(PC))
    order = Order("pc", Task.REST, 50.0, Reason("test", "test"))
    for event in (
        OrderGiven(1.0, "pc#1", order),
        OrderClosed(2.0, "pc#1", "pc", Task.REST, Ending.AT_REST, "seen"),
    ):
        watched.state = fold(watched.site, watched.state, event)

    watched.measure(3.0, hours=3.0)

    assert watched.said == []


def test_quick_polls_do_not_make_an_hour_shorter() -> None:
    """A PC at work for ten minutes is no finding, however often the unit is asked."""
    watched = Watched(site_of(PC))

    watched.measure(250.0, hours=0.5, every_s=1.0)

    assert watched.said == []


@pytest.mark.parametrize("output_w", [None, 0.0])
def test_unit_that_measures_nothing_is_never_held_against_the_file(output_w: float | None) -> None:
    """No figure is no finding."""
    watched = Watched(site_of(PC))
    for n in range(2 * SAMPLES):
        watched.hear(on_mains(n * EVERY_S, output_w=output_w))

    assert watched.said == []


def test_other_events_and_unknown_units_change_nothing() -> None:
    """The watch hears everything that the engine folds, older journals' units included."""
    watched = Watched(site_of(PC))
    stranger = replace(on_mains(1.0), unit="sold long ago")

    watched.watch.hear(PauseSet(1.0, 10.0, "keeper"), watched.state)
    watched.watch.hear(ReadingTaken(1.0, stranger), watched.state)

    assert watched.said == []


def test_restart_forgets_nothing_that_was_found_or_said() -> None:
    """A box that restarts every night must not say the same every day, nor begin its hour anew."""
    first = Watched(site_of(PC))
    first.measure(112.0, hours=2.0)
    again = first.restarted()
    known = again.watch.gaps("cabinet")
    again.measure(112.0, hours=2.0)

    assert len(first.said) == 1
    assert [gap.unexplained_w for gap in known] == [12.0]
    assert again.said == []
    assert again.kept == []


def test_finding_that_changes_across_a_restart_is_said() -> None:
    """Somebody plugs a heater in while the box starts."""
    first = Watched(site_of(PC), place=None)
    first.measure(140.0, hours=2.0)
    again = first.restarted()
    again.measure(400.0, hours=26.0)

    assert len(again.said) == 1
    assert "400 W measured" in again.said[0][2]


def test_load_that_stays_is_journalled_once_for_each_light() -> None:
    """A journal that grows by the hour for no news would be pruned of what matters."""
    watched = Watched(site_of(PC))
    for _ in range(3):
        watched.measure(100.0, hours=5.5)
        watched.measure(120.0, hours=13.0)
        watched.measure(100.0, hours=5.5)

    assert sorted(found.light for found in watched.kept) == [Light.DAY, Light.NIGHT]
    assert [found.said_at for found in watched.kept] == [None, None]
