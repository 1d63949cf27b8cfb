"""Copies of the list of what is owed, outside the box: on another disk, or by HTTP."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import urlsplit

import structlog

from agent.config.site import OwedCopy
from agent.journal.whole_file import write_whole
from agent.notices import signature
from drivers.base import Clock
from drivers.errors import DriverError
from drivers.transports.http import LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, HttpRequest, Trust
from drivers.transports.threads import in_own_thread

log = structlog.get_logger()

LEAST_GAP_S = 2.0
"""A stop of many devices changes the list many times a second; each place gets the last of them."""

AGAIN_S = 30.0
TRY_S = 5.0
_PORTS = {"http": 80, "https": 443}


class OwedCopies:
    """Sends the newest list to each place, each at its own pace."""

    def __init__(self, copies: Sequence[OwedCopy], *, clock: Clock) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            copies: where to.
            clock: of pauses, and of signatures.
        """
        self._places = [_Place(copy, clock) for copy in copies]

    def put(self, text: str) -> None:
        """Have every place get this list; never waits."""
        for place in self._places:
            place.put(text)

    async def run(self) -> None:
        """Send for ever; cancel to end."""
        async with asyncio.TaskGroup() as group:
            for place in self._places:
                group.create_task(place.run())


class _Place:
    """One place, and the list that it is to get."""

    def __init__(self, copy: OwedCopy, clock: Clock) -> None:
        self._copy = copy
        self._clock = clock
        self._text: str | None = None
        self._sent: str | None = None
        self._changed = asyncio.Event()
        self._has_failed = False

    def put(self, text: str) -> None:
        self._text = text
        self._changed.set()

    async def run(self) -> None:
        while True:
            self._changed.clear()
            if self._text is None or self._text == self._sent:
                await self._changed.wait()
                continue
            text = self._text
            why = await self._send(text)
            if why:
                if not self._has_failed:
                    log.error("failed_owed_copy", place=self._copy.shown, why=why)
                self._has_failed = True
                await self._pause(AGAIN_S)
                continue
            self._has_failed = False
            self._sent = text
            await self._clock.sleep(LEAST_GAP_S)

    async def _pause(self, seconds: float) -> None:
        """Wait so long, or, after a moment, until the list changes."""
        await self._clock.sleep(LEAST_GAP_S)
        sleeping = asyncio.ensure_future(self._clock.sleep(seconds - LEAST_GAP_S))
        coming = asyncio.ensure_future(self._changed.wait())
        try:
            await asyncio.wait({sleeping, coming}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            coming.cancel()

    async def _send(self, text: str) -> str:
        """Send it once; return why it is not there, or ""."""
        try:
            if self._copy.file is not None:
                return await self._write(self._copy.file, text)
            return await self._post(text.encode())
        except DriverError as error:
            return str(error)
        except Exception as error:  # a copy must never end the agent
            return f"by a fault of the agent's own ({type(error).__name__})"

    async def _write(self, path: Path, text: str) -> str:
        try:
            # Not wait_for: until Python 3.12 it drops a cancellation that comes with the result.
            async with asyncio.timeout(TRY_S):
                await in_own_thread(lambda: write_whole(path, text), name="owed copy")
        except TimeoutError:  # a share that hangs
            return "it took too long to write"
        except OSError as error:
            return (error.strerror or "it cannot be written").lower()
        return ""

    async def _post(self, body: bytes) -> str:
        parts = urlsplit(self._copy.url)
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        endpoint = Endpoint(parts.scheme, parts.hostname or "", parts.port or _PORTS[parts.scheme])
        headers = {"Content-Type": "text/plain; charset=utf-8"}
        if self._copy.secret is not None:
            unix_s = int(self._clock.utc().timestamp())
            headers["Lastwatt-Signature"] = signature(self._copy.secret, unix_s=unix_s, body=body)
        request = HttpRequest(self._copy.method, path, "/***", headers, body=body)
        transport = LiveHttp(endpoint, Trust(), Credentials())
        talk = transport.talk()
        try:
            reply = await talk.exchange(request, timeout_s=TRY_S)
        finally:
            await talk.close()
            await transport.close()
        return "" if 200 <= reply.status < 300 else f"it answered {reply.status}"
