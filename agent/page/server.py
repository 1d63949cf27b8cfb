"""Serves the page inside the agent's loop: uvicorn's protocol, without its server.

That one installs signal handlers, ticks ten times a second, and lets open event streams hold up the
end. Here a client that is slow, or is one too many, is turned away; none holds up the agent.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections import Counter
from contextlib import suppress

import structlog
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from drivers.errors import LastwattError

log = structlog.get_logger()

CONNECTIONS = 200
"""So many at once: 50 open pages hold two each, and some are left."""

CONNECTIONS_OF_ONE = 120
"""The same of one address; a proxy on this box, or an office behind one router, counts as one."""

REQUEST_WITHIN_S = 10.0
"""A request's head must have arrived by then, from its first byte or the connection's begin."""

TAKEN_WITHIN_S = 30.0
"""A client that takes nothing of its answer for so long is gone."""

HEAD_BYTES = 32 * 2**10
IDLE_S = 65.0
ACCEPT_AGAIN_S = 1.0
_HANDSHAKE_S = 10.0
_BACKLOG = 64


class PageUnavailableError(LastwattError):
    """The page cannot be served; trying again helps once its address is free."""


class _Life(ServerState):
    """What the connections of one run share.

    Attributes:
        meeting: connections that are agreeing on TLS, by address; they count as much as the others,
            or anybody could take every file descriptor that the agent has.
    """

    def __init__(self) -> None:
        super().__init__()
        self.is_over = False
        self.meeting: Counter[str] = Counter()
        self.meetings: set[asyncio.Task[None]] = set()

    def is_too_many(self, host: str) -> bool:
        """Whether one more connection from there would be too many."""
        if len(self.connections) + self.meeting.total() >= CONNECTIONS:
            return True
        clients = (getattr(other, "client", None) for other in self.connections)
        of_one = sum(1 for client in clients if client and client[0] == host)
        return of_one + self.meeting[host] >= CONNECTIONS_OF_ONE


class _Connection(H11Protocol):
    """A connection with an end: a request that does not arrive in time breaks it off."""

    _late: asyncio.TimerHandle | None = None
    _untaken: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to serve, unless the run has ended meanwhile."""
        super().connection_made(transport)
        assert isinstance(self.server_state, _Life)
        if self.server_state.is_over:
            transport.abort()
            return
        self._late = self.loop.call_later(REQUEST_WITHIN_S, self._give_up)

    def data_received(self, data: bytes) -> None:
        """Take in what came; the time for the next request's head begins with its first byte."""
        before = self.cycle
        super().data_received(data)
        if self.cycle is not before:
            self._set_late(None)
        elif self._late is None and (before is None or before.response_complete):
            self._set_late(self.loop.call_later(REQUEST_WITHIN_S, self._give_up))

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._set_late(None)
        self._set_untaken(None)
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Hold the answer back; the client has its time to take what is there."""
        super().pause_writing()
        self._set_untaken(self.loop.call_later(TAKEN_WITHIN_S, self._give_up))

    def resume_writing(self) -> None:
        """Go on with the answer."""
        self._set_untaken(None)
        super().resume_writing()

    def _set_late(self, handle: asyncio.TimerHandle | None) -> None:
        if self._late is not None:
            self._late.cancel()
        self._late = handle

    def _set_untaken(self, handle: asyncio.TimerHandle | None) -> None:
        if self._untaken is not None:
            self._untaken.cancel()
        self._untaken = handle

    def _give_up(self) -> None:
        self.transport.abort()


class PageServer:
    """Serves an application at one address for as long as it runs.

    Attributes:
        address: where it listens; the port is known once it does.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        listen: tuple[str, int],
        tls: ssl.SSLContext | None = None,
    ) -> None:
        """Prepare; nothing is opened yet.

        Args:
            app: what is served.
            listen: IP address and TCP port.
            tls: the server's side of TLS; None = plain HTTP.
        """
        self.address = listen
        self._listen = listen
        self._tls = tls
        self._config = uvicorn.Config(
            app,
            http=_Connection,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=False,
            timeout_keep_alive=int(IDLE_S),
            h11_max_incomplete_event_size=HEAD_BYTES,
        )
        self._is_serving = asyncio.Event()

    async def wait(self) -> None:
        """Return once it listens."""
        await self._is_serving.wait()

    async def run(self) -> None:
        """Serve until cancelled; then every connection is broken off at once.

        Raises:
            PageUnavailableError: it cannot listen there.
        """
        self._config.load()
        # Anybody can have it complain of requests that are none; faults are logged by the app.
        logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
        life = _Life()
        listener = _listening(*self._listen)
        host, port = listener.getsockname()[:2]
        self.address = (host, port)
        log.info("opened_page", address=host, port=port, tls=self._tls is not None)
        self._is_serving.set()
        try:
            await self._accept(listener, life)
        finally:
            self._is_serving.clear()
            listener.close()
            await _end(life)

    async def _accept(self, listener: socket.socket, life: _Life) -> None:
        """Take in whoever comes, for ever; who is one too many is turned away before TLS."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                connection, peer = await loop.sock_accept(listener)
            except OSError as error:  # such as too many open files: the next may be luckier
                log.warning("failed_accept", why=error.strerror)
                await asyncio.sleep(ACCEPT_AGAIN_S)
                continue
            if life.is_too_many(peer[0]):
                connection.close()
                continue
            life.meeting[peer[0]] += 1
            meeting = loop.create_task(self._meet(connection, peer[0], life))
            life.meetings.add(meeting)
            meeting.add_done_callback(life.meetings.discard)

    async def _meet(self, connection: socket.socket, host: str, life: _Life) -> None:
        """Agree on TLS, where there is some, and serve from then on."""
        try:
            await asyncio.get_running_loop().connect_accepted_socket(
                lambda: _Connection(self._config, life, {}),
                connection,
                ssl=self._tls,
                ssl_handshake_timeout=None if self._tls is None else _HANDSHAKE_S,
            )
        except OSError as error:  # of TLS too, and of a handshake that takes too long
            log.debug("dropped_visitor", why=str(error))
        finally:
            life.meeting[host] -= 1
            if life.meeting[host] <= 0:
                del life.meeting[host]


async def _end(life: _Life) -> None:
    """Break off every connection, and have what answers them end."""
    life.is_over = True
    for meeting in tuple(life.meetings):
        meeting.cancel()
    await asyncio.gather(*life.meetings, return_exceptions=True)
    for connection in tuple(life.connections):
        connection.transport.abort()
    answering = tuple(life.tasks)
    for task in answering:
        task.cancel()
    with suppress(asyncio.CancelledError):
        await asyncio.gather(*answering, return_exceptions=True)


def _listening(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((address, port))
        sock.listen(_BACKLOG)
        sock.setblocking(False)
    except OSError as error:
        sock.close()
        raise PageUnavailableError(
            f"the page cannot listen at {address} port {port}: {error.strerror}; free it, or "
            "write another under [page] of the site's file"
        ) from error
    return sock
