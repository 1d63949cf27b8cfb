"""What a journal folds to, and the site time that goes on from it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from agent.errors import JournalError
from agent.journal.codec import damaged, decode, decode_state
from agent.journal.file import Row, Snapshot, newest_rows, reading, rows_after, snapshots
from policies.model import Site
from policies.state import SiteState, fold, initial

_UNKNOWN_BOOT = "unknown"
_ROWS_FOR_TIME = 20
_TROUBLES_NAMED = 10


@dataclass(frozen=True, slots=True)
class Recalled:
    """What the journal holds at the agent's start.

    Attributes:
        state: newest readable snapshot and all events after it, of the same kind of run (live or
            dry) only.
        resume_at: site time to go on from, in s; 0 for a new journal.
        uncertain: that time crosses a reboot, so the wall clock had to measure the gap.
        gone_s: seconds from the last entry to now, as far as that is known; >= 0.
        events_read: events folded after the snapshot.
        set_aside: where the damaged file lies now, if there was one.
        troubles: a sentence on each thing that could not be read, for the site's people.
    """

    state: SiteState
    resume_at: float
    uncertain: bool
    gone_s: float
    events_read: int
    set_aside: Path | None
    troubles: tuple[str, ...]


class Memory:
    """Reads a journal back as far as it can be read: an agent that starts in an outage must start.

    Attributes:
        state: of what was read so far.
    """

    def __init__(self, site: Site, *, dry: bool, troubles: Iterable[str]) -> None:
        self.state = initial(site)
        self._site = site
        self._dry = dry
        self._troubles = list(troubles)
        self._unnamed = 0
        self._events = 0
        self._newest: list[Row] = []

    def read(self, file: Path) -> None:
        """Fold the newest readable snapshot in *file*, and what follows it."""
        try:
            with reading(file) as connection:
                self._newest = newest_rows(connection, _ROWS_FOR_TIME)
                after_id = self._take_snapshot(snapshots(connection, dry=self._dry))
                while rows := rows_after(connection, after_id, dry=self._dry):
                    for row in rows:
                        self._take(row)
                    after_id = rows[-1].id
        except JournalError as error:
            self._trouble(f"{error}; what it held beyond that is taken as unknown")

    def read_entries(self, held: Iterable[Snapshot], rows: Sequence[Row]) -> None:
        """Do what `read` does with entries, oldest first, and snapshots, newest first, at hand."""
        self._newest = list(rows[-_ROWS_FOR_TIME:])
        after_id = self._take_snapshot(held)
        for row in rows:
            if row.id > after_id:
                self._take(row)

    def recalled(
        self, *, now_utc: datetime, now_monotonic: float, boot: str, set_aside: Path | None
    ) -> Recalled:
        """Return what was read, with the site time for this moment of this boot."""
        resume_at, gone_s, uncertain = self._resume(now_utc, now_monotonic, boot)
        more = (f"and {self._unnamed} more entries like that",) if self._unnamed else ()
        return Recalled(
            state=self.state,
            resume_at=resume_at,
            uncertain=uncertain,
            gone_s=gone_s,
            events_read=self._events,
            set_aside=set_aside,
            troubles=(*self._troubles, *more),
        )

    def _take_snapshot(self, held: Iterable[Snapshot]) -> int:
        """Begin with the newest snapshot that can be read; return the last entry it holds."""
        for kept in held:
            try:
                self.state = decode_state(self._site, kept.body)
            except ValueError as error:
                self._trouble(
                    f"the snapshot of {kept.utc} is damaged: {error}; an older one is used"
                )
            else:
                return kept.after_id
        return 0

    def _take(self, row: Row) -> None:
        try:
            event = decode(row.kind, row.version, row.body)
        except ValueError as error:
            self._trouble(str(damaged(row.id, row.kind, error)))
            return
        if event is None:
            return
        try:
            self.state = fold(self._site, self.state, event)
        except Exception as error:  # a fault of ours in one event must not keep the agent down
            self._trouble(f"journal entry {row.id} ({row.kind}) could not be folded: {error!r}")
        else:
            self._events += 1

    def _trouble(self, text: str) -> None:
        if len(self._troubles) < _TROUBLES_NAMED:
            self._troubles.append(text)
        else:
            self._unnamed += 1

    def _resume(
        self, now_utc: datetime, now_monotonic: float, boot: str
    ) -> tuple[float, float, bool]:
        """Return the site time now, the gap before it, and whether they are uncertain."""
        if not self._newest:
            return 0.0, 0.0, False
        last = self._newest[-1]
        # An event may be older than its entry: of several, the latest tells the time best.
        if last.boot == boot != _UNKNOWN_BOOT and now_monotonic >= last.monotonic:
            same = (row for row in self._newest if row.boot == boot)
            resume_at = max(row.at - row.monotonic for row in same) + now_monotonic
            return resume_at, max(0.0, resume_at - last.at), False
        gone_s = 0.0
        with suppress(ValueError):
            gone_s = max(0.0, (now_utc - datetime.fromisoformat(last.utc)).total_seconds())
        return max(row.at for row in self._newest) + gone_s, gone_s, True
