"""What is said from where nothing can be awaited, and what is too much of it."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import cast

from agent.engine import Engine
from agent.saying import WAITING_MOST, Saying


async def test_what_is_too_much_is_counted_and_told() -> None:
    said: list[tuple[str, str]] = []
    told = asyncio.Event()

    async def notice(severity: str, about: str, text: str, topic: str = "") -> None:
        said.append((about, text))
        if len(said) > WAITING_MOST:
            told.set()

    site = SimpleNamespace(name="Quayside boatyard")
    engine = cast("Engine", SimpleNamespace(site=site, notice=notice))
    saying = Saying(lambda: engine)
    for n in range(WAITING_MOST + 3):
        saying.say("info", f"pump {n}", "it turns")
    assert saying.is_waiting

    running = asyncio.create_task(saying.run())
    async with asyncio.timeout(10):
        await told.wait()
    running.cancel()

    assert [about for about, _ in said[:WAITING_MOST]] == [f"pump {n}" for n in range(WAITING_MOST)]
    assert said[-1][0] == "Quayside boatyard"
    assert said[-1][1].startswith("3 notices and records came faster")
    assert not saying.is_waiting
