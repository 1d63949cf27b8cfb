"""Relays before real servers on loopback, in a thread of their own: slow, doubling, swallowing."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from tests.peers.udp_relay import UdpRelay, udp_relay

Address = tuple[str, int]
Run = Callable[[threading.Event, asyncio.Event], Awaitable[None]]
"""A relay's life: it sets the first event when it is ready, and ends when the second is set."""


@dataclass
class Trouble:
    """What a relay does to what passes; may be changed from any thread, at any time.

    Attributes:
        delay_s: how long everything is held back, each way.
        swallows: nothing passes any more, and nobody is told.
        doubles: datagrams arrive twice.
        address: where to connect to instead of the server.
    """

    delay_s: float = 0.0
    swallows: bool = False
    doubles: bool = False
    address: Address = field(default=("", 0))


@contextmanager
def tcp_trouble(server: Address, *, at: str = "127.0.0.1") -> Iterator[Trouble]:
    """Relay connections to *server* from a free port of *at*."""
    trouble = Trouble()

    async def run(ready: threading.Event, over: asyncio.Event) -> None:
        conversations: set[asyncio.Task[None]] = set()

        async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.current_task()
            assert task is not None
            conversations.add(task)
            try:
                with suppress(OSError):
                    await _converse(trouble, server, reader, writer)
            finally:
                writer.close()

        listening = await asyncio.start_server(take, at, 0)
        trouble.address = listening.sockets[0].getsockname()[:2]
        ready.set()
        await over.wait()
        listening.close()
        for conversation in conversations:
            conversation.cancel()
        await asyncio.gather(*conversations, return_exceptions=True)
        await asyncio.sleep(0.05)  # in which their transports close

    with _in_thread(run):
        yield trouble


@contextmanager
def udp_trouble(server: Address) -> Iterator[Trouble]:
    """Relay datagrams to *server* from a free port of 127.0.0.1; only answers are troubled."""
    trouble = Trouble()

    async def run(ready: threading.Event, over: asyncio.Event) -> None:
        async with udp_relay(server) as relay:
            relay.change = lambda answer: _changed(trouble, relay, answer)
            trouble.address = relay.address
            ready.set()
            await over.wait()

    with _in_thread(run):
        yield trouble


def _changed(trouble: Trouble, relay: UdpRelay, answer: bytes) -> bytes | None:
    relay.delay_s = trouble.delay_s
    relay.copies = 2 if trouble.doubles else 1
    return None if trouble.swallows else answer


async def _converse(
    trouble: Trouble,
    server: Address,
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
) -> None:
    there, out = await asyncio.open_connection(*server)
    try:
        async with asyncio.TaskGroup() as group:
            group.create_task(_pass(trouble, reader, out))
            group.create_task(_pass(trouble, there, writer))
    except* OSError:
        pass  # one side is gone, so the other goes too
    finally:
        out.close()


async def _pass(
    trouble: Trouble, source: asyncio.StreamReader, drain: asyncio.StreamWriter
) -> None:
    while data := await source.read(65536):
        await asyncio.sleep(trouble.delay_s)
        if trouble.swallows:
            continue
        drain.write(data)
        await drain.drain()
    if not trouble.swallows:
        drain.close()


@contextmanager
def _in_thread(run: Run) -> Iterator[None]:
    ready, over = threading.Event(), asyncio.Event()
    loops: list[asyncio.AbstractEventLoop] = []

    async def main() -> None:
        loops.append(asyncio.get_running_loop())
        await run(ready, over)

    thread = threading.Thread(target=lambda: asyncio.run(main()), name="relay")
    thread.start()
    try:
        assert ready.wait(10.0), "the relay did not start"
        yield
    finally:
        loops[0].call_soon_threadsafe(over.set)
        thread.join(10.0)
