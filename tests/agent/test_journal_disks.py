"""The journal on full, stuck and damaged disks: it holds up nobody, and keeps what it can."""

import asyncio
import functools
import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from agent.journal.file import NAME
from agent.journal.view import site_facts
from agent.journal.writer import JournalWriter, Trouble
from agent.virtual.pace import PacedLoop, SpedUpPace
from policies.events import Ending, NoticeRaised, OrderClosed
from policies.model import Task
from policies.state import Phase, initial
from tests.agent.journals import (
    SITE,
    FullDisk,
    StuckDisk,
    change,
    given,
    held,
    kill_after_a_commit,
    open_journal,
    until,
)
from tests.fakes import START_UTC, FakeClock

BOUND_S = 0.9
"""The half second that a commit may wait, and room for two busy cores."""


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(at=100.0)


# Damage


@pytest.mark.parametrize("damage", ["no database", "torn"])
async def test_a_damaged_file_is_set_aside_and_a_new_one_begun(
    tmp_path: Path, clock: FakeClock, damage: str
) -> None:
    """A box whose disk lost a page must still ride through the next outage."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(*(given(100.0 + n) for n in range(200)))
    await journal.close()
    path = tmp_path / NAME
    whole = path.read_bytes()
    path.write_bytes(b"x" * 5000 if damage == "no database" else whole[:20000] + bytes(len(whole)))
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)

    assert recalled.set_aside == tmp_path / f"{NAME}.damaged-20260301T220000Z"
    assert recalled.set_aside.exists()
    assert "set aside" in recalled.troubles[0]
    assert await again.commit(given(300.0))
    assert [row.at for row in held(tmp_path)] == [300.0]
    await again.close()


async def test_what_a_damaged_file_still_holds_is_recalled_and_kept(
    tmp_path: Path, clock: FakeClock
) -> None:
    """A torn index is no reason to forget which devices were stopped."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(*(given(100.0 + n) for n in range(200)))
    await journal.close()
    tear_index(tmp_path / NAME)
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()
    third = open_journal(tmp_path, clock)
    recalled_later = third.recall(SITE)
    await third.close()

    assert recalled.set_aside is not None
    assert recalled.state.devices["gate recorder"].phase is Phase.RESTING
    assert recalled_later.state == recalled.state
    assert recalled_later.set_aside is None


async def test_a_damaged_entry_is_named_and_the_rest_is_folded(
    tmp_path: Path, clock: FakeClock
) -> None:
    """One bad entry must neither keep the agent down nor pass unsaid."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(100.0), given(101.0, 2))
    journal.snapshot(initial(SITE))
    await journal.commit(given(102.0, 3), given(103.0, 4))
    await journal.close()
    change(tmp_path, "UPDATE events SET body = '{' WHERE id = 3")
    change(tmp_path, "UPDATE snapshots SET body = '7'")
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()

    assert recalled.events_read == 3
    assert ["snapshot" in recalled.troubles[0], "entry 3" in recalled.troubles[1]] == [True, True]


async def test_an_event_that_cannot_be_folded_is_named(tmp_path: Path, clock: FakeClock) -> None:
    """A fault of ours in one event must not keep the agent down in an outage."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(
        given(100.0),
        OrderClosed(
            101.0, "gate recorder#1", "gate recorder", Task.START, Ending.AT_REST, "cannot be"
        ),
    )
    await journal.close()
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()

    assert recalled.events_read == 1
    assert "entry 2 (closed_order) could not be folded" in recalled.troubles[0]


# Disks that misbehave


async def test_a_full_disk_holds_up_nobody_and_loses_nothing(
    tmp_path: Path, clock: FakeClock
) -> None:
    """A full disk never stops a stop."""
    disk = FullDisk()
    journal = open_journal(tmp_path, clock, connect=disk.connect)
    said: list[str] = []
    journal.on_trouble = said.append
    await journal.commit(given(100.0))
    disk.is_full = True
    began = time.monotonic()
    answers = [await journal.commit(given(101.0 + n)) for n in range(5)]
    took_s = time.monotonic() - began

    assert answers == [False] * 5
    assert took_s < BOUND_S
    assert not journal.is_healthy
    assert len(said) == 1
    assert "disk is full" in said[0]

    disk.is_full = False
    assert await journal.commit(given(110.0))
    await asyncio.sleep(0)
    assert journal.is_healthy
    assert "6 entries" in said[1]
    assert [row.at for row in held(tmp_path)] == [100.0, 101, 102, 103, 104, 105, 110.0]
    await journal.close()


async def test_a_full_disk_is_tried_again_without_being_asked(
    tmp_path: Path, clock: FakeClock
) -> None:
    """What is in memory is lost with the power, so it must not stay there for want of a commit."""
    disk = FullDisk()
    journal = open_journal(tmp_path, clock, connect=disk.connect)
    disk.is_full = True
    await journal.commit(given(101.0))
    disk.is_full = False

    await asyncio.to_thread(until, lambda: journal.is_healthy)
    assert [row.at for row in held(tmp_path)] == [101.0]
    await journal.close()


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs root")
async def test_a_disk_that_is_really_full_holds_up_nobody(tmp_path: Path, clock: FakeClock) -> None:
    """The same against the kernel's own tmpfs, of one mebibyte."""
    with small_disk(tmp_path / "disk") as folder:
        journal = open_journal(folder, clock)
        await journal.commit(given(100.0))
        fill(folder / "filler")
        began = time.monotonic()
        answers: list[bool] = []
        while not answers or answers[-1]:
            answers.append(await journal.commit(NoticeRaised(101.0, "info", "a", "x" * 9000)))
            assert len(answers) < 1000
        slowest_s = time.monotonic() - began
        more = await journal.commit(given(102.0))
        (folder / "filler").unlink()
        healed = await journal.commit(given(103.0))
        await journal.close()
        found = [row.at for row in held(folder)]

    assert (more, healed) == (False, True)
    assert slowest_s < BOUND_S + 0.1 * len(answers)
    assert found == [100.0, *[101.0] * len(answers), 102.0, 103.0]


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs root")
@pytest.mark.parametrize("ended", ["in order", "killed"])
async def test_an_agent_starts_on_a_full_disk_and_knows_its_state(
    tmp_path: Path, clock: FakeClock, ended: str
) -> None:
    """Restarted in an outage on a full disk it still has to know what it stopped."""
    with small_disk(tmp_path / "disk") as folder:
        if ended == "in order":
            journal = open_journal(folder, clock)
            await journal.commit(given(100.0))
            await journal.close()
        else:
            kill_after_a_commit(folder)
        fill(folder / "filler")
        again = open_journal(folder, clock)
        recalled = again.recall(SITE)
        await again.commit(given(101.0, 2))
        (folder / "filler").unlink()
        await asyncio.to_thread(until, lambda: again.is_healthy)
        await again.close()
        found = [row.at for row in held(folder)]

    assert recalled.state.devices["gate recorder"].phase is Phase.RESTING
    assert found == [100.0, 101.0]


async def test_a_stuck_disk_holds_up_nobody_twice(tmp_path: Path, clock: FakeClock) -> None:
    """Half a second is lost once; the stops behind it go out at once."""
    disk = StuckDisk()
    journal = open_journal(tmp_path, clock, connect=disk.connect)
    said: list[str] = []
    journal.on_trouble = said.append
    disk.gate.clear()
    began = time.monotonic()
    first = await journal.commit(given(100.0))
    first_s = time.monotonic() - began
    began = time.monotonic()
    others = [await journal.commit(given(101.0 + n)) for n in range(10)]
    others_s = time.monotonic() - began

    assert (first, any(others)) == (False, False)
    assert 0.4 < first_s < BOUND_S
    assert others_s < 2.5, "ten that waited half a second each would take five"
    assert len(said) == 1
    assert "longer than 0.5 s" in said[0]
    assert not journal.is_healthy

    disk.gate.set()
    await asyncio.to_thread(until, lambda: journal.is_healthy)
    assert [row.at for row in held(tmp_path)] == [100.0, *(101.0 + n for n in range(10))]
    assert len(said) == 2
    await journal.close()


def test_the_half_second_is_a_real_one_in_a_loop_that_hurries(
    tmp_path: Path, clock: FakeClock
) -> None:
    """In the demo, at sixty seconds a second, a good disk would else be called slow."""
    disk = StuckDisk()

    async def commit_twice() -> tuple[bool, bool, float]:
        journal = open_journal(tmp_path, clock, connect=disk.connect)
        good = await journal.commit(given(100.0))
        disk.gate.clear()
        began = time.monotonic()
        stuck = await journal.commit(given(101.0))
        took_s = time.monotonic() - began
        disk.gate.set()
        await journal.close()
        return good, stuck, took_s

    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(60.0))) as runner:
        good, stuck, took_s = runner.run(commit_twice())

    assert (good, stuck) == (True, False)
    assert 0.4 < took_s < BOUND_S


async def test_closing_on_a_stuck_disk_ends_in_time_and_keeps_the_lock(
    tmp_path: Path, clock: FakeClock
) -> None:
    """SIGTERM ends the agent within seconds, and no second one may write beside its last flush."""
    disk = StuckDisk()
    journal = open_journal(tmp_path, clock, connect=disk.connect)
    disk.gate.clear()
    journal.note(given(100.0))
    began = time.monotonic()
    await journal.close(within_s=0.2)
    took_s = time.monotonic() - began

    assert took_s < BOUND_S
    assert journal.lock.is_held
    disk.gate.set()
    await journal.close()
    assert not journal.lock.is_held
    assert [row.at for row in held(tmp_path)] == [100.0]


async def test_a_file_damaged_while_it_is_written_is_replaced(
    tmp_path: Path, clock: FakeClock
) -> None:
    """Damage in the middle of an outage costs the past, not the rest of the outage."""
    journal = open_journal(tmp_path, clock)
    journal.remember("time_zone", "Europe/Lisbon")
    await journal.commit(*(given(100.0 + n) for n in range(200)))
    said: list[str] = []
    journal.on_trouble = said.append
    with closing(sqlite3.connect(tmp_path / NAME)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with (tmp_path / NAME).open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * 4096 * 30)
    # A busy disk may be told of besides.
    async with asyncio.timeout(30):
        while not any("set aside" in words for words in said):
            await journal.commit(given(400.0))
            await asyncio.sleep(0.01)
    await asyncio.to_thread(until, lambda: journal.is_healthy)

    assert await journal.commit(given(401.0))
    assert [row.at for row in held(tmp_path)][-1] == 401.0
    assert site_facts(tmp_path)["time_zone"] == "Europe/Lisbon"
    await journal.close()


def test_memory_has_a_bound_and_readings_go_first(tmp_path: Path) -> None:
    """A disk that is gone for a month must not take the box's memory with it."""
    disk = FullDisk()
    numbers = range(24)
    disk.is_full = True
    written: list[int] = []
    closed: list[bool] = []
    said: list[Trouble] = []
    writer = JournalWriter(
        tmp_path / NAME,
        disk.connect,
        connection=None,
        utc=lambda: START_UTC,
        tell=said.append,
        kept_in_memory=10,
    )
    for number in numbers:
        write = functools.partial(lambda n, connection: written.append(n), number)
        writer.put([write], is_reading=number % 2 == 1)
    disk.is_full = False
    writer.close(within_s=5.0, answer=closed.append)
    until(lambda: bool(closed))

    assert closed == [True]
    assert written == list(numbers[4::2])


# Pieces


def tear_index(path: Path) -> None:
    """Overwrite the first page of an index, and nothing else."""
    with closing(sqlite3.connect(path)) as connection:
        page, size = connection.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_master"
            " WHERE name = 'events_at'"
        ).fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """Mount a disk of one mebibyte."""
    folder.mkdir()
    mounted = subprocess.run(
        ["/usr/bin/mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)], check=False
    )
    if mounted.returncode:
        pytest.skip("this machine lets nobody mount a disk")
    try:
        yield folder
    finally:
        subprocess.run(["/usr/bin/umount", "-l", str(folder)], check=True)


def fill(path: Path) -> None:
    """Write until the disk is full."""
    with path.open("wb", buffering=0) as file:
        for size in (4096, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue
