"""The agent's side of `lastwatt watch`: keeps the past of a ride-through, and answers how it is."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import structlog

from agent.control import Ask
from agent.page.door import Door
from agent.page.live_ahead import Ahead
from agent.page.live_past import Past
from agent.page.view_ride import ride_of
from agent.page.view_seen import seen_of
from agent.page.view_words import said_of
from agent.terminal.glance import Glance, as_fields
from drivers.transports.threads import in_own_thread
from policies.events import Event

log = structlog.get_logger()

PLAN_WITHIN_S = 20.0
"""Whoever asks first waits so long for the plan of an outage; later ones come with the last one."""


class Glances:
    """Answers whoever watches in a terminal."""

    def __init__(self, door: Door) -> None:
        """Prepare.

        Args:
            door: what those who show the agent may see of it.
        """
        self._door = door
        self._past, self._ahead = Past(), Ahead(door)
        self._making: asyncio.Task[None] | None = None

    def hear(self, event: Event) -> None:
        """Keep what happens in an outage, for the picture."""
        engine = self._door.engine
        self._past.look(engine.site, engine.state, engine.decision, self._door.clock.monotonic())

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"glance": self._answer_glance}

    async def _answer_glance(self, request: dict[str, Any]) -> dict[str, Any]:
        if self._ahead.is_wanted() and self._making is None:
            # Beside the answer: one that is broken off must not begin the plan again.
            self._making = asyncio.create_task(self._make())
        is_first = self._ahead.plan is None and self._door.engine.state.outage_at is None
        if self._making is not None and is_first:
            await asyncio.wait({self._making}, timeout=PLAN_WITHIN_S)
        glance = self._now()
        return {"glance": await in_own_thread(lambda: as_fields(glance), name="glance")}

    async def _make(self) -> None:
        try:
            await self._ahead.make()
        except Exception:  # what is shown does without
            log.exception("failed_glance_plan")
        finally:
            self._making = None

    async def close(self) -> None:
        """End what is under way."""
        if self._making is not None:
            self._making.cancel()
            with suppress(asyncio.CancelledError):
                await self._making

    def _now(self) -> Glance:
        seen = seen_of(self._door, ahead=self._ahead.plan)
        said = said_of(seen)
        ride = ride_of(seen, self._past, self._door.place, description=f"{said.head} {said.why}")
        return Glance(
            site=seen.site.name,
            at=seen.local(0.0),
            tone=said.tone.value,
            head=said.head,
            why=said.why,
            notes=said.notes,
            ride=ride,
            is_imagined=seen.ahead is not None,
        )
