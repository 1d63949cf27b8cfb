"""A running agent keeps the reports of its outages."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from agent.reports import filing as filing_module
from agent.reports.filing import KEPT, Filed, Filing, file_last, reports_in
from policies.events import SupplyJudged
from policies.state import SiteState
from policies.supply import Supply
from tests.agent.reports.pages import Page
from tests.agent.story.telling import rows_of, write_journal
from tests.agent.story.test_story import yard_ride
from tests.agent.yards import Yard
from tests.fakes import FakeClock

LISBON = ZoneInfo("Europe/Lisbon")
MADE = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


async def test_the_last_outage_is_filed_under_its_begin(tmp_path: Path) -> None:
    """Names that sort by time, whatever the zone."""
    events = await yard_ride()
    write_journal(tmp_path, rows_of(events), Yard().site)
    filed = file_last(tmp_path, zone=LISBON, now=events[-1].at, made=MADE)

    assert filed is not None
    assert filed.is_final
    assert filed.path.name == "outage-20260301T221705Z.html"
    assert reports_in(tmp_path) == [filed.path]
    page = Page(filed.path.read_text())
    assert page.faults == []
    assert "W in the mean" in page.text  # its readings were read


async def test_a_finished_report_is_left_alone_later(tmp_path: Path) -> None:
    """The journal keeps readings for a while only; the report has them."""
    events = await yard_ride()
    write_journal(tmp_path, rows_of(events), Yard().site)
    filed = file_last(tmp_path, zone=LISBON, now=events[-1].at, made=MADE)
    assert filed is not None
    before = filed.path.read_text()

    again = file_last(tmp_path, zone=LISBON, now=events[-1].at + 200_000.0, made=MADE)
    assert again is None
    assert filed.path.read_text() == before


async def test_old_reports_go(tmp_path: Path) -> None:
    """A box with a small disk runs for years."""
    events = await yard_ride()
    write_journal(tmp_path, rows_of(events), Yard().site)
    place = tmp_path / filing_module.FOLDER
    place.mkdir()
    for number in range(KEPT + 5):
        (place / f"outage-2025{number:04}T000000Z.html").write_text("old")
    file_last(tmp_path, zone=LISBON, now=events[-1].at, made=MADE)

    assert len(reports_in(tmp_path)) == KEPT
    assert reports_in(tmp_path)[-1].name == "outage-20260301T221705Z.html"


def test_without_an_outage_nothing_is_filed(tmp_path: Path) -> None:
    """And no empty folder is made."""
    write_journal(tmp_path, [], Yard().site)

    assert file_last(tmp_path, zone=LISBON, now=0.0, made=MADE) is None
    assert not (tmp_path / filing_module.FOLDER).exists()


async def test_a_report_comes_once_mains_is_steady(tmp_path: Path) -> None:
    """Not while it is away, and by itself."""
    events = await yard_ride()
    write_journal(tmp_path, rows_of(events), Yard().site)
    clock = FakeClock(at=events[-1].at)
    state = SiteState()
    told: asyncio.Queue[Filed] = asyncio.Queue()
    filing = Filing(
        tmp_path,
        clock=clock,
        zone=LISBON,
        state=lambda: state,
        steady_s=120.0,
        on_filed=told.put_nowait,
    )
    running = asyncio.create_task(filing.run())
    await clock.advance(200.0)  # at its start it looks once at what an earlier agent left
    async with asyncio.timeout(90):
        assert (await told.get()).is_final
    reports_in(tmp_path)[0].unlink()

    state = SiteState(outage_at=clock.monotonic())
    filing.hear(SupplyJudged(clock.monotonic(), "cabinet", Supply.BATTERY, "x"))
    await clock.advance(1000.0)
    assert reports_in(tmp_path) == []

    state = SiteState()
    filing.hear(SupplyJudged(clock.monotonic(), "cabinet", Supply.MAINS, "x"))
    await clock.advance(200.0)
    async with asyncio.timeout(90):
        filed = await told.get()
    assert reports_in(tmp_path) == [filed.path]
    assert filing.latest == filed
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
