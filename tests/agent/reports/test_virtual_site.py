"""The report of the whole agent on the virtual site, held against what truly happened there."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from agent.config import load
from agent.reports.fates import Fate
from agent.reports.filing import reports_in
from agent.reports.outage import OutageTold, outage_told
from agent.story.model import Outage
from agent.story.read import read_story, zone_of
from agent.virtual import yard
from agent.virtual.box import run_on_box
from agent.virtual.demo import run_demo
from agent.virtual.pace import PacedLoop, SpedUpPace
from agent.virtual.site import VirtualSite
from policies.model import HOLDS_DATA
from policies.supply import Supply
from tests.agent.reports.pages import Page

pytestmark = pytest.mark.alone  # real handshakes, and a pace at which a stall counts for much

FACTOR = 150.0
POLLS_S = 40.0
"""The demo at this pace polls every 12 to 30 s of its time, and talks take some more of it."""

LATE_S = POLLS_S + 2.0 * FACTOR
"""How far an agent may be off that a busy machine keeps waiting for two real seconds."""


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Outage, OutageTold]:
    """The demo's outage: its truth, its story and its report."""
    folder = tmp_path_factory.mktemp("demo")
    truth = run_demo(folder, factor=FACTOR, seed=7419)
    story = read_story(folder / "state")
    outage = story.outages[-1]
    return truth, outage, outage_told(story, outage, zone=zone_of(story))


def test_the_report_agrees_with_the_truth(
    ridden: tuple[dict[str, Any], Outage, OutageTold],
) -> None:
    """Mains, the battery's end, and each stop, within the pace of polling."""
    truth, outage, told = ridden
    unit = next(iter(outage.units.values()))
    fates = {fate.name: fate for fate in told.fates}

    assert truth["ok"]
    assert outage.lasting_s == pytest.approx(truth["mains_back_s"], abs=LATE_S)
    assert unit.ended_at is not None
    assert unit.ended_at - outage.began_at == pytest.approx(truth["output_end_s"], abs=LATE_S)
    for device in truth["devices"]:
        fate = fates[device["name"]]
        if device["role"] not in HOLDS_DATA:
            assert fate.fate in (Fate.DARK, Fate.NO_TOUCH, Fate.RESTED), device
            continue
        assert fate.fate is Fate.RESTED
        assert fate.told_at is not None
        told_s = fate.told_at - outage.began_at
        assert told_s == pytest.approx(device["actual_stop_s"], abs=POLLS_S)
        closed = outage.devices[device["name"]].orders[0].closed_at
        assert closed is not None
        # It is told to be at rest only after it truly is.
        assert closed - outage.began_at >= device["at_rest_s"] - POLLS_S


def test_what_was_foretold_is_there_to_be_compared(
    ridden: tuple[dict[str, Any], Outage, OutageTold],
) -> None:
    """The agent itself wrote down what it believed and planned."""
    _, outage, told = ridden
    unit = next(iter(outage.units.values()))

    assert outage.plan is not None
    assert len(unit.beliefs) > 5
    assert all(one.lower_s <= one.median_s for one in unit.beliefs)
    assert {one.what for one in told.compared} >= {"lock recorder", f"battery of {unit.name}"}


def test_a_running_agent_files_its_report(tmp_path: Path) -> None:
    """Nobody has to ask: it lies there a few minutes after mains is back, and a notice says so."""
    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(FACTOR))) as runner:
        runner.run(_outage_of_minutes(tmp_path))
    (path,) = reports_in(tmp_path / "state")
    page = Page(path.read_text())

    assert page.faults == []
    assert "Mains failed on" in page.text
    assert "as far as it has gone" not in page.text
    story = read_story(tmp_path / "state")
    told = [one.text for one in story.heard if one.text.startswith("the report of the outage")]
    assert len(told) == 1
    assert str(path) in told[0]


async def _outage_of_minutes(folder: Path) -> None:
    polling = yard.Polling(on_mains_s=30.0, on_battery_s=12.0)
    async with VirtualSite(folder, chance=random.Random(7420), polling=polling) as site:
        loaded, faults = load(site.file, today=date.today())
        assert loaded is not None, faults
        agents: list[Any] = []
        job = asyncio.create_task(
            run_on_box(site, loaded, folder / "state", on_agent=agents.append)
        )
        try:
            async with asyncio.timeout(4 * 3600.0):  # of the site's time
                await asyncio.sleep(60.0)
                site.mains_fails()
                await _until(lambda: _is_on_battery(agents), every_s=5.0)
                site.mains_returns()
                await _until(lambda: _is_filed(folder), every_s=30.0)
                await asyncio.sleep(30.0)  # it is told of on the turns of the loop that follow
        finally:
            job.cancel()
            await asyncio.gather(job, return_exceptions=True)


async def _until(holds: Callable[[], bool], *, every_s: float) -> None:
    while not holds():  # noqa: ASYNC110  # a file, or a unit's own state, of which no event tells
        await asyncio.sleep(every_s)


def _is_filed(folder: Path) -> bool:
    return any("far as it has" not in p.read_text() for p in reports_in(folder / "state"))


def _is_on_battery(agents: list[Any]) -> bool:
    units = agents[-1].engine.state.units.values() if agents else ()
    return any(unit.supply is Supply.BATTERY for unit in units)
