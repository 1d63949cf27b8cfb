"""Stand-ins of general use: a clock that moves only when a test says so."""

from __future__ import annotations

import asyncio
import heapq
import itertools
from datetime import UTC, datetime, timedelta

START_UTC = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)
"""Wall time of a FakeClock at site time 0."""

_SETTLE_ROUNDS = 50
"""Turns of the loop that woken tasks get at most before time moves on: a chain of awaits."""
_IDLE_ROUNDS = 3
"""Turns in which nothing else was ready: whoever is left waits for time, a thread, a peer."""


class FakeClock:
    """Site time that stands still until `advance` moves it; wall time keeps in step.

    It knows nothing of sockets: code that waits for a real peer needs agent.clock.LoopClock.
    """

    def __init__(self, *, at: float = 0.0, utc: datetime = START_UTC) -> None:
        self._now = at
        self._utc_at_zero = utc - timedelta(seconds=at)
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def monotonic(self) -> float:
        """Return the site time, in s."""
        return self._now

    def utc(self) -> datetime:
        """Return the wall time."""
        return self._utc_at_zero + timedelta(seconds=self._now)

    async def sleep(self, seconds: float) -> None:
        """Return once time was advanced by *seconds*; at once if that is not positive."""
        if seconds <= 0:
            await asyncio.sleep(0)
            return
        woken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (self._now + seconds, next(self._order), woken))
        await woken

    @property
    def sleepers(self) -> int:
        """How many tasks are asleep on this clock."""
        return sum(not woken.done() for _, _, woken in self._sleepers)

    def step_wall(self, seconds: float) -> None:
        """Set the wall clock forward, or back if negative; site time does not notice."""
        self._utc_at_zero += timedelta(seconds=seconds)

    async def advance(self, seconds: float) -> None:
        """Move time on, waking sleepers in the order of their deadlines, each at its own time.

        What a woken task does, further sleeps included, happens before time moves on again.

        Raises:
            ValueError: *seconds* is negative.
        """
        if seconds < 0:
            raise ValueError("time does not run backwards")
        until = self._now + seconds
        await _settle()
        while self._sleepers and self._sleepers[0][0] <= until:
            self._now, _, woken = heapq.heappop(self._sleepers)
            if not woken.done():
                woken.set_result(None)
                await _settle()
        self._now = until
        await _settle()


async def _settle() -> None:
    # What is ready to run is known to the loop alone; asyncio has no public word for it.
    ready = getattr(asyncio.get_running_loop(), "_ready")  # noqa: B009  # no attribute to mypy
    idle = 0
    for _ in range(_SETTLE_ROUNDS):
        await asyncio.sleep(0)
        idle = 0 if ready else idle + 1
        if idle == _IDLE_ROUNDS:
            return
