"""The front page as it is now: drawn anew with whatever happens, while somebody looks."""

from __future__ import annotations

from collections.abc import Callable

import structlog

from agent.page.door import Door
from agent.page.live_journal import Tail
from agent.page.live_parts import LiveParts, Parts
from agent.page.live_past import Past
from agent.page.live_ride import LiveRide
from agent.page.view_seen import Seen, seen_of

log = structlog.get_logger()

GATHER_S = 0.15
"""What happens within so long of each other goes out together, decisions with their readings."""

_AFTER_FAILURE_S = 5.0

Draw = Callable[[Seen, Past, Tail], Parts]


class Live:
    """Draws the parts of the page as things happen; while nobody looks, nothing is drawn.

    Attributes:
        shown: the parts, and who looks.
    """

    def __init__(self, door: Door, ride: LiveRide, draw: Draw, *, release: str) -> None:
        """Prepare; `run` begins.

        Args:
            door: the agent.
            ride: its ride-through, as the terminal has it too.
            draw: makes the parts.
            release: of the page, see `LiveParts`.
        """
        self.shown = LiveParts(release=release)
        self._door, self._ride, self._draw = door, ride, draw
        self._tail = Tail(door.folder, door.zone)
        self._is_stale = True
        ride.ahead.on_made.append(self._take_plan)

    async def run(self) -> None:
        """Follow what happens for ever; cancel to end. What fails is said, and tried again."""
        await self._tail.read()
        number = 0
        self._ride.look()
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
                self._ride.look()
                self._plan_ahead()
                if self.shown.is_watched:
                    self.refresh()
            except Exception:  # the page does without this change
                log.exception("failed_page_part")
                await self._door.clock.sleep(_AFTER_FAILURE_S)

    def _plan_ahead(self) -> None:
        """Have a plan made beside all else, if one is wanted; the page is drawn anew with it."""
        self._ride.ahead.keep(is_watched=self.shown.is_watched)

    def _take_plan(self) -> None:
        self._is_stale = True
        try:
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
            self._ride.look()
            self._plan_ahead()
            self.refresh()

    def refresh(self) -> None:
        """Draw the parts anew."""
        seen = seen_of(self._door, ahead=self._ride.ahead.plan)
        parts = self._draw(seen, self._ride.past, self._tail)
        self._is_stale = False
        self.shown.put(parts)
