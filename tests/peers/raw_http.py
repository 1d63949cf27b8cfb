"""A server that misbehaves exactly as told: it answers with scripted bytes, or not at all."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

Answer = Callable[[asyncio.StreamWriter], Awaitable[None]]


@dataclass(slots=True)
class RawPeer:
    """What it heard.

    Attributes:
        requests: each request as it came, head and body.
        connections: how many were opened to it.
    """

    port: int = 0
    requests: list[bytes] = field(default_factory=list)
    connections: int = 0


def reply(
    body: bytes, *, status: str = "200 OK", headers: tuple[str, ...] = (), length: int | None = None
) -> bytes:
    """Return a whole HTTP/1.1 reply; *length* is the Content-Length where it lies."""
    lines = (
        f"HTTP/1.1 {status}",
        f"Content-Length: {len(body) if length is None else length}",
        *headers,
    )
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + body


def says(data: bytes) -> Answer:
    """Return an answer that writes *data*."""

    async def answer(writer: asyncio.StreamWriter) -> None:
        writer.write(data)
        await writer.drain()

    return answer


def hangs_up(first: bytes = b"") -> Answer:
    """Return an answer that writes *first* and closes the connection."""

    async def answer(writer: asyncio.StreamWriter) -> None:
        writer.write(first)
        writer.close()

    return answer


def trickles(data: bytes, pause_s: float) -> Answer:
    """Return an answer that writes *data* one byte at a time."""

    async def answer(writer: asyncio.StreamWriter) -> None:
        for byte in data:
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(pause_s)

    return answer


async def silent(writer: asyncio.StreamWriter) -> None:
    """Answer nothing."""


@asynccontextmanager
async def raw_peer(*answers: Answer, tls: ssl.SSLContext | None = None) -> AsyncIterator[RawPeer]:
    """Serve on a free port of 127.0.0.1; the last of *answers* is given to all that follows."""
    peer = RawPeer()
    tasks: set[asyncio.Task[None]] = set()

    async def converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer.connections += 1
        try:
            while head := await reader.readuntil(b"\r\n\r\n"):
                length = 0
                for line in head.lower().split(b"\r\n"):
                    if line.startswith(b"content-length:"):
                        length = int(line.partition(b":")[2])
                number = min(len(peer.requests), len(answers) - 1)
                peer.requests.append(head + await reader.readexactly(length))
                await answers[number](writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.get_running_loop().create_task(converse(reader, writer))
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    server = await asyncio.start_server(accept, "127.0.0.1", 0, ssl=tls)
    peer.port = server.sockets[0].getsockname()[1]
    try:
        yield peer
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
