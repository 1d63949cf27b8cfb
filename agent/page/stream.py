"""What happens, as a stream of server-sent events for programs; each is encoded once for all."""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import AsyncIterator

from sse_starlette import EventSourceResponse
from starlette.requests import Request

from agent.journal.codec import encode, kind_of
from agent.page.feed import KEPT, Feed, Heard

BEAT_S = 15.0
"""So often a comment goes out, by which both sides see that the other is there."""

SEND_WITHIN_S = 20.0
_BEAT = b": still here\n\n"
_MISSED = b"event: missed\ndata: {}\n\n"
"""Some events are no longer kept: whoever listens asks for the status, and the journal, anew."""


class Stream:
    """The feed as bytes, for any number of listeners.

    An event's id names the run of the agent too: an id of another run is of no use to this one.
    """

    def __init__(self, feed: Feed) -> None:
        """Take what happens."""
        self._feed = feed
        self._run = secrets.token_hex(4)
        self._encoded: dict[int, bytes] = {}

    def answer(self, request: Request) -> EventSourceResponse:
        """Return the stream from now on, or from the event after `Last-Event-ID`, if it is kept."""
        after = self._number_in(request.headers.get("last-event-id", ""))
        return EventSourceResponse(
            self._listen(after), ping=0, send_timeout=SEND_WITHIN_S, sep="\n"
        )

    def _number_in(self, mark: str) -> int:
        run, _, number = mark.partition("-")
        if run != self._run or not number.isdecimal() or len(number) > 15:
            return self._feed.number
        return min(int(number), self._feed.number)

    async def _listen(self, after: int) -> AsyncIterator[bytes]:
        yield _BEAT
        while True:
            try:
                async with asyncio.timeout(BEAT_S):
                    await self._feed.wait(after)
            except TimeoutError:
                yield _BEAT
                continue
            heard = self._feed.since(after)
            if not heard or heard[0].number != after + 1:
                yield _MISSED
            yield b"".join(self._bytes_of(one) for one in heard)
            after = self._feed.number if not heard else heard[-1].number

    def _bytes_of(self, heard: Heard) -> bytes:
        found = self._encoded.get(heard.number)
        if found is None:
            kind = kind_of(type(heard.event))
            body = {**json.loads(encode(heard.event)), "kind": kind}
            told = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
            found = f"id: {self._run}-{heard.number}\nevent: {kind}\ndata: {told}\n\n".encode()
            self._encoded[heard.number] = found
            if len(self._encoded) > KEPT:
                del self._encoded[min(self._encoded)]
        return found
