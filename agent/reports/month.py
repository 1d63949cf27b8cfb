"""The monthly digest, as a page and as the text of a mail."""

from __future__ import annotations

from datetime import date, datetime, tzinfo

from agent.reports.pen import day_text
from agent.reports.period import PeriodTold, month_told
from agent.story.model import Story


def month_before(day: date) -> tuple[int, int]:
    """Return year and month of the last whole month before *day*."""
    return (day.year, day.month - 1) if day.month > 1 else (day.year - 1, 12)


def month_html(story: Story, year: int, month: int, *, zone: tzinfo, made: datetime) -> str:
    """Return the digest of a month as one HTML file.

    Raises:
        ValueError: there is no such month.
    """
    return _html(month_told(story, year, month, zone=zone), zone, made)


def month_text(story: Story, year: int, month: int, *, zone: tzinfo, made: datetime) -> str:
    """Return the digest as plain text, for a mail.

    Raises:
        ValueError: there is no such month.
    """
    from agent.reports import render

    told = month_told(story, year, month, zone=zone)
    return render.text("month.txt", **_values(told, zone, made))


def _html(told: PeriodTold, zone: tzinfo, made: datetime) -> str:
    from agent.reports import render

    return render.html("month.html", **_values(told, zone, made))


def _values(told: PeriodTold, zone: tzinfo, made: datetime) -> dict[str, object]:
    local = made.astimezone(zone)
    return {
        "told": told,
        "made": f"{day_text(local.date())}, {local:%H:%M}",
        "zone": str(zone),
    }
