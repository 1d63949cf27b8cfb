"""The monthly digest as regular work: filed among the reports, and said as a notice."""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from agent.engine import Engine
from agent.errors import JournalError
from agent.journal.whole_file import write_whole
from agent.regular.works import Came
from agent.reports.filing import FOLDER
from drivers.base import Clock
from drivers.transports.threads import in_own_thread

KEPT = 60
"""Five years of them."""


class MonthlyDigest:
    """Makes the digest of a month from the journal, off the loop."""

    def __init__(self, engine: Engine, folder: Path, *, clock: Clock, zone: ZoneInfo) -> None:
        """Prepare.

        Args:
            engine: through which it is said.
            folder: the state directory.
            clock: of site time and the wall.
            zone: the site's.
        """
        self._engine, self._folder, self._clock, self._zone = engine, folder, clock, zone

    async def __call__(self, day: date) -> Came:
        """Make the digest of the month that *day* lies in."""
        now, made = self._clock.monotonic(), self._clock.utc()
        try:
            said, path = await in_own_thread(
                lambda: file_month(self._folder, day, zone=self._zone, now=now, made=made),
                name="digest",
            )
        except (JournalError, OSError) as error:
            return Came(False, str(error))
        await self._engine.notice("info", "monthly digest", f"{day:%B %Y}: {said}")
        return Came(True, f"{day:%B %Y} lies in {path}")


def file_month(
    folder: Path, day: date, *, zone: ZoneInfo, now: float, made: datetime
) -> tuple[str, Path]:
    """Write the digest of a month, and return what it says first, and where it lies.

    Args:
        folder: the state directory.
        day: one of the month.
        zone: the site's.
        now: site time, s.
        made: wall time.

    Raises:
        JournalError: the journal cannot be read.
        OSError: it cannot be written.
    """
    from agent.reports.month import month_html
    from agent.reports.period import month_told
    from agent.story.read import read_story

    story = read_story(folder, now=now)
    told = month_told(story, day.year, day.month, zone=zone)
    place = folder / FOLDER
    place.mkdir(exist_ok=True)
    path = place / f"month-{day:%Y-%m}.html"
    write_whole(path, month_html(story, day.year, day.month, zone=zone, made=made))
    for old in sorted(place.glob("month-*.html"))[:-KEPT]:
        with suppress(OSError):
            old.unlink()
    return " ".join(told.lead), path
