"""The ride-through as far as the page and the terminal share it: its past, and one planned now."""

from __future__ import annotations

import structlog

from agent.errors import JournalError
from agent.page.door import Door
from agent.page.live_ahead import Ahead
from agent.page.live_past import Past
from agent.story.read import read_story
from agent.story.ride import ride_of as told_ride
from drivers.transports.threads import in_own_thread
from policies.events import Event

log = structlog.get_logger()


class LiveRide:
    """Kept for all who look.

    Attributes:
        past: what has happened in the ride-through under way, or in the last one.
        ahead: what an outage that begins now would be.
    """

    def __init__(self, door: Door) -> None:
        """Prepare; `run` begins."""
        self.past, self.ahead = Past(), Ahead(door)
        self._door = door

    def hear(self, event: Event) -> None:
        """Take in what happens."""
        self.look()

    def look(self) -> None:
        """Take in how the site is; costs next to nothing."""
        engine = self._door.engine
        self.past.look(engine.site, engine.state, engine.decision, self._door.clock.monotonic())

    async def run(self) -> None:
        """Have the journal tell the outage that an earlier run of the agent has seen begin."""
        outage_at = self._door.engine.state.outage_at
        if outage_at is None:
            return
        try:
            story = await in_own_thread(lambda: read_story(self._door.folder), name="ride story")
        except (JournalError, ValueError) as error:
            log.info("missed_story", why=str(error))
            return
        is_still = self._door.engine.state.outage_at == outage_at  # it was read for a while
        if is_still and story.outages and not story.outages[-1].is_over:
            ride = told_ride(story, story.outages[-1], zone=self._door.zone)
            self.past.recall(outage_at, ride, self._door.engine.state)

    async def close(self) -> None:
        """End what is under way."""
        await self.ahead.close()
