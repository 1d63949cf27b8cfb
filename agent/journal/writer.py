"""The one thread that writes the journal's file, and the watch that lets nobody wait for it.

Whatever is put in is kept in memory, in order, until it is on the disk. Whoever asked for an
answer gets it when that is so, or a no as soon as a flush fails or the limit has passed; the
entries are then written later. All seconds here are real ones, also where the site's time hurries.
"""

from __future__ import annotations

import itertools
import math
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import structlog

from agent.clock import real_monotonic
from agent.journal.file import (
    MOST_BYTES,
    PRUNED_AT_ONCE,
    Connection,
    DiskError,
    held_bytes,
    is_damage,
    keep_fact,
    prune_some,
    set_aside,
)

log = structlog.get_logger()

Connect = Callable[[Path], Connection]
Write = Callable[[Connection], None]

LIMIT_S = 0.5
"""Longest that a commit waits for the disk."""

NOTES_WAIT_S = 5.0
"""Longest that an entry which nobody waits for stays in memory."""

RETRY_S = 1.0
KEPT_IN_MEMORY = 20_000
"""About 10 MB."""

_BATCH = 2_000
_CHECKPOINT_EVERY = 500  # entries; a write-ahead log of about 1 MB
_CHUNKS_A_PRUNE = 200


@dataclass(frozen=True, slots=True)
class Trouble:
    """A sentence on the disk's trouble, or on the end of it."""

    text: str
    is_over: bool = False


@dataclass(slots=True)
class _Entry:
    number: int
    write: Write
    is_reading: bool


@dataclass(slots=True)
class _Ticket:
    """Somebody who waits until entry *number* is on the disk."""

    number: float
    due_at: float
    answer: Callable[[bool], None]


@dataclass(slots=True)
class _Pruning:
    readings_before: float
    before: float
    chunks: int = 0


class JournalWriter:
    """A queue in memory, and the daemon thread that takes it to the disk.

    Its methods may be called from any thread and never wait for the disk.
    """

    def __init__(
        self,
        path: Path,
        connect: Connect,
        *,
        connection: Connection | None,
        utc: Callable[[], datetime],
        tell: Callable[[Trouble], None],
        real: Callable[[], float] = real_monotonic,
        kept_in_memory: int = KEPT_IN_MEMORY,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        """Start the threads.

        Args:
            path: the journal's file.
            connect: opens it to write; called in the thread, again after each failure.
            connection: one that is open already and is given away here.
            utc: wall time, for the name of a damaged file.
            tell: is told of the beginning and the end of trouble, in a thread of this class.
            real: real monotonic time, in s.
            kept_in_memory: most entries kept while the disk does not take them.
            most_bytes: what the entries may take on the disk, see `prune_some`.
        """
        self._path = path
        self._connect = connect
        self._connection = connection
        self._utc = utc
        self._tell = tell
        self._real = real
        self._room = kept_in_memory
        self._most_bytes = most_bytes
        self._changed = threading.Condition()
        self._entries: deque[_Entry] = deque()
        self._tickets: list[_Ticket] = []
        self._numbers = itertools.count(1)
        self._due_at = math.inf  # when the writer has something to do
        self._in_flight = 0
        self._busy_since: float | None = None
        self._is_troubled = False
        self._kept = 0  # entries that trouble has kept back so far
        self._lost = 0
        self._pruning: _Pruning | None = None
        self._since_checkpoint = 0
        self._is_resting = False
        self._is_closing = False
        self._has_ended = False
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()
        threading.Thread(target=self._watch, name="journal watch", daemon=True).start()

    @property
    def is_healthy(self) -> bool:
        """Whether the last flush went well and in time, and none is overdue."""
        with self._changed:
            return not (self._is_troubled or self._is_overdue(self._real()) or self._has_ended)

    @property
    def has_ended(self) -> bool:
        """Whether the file is closed for good."""
        with self._changed:
            return self._has_ended

    def put(
        self,
        writes: list[Write],
        *,
        is_reading: bool = False,
        answer: Callable[[bool], None] | None = None,
    ) -> None:
        """Queue *writes*, in order, behind all that is queued.

        Args:
            writes: each makes its entry on the connection it is given.
            is_reading: they go first when memory fills up.
            answer: called once, in a thread of this class: True when everything queued so far is
                on the disk, False when that failed or took longer than LIMIT_S. Without it the
                entries go with the next flush, at the latest after NOTES_WAIT_S.
        """
        with self._changed:
            now = self._real()
            if self._is_closing:
                if answer is not None:
                    answer(False)
                return
            for write in writes:
                if self._has_room(is_reading=is_reading):
                    self._entries.append(_Entry(next(self._numbers), write, is_reading))
            if answer is None:
                if not self._is_resting:
                    self._hasten(now + NOTES_WAIT_S)
                return
            last = self._entries[-1].number if self._entries else 0
            due_at = now + LIMIT_S
            if self._is_troubled and self._busy_since is not None:
                # Behind a flush that others have given up on nobody waits as long again.
                due_at = max(now, self._busy_since + LIMIT_S)
            self._tickets.append(_Ticket(last, due_at, answer))
            self._hasten(now)

    def prune(self, *, readings_before: float, before: float) -> None:
        """Delete old entries, bit by bit, when nobody waits; see `prune_some`."""
        with self._changed:
            self._pruning = _Pruning(readings_before, before)
            self._hasten(self._real())

    def rest(self, is_to_rest: bool) -> None:
        """Have all written and the file closed, and opened only for whoever waits; or not."""
        with self._changed:
            self._is_resting = is_to_rest
            self._hasten(self._real())

    def close(self, *, within_s: float, answer: Callable[[bool], None]) -> None:
        """Write what is left and close the file; *answer* as in `put`, at the latest then."""
        with self._changed:
            if self._has_ended:
                answer(True)
                return
            self._is_closing = True
            self._tickets.append(_Ticket(math.inf, self._real() + within_s, answer))
            self._changed.notify_all()

    # Under the lock

    def _hasten(self, at: float) -> None:
        self._due_at = min(self._due_at, at)
        self._changed.notify_all()

    def _is_overdue(self, now: float) -> bool:
        return self._busy_since is not None and now - self._busy_since > LIMIT_S

    def _has_room(self, *, is_reading: bool) -> bool:
        """Make room for one more, at the cost of a reading if there is one, else of the oldest."""
        if len(self._entries) < self._room:
            return True
        self._lost += 1
        waiting = itertools.islice(enumerate(self._entries), self._in_flight, None)
        at = next((i for i, entry in waiting if entry.is_reading), None)
        if at is None and is_reading:
            return False
        del self._entries[self._in_flight if at is None else at]
        return True

    def _answer(self, tickets: list[_Ticket], *, is_written: bool) -> None:
        for ticket in tickets:
            self._tickets.remove(ticket)
            ticket.answer(is_written)

    def _begin_trouble(self, why: str) -> None:
        if self._is_troubled:
            return
        self._is_troubled = True
        self._tell(
            Trouble(
                f"the journal {self._path} cannot be written: {why}; stops go on, cuts wait, and "
                "its entries are kept in memory: look after that disk"
            )
        )

    def _end_trouble(self) -> None:
        gone = f"; {self._lost} were given up, the memory being full" if self._lost else ""
        text = (
            f"the journal {self._path} is written again, with the {self._kept} entries that were "
            f"kept in memory{gone}"
        )
        self._is_troubled, self._kept, self._lost = False, 0, 0
        self._tell(Trouble(text, is_over=True))

    # The watch

    def _watch(self) -> None:
        """Say no to those who have waited long enough."""
        with self._changed:
            while not self._has_ended:
                now = self._real()
                late = [ticket for ticket in self._tickets if ticket.due_at <= now]
                if any(ticket.number < math.inf for ticket in late):
                    self._begin_trouble(f"it took longer than {LIMIT_S} s")
                self._answer(late, is_written=False)
                due_at = min((ticket.due_at for ticket in self._tickets), default=math.inf)
                self._changed.wait(None if due_at == math.inf else max(0.0, due_at - now))

    # The writer

    def _run(self) -> None:
        while (batch := self._wait_for_work()) is not None:
            is_written = self._flush(batch)
            if self._is_closing and not is_written:
                break
            self._tidy()
        self._drop_connection()
        with self._changed:
            self._has_ended = True
            self._answer(list(self._tickets), is_written=not self._entries)
            self._changed.notify_all()

    def _wait_for_work(self) -> list[_Entry] | None:
        """Return what is to be written now, or None when all is written and the journal closes."""
        with self._changed:
            self._busy_since = None
            while (now := self._real()) < self._due_at and not self._is_closing:
                self._changed.wait(None if self._due_at == math.inf else self._due_at - now)
            if self._is_closing and not self._entries:
                return None
            self._due_at = math.inf
            self._busy_since = now
            batch = list(itertools.islice(self._entries, _BATCH))
            self._in_flight = len(batch)
            return batch

    def _flush(self, batch: list[_Entry]) -> bool:
        try:
            if batch or self._is_troubled:
                self._write(batch)
        except Exception as error:  # the thread's outermost loop: whatever it is, stops go on
            self._failed(error)
            return False
        self._written(batch)
        return True

    def _write(self, batch: list[_Entry]) -> None:
        if self._connection is None:
            self._connection = self._connect(self._path)
        self._connection.execute("BEGIN IMMEDIATE")
        for entry in batch:
            entry.write(self._connection)
        if not batch:  # trouble, and nothing to write: find out whether it is over
            keep_fact(self._connection, "tried_at", f"{self._utc():%Y-%m-%dT%H:%M:%SZ}")
        self._connection.execute("COMMIT")

    def _written(self, batch: list[_Entry]) -> None:
        with self._changed:
            now = self._real()
            for _ in batch:
                self._entries.popleft()
            self._in_flight = 0
            self._since_checkpoint += len(batch)
            if self._is_troubled:
                self._kept += len(batch)
            if self._is_overdue(now):
                self._begin_trouble(f"it took longer than {LIMIT_S} s")
            elif self._is_troubled and not self._entries:
                self._end_trouble()
            done = batch[-1].number if batch else 0
            self._answer([t for t in self._tickets if t.number <= done], is_written=True)
            if self._entries:
                self._hasten(now)
            elif self._is_troubled:
                self._hasten(now + RETRY_S)

    def _failed(self, error: Exception) -> None:
        self._drop_connection()
        why = str(error) or type(error).__name__
        if is_damage(error):
            try:
                aside = set_aside(self._path, self._utc())
                why = f"{why}; it was set aside as {aside.name}, and a new one begins"
            except OSError as second:
                why = f"{why}; it cannot be set aside: {second.strerror}"
        with self._changed:
            self._in_flight = 0
            self._begin_trouble(why)
            self._answer([t for t in self._tickets if t.number < math.inf], is_written=False)
            self._hasten(self._real() + RETRY_S)

    def _tidy(self) -> None:
        """Do what can wait, now that nobody does; its failure harms no entry."""
        with self._changed:
            pruning = self._pruning
            if self._tickets or self._is_troubled or self._connection is None:
                return
            if self._is_resting and self._entries:
                self._hasten(self._real())  # noted before, or just now: all of it goes out once
                return
            is_to_rest = self._is_resting
            self._busy_since = self._real()
        try:
            if is_to_rest:
                # Both wait for the disk: then nothing of the file is anywhere else.
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
                self._since_checkpoint = 0
                self._drop_connection()
                return
            if pruning is not None:
                self._prune(pruning)
            if self._since_checkpoint >= _CHECKPOINT_EVERY:
                self._since_checkpoint = 0
                self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
                self._bound(self._connection)
        except DiskError as error:
            log.warning("failed_tidying", file=str(self._path), why=str(error))
            self._pruning = None
            self._drop_connection()

    def _bound(self, connection: Connection) -> None:
        """Prune what is too much, though nothing of it is old."""
        if held_bytes(connection) <= self._most_bytes:
            return
        with self._changed:
            if self._pruning is None:
                self._pruning = _Pruning(-math.inf, -math.inf)
                self._hasten(self._real())

    def _prune(self, pruning: _Pruning) -> None:
        assert self._connection is not None
        self._connection.execute("BEGIN IMMEDIATE")
        gone = prune_some(
            self._connection,
            readings_before=pruning.readings_before,
            before=pruning.before,
            most_bytes=self._most_bytes,
        )
        self._connection.execute("COMMIT")
        self._since_checkpoint += gone
        pruning.chunks += 1
        with self._changed:
            if gone == PRUNED_AT_ONCE and pruning.chunks < _CHUNKS_A_PRUNE:
                self._hasten(self._real())
            elif self._pruning is pruning:
                self._pruning = None

    def _drop_connection(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(DiskError):
                connection.close()
