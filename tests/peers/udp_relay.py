"""A relay before a real UDP server, on loopback: it counts, delays, drops and garbles datagrams."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import cast

Address = tuple[str, int]


class UdpRelay(asyncio.DatagramProtocol):
    """Passes datagrams on, each client over a socket of its own.

    Attributes:
        address: where to send to.
        requests, answers: datagrams seen from the clients, and from the server.
        delay_s: how long each answer is held back, in s.
        copies: how often each answer is passed on.
        change: what becomes of each answer; None drops it.
    """

    def __init__(self, server: Address) -> None:
        self._server = server
        self._ways: dict[Address, asyncio.Future[asyncio.DatagramTransport]] = {}
        self._transport: asyncio.DatagramTransport | None = None
        self.requests: list[bytes] = []
        self.answers: list[bytes] = []
        self.delay_s = 0.0
        self.copies = 1
        self.change: Callable[[bytes], bytes | None] = lambda answer: answer

    @property
    def address(self) -> Address:
        assert self._transport is not None
        address: Address = self._transport.get_extra_info("sockname")
        return address

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: Address) -> None:
        self.requests.append(data)
        if addr not in self._ways:
            self._ways[addr] = asyncio.ensure_future(self._opened(addr))
        self._ways[addr].add_done_callback(lambda way: way.result().sendto(data))

    async def close(self) -> None:
        assert self._transport is not None
        self._transport.close()
        for way in self._ways.values():
            (await way).close()

    async def _opened(self, client: Address) -> asyncio.DatagramTransport:
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: _Way(self, client), remote_addr=self._server
        )
        return transport

    def came_back(self, answer: bytes, client: Address) -> None:
        self.answers.append(answer)
        changed = self.change(answer)
        if changed is not None:
            asyncio.get_running_loop().call_later(self.delay_s, self._pass_on, changed, client)

    def _pass_on(self, answer: bytes, client: Address) -> None:
        assert self._transport is not None
        if not self._transport.is_closing():
            for _ in range(self.copies):
                self._transport.sendto(answer, client)


class _Way(asyncio.DatagramProtocol):
    def __init__(self, relay: UdpRelay, client: Address) -> None:
        self._relay = relay
        self._client = client

    def datagram_received(self, data: bytes, addr: Address) -> None:
        self._relay.came_back(data, self._client)


@asynccontextmanager
async def udp_relay(server: Address) -> AsyncIterator[UdpRelay]:
    """Run a relay before *server* on a free port of 127.0.0.1."""
    _, relay = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: UdpRelay(server), local_addr=("127.0.0.1", 0)
    )
    try:
        yield relay
    finally:
        await relay.close()
