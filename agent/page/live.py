"""The page as it is now, and its changes for everybody who has it open.

Each part of the page is rendered once for a change, however many look; only parts that changed go
out. Nobody is waited for: a listener that is behind gets the latest of each part when it reads on.
While nobody looks, nothing is rendered.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field

import structlog
from sse_starlette import ServerSentEvent

from agent.page.door import Door
from agent.page.live_ahead import Ahead
from agent.page.live_journal import Tail
from agent.page.live_past import Past
from agent.page.view_seen import Seen, seen_of

log = structlog.get_logger()

GATHER_S = 0.15
"""What happens within so long of each other goes out together, decisions with their readings."""

BEAT_S = 10.0
"""A sign of life goes out that often, in real seconds; a page that hears none says so."""

LISTENERS = 100
_AFTER_FAILURE_S = 5.0

Parts = Mapping[str, str]
"""Name of a part -> its HTML."""

Draw = Callable[[Seen, Past, Tail], Parts]


@dataclass(slots=True, eq=False)
class _Listener:
    """Somebody who has the page open: up to which version he has it, and what wakes him."""

    version: int
    woken: asyncio.Event = field(default_factory=asyncio.Event)


class Live:
    """Holds the parts of the page, and sends out what changes.

    Attributes:
        run_id: of this run of the agent; a page of another run is behind in everything.
        version: rises with each change.
        parts: as they are now.
    """

    def __init__(self, door: Door, draw: Draw, *, release: str) -> None:
        """Prepare; `run` begins.

        Args:
            door: the agent.
            draw: makes the parts.
            release: changes with the page's scripts and styles; a page of another loads itself
                anew.
        """
        self.run_id = secrets.token_hex(4)
        self.version = 0
        self.parts: dict[str, str] = {}
        self.ahead = Ahead(door)
        self._door, self._draw, self._release = door, draw, release
        self._past, self._tail = Past(), Tail(door.folder, door.zone)
        self._changed_in: dict[str, int] = {}
        self._listeners: set[_Listener] = set()
        self._is_stale = True
        self._messages: dict[int, bytes] = {}
        self._jobs: set[asyncio.Task[None]] = set()

    @property
    def mark(self) -> str:
        """What a page is up to, in a word."""
        return f"{self.run_id}-{self.version}"

    async def run(self) -> None:
        """Follow what happens for ever; cancel to end. What fails is said, and tried again."""
        await self._tail.read()
        number = 0
        self._look()
        while True:
            await self._door.feed.wait(number)
            for heard in self._door.feed.since(number):
                self._tail.hear(heard.event, self._door.clock.utc())
                number = heard.number
            await self._door.clock.sleep(GATHER_S)
            self._is_stale = True
            try:
                self._look()
                self._plan_ahead()
                if self._listeners:
                    self.refresh()
            except Exception:  # the page does without this change
                log.exception("failed_page_part")
                await self._door.clock.sleep(_AFTER_FAILURE_S)

    def _look(self) -> None:
        engine = self._door.engine
        self._past.look(engine.site, engine.state, engine.decision, self._door.clock.monotonic())

    def _plan_ahead(self) -> None:
        """Have a plan made beside all else, if one is wanted; the page is drawn anew with it."""
        if self.ahead.is_wanted(is_watched=bool(self._listeners)):
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
            if self._listeners:
                self.refresh()
        except Exception:
            log.exception("failed_page_part")

    def fresh(self) -> Parts:
        """Return the parts as they are now, for somebody who opens the page."""
        if self._is_stale:
            self._look()
            self._plan_ahead()
            self.refresh()
        return self.parts

    def refresh(self) -> None:
        """Render the parts, and wake whoever looks if one has changed."""
        seen = seen_of(self._door, ahead=self.ahead.plan)
        parts = self._draw(seen, self._past, self._tail)
        self._is_stale = False
        changed = [name for name, html in parts.items() if self.parts.get(name) != html]
        if not changed:
            return
        self.version += 1
        self.parts.update(parts)
        self._changed_in.update(dict.fromkeys(changed, self.version))
        self._messages.clear()
        for listener in self._listeners:
            listener.woken.set()

    @property
    def is_full(self) -> bool:
        """Whether so many pages are open that one more is not served."""
        return len(self._listeners) >= LISTENERS

    async def listen(self, mark: str) -> AsyncIterator[bytes]:
        """Yield what changes from *mark* on, and signs of life, as server-sent events."""
        listener = _Listener(self._version_of(mark))
        self._listeners.add(listener)
        try:
            self.fresh()
            yield self._beat()
            while True:
                listener.woken.clear()
                if listener.version < self.version:
                    message = self._message(listener.version)
                    listener.version = self.version
                    yield message
                else:
                    try:
                        async with asyncio.timeout(BEAT_S):
                            await listener.woken.wait()
                    except TimeoutError:
                        yield self._beat()
        finally:
            self._listeners.discard(listener)

    def _version_of(self, mark: str) -> int:
        run_id, _, version = mark.partition("-")
        is_ours = run_id == self.run_id and version.isascii() and version.isdigit()
        return min(int(version[:12]), self.version) if is_ours else 0

    def _message(self, after: int) -> bytes:
        """Return the event that brings a page from version *after* on; made once for all."""
        if after not in self._messages:
            changed = {
                name: html
                for name, html in self.parts.items()
                if self._changed_in.get(name, 0) > after
            }
            data = json.dumps(changed, ensure_ascii=False, separators=(",", ":"))
            event = ServerSentEvent(data, event="parts", id=self.mark, sep="\n")
            self._messages[after] = event.encode()
        return self._messages[after]

    def _beat(self) -> bytes:
        return ServerSentEvent(self._release, event="beat", id=self.mark, sep="\n").encode()
