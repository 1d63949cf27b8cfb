"""The journal of a site: what goes in is there after whatever happens, and folds to the state."""

import asyncio
import os
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from agent.box.clock_sync import clock_is_synced
from agent.errors import JournalError
from agent.journal.file import NAME, SNAPSHOTS_KEPT, open_to_write
from agent.journal.lock import StateLock
from policies.events import Ending, Event, OrderClosed, StepBegan
from policies.model import Task
from policies.state import Phase, fold, initial
from tests.agent.journals import (
    SITE,
    StuckDisk,
    change,
    given,
    held,
    open_journal,
    taken,
    until,
)
from tests.fakes import FakeClock

RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")  # section 5.6, in UTC


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


def beside(folder: Path) -> list[str]:
    """What lies beside the journal's file: while it is open, its log of writes."""
    return sorted(path.name for path in folder.iterdir() if path.name.startswith(f"{NAME}-"))


async def test_a_journal_at_rest_is_closed_whole_and_writes_no_note(
    tmp_path: Path, clock: FakeClock
) -> None:
    """The power of the agent's box may go any moment: its file system has nothing to lose."""
    journal = open_journal(tmp_path, clock)
    assert await journal.commit(given(10.0))
    journal.note(taken(11.0))
    journal.rest(True)
    until(lambda: not beside(tmp_path))
    before = (tmp_path / NAME).read_bytes()
    journal.note(taken(12.0))
    await asyncio.sleep(0.05)  # no event says that nothing was written

    assert (tmp_path / NAME).read_bytes() == before
    assert len(held(tmp_path)) == 2
    await journal.close()


async def test_what_must_be_durable_is_written_at_rest_too_and_the_file_closed_again(
    tmp_path: Path, clock: FakeClock
) -> None:
    """An order that is given while it waits stands in the journal like any other."""
    journal = open_journal(tmp_path, clock)
    journal.rest(True)
    journal.note(taken(11.0))

    assert await journal.commit(given(12.0))
    until(lambda: not beside(tmp_path))
    assert len(held(tmp_path)) == 2
    await journal.close()


async def test_a_journal_that_is_taken_up_again_writes_what_was_noted_meanwhile(
    tmp_path: Path, clock: FakeClock
) -> None:
    """Power stayed: nothing of the story is missing."""
    journal = open_journal(tmp_path, clock)
    journal.rest(True)
    until(lambda: not beside(tmp_path))
    journal.note(taken(11.0))
    journal.rest(False)
    until(lambda: len(held(tmp_path)) == 1)

    assert await journal.commit(given(12.0))
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
        "import os, sys; from pathlib import Path; from agent.journal.lock import StateLock\n"
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
