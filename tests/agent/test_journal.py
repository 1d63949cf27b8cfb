"""The journal of a site: what goes in is there after whatever happens, and folds to the state."""

import asyncio
import functools
import os
import re
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from agent.clock_sync import clock_is_synced
from agent.errors import JournalError
from agent.journal_file import NAME, SNAPSHOTS_KEPT, open_to_write
from agent.journal_view import site_facts
from agent.journal_writer import JournalWriter, Trouble
from agent.state_lock import StateLock
from agent.virtual.pace import PacedLoop, SpedUpPace
from policies.model import Task
from policies.state import (
    Ending,
    Event,
    NoticeRaised,
    OrderClosed,
    Phase,
    StepBegan,
    fold,
    initial,
)
from tests.agent.journals import (
    SITE,
    FullDisk,
    StuckDisk,
    given,
    held,
    open_journal,
    taken,
    until,
)
from tests.fakes import START_UTC, FakeClock

RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")  # section 5.6, in UTC
BOUND_S = 0.9
"""The half second that a commit may wait, and room for two busy cores."""


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(at=100.0)


# What goes in


async def test_what_commit_acknowledged_is_on_the_disk(tmp_path: Path, clock: FakeClock) -> None:
    """The intent must be there before the order goes out, or a crash forgets the order."""
    journal = open_journal(tmp_path, clock)

    assert await journal.commit(given(100.0), StepBegan(100.0, "gate recorder#1", "a", "stop"))
    assert [row.kind for row in held(tmp_path)] == ["gave_order", "began_step"]
    await journal.close()


async def test_an_entry_carries_both_times(tmp_path: Path, clock: FakeClock) -> None:
    """Elapsed time is for the fold, wall time for people, and both must be told apart."""
    journal = open_journal(tmp_path, clock, synced=lambda: None, dry_run=True)
    await clock.advance(1.5)
    await journal.commit(given(101.0))
    await journal.close()
    (row,) = held(tmp_path)

    assert (row.at, row.monotonic, row.boot) == (101.0, 101.5, "boot-1")
    assert (row.synced, row.dry, row.version) == (None, True, 1)
    assert RFC_3339.fullmatch(row.utc)
    assert row.utc == "2026-03-01T22:00:01.500Z"


async def test_the_file_is_flushed_at_each_commit(tmp_path: Path, clock: FakeClock) -> None:
    """SQLite's manual, "PRAGMA synchronous": in WAL mode only FULL (2) survives power loss."""
    await open_journal(tmp_path, clock).close()
    with closing(open_to_write(tmp_path / NAME)) as connection:
        found = [
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("synchronous", "journal_mode", "auto_vacuum")
        ]

    assert found == [2, "wal", 2]


async def test_notes_go_with_the_next_commit_before_it(tmp_path: Path, clock: FakeClock) -> None:
    """The order of entries is the order of the fold."""
    journal = open_journal(tmp_path, clock)
    journal.note(taken(100.0), taken(101.0))
    await journal.commit(given(102.0))

    assert [row.at for row in held(tmp_path)] == [100.0, 101.0, 102.0]
    await journal.close()


async def test_close_writes_what_was_only_noted(tmp_path: Path, clock: FakeClock) -> None:
    """An agent that ends in order loses no reading."""
    journal = open_journal(tmp_path, clock)
    journal.note(taken(100.0))
    await journal.close()

    assert [row.kind for row in held(tmp_path)] == ["took_reading"]


async def test_commits_at_the_same_time_share_a_flush(tmp_path: Path, clock: FakeClock) -> None:
    """Thirty devices that answer at once must not wait for thirty flushes in a row."""
    disk = StuckDisk()
    journal = open_journal(tmp_path, clock, connect=disk.connect)
    disk.gate.clear()
    first = asyncio.ensure_future(journal.commit(given(100.0)))
    await asyncio.sleep(0.05)
    rest = [asyncio.ensure_future(journal.commit(given(101.0 + n))) for n in range(30)]
    await asyncio.sleep(0)
    disk.gate.set()

    assert all(await asyncio.gather(first, *rest))
    assert [row.at for row in held(tmp_path)] == [100.0, *(101.0 + n for n in range(30))]
    await journal.close()


async def test_a_cancelled_commit_is_still_written(tmp_path: Path, clock: FakeClock) -> None:
    """Whoever waited may be gone; what happened has happened."""
    journal = open_journal(tmp_path, clock)
    task = asyncio.ensure_future(journal.commit(given(100.0)))
    await asyncio.sleep(0)
    task.cancel()
    await journal.commit(given(101.0))

    assert [row.at for row in held(tmp_path)] == [100.0, 101.0]
    await journal.close()


async def test_a_closed_journal_says_no(tmp_path: Path, clock: FakeClock) -> None:
    """A yes for what nobody will write would be a lie."""
    journal = open_journal(tmp_path, clock)
    await journal.close()

    assert not await journal.commit(given(100.0))
    assert not journal.is_healthy
    await journal.close()


# What comes out


async def test_a_new_journal_knows_nothing(tmp_path: Path, clock: FakeClock) -> None:
    """The first start of a site is no trouble."""
    journal = open_journal(tmp_path / "new" / "place", clock)
    recalled = journal.recall(SITE)
    await journal.close()

    assert recalled.state == initial(SITE)
    assert (recalled.resume_at, recalled.uncertain, recalled.gone_s) == (0.0, False, 0.0)
    assert (recalled.events_read, recalled.set_aside, recalled.troubles) == (0, None, ())


async def test_the_state_after_a_restart_is_the_state_before(
    tmp_path: Path, clock: FakeClock
) -> None:
    """Killed in mid-stop, the agent takes up the stop instead of forgetting it."""
    events: list[Event] = [
        given(100.0),
        StepBegan(101.0, "gate recorder#1", "gate recorder", "stop"),
    ]
    journal = open_journal(tmp_path, clock)
    await journal.commit(*events)
    await journal.close()
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()
    state = initial(SITE)
    for event in events:
        state = fold(SITE, state, event)

    assert recalled.state == state
    assert recalled.state.devices["gate recorder"].phase is Phase.RESTING
    assert recalled.events_read == 2


async def test_the_fold_starts_at_the_newest_snapshot(tmp_path: Path, clock: FakeClock) -> None:
    """A journal of years must not be read from its first day at every start."""
    journal = open_journal(tmp_path, clock)
    state = fold(SITE, initial(SITE), given(100.0))
    for number in range(SNAPSHOTS_KEPT + 3):
        journal.note(given(100.0))
        journal.snapshot(replace(state, orders=number))
    await journal.commit(
        OrderClosed(
            105.0, "gate recorder#1", "gate recorder", Task.REST, Ending.AT_REST, "it is gone"
        )
    )
    await journal.close()
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()
    with closing(sqlite3.connect(tmp_path / NAME)) as connection:
        kept = connection.execute("SELECT count(*) FROM snapshots").fetchone()[0]

    assert recalled.events_read == 1
    assert recalled.state.orders == SNAPSHOTS_KEPT + 2
    assert recalled.state.devices["gate recorder"].phase is Phase.AT_REST
    assert kept == SNAPSHOTS_KEPT


async def test_dry_and_live_runs_never_fold_into_each_other(
    tmp_path: Path, clock: FakeClock
) -> None:
    """A recorder brought to rest in dry run still records; to a live agent it is running."""
    dry = open_journal(tmp_path, clock, dry_run=True)
    await dry.commit(given(100.0))
    dry.snapshot(fold(SITE, initial(SITE), given(100.0)))
    await dry.close()
    live = open_journal(tmp_path, clock)
    recalled = live.recall(SITE)
    await live.close()
    dry_again = open_journal(tmp_path, clock, dry_run=True)
    recalled_dry = dry_again.recall(SITE)
    await dry_again.close()

    assert recalled.state == initial(SITE)
    assert recalled_dry.state.devices["gate recorder"].phase is Phase.RESTING


async def test_a_newer_releases_entry_is_kept_and_passed_over(
    tmp_path: Path, clock: FakeClock
) -> None:
    """A release rolled back reads its successor's journal."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(100.0), given(101.0, 2), given(102.0, 3))
    await journal.close()
    change(tmp_path, "UPDATE events SET kind = 'sang_song', version = 7 WHERE id = 1")
    change(
        tmp_path,
        "INSERT INTO snapshots (after_id, version, utc, dry, body)"
        " VALUES (3, 7, '', 0, 'new form')",
    )
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()

    assert recalled.events_read == 2
    assert recalled.troubles == ()
    assert [row.kind for row in held(tmp_path)] == ["sang_song", "gave_order", "gave_order"]


# Time that goes on


async def test_site_time_goes_on_by_the_monotonic_clock_within_a_boot(
    tmp_path: Path, clock: FakeClock
) -> None:
    """A wall clock that is set while the agent is down must not move deadlines."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(1100.0), taken(1099.0))
    await journal.close()
    await clock.advance(40.0)
    clock.step_wall(-7200.0)
    again = open_journal(tmp_path, clock)
    recalled = again.recall(SITE)
    await again.close()

    assert (recalled.resume_at, recalled.gone_s, recalled.uncertain) == (1140.0, 41.0, False)


@pytest.mark.parametrize(
    ("boot", "wall_s", "gone_s"),
    [("boot-2", 3600.0, 3600.0), ("boot-2", -3600.0, 0.0), ("boot-1", 60.0, 60.0)],
    ids=["another boot", "a clock behind", "a monotonic clock that began anew"],
)
async def test_site_time_crosses_a_reboot_by_the_wall_clock_and_says_so(
    tmp_path: Path, clock: FakeClock, boot: str, wall_s: float, gone_s: float
) -> None:
    """After power loss the wall clock is all there is, and may be behind by the whole outage."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(1100.0))
    await journal.close()
    clock.step_wall(wall_s + 95.0)  # the monotonic clock starts again at 5 s
    later = FakeClock(at=5.0, utc=clock.utc())
    later.step_wall(-95.0)
    again = open_journal(tmp_path, later, boot=boot)
    recalled = again.recall(SITE)
    await again.close()

    assert (recalled.resume_at, recalled.gone_s) == (1100.0 + gone_s, gone_s)
    assert recalled.uncertain


async def test_a_box_without_boot_ids_never_trusts_its_monotonic_clock(
    tmp_path: Path, clock: FakeClock
) -> None:
    """Two unknown boots are not the same boot."""
    journal = open_journal(tmp_path, clock, boot="unknown")
    await journal.commit(given(100.0))
    await journal.close()
    again = open_journal(tmp_path, clock, boot="unknown")
    recalled = again.recall(SITE)
    await again.close()

    assert recalled.uncertain


def test_the_kernel_is_heard_on_whether_the_clock_is_synchronised(tmp_path: Path) -> None:
    """Checked against adjtimex(2) called without our structure: perl, by system call number."""
    number = {"x86_64": 159, "aarch64": 171}.get(os.uname().machine)
    status_at = 40  # five longs before it, <linux/timex.h>
    if number is None:
        pytest.skip("the number of adjtimex(2) on this machine is not known here")
    said = subprocess.run(
        ["/usr/bin/perl", "-e", f'$b = "\\0" x 512; $s = syscall({number}, $b); print "$s ", '
         f'unpack("l", substr($b, {status_at}, 4))'],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    state, status = int(said[0]), int(said[1])
    mark = tmp_path / "none"

    expected = None if state < 0 else state != 5 and not status & 0x40
    assert clock_is_synced(mark=mark) is expected


# One agent a site


async def test_a_second_agent_is_refused_and_told_which_holds_the_place(
    tmp_path: Path, clock: FakeClock
) -> None:
    """Two agents would stop and start the same devices against each other."""
    journal = open_journal(tmp_path, clock)
    with pytest.raises(JournalError, match=rf"in use by process {os.getpid()}; one agent a site"):
        open_journal(tmp_path, clock)
    await journal.close()
    await open_journal(tmp_path, clock).close()


def test_an_agent_that_was_killed_leaves_no_lock(tmp_path: Path, clock: FakeClock) -> None:
    """The box must come back by itself after power loss."""
    code = (
        "import os, sys; from pathlib import Path; from agent.state_lock import StateLock\n"
        "StateLock.take(Path(sys.argv[1])); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)

    lock = StateLock.take(tmp_path)
    assert (tmp_path / "agent.pid").read_text() == f"{os.getpid()}\n"
    lock.release()


def test_a_place_that_cannot_be_a_directory_is_refused(tmp_path: Path, clock: FakeClock) -> None:
    """The message says what to change, instead of an errno."""
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match=r"cannot use .* as the state directory"):
        open_journal(tmp_path / "file", clock)


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
    assert others_s < 0.3
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
    while await journal.commit(given(400.0)):
        assert not said, "the damage has to be seen at some commit"
        await asyncio.sleep(0.01)
    await asyncio.to_thread(until, lambda: journal.is_healthy)

    assert "set aside" in said[0]
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


COMMITTER = """
import asyncio, sys, time
from datetime import UTC, datetime
from pathlib import Path
from agent.journal import Journal
from tests.agent.journals import SITE, given

async def main() -> None:
    journal = Journal.open(
        Path(sys.argv[1]), dry_run=False, utc=lambda: datetime.now(UTC), monotonic=time.monotonic
    )
    recalled = journal.recall(SITE)
    assert not recalled.troubles, recalled.troubles
    for number in range(int(sys.argv[2]), int(sys.argv[2]) + 100_000):
        assert await journal.commit(given(float(number), number))
        print(number, flush=True)

asyncio.run(main())
"""


def kill_amid_commits(folder: Path, *, first: int, after: int) -> list[int]:
    """Run an agent that commits for all it is worth, kill it, and return what it was assured of.

    Args:
        folder: the state directory.
        first: number of its first entry.
        after: kill once so many were acknowledged.
    """
    with subprocess.Popen(
        [sys.executable, "-c", COMMITTER, str(folder), str(first)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(["."])},
    ) as agent:
        assert agent.stdout is not None
        heard = [int(agent.stdout.readline()) for _ in range(after)]
        agent.kill()
        rest = agent.stdout.read().splitlines(keepends=True)
    return heard + [int(line) for line in rest if line.endswith("\n")]


def kill_after_a_commit(folder: Path) -> None:
    """Leave the journal of an agent that was killed, its one order at 100 s."""
    kill_amid_commits(folder, first=100, after=1)
    # Whatever it wrote beyond the first is taken out again, so that the test knows the rest.
    change(folder, "DELETE FROM events WHERE at > 100")


def change(folder: Path, sql: str) -> None:
    """Do to the file what no release of this one does."""
    with closing(sqlite3.connect(folder / NAME)) as connection, connection:
        connection.execute(sql)


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


def size_of(folder: Path) -> int:
    """Return the bytes of the journal, its side files included."""
    return sum(path.stat().st_size for path in folder.glob(f"{NAME}*"))


def is_gone(folder: Path, kind: str, before: float) -> bool:
    """Whether no entry of that kind from before that time is left."""
    with closing(sqlite3.connect(folder / NAME)) as connection:
        found = connection.execute(
            "SELECT count(*) FROM events WHERE kind = ? AND at < ?", (kind, before)
        )
        return bool(found.fetchone()[0] == 0)


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
