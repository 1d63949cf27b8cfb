"""Has a running agent keep the reports of its outages, the newest few, in its state directory.

A report is written once mains has been steady for as long as is asked, and again when nothing is
left to come. Reading the journal and laying the report out is done in a thread: the loop goes on.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import structlog

from agent.errors import JournalError
from agent.journal.whole_file import write_whole
from drivers.base import Clock
from drivers.transports.threads import in_own_thread
from policies.events import DeviceSeen, Event, OrderClosed, SupplyJudged
from policies.state import SiteState
from policies.supply import Supply

log = structlog.get_logger()

FOLDER = "reports"
KEPT = 60
"""Reports of so many outages are kept, some 50 kB each."""

SETTLES_S = 60.0
"""What happens within so long is told in one go."""

LOOKS_S = 900.0
"""So often it is looked whether anything is left to come, though nothing is heard of it."""

GIVES_UP_S = 90_000.0
_AFTER_FAILURE_S = 60.0
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Filed:
    """A report that was written.

    Attributes:
        number: of its outage; path: where it lies.
        lead: what it says first, in sentences; mend: what is to be mended.
        is_final: nothing more will come of that outage.
    """

    number: int
    path: Path
    lead: tuple[str, ...]
    mend: tuple[str, ...]
    is_final: bool


def reports_in(folder: Path) -> list[Path]:
    """Return the reports that a state directory holds, oldest first."""
    return sorted((folder / FOLDER).glob("outage-*.html"))


class Filing:
    """Writes the reports of one agent's outages.

    Attributes:
        latest: the last one written by this agent.
    """

    def __init__(
        self,
        folder: Path,
        *,
        clock: Clock,
        zone: tzinfo,
        state: Callable[[], SiteState],
        steady_s: float,
        on_filed: Callable[[Filed], None] = lambda filed: None,
    ) -> None:
        """Prepare; `run` begins.

        Args:
            folder: the state directory.
            clock: of site time.
            zone: the site's.
            state: the present state.
            steady_s: how long mains must be back before it counts as steady.
            on_filed: told of each report, on the loop; must not block.
        """
        self.latest: Filed | None = None
        self._folder, self._clock, self._zone = folder, clock, zone
        self._state, self._steady_s, self._on_filed = state, steady_s, on_filed
        self._news = asyncio.Event()
        self._is_due = True  # what was under way as an earlier agent ended
        self._is_expected = False

    def hear(self, event: Event) -> None:
        """Note that something of an outage is new."""
        if isinstance(event, SupplyJudged | OrderClosed | DeviceSeen):
            self._news.set()
        if isinstance(event, SupplyJudged) and event.supply is Supply.BATTERY:
            self._is_due = self._is_expected = True

    async def run(self) -> None:
        """File for ever; cancel to end."""
        while True:
            while not self._is_due or self._state().outage_at is not None:
                self._news.clear()
                await self._news.wait()
            await self._clock.sleep(self._steady_s + SETTLES_S)
            if self._state().outage_at is not None:
                continue
            self._is_due = False
            began_at = self._clock.monotonic()
            while not await self._file() and self._clock.monotonic() - began_at < GIVES_UP_S:
                await self._some_news()
                if self._is_due:
                    break

    async def _some_news(self) -> None:
        """Return some time after something is heard, or when it is time to look again."""
        self._news.clear()
        waiting = asyncio.ensure_future(self._news.wait())
        sleeping = asyncio.ensure_future(self._clock.sleep(LOOKS_S))
        try:
            await asyncio.wait({waiting, sleeping}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waiting.cancel()
            sleeping.cancel()
        await self._clock.sleep(SETTLES_S)

    async def _file(self) -> bool:
        """Write the report of the last outage; return whether nothing more will come of it."""
        now, made = self._clock.monotonic(), self._clock.utc()

        def work() -> Filed | None:
            return file_last(self._folder, zone=self._zone, now=now, made=made)

        try:
            filed = await in_own_thread(work, name="report")
        except (JournalError, OSError, ValueError) as error:
            log.warning("failed_report", why=str(error))
            await self._clock.sleep(_AFTER_FAILURE_S)
            return False
        if filed is None:
            # One that was heard is not in the journal yet where its disk does not take it.
            return not self._is_expected
        self._is_expected = False
        self.latest = filed
        log.info("filed_report", file=str(filed.path), final=filed.is_final)
        self._on_filed(filed)
        return filed.is_final


def file_last(folder: Path, *, zone: tzinfo, now: float, made: datetime) -> Filed | None:
    """Write the report of the last outage in a state directory.

    Returns:
        None where there was none, or its report was finished more than a day ago.

    Args:
        folder: the state directory.
        zone: the site's.
        now: site time, s.
        made: wall time.

    Raises:
        JournalError: the journal cannot be read.
        OSError: the report cannot be written.
    """
    from agent.reports.outage import outage_html, outage_told
    from agent.story.read import read_story

    # Readings are most of a journal, and only the last outage's are wanted: first without any.
    brief = read_story(folder, readings_from=math.inf, now=now)
    if not brief.outages:
        return None
    story = read_story(folder, readings_from=brief.outages[-1].began_at - 1800.0, now=now)
    outage = story.outages[-1]
    began = story.moment(outage.began_at).utc.astimezone(UTC)
    place = folder / FOLDER
    place.mkdir(exist_ok=True)
    path = place / f"outage-{began:%Y%m%dT%H%M%SZ}.html"
    if path.exists() and outage.closed_at is not None and now - outage.closed_at > _DAY_S:
        return None  # it was told with all its readings, which the journal keeps for a while only
    told = outage_told(story, outage, zone=zone)
    write_whole(path, outage_html(story, outage, zone=zone, made=made))
    for old in reports_in(folder)[:-KEPT]:
        with suppress(OSError):
            old.unlink()
    return Filed(outage.number, path, told.lead, told.mend, outage.is_over)
