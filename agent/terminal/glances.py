"""The agent's side of `lastwatt watch`: keeps the past of a ride-through, and answers how it is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

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


class Glances:
    """Answers whoever watches in a terminal."""

    def __init__(self, door: Door) -> None:
        """Prepare.

        Args:
            door: what those who show the agent may see of it.
        """
        self._door = door
        self._past, self._ahead = Past(), Ahead(door)

    def hear(self, event: Event) -> None:
        """Keep what happens in an outage, for the picture."""
        engine = self._door.engine
        self._past.look(engine.site, engine.state, engine.decision, self._door.clock.monotonic())

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"glance": self._answer_glance}

    async def _answer_glance(self, request: dict[str, Any]) -> dict[str, Any]:
        if self._ahead.is_wanted():
            await self._ahead.make()
        glance = self._now()
        return {"glance": await in_own_thread(lambda: as_fields(glance), name="glance")}

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
