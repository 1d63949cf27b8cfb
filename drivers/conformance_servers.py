"""Small servers on loopback for the conformance checks: hostile ones, and a slow relay."""

from __future__ import annotations

import asyncio
import random
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, closing, suppress
from dataclasses import dataclass, field
from typing import Any, cast

_LINGER = struct.pack("ii", 1, 0)  # struct linger of socket(7): close by reset
_CLOSES_WITHIN_S = 1.0
_ACCEPTED_WITHIN_S = 0.05  # a connection may be over before this side has taken it


@dataclass(slots=True)
class Server:
    """One listening socket on loopback, and what came in."""

    address: str
    port: int
    heard: bytearray = field(default_factory=bytearray)
    taken: int = 0
    came: asyncio.Event = field(default_factory=asyncio.Event)
    _open: int = 0
    _idle: asyncio.Event = field(default_factory=asyncio.Event)

    def opened(self) -> None:
        """Note a connection that was taken."""
        self.taken += 1
        self._open += 1
        self._idle.clear()
        self.came.set()

    def closed(self) -> None:
        """Note that the other side closed one."""
        self._open -= 1
        if not self._open:
            self._idle.set()

    async def all_closed(self) -> bool:
        """Return whether every connection is closed by the other side, given a moment."""
        await asyncio.sleep(_ACCEPTED_WITHIN_S)
        if self._open:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._idle.wait(), _CLOSES_WITHIN_S)
        return not self._open


Behaviour = Callable[[asyncio.StreamWriter], Awaitable[None]]
"""What a server says on a connection it took."""


@asynccontextmanager
async def _taking(
    hold: Callable[[Server, asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]],
) -> AsyncIterator[Server]:
    """Take connections and hold each as *hold* does; on leaving, drop them all."""
    tasks: set[asyncio.Task[None]] = set()

    def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tasks.add(asyncio.create_task(serve(reader, writer)))

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        server.opened()
        try:
            with suppress(OSError):
                await hold(server, reader, writer)
        finally:
            server.closed()
            await _close(writer)

    listening = await asyncio.start_server(take, "127.0.0.1", 0)
    server = Server(*listening.sockets[0].getsockname()[:2])
    try:
        yield server
    finally:
        listening.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await listening.wait_closed()


async def _close(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with suppress(OSError):
        await writer.wait_closed()


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def serving(behave: Behaviour) -> AbstractAsyncContextManager[Server]:
    """Take connections, do as *behave* says, and listen until the other side closes."""

    async def hold(
        server: Server, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        talking = asyncio.create_task(_talk(behave, writer))
        try:
            while data := await reader.read(65536):
                server.heard += data
        finally:
            await _end(talking)

    return _taking(hold)


@asynccontextmanager
async def serving_datagrams(behave: Behaviour) -> AsyncIterator[Server]:
    """Take datagrams at a UDP port, and do as *behave* says at each; it has no end and no reset."""
    loop = asyncio.get_running_loop()
    tasks: set[asyncio.Task[None]] = set()

    class Answering(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, sender: Any) -> None:
            server.taken += 1
            server.heard += data
            server.came.set()
            writer = cast(asyncio.StreamWriter, _ToSender(transport, sender))
            tasks.add(loop.create_task(_talk(behave, writer)))

    transport, _ = await loop.create_datagram_endpoint(Answering, local_addr=("127.0.0.1", 0))
    server = Server(*transport.get_extra_info("sockname")[:2])
    try:
        yield server
    finally:
        transport.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@dataclass(frozen=True, slots=True)
class _ToSender:
    """What of a stream's writer a behaviour uses, with a datagram for each write."""

    transport: asyncio.DatagramTransport
    sender: Any

    def write(self, data: bytes) -> None:
        self.transport.sendto(data, self.sender)

    async def drain(self) -> None:
        await asyncio.sleep(0)

    def write_eof(self) -> None:
        """Do nothing: a datagram has no end but its own."""


@asynccontextmanager
async def nobody_for_datagrams() -> AsyncIterator[Server]:
    """Give an address at whose UDP port nobody listens, a moment ago at least."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.1", 0))
        where = held.getsockname()
    yield Server(*where)


@asynccontextmanager
async def each_twice(address: str, port: int) -> AsyncIterator[Server]:
    """Relay datagrams to an address, and pass on twice whatever it answers, as networks do."""
    loop = asyncio.get_running_loop()
    ends: dict[Any, asyncio.DatagramTransport] = {}

    class Far(asyncio.DatagramProtocol):
        def __init__(self, sender: Any) -> None:
            self.sender = sender

        def datagram_received(self, data: bytes, _: Any) -> None:
            for _again in range(2):
                near.sendto(data, self.sender)

    class Near(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, sender: Any) -> None:
            server.taken += 1
            tasks.add(loop.create_task(pass_on(data, sender)))

    async def pass_on(data: bytes, sender: Any) -> None:
        if sender not in ends:
            far = (address, port)
            ends[sender], _ = await loop.create_datagram_endpoint(
                lambda: Far(sender), remote_addr=far
            )
        ends[sender].sendto(data)

    tasks: set[asyncio.Task[None]] = set()
    near, _ = await loop.create_datagram_endpoint(Near, local_addr=("127.0.0.1", 0))
    server = Server(*near.get_extra_info("sockname")[:2])
    try:
        yield server
    finally:
        await asyncio.gather(*tasks, return_exceptions=True)
        for transport in (near, *ends.values()):
            transport.close()


async def _talk(behave: Behaviour, writer: asyncio.StreamWriter) -> None:
    with suppress(OSError):
        await behave(writer)


async def mute(_: asyncio.StreamWriter) -> None:
    """Say nothing."""


async def garbage(writer: asyncio.StreamWriter) -> None:
    """Say what no language allows, and end."""
    chance = random.Random(1628)
    writer.write(chance.randbytes(2048) + b"\r\n" + chance.randbytes(2048) + b"\r\n\r\n")
    await writer.drain()
    writer.write_eof()


async def dribble(writer: asyncio.StreamWriter) -> None:
    """Say a byte now and then, for ever."""
    while True:
        writer.write(b"x")
        await writer.drain()
        await asyncio.sleep(0.02)


async def reset(writer: asyncio.StreamWriter) -> None:
    """Break the connection off, a moment after it was taken."""
    await asyncio.sleep(0.05)
    writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _LINGER)
    writer.transport.abort()


def stalling(greeting: bytes) -> Behaviour:
    """Return a behaviour that says *greeting* and no more."""

    async def stall(writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)
        await writer.drain()

    return stall


@asynccontextmanager
async def unanswering() -> AsyncIterator[Server]:
    """Give an address whose connections are neither taken nor refused: a full backlog."""
    with socket.socket() as full, socket.socket() as first, socket.socket() as second:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        where = full.getsockname()
        for filler in (first, second):
            filler.setblocking(False)
            with suppress(BlockingIOError):
                filler.connect(where)
        await asyncio.sleep(0.05)
        yield Server(*where)


@asynccontextmanager
async def nobody() -> AsyncIterator[Server]:
    """Give an address where nobody listens; the port is held, so that nobody else can."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield Server(*held.getsockname())


@asynccontextmanager
async def listening_for_anything() -> AsyncIterator[Server]:
    """Give a TCP port whose UDP twin is listened at too; both count into `taken`."""
    async with serving(mute) as server:

        class Counting(asyncio.DatagramProtocol):
            def datagram_received(self, data: bytes, _: object) -> None:
                server.taken += 1

        loop = asyncio.get_running_loop()
        where = (server.address, server.port)
        transport, _ = await loop.create_datagram_endpoint(Counting, local_addr=where)
        with closing(transport):
            yield server


def in_bytes(address: str, port: int) -> AbstractAsyncContextManager[Server]:
    """Relay to an address, and pass on what it says one byte a packet."""

    async def hold(_: Server, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        far_reader, far_writer = await asyncio.open_connection(address, port)
        asking = asyncio.create_task(_pass_on(reader, far_writer))
        try:
            while byte := await far_reader.read(1):
                writer.write(byte)
                await writer.drain()
                await asyncio.sleep(0)
        finally:
            far_writer.close()  # first, since what follows may be cancelled
            await _end(asking)
            await _close(far_writer)

    return _taking(hold)


async def _pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with suppress(OSError):
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
        writer.write_eof()
