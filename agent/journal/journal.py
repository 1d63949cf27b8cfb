"""The journal: what happened, durable before it is acted on, and what it folds to after a crash."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable, Collection, Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import structlog

from agent.box.clock_sync import clock_is_synced
from agent.clock import boot_id
from agent.errors import JournalError
from agent.journal.codec import VERSION, encode, kind_of
from agent.journal.file import (
    MOST_BYTES,
    NAME,
    READING_KINDS,
    Connection,
    DiskError,
    Row,
    check_whole,
    drop_undelivered,
    estimates,
    insert,
    insert_snapshot,
    is_damage,
    keep_estimate,
    keep_fact,
    keep_undelivered,
    open_to_write,
    reading,
    set_aside,
    undelivered,
)
from agent.journal.lock import StateLock
from agent.journal.recall import Memory, Recalled
from agent.journal.writer import Connect, JournalWriter, Trouble
from policies.events import Event
from policies.model import Site
from policies.state import SiteState

__all__ = ["Journal", "Recalled"]

log = structlog.get_logger()


class Journal:
    """One site's journal, of which there is one writer: the agent that holds the lock.

    Events go in as the engine folds them, so a snapshot holds exactly the entries before it. Of
    its methods only `commit` and `close` wait, and both have a bound in real seconds.

    Attributes:
        lock: on the state directory; held from `open` to `close`.
        on_trouble: called in the loop with a sentence when the disk stops taking entries, once an
            episode, and when it takes them again. A damaged file is replaced by an empty one, so
            a `snapshot` is due whenever this is called.
    """

    def __init__(
        self,
        lock: StateLock,
        *,
        dry_run: bool,
        utc: Callable[[], datetime],
        monotonic: Callable[[], float],
        synced: Callable[[], bool | None],
        connect: Connect,
        boot: str,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self.lock = lock
        self.on_trouble: Callable[[str], None] = _ignore
        self._dry = dry_run
        self._utc = utc
        self._monotonic = monotonic
        self._synced = synced
        self._boot = boot
        self._path = lock.folder / NAME
        self._aside: Path | None = None
        self._troubles: list[str] = []
        self._facts: dict[str, str] = {}
        self._estimates: dict[str, tuple[str, Callable[[], bytes] | None]] = {}
        self._newest_at = 0.0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._untold: list[Trouble] = []
        self._writer = JournalWriter(
            self._path,
            functools.partial(self._connect, connect),
            connection=self._prepare(connect),
            utc=utc,
            tell=self._tell_from_thread,
            most_bytes=most_bytes,
        )

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        dry_run: bool,
        utc: Callable[[], datetime],
        monotonic: Callable[[], float],
        synced: Callable[[], bool | None] = clock_is_synced,
        connect: Connect = open_to_write,
        boot: str | None = None,
        most_bytes: int = MOST_BYTES,
    ) -> Journal:
        """Lock the state directory and open its journal, making both where they are missing.

        A damaged file is set aside and a new one begun; a disk that cannot be written now is
        trouble, not an error: the agent runs, and its journal waits in memory.

        Args:
            folder: the state directory.
            dry_run: mark every entry as of a dry run, and recall only such.
            utc: wall time.
            monotonic: raw monotonic time, in s, comparable across processes of one boot.
            synced: whether the wall clock is synchronised.
            connect: opens the file to write; see `open_to_write`.
            boot: the kernel's id of this boot; None = ask it.
            most_bytes: what the entries may take on the disk: the oldest readings go first.

        Raises:
            JournalError: another agent holds the directory, or it cannot be used.
        """
        lock = StateLock.take(folder)
        try:
            return cls(
                lock,
                dry_run=dry_run,
                utc=utc,
                monotonic=monotonic,
                synced=synced,
                connect=connect,
                boot=boot_id() if boot is None else boot,
                most_bytes=most_bytes,
            )
        except BaseException:
            lock.release()
            raise

    @property
    def is_healthy(self) -> bool:
        """Whether the last flush went well and in time, and none is overdue."""
        return self._writer.is_healthy

    def recall(self, site: Site) -> Recalled:
        """Return what the journal folds to, and the site time to go on from.

        Whatever cannot be read is passed over and named in `troubles`; of a file that was set
        aside, what can be read counts. Call it before the first event goes in.
        """
        memory = Memory(site, dry=self._dry, troubles=self._troubles)
        memory.read(self._path if self._aside is None else self._aside)
        if self._aside is not None:
            self.snapshot(memory.state)
        recalled = memory.recalled(
            now_utc=self._utc(),
            now_monotonic=self._monotonic(),
            boot=self._boot,
            set_aside=self._aside,
        )
        self._newest_at = recalled.resume_at
        return recalled

    async def commit(self, *events: Event) -> bool:
        """Make events, and all that was queued before them, durable.

        Returns:
            True once they are on the disk. False if that failed, or took over half a second: they
            stay in memory, are written later in order, and `on_trouble` is told.
        """
        self._meet_loop()
        done: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._writer.put(self._writes(events), answer=_answer_in(done))
        return await done

    def note(self, *events: Event) -> None:
        """Queue events that nobody waits for: on the disk within 5 s, or with the next commit."""
        self._meet_loop()
        for event in events:
            is_reading = kind_of(type(event)) in READING_KINDS
            self._writer.put(self._writes((event,)), is_reading=is_reading)

    def snapshot(self, state: SiteState) -> None:
        """Queue a state that holds every event given so far; the newest few are kept."""
        body = encode(state)
        utc = _rfc3339(self._utc())
        self._writer.put([functools.partial(insert_snapshot, dry=self._dry, utc=utc, body=body)])

    def rest(self, is_to_rest: bool) -> None:
        """Bring the file to rest, since its power may go, or take it up again.

        All that is queued is written and checkpointed, and the file is closed. What is only noted
        then waits in memory; what is committed is still written at once, and the file closed again.
        """
        self._writer.rest(is_to_rest)

    def remember(self, name: str, value: str) -> None:
        """Queue a fact that readers of the journal need, such as the site's `time_zone`."""
        self._facts[name] = value
        self._writer.put([functools.partial(keep_fact, name=name, value=value)])

    def keep_estimate(self, unit: str, body: Callable[[], bytes] | None) -> None:
        """Queue what is known of a unit's battery; None = what was known holds no more.

        *body* is called in the writer's thread, and only if nothing newer was given by then: a
        disk out of order must not make a heap of them.
        """
        self._estimates[unit] = (_rfc3339(self._utc()), body)
        self._writer.put([functools.partial(self._write_estimate, unit=unit)], is_reading=True)

    def recall_estimates(self) -> dict[str, bytes]:
        """Return what is known of batteries, by unit; what cannot be read is learnt anew."""
        try:
            with reading(self._path if self._aside is None else self._aside) as connection:
                return estimates(connection, dry=self._dry)
        except JournalError:
            return {}  # `recall` has said so

    def keep_undelivered(self, receiver: str, notice: str, body: str) -> None:
        """Have a notice on the disk at once, that a receiver is to get; never waits."""
        write = functools.partial(
            keep_undelivered, receiver=receiver, notice=notice, dry=self._dry, body=body
        )
        self._writer.put([write], answer=_unheard)

    def drop_undelivered(self, receiver: str, notices: Collection[str]) -> None:
        """Have notices forgotten on the disk at once; never waits."""
        write = functools.partial(
            drop_undelivered, receiver=receiver, notices=tuple(notices), dry=self._dry
        )
        self._writer.put([write], answer=_unheard)

    def recall_undelivered(self) -> list[tuple[str, str, str]]:
        """Return receiver, notice and body of what waits, oldest first, as an earlier run left it.

        Of a file that was set aside, what can be read counts.
        """
        try:
            with reading(self._path if self._aside is None else self._aside) as connection:
                return undelivered(connection, dry=self._dry)
        except JournalError:
            return []  # `recall` has said so

    def prune(self, *, keep_readings_s: float, keep_events_s: float) -> None:
        """Delete readings, and all else, older than so many seconds of site time.

        It is done bit by bit between commits. What no kept snapshot holds is never deleted.
        """
        self._writer.prune(
            readings_before=self._newest_at - keep_readings_s,
            before=self._newest_at - keep_events_s,
        )

    async def close(self, *, within_s: float = 2.0) -> None:
        """Write what is left, within so many real seconds, and let go of the directory.

        Where the disk does not answer in time the lock is kept until the process ends, since the
        writer may still be at work.
        """
        self._meet_loop()
        done: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._writer.close(within_s=within_s, answer=_answer_in(done))
        await done
        if self._writer.has_ended:
            self.lock.release()

    # Opening

    def _prepare(self, connect: Connect) -> Connection | None:
        """Open the file, or a new one in place of a damaged one; None where the disk forbids."""
        try:
            return _open_whole(connect, self._path)
        except JournalError as error:
            why = str(error)
        except (DiskError, OSError) as error:
            if not is_damage(error):
                self._troubles.append(
                    f"the journal {self._path} cannot be opened to write: {error}"
                )
                return None
            why = str(error)
        try:
            self._aside = set_aside(self._path, self._utc())
            log.error("set_aside_journal", file=str(self._path), kept=str(self._aside), why=why)
            self._troubles.append(
                f"the journal was damaged ({why}): it was set aside as {self._aside}, and a new "
                "one was begun; keep that file, and check the disk"
            )
            return _open_whole(connect, self._path)
        except (DiskError, OSError, JournalError) as error:
            self._troubles.append(f"no new journal could be begun: {error}")
            return None

    def _connect(self, connect: Connect, path: Path) -> Connection:
        connection = connect(path)
        for name, value in self._facts.copy().items():
            keep_fact(connection, name, value)
        for unit in self._estimates.copy():
            self._write_estimate(connection, unit=unit)
        return connection

    # Writing

    def _write_estimate(self, connection: Connection, *, unit: str) -> None:
        utc, body = self._estimates[unit]
        try:
            written = None if body is None else body()
        except Exception as error:  # what cannot be put down is no fault of the disk
            log.error("failed_estimate_entry", unit=unit, error=repr(error))
            return
        keep_estimate(connection, unit, dry=self._dry, utc=utc, body=written)

    def _writes(self, events: Iterable[Event]) -> list[Callable[[Connection], None]]:
        utc = _rfc3339(self._utc())
        monotonic = self._monotonic()
        synced = self._synced()
        writes: list[Callable[[Connection], None]] = []
        for event in events:
            self._newest_at = max(self._newest_at, event.at)
            row = Row(
                id=0,
                version=VERSION,
                boot=self._boot,
                monotonic=monotonic,
                at=event.at,
                utc=utc,
                synced=synced,
                dry=self._dry,
                kind=kind_of(type(event)),
                body=encode(event),
            )
            writes.append(functools.partial(insert, row=row))
        return writes

    def _meet_loop(self) -> None:
        """Remember the loop that is to be told of trouble, and tell it what waited for one."""
        self._loop = asyncio.get_running_loop()
        untold, self._untold = self._untold, []
        for trouble in untold:
            self._loop.call_soon(self._tell, trouble)

    def _tell_from_thread(self, trouble: Trouble) -> None:
        if self._loop is None:
            self._untold.append(trouble)
            return
        with suppress(RuntimeError):  # the loop has ended, and with it whoever would listen
            self._loop.call_soon_threadsafe(self._tell, trouble)

    def _tell(self, trouble: Trouble) -> None:
        if trouble.is_over:
            log.warning("regained_journal", text=trouble.text)
        else:
            log.error("lost_journal", text=trouble.text)
        self.on_trouble(trouble.text)


def _open_whole(connect: Connect, path: Path) -> Connection:
    connection = connect(path)
    try:
        check_whole(connection)
    except BaseException:
        with suppress(DiskError):
            connection.close()
        raise
    return connection


def _answer_in(done: asyncio.Future[bool]) -> Callable[[bool], None]:
    """Return what settles *done* from any thread; a waiter that is gone is no fault."""
    loop = done.get_loop()

    def settle(is_written: bool) -> None:
        if not done.done():
            done.set_result(is_written)

    def answer(is_written: bool) -> None:
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(settle, is_written)

    return answer


def _rfc3339(utc: datetime) -> str:
    return utc.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _unheard(is_written: bool) -> None:
    """Take an answer that nobody waits for: it only has the disk written at once."""


def _ignore(text: str) -> None:
    """Stand in until somebody wants to know; the log has it already."""
