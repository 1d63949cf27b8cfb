"""The journal's file: its tables, how it is opened, read, pruned, and set aside when damaged."""

from __future__ import annotations

import math
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import astuple, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from agent.errors import JournalError
from agent.journal.codec import VERSION

Connection = sqlite3.Connection
DiskError = sqlite3.Error
"""What a connection raises; `is_damage` tells a damaged file from a disk out of reach or room."""

NAME = "journal.db"
READING_KINDS = ("took_reading", "missed_poll")
"""Kinds that every poll makes; kept for less time than the rest."""

SNAPSHOTS_KEPT = 3
SET_ASIDE_KEPT = 5
MOST_BYTES = 256 * 2**20
"""What the entries may take on the disk: the readings of some units over 90 days, one a minute."""

PRUNED_AT_ONCE = 500
"""Most entries deleted in one transaction, so that no decision waits for more than that."""

_SIDE_FILES = ("", "-wal", "-shm")
_WAL_LIMIT_BYTES = 4 * 2**20
_BUSY_S = 2.0  # a reader that recovers the file after a crash holds it for milliseconds
_NO_INDEX = (
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
)
"""What SQLite says where the index that readers share (-shm) can neither be opened nor made."""

_IS_READING = "kind IN ('took_reading', 'missed_poll')"  # as the index has it, letter by letter
_SCHEMA = f"""
CREATE TABLE IF NOT EXISTS events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    version INTEGER NOT NULL,
    boot TEXT NOT NULL,
    monotonic REAL NOT NULL,
    at REAL NOT NULL,
    utc TEXT NOT NULL,
    synced INTEGER,
    dry INTEGER NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS events_at ON events (at);
CREATE INDEX IF NOT EXISTS readings_at ON events (at) WHERE {_IS_READING};
CREATE TABLE IF NOT EXISTS snapshots (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    after_id INTEGER NOT NULL,
    version INTEGER NOT NULL,
    utc TEXT NOT NULL,
    dry INTEGER NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS estimates (
    unit TEXT NOT NULL,
    dry INTEGER NOT NULL,
    utc TEXT NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (unit, dry)
) STRICT;
CREATE TABLE IF NOT EXISTS undelivered (
    dry INTEGER NOT NULL,
    receiver TEXT NOT NULL,
    notice TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (dry, receiver, notice)
) STRICT;
"""
_COLUMNS = "id, version, boot, monotonic, at, utc, synced, dry, kind, body"


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of the journal, its body undecoded.

    Attributes:
        id: rises with every entry, and is never used twice in one file; 0 = not yet written.
        version: of the body's form.
        boot: the kernel's id of the boot it was written in.
        monotonic: the agent's raw monotonic clock, in s; comparable within one boot.
        at: site time of the event, in s.
        utc: wall time, RFC 3339.
        synced: whether the wall clock was synchronised; None = unknown.
        dry: it happened in dry run.
    """

    id: int
    version: int
    boot: str
    monotonic: float
    at: float
    utc: str
    synced: bool | None
    dry: bool
    kind: str
    body: str


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A state, and the last entry that is folded into it; utc is when it was made."""

    after_id: int
    version: int
    utc: str
    dry: bool
    body: str


def file_of(place: Path) -> Path:
    """Return the journal's file in *place*: a state directory, or the file itself."""
    return place if place.is_file() else place / NAME


def is_damage(error: Exception) -> bool:
    """Return whether *error* says that the file itself is damaged, not merely out of reach."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def open_to_write(
    path: Path, *, factory: type[sqlite3.Connection] = sqlite3.Connection
) -> sqlite3.Connection:
    """Open the file for its one writer, creating it and its tables where they are missing.

    Each commit is on the disk before it returns. Nothing is checkpointed by itself: the writer
    does that when nobody waits. The connection may be used by one thread after another.

    Raises:
        sqlite3.Error: it cannot be opened, or is no journal.
        OSError: the file cannot be created.
    """
    with suppress(FileExistsError):
        path.touch(mode=0o640, exist_ok=False)
        _sync(path.parent)
    connection = sqlite3.connect(
        path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False, factory=factory
    )
    try:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # only a new file takes it
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute(f"PRAGMA journal_size_limit = {_WAL_LIMIT_BYTES}")
        connection.executescript(f"BEGIN IMMEDIATE; {_SCHEMA} COMMIT;")
    except BaseException:
        connection.close()
        raise
    return connection


def _sync(folder: Path) -> None:
    """Make the names in *folder* durable, as its files are."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def check_whole(connection: sqlite3.Connection) -> None:
    """Read the whole file once.

    Raises:
        sqlite3.DatabaseError: it is damaged; `is_damage` is true of it where SQLite itself raises.
        JournalError: it is damaged in a way that can still be read past.
    """
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise JournalError(f"the journal is damaged: {found}")


def set_aside(path: Path, now_utc: datetime) -> Path:
    """Rename a damaged journal, its side files with it, and return its new name.

    The newest few such files are kept: a disk that damages one a day must not fill itself.

    Raises:
        OSError: it cannot be renamed.
    """
    base = f"{path.name}.damaged-{now_utc:%Y%m%dT%H%M%SZ}"
    aside = path.with_name(base)
    for number in range(2, 100):
        if not aside.exists():
            break
        aside = path.with_name(f"{base}-{number}")
    for suffix in reversed(_SIDE_FILES):  # the file itself last: until then this can be repeated
        with suppress(FileNotFoundError):
            path.with_name(path.name + suffix).rename(aside.with_name(aside.name + suffix))
    _sync(path.parent)
    kept = sorted(p for p in path.parent.glob(f"{path.name}.damaged-*") if _is_main(p))
    for old in kept[:-SET_ASIDE_KEPT]:
        for suffix in _SIDE_FILES:
            old.with_name(old.name + suffix).unlink(missing_ok=True)
    return aside


def _is_main(path: Path) -> bool:
    return not path.name.endswith(_SIDE_FILES[1:])


@contextmanager
def reading(place: Path) -> Iterator[sqlite3.Connection]:
    """Open the journal in *place* for reading only, whether or not an agent writes it.

    A journal on a read-only disk, or a copy in a folder of somebody else's, is read too: as it
    stands where it was closed in order, else from a temporary copy.

    Raises:
        JournalError: there is none, or it cannot be read.
    """
    path = file_of(place)
    if not path.is_file():
        raise JournalError(
            f"{place} holds no journal; `lastwatt run FILE --state {place}` begins one"
        )
    with ExitStack() as stack:
        try:
            connection = stack.enter_context(_open_to_read(path))
        except (sqlite3.Error, OSError) as error:
            raise _unreadable(path, error) from error
        try:
            yield connection
        except sqlite3.Error as error:
            raise _unreadable(path, error) from error


def _unreadable(path: Path, error: Exception) -> JournalError:
    if is_damage(error):
        return JournalError(
            f"{path} is damaged ({error}); an agent that starts on it sets it aside and begins "
            "a new one"
        )
    return JournalError(f"cannot read {path}: {error}; check that you may read it, and the disk")


@contextmanager
def _open_to_read(path: Path) -> Iterator[sqlite3.Connection]:
    try:
        connection = _connect_to_read(path, "mode=ro")
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF not in _NO_INDEX:
            raise
        with path.open("rb"):
            pass  # says so plainly where the file itself may not be read
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size:
            with tempfile.TemporaryDirectory(prefix="lastwatt-") as folder:
                copy = Path(folder) / NAME
                shutil.copyfile(path, copy)
                shutil.copyfile(wal, copy.with_name(f"{NAME}-wal"))
                with closing(_connect_to_read(copy, "mode=rw")) as connection:
                    yield connection
            return
        connection = _connect_to_read(path, "immutable=1")
    with closing(connection):
        yield connection


def _connect_to_read(path: Path, how: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}", uri=True, timeout=_BUSY_S, isolation_level=None
    )
    try:
        # By id, since an index may be what is damaged.
        connection.execute("SELECT id FROM events ORDER BY id LIMIT 1").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


def insert(connection: sqlite3.Connection, row: Row) -> None:
    """Append *row*; its own id is not looked at."""
    connection.execute(
        f"INSERT INTO events ({_COLUMNS}) VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        astuple(row)[1:],
    )


def rows_after(
    connection: sqlite3.Connection,
    after_id: int,
    *,
    limit: int = 500,
    dry: bool | None = None,
    readings_from: float = -math.inf,
) -> list[Row]:
    """Return at most *limit* entries that follow *after_id*, oldest first; dry None means both.

    Of the readings only those of a site time from *readings_from* on, in s.
    """
    found = connection.execute(
        f"SELECT {_COLUMNS} FROM events WHERE id > ? AND dry = ifnull(?, dry)"
        f" AND NOT ({_IS_READING} AND at < ?) ORDER BY id LIMIT ?",
        (after_id, dry, readings_from, limit),
    )
    return [_row(values) for values in found]


def rows_before(connection: sqlite3.Connection, before_id: int, count: int) -> list[Row]:
    """Return the *count* entries that come last before *before_id*, oldest first."""
    found = connection.execute(
        f"SELECT {_COLUMNS} FROM events WHERE id < ? ORDER BY id DESC LIMIT ?", (before_id, count)
    ).fetchall()
    return [_row(values) for values in reversed(found)]


def newest_rows(connection: sqlite3.Connection, count: int) -> list[Row]:
    """Return the newest *count* entries, oldest first."""
    found = connection.execute(
        f"SELECT {_COLUMNS} FROM events ORDER BY id DESC LIMIT ?", (count,)
    ).fetchall()
    return [_row(values) for values in reversed(found)]


def _row(values: tuple[Any, ...]) -> Row:  # STRICT tables hold the declared types
    entry, version, boot, monotonic, at, utc, synced, dry, kind, body = values
    is_synced = None if synced is None else bool(synced)
    return Row(entry, version, boot, monotonic, at, utc, is_synced, bool(dry), kind, body)


def insert_snapshot(connection: sqlite3.Connection, *, dry: bool, utc: str, body: str) -> None:
    """Keep a state as of all entries written so far, and the newest few before it."""
    connection.execute(
        "INSERT INTO snapshots (after_id, version, utc, dry, body)"
        " VALUES ((SELECT ifnull(max(id), 0) FROM events), ?, ?, ?, ?)",
        (VERSION, utc, dry, body),
    )
    connection.execute(
        "DELETE FROM snapshots WHERE dry = ? AND version = ? AND id NOT IN ("
        "SELECT id FROM snapshots WHERE dry = ? AND version = ? ORDER BY id DESC LIMIT ?)",
        (dry, VERSION, dry, VERSION, SNAPSHOTS_KEPT),
    )


def snapshots(connection: sqlite3.Connection, *, dry: bool) -> list[Snapshot]:
    """Return the states that this release can read, newest first."""
    found = connection.execute(
        "SELECT after_id, version, utc, dry, body FROM snapshots"
        " WHERE dry = ? AND version <= ? ORDER BY after_id DESC, id DESC",
        (dry, VERSION),
    )
    return [
        Snapshot(after_id, version, utc, bool(is_dry), body)
        for after_id, version, utc, is_dry, body in found
    ]


def keep_fact(connection: sqlite3.Connection, name: str, value: str) -> None:
    """Write down something about the site that readers of the journal need."""
    connection.execute(
        "INSERT INTO facts (name, value) VALUES (?, ?)"
        " ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, value),
    )


def facts(connection: sqlite3.Connection) -> dict[str, str]:
    """Return what the agent wrote down about its site, by name."""
    return dict(connection.execute("SELECT name, value FROM facts").fetchall())


def keep_estimate(
    connection: sqlite3.Connection, unit: str, *, dry: bool, utc: str, body: bytes | None
) -> None:
    """Keep what is known of a unit's battery in place of what was known; None = nothing is."""
    if body is None:
        connection.execute("DELETE FROM estimates WHERE unit = ? AND dry = ?", (unit, dry))
        return
    connection.execute(
        "INSERT INTO estimates (unit, dry, utc, body) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (unit, dry) DO UPDATE SET utc = excluded.utc, body = excluded.body",
        (unit, dry, utc, body),
    )


def estimates(connection: sqlite3.Connection, *, dry: bool) -> dict[str, bytes]:
    """Return what is known of batteries, by unit; nothing in a file of a release before these."""
    try:
        found = connection.execute("SELECT unit, body FROM estimates WHERE dry = ?", (dry,))
    except sqlite3.OperationalError as error:
        if "no such table" not in str(error):
            raise
        return {}
    return dict(found.fetchall())


def held_bytes(connection: sqlite3.Connection) -> int:
    """Return what the entries take on the disk, without the write-ahead log."""
    asked = ("page_size", "page_count", "freelist_count")
    size, pages, free = (connection.execute(f"PRAGMA {one}").fetchone()[0] for one in asked)
    return int(size * (pages - free))


def keep_undelivered(
    connection: sqlite3.Connection, receiver: str, notice: str, *, dry: bool, body: str
) -> None:
    """Keep a notice that a receiver is to get, until `drop_undelivered`."""
    connection.execute(
        "INSERT INTO undelivered (dry, receiver, notice, body) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (dry, receiver, notice) DO UPDATE SET body = excluded.body",
        (dry, receiver, notice, body),
    )


def drop_undelivered(
    connection: sqlite3.Connection, receiver: str, notices: Sequence[str], *, dry: bool
) -> None:
    """Forget notices that a receiver has, or will never get."""
    connection.executemany(
        "DELETE FROM undelivered WHERE dry = ? AND receiver = ? AND notice = ?",
        [(dry, receiver, notice) for notice in notices],
    )


def undelivered(connection: sqlite3.Connection, *, dry: bool) -> list[tuple[str, str, str]]:
    """Return receiver, notice and body of what waits, oldest first; nothing of older releases."""
    try:
        found = connection.execute(
            "SELECT receiver, notice, body FROM undelivered WHERE dry = ? ORDER BY rowid", (dry,)
        )
    except sqlite3.OperationalError as error:
        if "no such table" not in str(error):
            raise
        return []
    return found.fetchall()


def prune_some(
    connection: sqlite3.Connection,
    *,
    readings_before: float,
    before: float,
    most_bytes: int = MOST_BYTES,
) -> int:
    """Delete at most PRUNED_AT_ONCE old entries, and return how many.

    Never what the fold still needs: an entry goes only when every kept snapshot of its kind of run
    (live or dry) has it folded in. The newest entry stays, since site time continues from it.

    Args:
        connection: the writer's.
        readings_before: readings of a site time before this go, in s.
        before: so does everything else of a site time before this, in s.
        most_bytes: where more is held, the oldest readings go whatever their age, and once there
            are none the oldest of all else. What is owed or open stays: the snapshots have it.
    """
    needed = {
        bool(dry): after_id
        for dry, after_id in connection.execute(
            "SELECT dry, min(after_id) FROM snapshots WHERE version = ? GROUP BY dry", (VERSION,)
        )
    }
    live, dry = needed.get(False, 0), needed.get(True, 0)
    left = PRUNED_AT_ONCE
    oldest = "events INDEXED BY events_at WHERE"
    oldest_readings = f"events INDEXED BY readings_at WHERE {_IS_READING} AND"
    # All else first: where readings come faster than they go, it would never be its turn.
    steps = [(oldest, before), (oldest_readings, readings_before)]
    if held_bytes(connection) > most_bytes:
        steps += [(oldest_readings, math.inf), (oldest, math.inf)]
    for source, bound in steps:
        left -= connection.execute(
            f"DELETE FROM events WHERE id IN (SELECT id FROM {source} at < ?"
            " AND id <= CASE dry WHEN 0 THEN ? ELSE ? END"
            " AND id < (SELECT max(id) FROM events) LIMIT ?)",
            (bound, live, dry, left),
        ).rowcount
    # A page is freed with each row fetched, of which there are none to see.
    connection.execute(f"PRAGMA incremental_vacuum({PRUNED_AT_ONCE})").fetchall()
    return PRUNED_AT_ONCE - left
