"""Bounds of a request and of an open stream: how much, for how long, how many at once."""

from __future__ import annotations

import asyncio
from collections import Counter

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.page.problem import Problem, on_problem

BODY_BYTES = 16 * 2**10
BODY_WITHIN_S = 10.0
STREAMS = 100
STREAMS_OF_ONE = 60

_STREAM = b"text/event-stream"


class Bounds:
    """Holds every request, and every event stream, to its bounds."""

    def __init__(
        self, app: ASGIApp, *, body_within_s: float = BODY_WITHIN_S, streams: int = STREAMS
    ) -> None:
        """Take the application.

        Args:
            app: what is behind the bounds.
            body_within_s: a body must have arrived by then, in s.
            streams: so many event streams at once.
        """
        self._app = app
        self._body_within_s = body_within_s
        self._streams = streams
        self._open: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            return
        talk = _Talk(self, scope, receive, send)
        try:
            await self._app(scope, talk.receive, talk.send)
        except Problem as problem:
            await talk.refuse(problem)
        finally:
            talk.close()

    def take_stream(self, client: str) -> None:
        """Count an event stream that opens.

        Raises:
            Problem: there are enough.
        """
        if self._open.total() >= self._streams or self._open[client] >= STREAMS_OF_ONE:
            detail = "too many watch already; close another page, or try again later"
            raise Problem(503, detail, headers={"retry-after": "30"})
        self._open[client] += 1

    def drop_stream(self, client: str) -> None:
        """Count one that ended."""
        self._open[client] -= 1
        if self._open[client] <= 0:
            del self._open[client]

    @property
    def body_within_s(self) -> float:
        """A body must have arrived by then."""
        return self._body_within_s


class _Talk:
    """One request and its answer."""

    def __init__(self, bounds: Bounds, scope: Scope, receive: Receive, send: Send) -> None:
        self._bounds = bounds
        self._scope = scope
        self._receive = receive
        self._send = send
        self._bytes = 0
        self._is_whole = False
        self._has_begun = False
        self._client = (scope.get("client") or ("", 0))[0]
        self._is_stream = False
        self._is_refused = False
        loop = asyncio.get_running_loop()
        self._until = loop.time() + bounds.body_within_s

    async def receive(self) -> Message:
        if self._is_whole:
            return await self._receive()
        if self._bytes > BODY_BYTES:
            raise Problem(413, f"a request has at most {BODY_BYTES} bytes")
        try:
            async with asyncio.timeout_at(self._until):
                message = await self._receive()
        except TimeoutError:
            raise Problem(408, "the request took too long to arrive") from None
        self._bytes += len(message.get("body", b""))
        if self._bytes > BODY_BYTES:
            raise Problem(413, f"a request has at most {BODY_BYTES} bytes")
        self._is_whole = not message.get("more_body", False)
        return message

    async def send(self, message: Message) -> None:
        if self._is_refused:
            return  # whoever streams sees that nobody listens any more, and ends
        if message["type"] == "http.response.start" and not self._has_begun:
            headers = dict(message.get("headers", ()))
            if headers.get(b"content-type", b"").startswith(_STREAM):
                try:
                    self._bounds.take_stream(self._client)
                except Problem as problem:
                    self._is_refused = True
                    await self.refuse(problem)
                    return
                self._is_stream = True
        await self._send_last(message)

    async def _send_last(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._has_begun = True
            if self._scope["method"] not in ("GET", "HEAD") and not await self._is_drained():
                MutableHeaders(raw=message.setdefault("headers", []))["connection"] = "close"
        await self._send(message)

    async def _is_drained(self) -> bool:
        """Take in what is left of a body that nobody read; whether all of it came.

        A connection that is closed over unread bytes is reset, and the answer may be lost with it.
        """
        while not self._is_whole:
            try:
                await self.receive()
            except Problem:
                return False
        return True

    async def refuse(self, problem: Problem) -> None:
        if self._has_begun:
            return
        response = await on_problem(Request(self._scope), problem)
        await response(self._scope, _nothing, self._send_last)

    def close(self) -> None:
        if self._is_stream:
            self._bounds.drop_stream(self._client)


async def _nothing() -> Message:
    return {"type": "http.disconnect"}
