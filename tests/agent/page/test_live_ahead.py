"""The plan of an outage that begins now, which the page and the terminal keep at hand."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from agent.page import live_ahead, live_ride
from agent.page.door import Door
from agent.page.live_ahead import Ahead
from agent.page.live_past import Past
from agent.page.live_ride import LiveRide
from policies.plan import Plan
from tests.agent.commands import http_device
from tests.agent.page.page_site import page_site, serving
from tests.agent.test_wiring import loaded_site, running, until, until_heard
from tests.peers.snmpd import Snmpd

GATE = http_device(1, more='auth = "none"\nscheme = "http"\n')


@pytest.mark.peer
async def test_plan_is_of_the_file_as_the_agent_has_it(tmp_path: Path, snmpd: Snmpd) -> None:
    """Who edits the file while the agent runs must not break the page by names it does not know."""
    loaded = loaded_site(tmp_path, snmpd, GATE)
    async with running(loaded, tmp_path / "state") as agent:
        await until_heard(agent)
        ahead = Ahead(agent.core.door())
        await ahead.make()
        before = ahead.plan
        text = loaded.path.read_text("utf-8")
        loaded.path.write_text(text + GATE.replace("gate recorder", "quay recorder"))
        await ahead.make()
        after = ahead.plan

    assert before is not None and before.stops.keys() == {"gate recorder"}
    assert after is None


@pytest.mark.peer
async def test_plan_is_made_once_whoever_asks_and_goes(
    tmp_path: Path, snmpd: Snmpd, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a slow box a plan outlasts an answer: the next one waits for it and begins no other."""
    begun, may_go, make = [], threading.Event(), live_ahead._asked

    def slow(*asked: Any) -> Plan:
        begun.append(asked)
        may_go.wait(60.0)
        return make(*asked)

    monkeypatch.setattr(live_ahead, "_asked", slow)
    async with running(loaded_site(tmp_path, snmpd, GATE), tmp_path / "state") as agent:
        await until_heard(agent)
        glance = agent.core.parts.asks["glance"]
        first = asyncio.ensure_future(glance({}))
        await until(lambda: begun)
        first.cancel()
        await asyncio.wait({first})
        second = asyncio.ensure_future(glance({}))
        await asyncio.sleep(0)
        may_go.set()
        answer = await second

    assert len(begun) == 1
    assert answer["glance"]["is_imagined"] is True


async def test_outage_that_ends_while_its_story_is_read_is_not_taken_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long journal takes its time, and mains may return meanwhile: the page comes anyhow."""
    state = SimpleNamespace(outage_at=5.0, units={}, devices={})
    door = SimpleNamespace(engine=SimpleNamespace(state=state), folder=tmp_path, zone=None)

    def read(folder: Path) -> Any:
        state.outage_at = None
        return SimpleNamespace(outages=[SimpleNamespace(is_over=False)])

    monkeypatch.setattr(live_ride, "read_story", read)
    monkeypatch.setattr(live_ride, "told_ride", lambda *told, **more: None)
    found = LiveRide(cast(Door, door))
    await found.run()

    assert found.past == Past()


@pytest.mark.peer
async def test_page_and_terminal_have_one_plan(
    tmp_path: Path, snmpd: Snmpd, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each plan takes a small box some seconds and a process of 60 MB; two say the same."""
    begun, may_go, make = [], threading.Event(), live_ahead._asked

    def slow(*asked: Any) -> Plan:
        begun.append(asked)
        may_go.wait(60.0)
        return make(*asked)

    monkeypatch.setattr(live_ahead, "_asked", slow)
    async with serving(page_site(tmp_path, snmpd, GATE), tmp_path / "state") as served:
        await until_heard(served.agent)
        await served.web.get("/")
        await until(lambda: begun)
        asked = asyncio.ensure_future(served.agent.core.parts.asks["glance"]({}))
        may_go.set()
        answer = await asked
        page = await served.web.get("/")

    assert len(begun) == 1
    assert answer["glance"]["is_imagined"] is True
    assert "what an outage that begins now would be" in page.text
