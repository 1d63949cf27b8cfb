"""Pieces that the journal's tests share: a site, events of it, and disks that misbehave."""

import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from agent.journal.file import NAME, Row, open_to_write
from agent.journal.journal import Journal
from agent.journal.view import rows
from policies.events import OrderGiven, ReadingTaken
from policies.model import Battery, Device, Order, Reading, Reason, Site, Task, Unit
from tests.fakes import FakeClock

SITE = Site(
    "boatyard",
    {"cabinet": Unit("cabinet", 1000.0, 700.0, Battery(watt_hours=200.0))},
    {"gate recorder": Device("gate recorder", feeds=("cabinet",), stop_s=50.0)},
)


def given(at: float, number: int = 1) -> OrderGiven:
    """Return an order to the gate recorder, as the journal has it."""
    reason = Reason("latest_safe_start", "gate recorder: stopping now", {"lower_s": 580.0})
    order = Order("gate recorder", Task.REST, at + 90.0, reason)
    return OrderGiven(at, f"gate recorder#{number}", order)


def taken(at: float) -> ReadingTaken:
    """Return a reading of the cabinet."""
    return ReadingTaken(at, Reading("cabinet", at, charge=0.9))


def open_journal(folder: Path, clock: FakeClock, **more: Any) -> Journal:
    """Open a journal on *clock*, in a boot and with a clock state of its own unless told."""
    fixed: dict[str, Any] = {"dry_run": False, "boot": "boot-1", "synced": lambda: True, **more}
    return Journal.open(folder, utc=clock.utc, monotonic=clock.monotonic, **fixed)


def held(folder: Path) -> list[Row]:
    """Return every entry that a reader sees now."""
    return list(rows(folder))


def change(folder: Path, sql: str) -> None:
    """Do to the file what no release of this one does."""
    with closing(sqlite3.connect(folder / NAME)) as connection, connection:
        connection.execute(sql)


def until(holds: Callable[[], bool], *, within_s: float = 5.0) -> None:
    """Wait, in real time, for what another thread brings about."""
    ends_at = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < ends_at, "it did not come about in time"
        time.sleep(0.01)


class StuckDisk:
    """Opens real journals whose commits hang for as long as `gate` is closed."""

    def __init__(self) -> None:
        self.gate = threading.Event()
        self.gate.set()

    def connect(self, path: Path) -> sqlite3.Connection:
        """Open the journal at *path*, as `Journal.open` wants it."""
        gate = self.gate

        class Stuck(sqlite3.Connection):
            def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
                if sql == "COMMIT":
                    assert gate.wait(30.0)
                return super().execute(sql, *args)

        return open_to_write(path, factory=Stuck)


class FullDisk:
    """Opens real journals that say what SQLite says of a full disk, while `is_full`."""

    def __init__(self) -> None:
        self.is_full = False

    def connect(self, path: Path) -> sqlite3.Connection:
        """Open the journal at *path*, as `Journal.open` wants it."""
        disk = self

        class Full(sqlite3.Connection):
            def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
                if disk.is_full and sql == "COMMIT":
                    raise sqlite3.OperationalError("database or disk is full")
                return super().execute(sql, *args)

        return open_to_write(path, factory=Full)


COMMITTER = """
import asyncio, sys, time
from datetime import UTC, datetime
from pathlib import Path
from agent.journal.journal import Journal
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
