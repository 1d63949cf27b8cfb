"""The call that lets somebody elsewhere notice our silence."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from pydantic import SecretStr

from agent.config.notice_tables import HeartbeatTable
from agent.notices.channel import Verdict
from agent.notices.heartbeat import AGAIN_S, Heartbeat
from policies.events import ReadingTaken
from policies.state import fold, initial
from tests.agent.notices.telling import advanced_until, sender
from tests.agent.yards import CABINET, SWITCH
from tests.fakes import FakeClock
from tests.peers.raw_http import raw_peer, reply, says
from tests.policies.sites import on_mains, site_of

OK = says(reply(b""))
BUSY = says(reply(b"", status="503 Service Unavailable"))
SITE = site_of(SWITCH, units=(CABINET,))


@asynccontextmanager
async def beating(port: int, clock: FakeClock, **more: Any) -> AsyncIterator[list[bool]]:
    """Let a heart beat; yield the list whose last entry says whether the agent is well."""
    well = [True]
    state = fold(SITE, initial(SITE), ReadingTaken(1.0, on_mains(1.0)))
    url = f"http://127.0.0.1:{port}/ping/K3Y"
    table = HeartbeatTable.model_validate({"url": url, "every": "1m", **more})
    heartbeat = Heartbeat(
        table, sender(), clock=clock, state=lambda: state, is_well=lambda: well[-1]
    )
    task = asyncio.create_task(heartbeat.run())
    try:
        yield well
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_it_beats_as_often_as_the_file_says() -> None:
    """Who listens raises the alarm after two or three that stay away."""
    clock = FakeClock()
    async with raw_peer(OK) as peer, beating(peer.port, clock):
        await advanced_until(clock, lambda: len(peer.requests) == 4, step_s=10.0)

    assert 180.0 <= clock.monotonic() <= 200.0
    assert peer.requests[0].startswith(b"GET /ping/K3Y HTTP/1.1\r\n")


async def test_it_stops_while_the_agent_does_not_do_its_work_and_goes_on_after() -> None:
    """A poll loop that hangs looks alive to everybody but the one who asks what was done."""
    clock = FakeClock()
    async with raw_peer(OK) as peer, beating(peer.port, clock) as well:
        await advanced_until(clock, lambda: len(peer.requests) == 1)
        well.append(False)
        for _ in range(20):
            await clock.advance(30.0)
        silent_for = len(peer.requests)
        well.append(True)
        await advanced_until(clock, lambda: len(peer.requests) == 2, step_s=5.0)

    assert silent_for == 1


async def test_state_goes_along_signed_where_the_file_wants_it() -> None:
    """A receiver that reads it knows an outage from a dead line."""
    clock = FakeClock()
    more = {"method": "POST", "secret": SecretStr("tide-tables")}
    async with raw_peer(OK) as peer, beating(peer.port, clock, **more):
        await advanced_until(clock, lambda: peer.requests)

    head, _, body = peer.requests[0].partition(b"\r\n\r\n")
    assert json.loads(body) == {
        "format": 1, "site": "boatyard", "time": "2026-03-01T22:00:00.000Z", "outage_s": None,
        "supply": {"cabinet": "mains"}, "paused": False, "waiting": 0, "dry_run": False,
    }  # fmt: skip
    assert b"lastwatt-signature: t=" in head.lower()


async def test_beat_that_was_not_heard_is_repeated_soon() -> None:
    """One lost packet must not look like a dead site."""
    clock = FakeClock()
    async with raw_peer(BUSY, OK) as peer, beating(peer.port, clock):
        took_s = await advanced_until(clock, lambda: len(peer.requests) == 2)

    assert took_s <= AGAIN_S + 5.0
    assert Verdict.TAKEN.value == "taken"
