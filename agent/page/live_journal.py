"""The newest entries of the journal, for the page: read once from the file, then as they happen."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog

from agent.errors import JournalError
from agent.journal import view
from agent.journal.codec import decode
from agent.journal.file import Row
from drivers.transports.threads import in_own_thread
from policies.events import Event, PollMissed, ReadingTaken, StepBegan

log = structlog.get_logger()

ENTRIES_KEPT = 60
_ROWS_READ = 400
_SELDOM = (ReadingTaken, PollMissed, StepBegan)
"""Not told on the page: the picture shows readings, and what a step came to is told as it ends."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: when, by site time and in UTC, and what happened."""

    at: float
    utc: datetime
    text: str


class Tail:
    """The newest entries, newest last.

    Attributes:
        entries: no more than `ENTRIES_KEPT`.
    """

    def __init__(self, folder: Path, zone: ZoneInfo) -> None:
        self.entries: deque[Entry] = deque(maxlen=ENTRIES_KEPT)
        self._folder, self._zone = folder, zone

    async def read(self) -> None:
        """Take in what the journal holds, before anything is heard."""
        try:
            earlier = await in_own_thread(self._earlier, name="page journal")
        except JournalError as error:
            log.info("missed_journal", why=str(error))
            return
        self.entries.clear()
        self.entries.extend(earlier)

    def hear(self, event: Event, utc: datetime) -> bool:
        """Take in an event; return whether it is told."""
        entry = _entry(event, utc, self._zone)
        if entry is None or any(_is_same(entry, other) for other in self.entries):
            return False
        self.entries.append(entry)
        return True

    def _earlier(self) -> list[Entry]:
        rows = view.rows(self._folder, newest=_ROWS_READ)
        return list(self._entries(rows))[-ENTRIES_KEPT:]

    def _entries(self, rows: Iterable[Row]) -> Iterable[Entry]:
        for row in rows:
            try:
                event = decode(row.kind, row.version, row.body)
            except ValueError:
                continue
            utc = datetime.fromisoformat(row.utc)
            entry = None if event is None else _entry(event, utc, self._zone)
            if entry is not None:
                yield entry


def _is_same(a: Entry, b: Entry) -> bool:
    """Whether both tell one event: what was heard while the journal was read stands in it too."""
    return a.at == b.at and a.text == b.text


def _entry(event: Event, utc: datetime, zone: ZoneInfo) -> Entry | None:
    if isinstance(event, _SELDOM):
        return None
    return Entry(event.at, utc, view.sentence(event, utc=utc.isoformat(), zone=zone))
