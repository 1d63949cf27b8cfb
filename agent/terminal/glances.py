"""The agent's side of `lastwatt watch`: answers how the site is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from agent.control import Ask
from agent.page.door import Door
from agent.page.live_ride import LiveRide
from agent.page.view_ride import ride_of
from agent.page.view_seen import seen_of
from agent.page.view_words import said_of
from agent.terminal.glance import Glance, as_fields
from agent.terminal.rehearsing import Rehearsed, Rehearsing
from drivers.transports.threads import in_own_thread
from policies.events import Event

PLAN_WITHIN_S = 20.0
"""Whoever asks first waits so long for the plan of an outage; later ones come with the last one."""


class Glances:
    """Answers whoever watches in a terminal."""

    def __init__(self, door: Door, ride: LiveRide) -> None:
        """Prepare.

        Args:
            door: what those who show the agent may see of it.
            ride: the ride-through, as the page has it too.
        """
        self._door, self._ride = door, ride
        self._rehearsing = Rehearsing(door)

    def hear(self, event: Event) -> None:
        """Note that a rehearsal began, or ended."""
        self._rehearsing.hear(event)

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"glance": self._answer_glance}

    async def _answer_glance(self, request: dict[str, Any]) -> dict[str, Any]:
        # Beside the answer: one that is broken off must not begin the plan again.
        self._ride.ahead.keep()
        if self._door.engine.state.outage_at is None:
            await self._ride.ahead.first(within_s=PLAN_WITHIN_S)
        is_outage = self._door.engine.state.outage_at is not None
        rehearsed = Rehearsed("") if is_outage else await self._rehearsing.look()
        glance = self._now(rehearsed)
        return {"glance": await in_own_thread(lambda: as_fields(glance), name="glance")}

    def _now(self, rehearsed: Rehearsed) -> Glance:
        seen = seen_of(self._door, ahead=self._ride.ahead.plan)
        said = said_of(seen)
        ride = ride_of(
            seen, self._ride.past, self._door.place, description=f"{said.head} {said.why}"
        )
        return Glance(
            site=seen.site.name,
            at=seen.local(0.0),
            tone=said.tone.value,
            head=said.head,
            why=said.why,
            notes=said.notes,
            ride=rehearsed.ride or ride,
            is_imagined=seen.ahead is not None and rehearsed.ride is None,
            rehearsal=rehearsed.said,
            is_rehearsed=rehearsed.ride is not None,
            time_zone=seen.zone.key,
        )
