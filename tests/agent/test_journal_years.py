"""The journal over years and through kills: it stays small, and keeps what it said it has."""

import asyncio
import functools
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from agent.journal.file import NAME, SNAPSHOTS_KEPT, held_bytes
from policies.events import SettingRemembered
from policies.state import Phase, fold, initial
from tests.agent.journals import (
    SITE,
    given,
    held,
    kill_amid_commits,
    open_journal,
    taken,
    until,
)
from tests.fakes import FakeClock


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(at=100.0)


# Size


async def test_old_entries_go_and_the_file_stays_small(tmp_path: Path, clock: FakeClock) -> None:
    """A box runs for years with nobody looking; its journal must not fill the disk."""
    journal = open_journal(tmp_path, clock)
    state = initial(SITE)
    for day in range(30):
        at = 86400.0 * day
        for minute in range(0, 1440, 2):
            journal.note(taken(at + 60.0 * minute))
        journal.note(given(at, day))
        journal.snapshot(replace(state, orders=day))
        journal.prune(keep_readings_s=2 * 86400.0, keep_events_s=10 * 86400.0)
        assert await journal.commit()
        # Two days before the day's last reading; what the oldest kept snapshot holds may go.
        readings_gone = functools.partial(is_gone, tmp_path, "took_reading", at - 86520.0)
        orders_gone = functools.partial(is_gone, tmp_path, "gave_order", at - 9 * 86400.0 - 120.0)
        await asyncio.to_thread(until, readings_gone)
        await asyncio.to_thread(until, orders_gone)
        assert await asyncio.to_thread(size_of, tmp_path) < 6 * 2**20
    await journal.close()
    kinds = [row.kind for row in held(tmp_path)]

    assert await asyncio.to_thread(size_of, tmp_path) < 2**20
    assert kinds.count("gave_order") == 10
    assert kinds.count("took_reading") == 2 * 720 + 1


async def test_pruning_never_changes_the_state(tmp_path: Path, clock: FakeClock) -> None:
    """What no snapshot holds is still needed, however old it is."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(100.0), taken(5e6))
    journal.prune(keep_readings_s=0.0, keep_events_s=0.0)
    await journal.commit(taken(6e6))
    await journal.close()
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()

    assert recalled.state.devices["gate recorder"].phase is Phase.RESTING
    assert len(held(tmp_path)) == 3


async def test_the_newest_entry_stays_since_time_goes_on_from_it(
    tmp_path: Path, clock: FakeClock
) -> None:
    """With an empty journal, site time would jump back to zero at the next start."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(*(given(1000.0 + n) for n in range(3)))
    for _ in range(SNAPSHOTS_KEPT):
        journal.snapshot(initial(SITE))
    await journal.commit()
    journal.prune(keep_readings_s=-1e9, keep_events_s=-1e9)
    await asyncio.to_thread(until, lambda: len(held(tmp_path)) == 1)
    await journal.close()
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()

    assert recalled.resume_at == 1002.0


async def test_a_unit_that_never_comes_to_rest_cannot_fill_the_disk(
    tmp_path: Path, clock: FakeClock
) -> None:
    """An alarm that comes and goes is journalled each time, and nothing of it is old."""
    most = 2**20
    journal = open_journal(tmp_path, clock, most_bytes=most)
    for hour in range(40):
        at = 3600.0 * hour
        journal.note(given(at, hour))
        for second in range(0, 3600, 20):
            journal.note(taken(at + second))
        journal.snapshot(initial(SITE))
        assert await journal.commit()
        await asyncio.to_thread(until, lambda: entries_bytes(tmp_path) <= 1.2 * most)
    await journal.close()
    kinds = [row.kind for row in held(tmp_path)]

    assert kinds.count("gave_order") == 40, "readings go first"
    assert 100 < kinds.count("took_reading") < 40 * 180
    assert held(tmp_path)[-1].at == 39 * 3600.0 + 3580.0, "and the oldest of them"


async def test_what_is_owed_or_open_outlives_every_bound(tmp_path: Path, clock: FakeClock) -> None:
    """A port that was switched off years ago is switched on again all the same."""
    journal = open_journal(tmp_path, clock, most_bytes=1)
    recalled = journal.recall(SITE)
    changed = SettingRemembered(1.0, "gate recorder#1", "gate recorder", "cut", "on")
    state = recalled.state
    for event in (given(1.0), changed):
        state = fold(SITE, state, event)
        assert await journal.commit(event)
    for number in range(SNAPSHOTS_KEPT):
        journal.snapshot(state)
        for second in range(600):
            journal.note(taken(10.0 + 600.0 * number + second))
        assert await journal.commit()
    await asyncio.to_thread(
        until, lambda: all(row.kind == "took_reading" for row in held(tmp_path))
    )
    await journal.close()
    again = open_journal(tmp_path, clock)
    found = again.recall(SITE).state.devices["gate recorder"]
    await again.close()

    assert found.phase is Phase.RESTING
    assert found == state.devices["gate recorder"]
    assert found.was == {"cut": "on"}


# Kills


def test_no_acknowledged_entry_is_lost_to_a_kill(tmp_path: Path, clock: FakeClock) -> None:
    """The agent may be killed at any moment of an outage, and again while it comes back."""
    acknowledged: list[int] = []
    for kill in range(5):
        acknowledged += kill_amid_commits(tmp_path, first=100_000 * kill, after=40 + 60 * kill)
    found = [round(row.at) for row in held(tmp_path)]
    with closing(sqlite3.connect(tmp_path / NAME)) as connection:
        whole = connection.execute("PRAGMA integrity_check").fetchone()[0]

    assert len(acknowledged) > 500
    assert set(acknowledged) <= set(found)
    assert found == sorted(set(found))
    assert whole == "ok"


# Pieces


def size_of(folder: Path) -> int:
    """Return the bytes of the journal, its side files included."""
    return sum(path.stat().st_size for path in folder.glob(f"{NAME}*"))


def entries_bytes(folder: Path) -> int:
    """Return what the entries take, as the writer counts it."""
    with closing(sqlite3.connect(folder / NAME)) as connection:
        return held_bytes(connection)


def is_gone(folder: Path, kind: str, before: float) -> bool:
    """Whether no entry of that kind from before that time is left."""
    with closing(sqlite3.connect(folder / NAME)) as connection:
        found = connection.execute(
            "SELECT count(*) FROM events WHERE kind = ? AND at < ?", (kind, before)
        )
        return bool(found.fetchone()[0] == 0)
