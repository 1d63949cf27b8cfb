"""What happens, for those who watch: the latest events, and a way to wait for the next ones."""

from __future__ import annotations

import asyncio
from collections import deque
from itertools import islice
from typing import NamedTuple

from policies.events import Event

KEPT = 500
"""So many of the latest events are kept; who is further behind is told that some are missing."""


class Heard(NamedTuple):
    """An event and its place in this run's count, from 1."""

    number: int
    event: Event


class Feed:
    """The events of this run as they are folded; any number of watchers, none of whom it waits for.

    Attributes:
        number: of the latest event; 0 before the first.
    """

    def __init__(self, *, kept: int = KEPT) -> None:
        self.number = 0
        self._latest: deque[Heard] = deque(maxlen=kept)
        self._news = asyncio.Event()

    def hear(self, event: Event) -> None:
        """Take in an event; wakes whoever waits, and never blocks."""
        self.number += 1
        self._latest.append(Heard(self.number, event))
        self._news.set()
        self._news = asyncio.Event()

    async def wait(self, after: int) -> None:
        """Return once there is an event later than number *after*; at once if there is."""
        while self.number <= after:
            await self._news.wait()

    def since(self, after: int) -> list[Heard]:
        """Return the events later than number *after*, oldest first, without waiting.

        Where the first of them is not number *after* + 1, some are no longer kept.
        """
        missed = min(self.number - after, len(self._latest))
        return list(islice(self._latest, len(self._latest) - max(0, missed), None))
