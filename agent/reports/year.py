"""A year's interruptions of mains in the trade's own terms, what recorded, and the batteries."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo

from agent.reports.pen import day_text, percent
from agent.reports.period import PeriodTold, year_told
from agent.story.model import Story
from policies.reasons import duration_text


def year_html(story: Story, year: int, *, zone: tzinfo, made: datetime) -> str:
    """Return a year's statistics as one HTML file.

    Raises:
        ValueError: there is no such year.
    """
    from agent.reports import render

    local = made.astimezone(zone)
    return render.html(
        "year.html",
        told=year_told(story, year, zone=zone),
        made=f"{day_text(local.date())}, {local:%H:%M}",
        zone=str(zone),
    )


def year_lines(told: PeriodTold) -> Iterator[str]:
    """Yield a year's statistics as plain lines, the outages by their numbers."""
    yield f"{told.site}, {told.title}"
    yield from (f"  {sentence}" for sentence in told.lead)
    mains = told.mains
    if mains.availability is not None:
        yield f"  mains was there for {percent(mains.availability, 4)} of the time watched"
    yield (
        f"  IEEE 1366  momentary (up to 5 min): {mains.momentary.count}, "
        f"{duration_text(mains.momentary.total_s)}; sustained: {mains.sustained.count}, "
        f"{duration_text(mains.sustained.total_s)}"
    )
    yield (
        f"  IEEE 1159  momentary (up to 3 s): {mains.momentary_1159}; temporary (up to 1 min): "
        f"{mains.temporary_1159}; sustained: {mains.sustained_1159}"
    )
    if told.before:
        yield f"  the journal begins on {told.before}; nothing is known from before"
    for row in told.outages:
        dry = " (dry run, not counted)" if row.is_dry else ""
        lost = f"; lost unprepared: {', '.join(row.lost)}" if row.lost else ""
        yield (
            f"  outage {row.number}  {row.day}, {row.began}  {duration_text(row.lasting_s)}"
            f"{lost}{dry}"
        )
