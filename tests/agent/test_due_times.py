"""Regular work across the changes of the clocks: once a day, and never twice.

Changes of 2026 by Debian's tzdata (zdump -v): Europe/Lisbon 29 March 01:00 -> 02:00 and 25 October
02:00 -> 01:00; America/St_Johns 8 March 02:00 -> 03:00 and 1 November 02:00 -> 01:00;
Australia/Lord_Howe 5 April 02:00 -> 01:30 and 4 October 02:00 -> 02:30, half an hour.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.moment import MomentError, moment_of
from agent.regular.due_times import Rule, last_due, next_due

ZONES = [ZoneInfo(n) for n in ("Europe/Lisbon", "America/St_Johns", "Australia/Lord_Howe")]


@pytest.mark.parametrize(
    ("zone", "at", "day", "due"),
    [
        # Skipped: as much later as the clocks were put forward.
        ("Europe/Lisbon", "01:30", "2026-03-29", "2026-03-29T02:30:00+01:00"),
        ("America/St_Johns", "02:15", "2026-03-08", "2026-03-08T03:15:00-02:30"),
        ("Australia/Lord_Howe", "02:10", "2026-10-04", "2026-10-04T02:40:00+11:00"),
        # Twice: the first.
        ("Europe/Lisbon", "01:30", "2026-10-25", "2026-10-25T01:30:00+01:00"),
        ("America/St_Johns", "01:15", "2026-11-01", "2026-11-01T01:15:00-02:30"),
        ("Australia/Lord_Howe", "01:45", "2026-04-05", "2026-04-05T01:45:00+11:00"),
    ],
)
def test_time_that_is_skipped_or_comes_twice(zone: str, at: str, day: str, due: str) -> None:
    """The night's check of logins must not be left out, nor lock an account by a second try."""
    before = datetime.fromisoformat(f"{day}T00:00").replace(tzinfo=ZoneInfo(zone))
    rule = Rule(time.fromisoformat(at))
    first = next_due(rule, before, ZoneInfo(zone))
    second = next_due(rule, first, ZoneInfo(zone))

    assert first.isoformat() == due
    assert second.date() == date.fromisoformat(day) + timedelta(days=1)
    assert second.time() == time.fromisoformat(at)


@given(
    zone=st.sampled_from(ZONES),
    at=st.times().map(lambda t: t.replace(second=0, microsecond=0)),
    begins=st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1)),
)
def test_once_on_every_day(zone: ZoneInfo, at: time, begins: datetime) -> None:
    """Whatever the hour: each day has one, they rise, and looking back finds the same."""
    moment, rule = begins.replace(tzinfo=UTC), Rule(at)
    days = list[date]()
    for _ in range(8):
        following = next_due(rule, moment, zone)
        following = following.astimezone(UTC)  # compared by what passed, not by the wall
        assert moment < following <= moment + timedelta(hours=26)
        # Python holds an hour that comes twice unequal to any time of another zone (PEP 495).
        assert last_due(rule, following, zone).astimezone(UTC) == following
        assert last_due(rule, following - timedelta(seconds=1), zone) <= moment or not days
        moment = following
        days.append(following.astimezone(zone).date())
    assert days == [days[0] + timedelta(days=n) for n in range(8)]


def test_monthly_rule() -> None:
    """The digest comes on the first, also after a short month."""
    rule = Rule(time(7, 30), day=1)
    due = next_due(rule, datetime(2026, 2, 1, 7, 30, tzinfo=UTC), ZONES[0])

    assert due.isoformat() == "2026-03-01T07:30:00+00:00"
    assert last_due(rule, due - timedelta(seconds=1), ZONES[0]).month == 2


# Moments as people type them


@pytest.mark.parametrize(
    ("zone", "now", "text", "meant"),
    [
        ("Europe/Lisbon", "2026-11-25T16:30:00+00:00", "17:00", "2026-11-25T17:00:00+00:00"),
        ("Europe/Lisbon", "2026-11-25T18:30:00+00:00", "17:00", "2026-11-26T17:00:00+00:00"),
        ("Europe/Lisbon", "2026-03-28T23:00:00+00:00", "01:30", "2026-03-29T02:30:00+01:00"),
        ("Europe/Lisbon", "2026-10-25T00:00:00+00:00", "01:30", "2026-10-25T01:30:00+01:00"),
        ("Europe/Lisbon", "2026-10-25T00:45:00+00:00", "01:30", "2026-10-25T01:30:00+00:00"),
        ("Australia/Lord_Howe", "2026-04-04T14:50:00+00:00", "01:45", "2026-04-05T01:45:00+10:30"),
        ("America/St_Johns", "2026-10-31T22:00:00+00:00", "22:00", "2026-10-31T22:00:00-02:30"),
        ("America/St_Johns", "2026-11-01T02:00:00+00:00", "23:00", "2026-11-01T23:00:00-03:30"),
    ],
)
def test_moment_to_come_is_the_next_one(zone: str, now: str, text: str, meant: str) -> None:
    """A rehearsal of tonight is tonight's, and the second of two hours is one too."""
    at = datetime.fromisoformat(now)
    found = moment_of(text, zone=ZoneInfo(zone), now=at, is_to_come=True)

    assert found.isoformat() == meant


def test_moment_of_today_is_today_even_where_it_is_past() -> None:
    """`lastwatt plan --at 09:00` in the afternoon asks about this day's morning light."""
    now = datetime(2026, 11, 25, 16, 30, tzinfo=UTC)

    assert moment_of("09:00", zone=ZONES[0], now=now).date() == now.date()
    with pytest.raises(MomentError, match="17:00"):
        moment_of("later", zone=ZONES[0], now=now)
