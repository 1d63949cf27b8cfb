"""When regular work is due: times of the site's own day, whatever its clocks are put to.

Each day that a rule names has exactly one such moment. Where the clocks skip the time it is as much
later as they were put forward; where it comes twice it is the first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from agent.moment import moment_at

_AHEAD_DAYS = 400


@dataclass(frozen=True, slots=True)
class Rule:
    """Every day at a time, or on one day of each month.

    Attributes:
        at: local time.
        day: 1 to 28, None = every day.
    """

    at: time
    day: int | None = None


DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""As the file names them, in the order of `date.weekday`."""


@dataclass(frozen=True, slots=True)
class Attended:
    """When somebody is at the site: on some days of the week (0 = Monday), from and to."""

    days: frozenset[int]
    begins: time
    ends: time

    def covers(self, at: datetime, zone: ZoneInfo) -> bool:
        """Whether somebody is there at a moment (aware)."""
        local = at.astimezone(zone)
        return local.weekday() in self.days and self.begins <= local.time() < self.ends


def next_due(rule: Rule, after: datetime, zone: ZoneInfo) -> datetime:
    """Return the first moment later than *after* (aware), in *zone*."""
    begins, than = after.astimezone(zone).date() - timedelta(days=1), utc_of(after)
    return next(at for at in _moments(rule, begins, +1, zone) if utc_of(at) > than)


def last_due(rule: Rule, until: datetime, zone: ZoneInfo) -> datetime:
    """Return the last moment that is not later than *until* (aware), in *zone*."""
    begins, than = until.astimezone(zone).date() + timedelta(days=1), utc_of(until)
    return next(at for at in _moments(rule, begins, -1, zone) if utc_of(at) <= than)


def _moments(rule: Rule, begins: date, step: int, zone: ZoneInfo) -> Iterator[datetime]:
    for number in range(_AHEAD_DAYS):
        day = begins + timedelta(days=step * number)
        if rule.day in (None, day.day):
            yield moment_at(datetime.combine(day, rule.at), zone)


def utc_of(at: datetime) -> datetime:
    """Return a moment as it is kept, and compared: Python compares two of one zone by the wall."""
    return at.astimezone(UTC)
