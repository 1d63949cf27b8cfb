"""What the tests of notices share: notices that run, and a wait for what comes of them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import SecretStr

from agent.clock import LoopClock
from agent.config.notice_tables import NoticesTable, WebhookTable
from agent.notices import Notices
from agent.notices.build import ways_of
from agent.notices.channel import Sending
from agent.notices.letter import Letter
from agent.notices.words import Sender
from policies.telling import Topic
from tests.fakes import FakeClock

ZONE = ZoneInfo("Europe/Lisbon")
RAISED_UTC = datetime(2026, 7, 1, 22, 41, 7, 250000, tzinfo=UTC)
"""23:41:07 in Lisbon, in summer time."""


def sender(*, dry_run: bool = False, site: str = "boatyard") -> Sender:
    return Sender(site, ZONE, dry_run)


def letter(
    text: str = "mains has failed: cabinet runs on its battery",
    *,
    number: int = 1,
    severity: str = "error",
    about: str = "cabinet",
    topic: Topic = Topic.MAINS_LOST,
    at: float = 100.0,
    synced: bool | None = True,
) -> Letter:
    utc = RAISED_UTC
    return Letter(f"20260701T224107-{number}", severity, about, text, topic, at, utc, synced)


def sending(*letters: Letter, late_s: float = 0.0) -> Sending:
    return Sending(letters, letters[-1].at + late_s, RAISED_UTC)


@asynccontextmanager
async def told(table: NoticesTable, **more: Any) -> AsyncIterator[Notices]:
    """Run what *table* says, until the end of the block."""
    clock = more.pop("clock", None) or LoopClock()
    dry_run = more.pop("dry_run", False)
    ways, refused = ways_of(table, sender(dry_run=dry_run), clock=clock)
    assert not refused
    notices = Notices(ways, clock=clock, zone=ZONE, **more)
    task = asyncio.create_task(notices.run())
    try:
        yield notices
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def telling(
    *ports: int, clock: Any = None, dry_run: bool = False, path: str = "/hook", secret: str = ""
) -> AsyncIterator[Notices]:
    """Run webhooks on loopback."""
    hooks = [
        WebhookTable(
            url=f"http://127.0.0.1:{port}{path}", secret=SecretStr(secret) if secret else None
        )
        for port in ports
    ]
    async with told(NoticesTable(webhooks=hooks), clock=clock, dry_run=dry_run) as notices:
        yield notices


async def until(holds: Callable[[], object], *, within_s: float = 60.0) -> None:
    async with asyncio.timeout(within_s):
        while not holds():  # noqa: ASYNC110  # a peer's state, of which no event tells
            await asyncio.sleep(0.01)


async def advanced_until(
    clock: FakeClock, holds: Callable[[], object], *, step_s: float = 1.0, within_s: float = 90.0
) -> float:
    """Let site time run, real time for the sockets between; return the site time it took."""
    began_at = clock.monotonic()
    async with asyncio.timeout(within_s):
        while not holds():
            await asyncio.sleep(0.02)
            if clock.sleepers:
                await clock.advance(step_s)
    return clock.monotonic() - began_at
