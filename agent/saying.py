"""Has things said or recorded from where nothing can be awaited, one after the other."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import structlog

from agent.engine import Engine
from policies.events import Event

log = structlog.get_logger()

WAITING_MOST = 100


class Saying:
    """A queue before one engine; what is too much for it is counted, and that is said."""

    def __init__(self, engine: Callable[[], Engine]) -> None:
        """Prepare; `run` begins.

        Args:
            engine: takes what is said; asked when it is there.
        """
        self._engine = engine
        self._waiting = asyncio.Queue[Callable[[], Awaitable[None]]](WAITING_MOST)
        self._left_out = 0

    @property
    def is_waiting(self) -> bool:
        """Whether something is to be said that is not raised yet."""
        return not self._waiting.empty()

    def say(self, severity: str, about: str, text: str, topic: str = "") -> None:
        """Have a notice raised; see `Engine.notice`."""
        self._add(lambda: self._engine().notice(severity, about, text, topic))

    def keep(self, event: Event) -> None:
        """Have an event recorded."""
        self._add(lambda: self._engine().record(event))

    async def run(self) -> None:
        """Say what waits, for ever; cancel to end."""
        while True:
            await (await self._waiting.get())()
            if self._left_out and self._waiting.empty():
                count, self._left_out = self._left_out, 0
                await self._tell_left_out(count)

    def _add(self, saying: Callable[[], Awaitable[None]]) -> None:
        if self._waiting.full():
            self._left_out += 1
        else:
            self._waiting.put_nowait(saying)

    async def _tell_left_out(self, count: int) -> None:
        engine = self._engine()
        log.error("left_out_notices", count=count)
        text = (
            f"{count} notices and records came faster than they could be kept, and are lost: "
            f"no more than {WAITING_MOST} wait; the log has what led to them"
        )
        await engine.notice("warning", engine.site.name, text)
