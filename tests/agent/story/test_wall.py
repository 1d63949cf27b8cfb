"""Site time on people's clocks, also where the clock was wrong at first."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from agent.journal.codec import VERSION
from agent.journal.file import Row
from agent.story.wall import Wall

START = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def row(
    at: float, utc: datetime, *, boot: str = "one", monotonic: float = 0.0, synced: bool | None
) -> Row:
    return Row(1, VERSION, boot, monotonic, at, utc.isoformat(), synced, False, "x", "{}")


def test_site_time_is_put_on_the_wall() -> None:
    """Between entries too, by the nearest before."""
    wall = Wall()
    wall.take(row(100.0, START, monotonic=40.0, synced=True))
    found = wall.moment(160.0)

    assert found.utc == START + timedelta(seconds=60)
    assert (found.boot, found.monotonic, found.is_synced) == ("one", 100.0, True)


def test_a_clock_that_was_set_later_in_the_boot_puts_earlier_moments_right() -> None:
    """A box without a clock's battery wakes in 1970; its outage was not then."""
    wall = Wall()
    wall.take(row(100.0, datetime(1970, 1, 1, tzinfo=UTC), synced=False))
    wall.take(row(160.0, START, synced=True))

    assert wall.moment(130.0).utc == START - timedelta(seconds=30)
    assert wall.moment(130.0).is_synced is True


def test_another_boots_clock_says_nothing_of_this_one() -> None:
    """Between boots only the wall clock measured, so it stands as it was."""
    wall = Wall()
    wall.take(row(100.0, START, boot="one", synced=False))
    wall.take(row(500.0, START + timedelta(days=1), boot="two", synced=True))

    assert wall.moment(130.0).utc == START + timedelta(seconds=30)
    assert wall.moment(130.0).is_synced is False
    assert wall.moment(501.0).utc == START + timedelta(days=1, seconds=1)


def test_before_anything_was_written_nobody_knows() -> None:
    """There is no time to tell."""
    with pytest.raises(ValueError, match="without an entry"):
        Wall().moment(1.0)


def test_a_wall_time_that_is_none_is_passed_over() -> None:
    """A damaged entry teaches nothing."""
    wall = Wall()
    wall.take(row(100.0, START, synced=True))
    spoilt = Row(2, VERSION, "one", 0.0, 110.0, "yesterday", True, False, "x", "{}")
    wall.take(spoilt)

    assert wall.moment(120.0).utc == START + timedelta(seconds=20)
