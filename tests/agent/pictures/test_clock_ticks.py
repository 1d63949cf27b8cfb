"""Round moments over changes of the clock, held against the standard library's own zones.

Changes of 2026, by Debian's tzdata (zdump -v): Europe/Lisbon 29 March 01:00 UTC and 25 October
01:00 UTC, an hour; Australia/Lord_Howe 4 April 15:00 UTC and 3 October 15:30 UTC, half an hour.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.pictures.clock_ticks import Change, changes, labelled, moment_on, round_moments

ZONES = ("Europe/Lisbon", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu")


def local(zone: str, month: int, day: int, hour: int = 0, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=ZoneInfo(zone))


@pytest.mark.parametrize(
    ("begins", "change"),
    [
        (local("Europe/Lisbon", 10, 25, 0, 0), Change(2 * 3600.0, -3600.0)),
        (local("Europe/Lisbon", 3, 29, 0, 0), Change(3600.0, 3600.0)),
        (local("Australia/Lord_Howe", 4, 5, 0, 0), Change(2 * 3600.0, -1800.0)),
    ],
)
def test_change_is_found_where_it_is(begins: datetime, change: Change) -> None:
    """An hour that comes twice without a word looks like a picture with a fault."""
    (found,) = changes(begins, 6 * 3600.0)

    assert found.at_s == pytest.approx(change.at_s, abs=0.01)
    assert found.by_s == change.by_s
    assert changes(begins, 0.5 * 3600.0) == []


@given(
    zone=st.sampled_from(ZONES),
    minutes=st.integers(0, 366 * 24 * 60),
    hours=st.floats(0.02, 80.0),
    step_s=st.sampled_from((60, 600, 1800, 3600, 10800, 43200)),
)
def test_each_moment_is_round_on_the_clock_and_none_is_left_out(
    zone: str, minutes: int, hours: float, step_s: int
) -> None:
    """Minute by minute through any stretch of the year, by the standard library's clock."""
    begins = (datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)).astimezone(
        ZoneInfo(zone)
    )
    until_s = min(hours * 3600.0, 40.0 * step_s)
    found = [round(at_s, 3) for at_s in round_moments(begins, until_s, float(step_s))]
    wanted = []
    for minute in range(int(until_s // 60) + 1):
        at = moment_on(begins, 60.0 * minute)
        if (at.hour * 60 + at.minute) * 60 % step_s == 0:
            wanted.append(60.0 * minute)

    assert found == wanted


def test_hour_that_comes_twice_is_told_apart_and_labels_keep_clear_of_each_other() -> None:
    """01:30 and 01:30 on one axis."""
    begins = local("Europe/Lisbon", 10, 25, 0, 30)
    moments = list(round_moments(begins, 7200.0, 1800.0))
    wide = labelled(begins, moments, form="%H:%M", px=[m / 10 for m in moments], per_char=7.0)
    tight = labelled(begins, moments, form="%H:%M", px=[m / 40 for m in moments], per_char=7.0)

    assert wide == ["00:30", "01:00 WEST", "01:30 WEST", "01:00 WET", "01:30 WET"]
    assert tight == ["00:30", "", "01:30 WEST", "", "01:30 WET"]
