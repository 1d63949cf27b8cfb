"""The boatyard with somebody at the agent's socket, on a clock that moves by hand."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

from agent.by_hand.hands import Hands
from policies.events import Ending, Event, OrderClosed
from policies.model import Task
from policies.state import Phase, SiteState
from tests.agent.yards import Yard

STEADY_S = 600.0
"""Mains long enough back for everything that is to return by itself."""


class Heard(list[Event]):
    """What the agent told its listeners; somebody at the socket is one of them."""

    hands: Hands | None = None

    def __init__(self) -> None:
        super().__init__()
        self.others: list[Callable[[Event], None]] = []

    def append(self, event: Event) -> None:
        super().append(event)
        if self.hands is not None:
            self.hands.pause.hear(event)
        for hear in self.others:
            hear(event)


class Attended(Yard):
    """The boatyard, and somebody at the agent's socket."""

    hands: Hands

    async def attend(self, state: SiteState | None = None) -> None:
        """Start the agent and what answers by hand, and let it hear of its unit."""
        self.heard = heard = Heard()
        engine = self.start(state)
        self.hands = heard.hands = Hands(engine, clock=self.clock, zone=ZoneInfo("Europe/Lisbon"))
        self._watching.append(asyncio.create_task(self.hands.pause.run(), name="pause"))
        await self.clock.advance(25.0)

    async def leave(self) -> None:
        """End the agent in order."""
        await self.hands.close()
        await self.stop()

    async def ask(self, name: str, **more: Any) -> dict[str, Any]:
        """Ask as a command does, and return the answer."""
        asking = asyncio.ensure_future(self.hands.asks[name]({"ask": name, **more}))
        await self.until(asking.done, within_s=30.0, step_s=0.1)
        return asking.result()

    async def order(self, name: str, device: str, **more: Any) -> dict[str, str]:
        """Give an order by hand, wait for its end, and return how it ended for each device."""
        answer = await self.ask(name, device=device, who="ana", **more)
        assert answer.get("job"), answer
        return await self.ended(answer["job"])

    async def ended(self, job: str) -> dict[str, str]:
        for _ in range(1000):
            answer = await self.ask("job", job=job)
            if answer["done"]:
                return {device["name"]: device["ending"] for device in answer["devices"]}
            await self.clock.advance(1.0)
        raise AssertionError("it has no end")

    def closed(self, device: str) -> list[tuple[Task, Ending]]:
        return [
            (e.task, e.ending)
            for e in self.keeper.events
            if isinstance(e, OrderClosed) and e.device == device
        ]

    async def outage_and_return(self) -> None:
        """Let mains fail until all is at rest that will be, and be back for long."""
        self.fail_mains()
        await self.until(
            lambda: Phase.RUNNING not in self.phases.values() and not self.engine.conductor.busy,
            within_s=600.0,
        )
        self.return_mains()
        await self.clock.advance(STEADY_S)
