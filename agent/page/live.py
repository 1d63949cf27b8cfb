"""The front page as it is now: drawn anew with whatever happens, while somebody looks."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog

from agent.errors import JournalError
from agent.page.door import Door
from agent.page.live_ahead import Ahead
from agent.page.live_journal import Tail
from agent.page.live_parts import LiveParts, Parts
from agent.page.live_past import Past
from agent.page.view_seen import Seen, seen_of
from agent.story.read import read_story
from agent.story.ride import ride_of as told_ride
from drivers.transports.threads import in_own_thread

log = structlog.get_logger()

GATHER_S = 0.15
"""What happens within so long of each other goes out together, decisions with their readings."""

_AFTER_FAILURE_S = 5.0

Draw = Callable[[Seen, Past, Tail], Parts]


class Live:
    """Draws the parts of the page as things happen; while nobody looks, nothing is drawn.

    Attributes:
        shown: the parts, and who looks.
        ahead: what an outage that begins now would be.
    """

    def __init__(self, door: Door, draw: Draw, *, release: str) -> None:
        """Prepare; `run` begins.

        Args:
            door: the agent.
            draw: makes the parts.
            release: of the page, see `LiveParts`.
        """
        self.shown = LiveParts(release=release)
        self.ahead = Ahead(door)
        self._door, self._draw = door, draw
        self._past, self._tail = Past(), Tail(door.folder, door.zone)
        self._is_stale = True
        self._jobs: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Follow what happens for ever; cancel to end. What fails is said, and tried again."""
        await self._tail.read()
        await self._recall()
        number = 0
        self._look()
        while True:
            await self._door.feed.wait(number)
            news = self._door.feed.since(number)
            number = self._door.feed.number
            self._is_stale = True
            try:
                for heard in news:
                    self._tail.hear(heard.event, self._door.clock.utc())
                await self._door.clock.sleep(GATHER_S)
                self._is_stale = True  # who opened the page meanwhile has seen a part of it
                self._look()
                self._plan_ahead()
                if self.shown.is_watched:
                    self.refresh()
            except Exception:  # the page does without this change
                log.exception("failed_page_part")
                await self._door.clock.sleep(_AFTER_FAILURE_S)

    async def _recall(self) -> None:
        """Have the journal tell the outage that an earlier run of the agent has seen begin."""
        outage_at = self._door.engine.state.outage_at
        if outage_at is None:
            return
        try:
            story = await in_own_thread(lambda: read_story(self._door.folder), name="page story")
        except (JournalError, ValueError) as error:
            log.info("missed_story", why=str(error))
            return
        is_still = self._door.engine.state.outage_at == outage_at  # it was read for a while
        if is_still and story.outages and not story.outages[-1].is_over:
            ride = told_ride(story, story.outages[-1], zone=self._door.zone)
            self._past.recall(outage_at, ride, self._door.engine.state)

    def _look(self) -> None:
        engine = self._door.engine
        self._past.look(engine.site, engine.state, engine.decision, self._door.clock.monotonic())

    def _plan_ahead(self) -> None:
        """Have a plan made beside all else, if one is wanted; the page is drawn anew with it."""
        if self.ahead.is_wanted(is_watched=self.shown.is_watched) and not self._jobs:
            making = asyncio.ensure_future(self.ahead.make())
            self._jobs.add(making)
            making.add_done_callback(self._take_plan)

    def _take_plan(self, making: asyncio.Task[None]) -> None:
        self._jobs.discard(making)
        self._is_stale = True
        if making.cancelled():
            return
        try:
            making.result()
            if self.shown.is_watched:
                self.refresh()
        except Exception:
            log.exception("failed_page_part")

    def fresh(self) -> Parts:
        """Return the parts as they are now, for somebody who opens the page."""
        self.catch_up()
        return self.shown.parts

    def catch_up(self) -> None:
        """Draw what has happened while nobody looked."""
        if self._is_stale:
            self._look()
            self._plan_ahead()
            self.refresh()

    def refresh(self) -> None:
        """Draw the parts anew."""
        seen = seen_of(self._door, ahead=self.ahead.plan)
        parts = self._draw(seen, self._past, self._tail)
        self._is_stale = False
        self.shown.put(parts)
