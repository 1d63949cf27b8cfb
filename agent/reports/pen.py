"""How documents write times, spans and shares: in the site's own time, as people say it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from agent.story.model import Outage, Story
from policies.reasons import duration_text

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def day_text(day: date, *, with_weekday: bool = False) -> str:
    """Return a day in words, the same whatever language the machine is set to."""
    said = f"{day.day} {MONTHS[day.month - 1]} {day.year}"
    return f"{_DAYS[day.weekday()]} {said}" if with_weekday else said


def percent(share: float, digits: int = 0) -> str:
    """Return a share of 0..1 as people write it; what is not whole is never shown as 100 %."""
    shown = 100.0 * share
    if shown < 100.0:
        shown = min(shown, 100.0 - 10.0**-digits)
    return f"{shown:.{digits}f} %"


def numbered(count: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun: "1 device", "no devices", "3 devices"."""
    noun = one if count == 1 else (many or f"{one}s")
    return f"no {noun}" if count == 0 else f"{count} {noun}"


def elapsed(seconds: float) -> str:
    """Return a span as a stopwatch shows it: "8:24", "1:02:03"."""
    minutes, rest = divmod(max(0, round(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


@dataclass(frozen=True, slots=True)
class Pen:
    """Writes the times of a story.

    Attributes:
        day: times of this day are written without it.
        with_zone: the clocks change within what is told, so that each time names its zone.
        outage: the one that is told, None = many are.
    """

    story: Story
    zone: tzinfo
    day: date | None = None
    with_zone: bool = False
    outage: Outage | None = None

    @classmethod
    def over(cls, story: Story, zone: tzinfo, outage: Outage) -> Pen:
        """Return a pen for what happened in an outage."""
        ends = outage.began_at, outage.until_at
        begin, end = (story.local(at, outage, zone) for at in ends)
        is_change = begin.utcoffset() != end.utcoffset()
        return cls(story, zone, begin.date(), is_change, outage)

    def local(self, at: float) -> datetime:
        """Return a site time on the site's own clock."""
        if self.outage is not None:
            return self.story.local(at, self.outage, self.zone)
        return self.story.moment(at).utc.astimezone(self.zone)

    def clock(self, at: float, *, with_seconds: bool = True) -> str:
        """Return a time of day, with its day where that is another, and its zone where needed."""
        local = self.local(at)
        said = f"{local:%H:%M:%S}" if with_seconds else f"{local:%H:%M}"
        if self.with_zone:
            said = f"{said} {local:%Z}"
        if self.day is not None and local.date() != self.day:
            said = f"{said} on {local.day} {MONTHS[local.month - 1]}"
        return said

    def date(self, at: float, *, with_weekday: bool = False) -> str:
        """Return the day of a site time."""
        return day_text(self.local(at).date(), with_weekday=with_weekday)

    def span(self, seconds: float) -> str:
        """Return a span as people say it."""
        return duration_text(seconds)
