"""What the journal writes a day and holds after years: for the life of an SD card.

Run: .venv/bin/python tests/bench/journal_years.py [--devices 20] [--units 1] [--days 3]

Days on mains, as the engine journals them (a reading a minute and unit, a snapshot when one is
due), then an outage of two hours at a reading every two seconds, go through the real journal on a
real file, each flush by itself. Bytes written are the kernel's own count for this process
(/proc/self/io, write_bytes: what its dirtied pages come to). Years are reckoned, at 30 outages.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import structlog

from agent.engine import SNAPSHOT_EVERY_S
from agent.journal.codec import encode
from agent.journal.file import held_bytes
from agent.journal.file import reading as opened
from agent.journal.journal import Journal
from agent.news import READING_EVERY_S
from policies.events import OrderGiven, ReadingTaken, SupplyJudged
from policies.model import (
    Battery,
    Device,
    Order,
    OutputSource,
    Reading,
    Reason,
    Site,
    Task,
    Unit,
)
from policies.state import SiteState, fold, initial
from policies.supply import Supply
from tests.fakes import FakeClock

DAY_S = 86400.0
OUTAGE_S = 7200.0
ON_BATTERY_S = 2.0
OUTAGES_A_YEAR = 30


def written() -> int:
    """Return the bytes that this process has had written to disks."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def site_of(units: int, devices: int) -> Site:
    """Return a site of so many."""
    names = [f"cabinet {number}" for number in range(units)]
    return Site(
        "boatyard",
        {name: Unit(name, 1000.0, 700.0, Battery(watt_hours=200.0)) for name in names},
        {
            f"camera {number}": Device(f"camera {number}", feeds=(names[number % units],))
            for number in range(devices)
        },
    )


def reading(unit: str, at: float, *, is_on_battery: bool = False) -> ReadingTaken:
    """Return one as full as units give them."""
    source = OutputSource.BATTERY if is_on_battery else OutputSource.NORMAL
    return ReadingTaken(
        at,
        Reading(
            unit,
            at,
            output_source=source,
            on_battery_s=0.0,
            runtime_s=2820.0,
            charge=1.0,
            battery_v=41.0,
            output_w=180.0 + at % 7,
            load_share=0.26,
            line_bads=3,
            uptime_s=at,
        ),
    )


class Run:
    """One journal, its state, and what was given to it."""

    def __init__(self, journal: Journal, site: Site) -> None:
        self.journal = journal
        self.site = site
        self.state: SiteState = initial(site)
        self.flushes = 0

    async def quiet(self, from_at: float, seconds: float) -> None:
        """Pass a while on mains."""
        snapshot_at = from_at + SNAPSHOT_EVERY_S
        at = from_at
        while at < from_at + seconds:
            at += READING_EVERY_S
            for unit in self.site.units:
                self._fold(event := reading(unit, at))
                self.journal.note(event)
            if at >= snapshot_at:
                self.journal.snapshot(self.state)
                snapshot_at = at + SNAPSHOT_EVERY_S
            await self._flush()

    async def outage(self, from_at: float) -> None:
        """Pass an outage in which every device is told once."""
        at, told = from_at, iter(self.site.devices)
        while at < from_at + OUTAGE_S:
            at += ON_BATTERY_S
            for unit in self.site.units:
                self._fold(event := reading(unit, at, is_on_battery=True))
                self.journal.note(event)
            if (name := next(told, None)) is not None:
                reason = Reason("latest_safe_start", f"{name}: stopping now", {"lower_s": 580.0})
                order = Order(name, Task.REST, at + 90.0, reason)
                self.journal.note(OrderGiven(at, f"{name}#1", order))
            if int(at / ON_BATTERY_S) % 3 == 0:
                await self._flush()
        self.journal.note(SupplyJudged(at, next(iter(self.site.units)), Supply.MAINS, "it is back"))
        await self._flush()

    def _fold(self, event: ReadingTaken) -> None:
        self.state = fold(self.site, self.state, event)

    async def _flush(self) -> None:
        assert await self.journal.commit()
        self.flushes += 1


def held(folder: Path) -> int:
    """Return the bytes that the entries take, without the write-ahead log (4 MB at most)."""
    with opened(folder) as connection:
        return held_bytes(connection)


async def measure(folder: Path, *, units: int, devices: int, days: int) -> None:
    """Print the figures."""
    clock = FakeClock()
    site = site_of(units, devices)
    journal = Journal.open(folder, dry_run=False, utc=clock.utc, monotonic=clock.monotonic)
    run = Run(journal, site)
    await run.quiet(0.0, 3600.0)  # past what a new file costs
    before, size_before, flushes = written(), held(folder), run.flushes
    await run.quiet(3600.0, days * DAY_S)
    a_day_b = (written() - before) / days
    flushes_a_day = (run.flushes - flushes) / days
    grown_b = (held(folder) - size_before) / days
    before, size_before = written(), held(folder)
    await run.outage(3600.0 + days * DAY_S)
    an_outage_b, outage_grown_b = written() - before, held(folder) - size_before
    await journal.close()
    a_year_b = 365 * a_day_b + OUTAGES_A_YEAR * an_outage_b
    print(f"{units} units, {devices} devices; a snapshot is {len(encode(run.state)) / 1e3:.1f} kB")
    print(f"a day on mains:   {a_day_b / 1e6:8.2f} MB written in {flushes_a_day:.0f} flushes,")
    print(f"                  {grown_b / 1e6:8.2f} MB more held")
    print(f"an outage of 2 h: {an_outage_b / 1e6:8.2f} MB written,")
    print(f"                  {outage_grown_b / 1e6:8.2f} MB more held")
    print(f"a year:           {a_year_b / 1e9:8.2f} GB written; ten years {a_year_b / 1e8:.0f} GB")


def main() -> None:
    """Measure in a folder of its own, on the disk that is asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--devices", type=int, default=20)
    parser.add_argument("--units", type=int, default=1)
    parser.add_argument("--days", type=int, default=3)
    parser.add_argument("--folder", default=None, help="where; tmpfs counts nothing")
    told = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    with tempfile.TemporaryDirectory(dir=told.folder) as folder:
        asyncio.run(measure(Path(folder), units=told.units, devices=told.devices, days=told.days))


if __name__ == "__main__":
    main()
