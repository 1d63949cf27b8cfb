"""The parts of one page, and their changes for everybody who has it open.

A part is rendered once for a change, however many look; only parts that changed go out. Nobody is
waited for: a listener that is behind gets the latest of each part when it reads on.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field

from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

BEAT_S = 10.0
"""A sign of life goes out that often, in s; a page that hears none says so."""

LISTENERS = 100
SEND_WITHIN_S = 20.0
"""A listener that takes no byte for so long is gone."""

_AGAIN_AFTER_S = 30

Parts = Mapping[str, str]
"""Name of a part -> its HTML."""


@dataclass(slots=True, eq=False)
class _Listener:
    """Somebody who has the page open: up to which version he has it, and what wakes him."""

    version: int
    woken: asyncio.Event = field(default_factory=asyncio.Event)


class LiveParts:
    """Holds the parts of a page, and sends out what changes.

    Attributes:
        version: rises with each change.
        parts: as they are now.
    """

    def __init__(self, *, release: str) -> None:
        """Prepare; there are no parts yet.

        Args:
            release: changes with the page's scripts and styles; a page of another loads itself
                anew.
        """
        self.version = 0
        self.parts: dict[str, str] = {}
        # Of this run of the agent: a page of another run is behind in everything.
        self._run_id = secrets.token_hex(4)
        self._release = release
        self._changed_in: dict[str, int] = {}
        self._listeners: set[_Listener] = set()
        self._messages: dict[int, bytes] = {}
        self._came = asyncio.Event()

    @property
    def mark(self) -> str:
        """What a page is up to, in a word."""
        return f"{self._run_id}-{self.version}"

    @property
    def is_watched(self) -> bool:
        """Whether anybody listens."""
        return bool(self._listeners)

    async def watched(self) -> None:
        """Return once somebody listens."""
        while not self._listeners:
            self._came.clear()
            await self._came.wait()

    def put(self, parts: Parts) -> None:
        """Take in the parts as they are now, and wake whoever looks if one has changed."""
        changed = [name for name, html in parts.items() if self.parts.get(name) != html]
        if not changed:
            return
        self.version += 1
        self.parts.update(parts)
        self._changed_in.update(dict.fromkeys(changed, self.version))
        self._messages.clear()
        for listener in self._listeners:
            listener.woken.set()

    def answer(self, request: Request, begin: Callable[[], None]) -> Response:
        """Answer a request for the changes; *begin* brings the parts up to date at its begin."""
        if len(self._listeners) >= LISTENERS:
            text = f"{LISTENERS} pages are open already; close one"
            again = {"retry-after": str(_AGAIN_AFTER_S)}
            return PlainTextResponse(text, status_code=503, headers=again)
        mark = request.headers.get("last-event-id") or request.query_params.get("after", "")
        stream = self.listen(mark, begin)
        return EventSourceResponse(stream, ping=0, send_timeout=SEND_WITHIN_S, sep="\n")

    async def listen(
        self, mark: str, begin: Callable[[], None] = lambda: None
    ) -> AsyncIterator[bytes]:
        """Yield what changes from *mark* on, and signs of life, as server-sent events."""
        listener = _Listener(self._version_of(mark))
        self._listeners.add(listener)
        self._came.set()
        try:
            begin()
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
        is_ours = run_id == self._run_id and version.isascii() and version.isdigit()
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
        # Without an id: what is sent next may bring a page further than this.
        return ServerSentEvent(self._release, event="beat", sep="\n").encode()
