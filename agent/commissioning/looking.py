"""What is found out over the network while a site's file is asked together: only what was named.

A look at addresses is bounded in their number, in ports and in time, and never begins by itself.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass

from agent.clock import LoopClock
from agent.conduct.unit_control import Control, SnmpControl
from agent.units.snmp_source import SnmpSource
from agent.units.source import UnitIdentity
from drivers.errors import DriverError
from drivers.transports.http import LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, Trust
from drivers.transports.snmp import SnmpHub
from drivers.transports.snmp_settings import SnmpSettings
from drivers.transports.ssh_console import shown_host_key
from policies.model import Reading

UNIT_WITHIN_S = 10.0
_PORT_WITHIN_S = 1.0
_SHOWN_WITHIN_S = 10.0
_AT_ONCE = 32

PORTS = (22, 80, 443)
"""Where what a recipe speaks usually listens: SSH, HTTP, HTTPS."""


@dataclass(frozen=True, slots=True)
class Offer:
    """What a backup unit said of itself, and what can be switched at it."""

    identity: UnitIdentity
    reading: Reading
    control: Control

    @property
    def can_be_switched(self) -> bool:
        """Whether its output has the two countdowns that are needed."""
        return self.control.shutdown_s is not None and self.control.startup_s is not None


def offer_of(name: str, address: str, settings: SnmpSettings) -> Offer:
    """Ask a unit what it is and how it is; nothing is written.

    Raises:
        BackupUnitError: it was silent, refused, or talked nonsense.
    """
    return asyncio.run(_offer_of(name, address, settings))


async def _offer_of(name: str, address: str, settings: SnmpSettings) -> Offer:
    clock, hub = LoopClock(), SnmpHub()
    try:
        peer = hub.peer(address, settings)
        source = SnmpSource(peer, unit=name, clock=clock)
        deadline_at = clock.monotonic() + UNIT_WITHIN_S
        identity = await source.identify(deadline_at=deadline_at)
        reading = await source.read(deadline_at=deadline_at)
        control = await SnmpControl(peer, unit=name, clock=clock).read(deadline_at=deadline_at)
        await source.close()
        return Offer(identity, reading, control)
    finally:
        hub.close()


def open_ports(network: str, ports: Iterable[int] = PORTS) -> dict[str, tuple[int, ...]]:
    """Return which of *ports* take a connection at each address of *network* that has any.

    Args:
        network: an address or a prefix, as a person named it; its size is the caller's to bound.
        ports: TCP ports; nothing is sent to any, and each is let go at once.
    """
    return asyncio.run(_open_ports(network, tuple(ports)))


async def _open_ports(network: str, ports: tuple[int, ...]) -> dict[str, tuple[int, ...]]:
    found = ipaddress.ip_network(network)
    hosts = [str(host) for host in (found.hosts() if found.num_addresses > 2 else found)]
    places = asyncio.Semaphore(_AT_ONCE)

    async def is_open(host: str, port: int) -> bool:
        async with places:
            with suppress(OSError, TimeoutError):
                async with asyncio.timeout(_PORT_WITHIN_S):
                    _, writer = await asyncio.open_connection(host, port)
                writer.transport.abort()
                return True
            return False

    asked = [(host, port) for host in hosts for port in ports]
    answers = await asyncio.gather(*(is_open(host, port) for host, port in asked))
    out: dict[str, tuple[int, ...]] = {}
    for (host, port), is_there in zip(asked, answers, strict=True):
        if is_there:
            out[host] = (*out.get(host, ()), port)
    return out


def shown_key(address: str, port: int) -> str:
    """Return the fingerprint of the SSH host key shown at a place, or ""; nobody logs in."""
    try:
        return asyncio.run(shown_host_key(address, port, within_s=_SHOWN_WITHIN_S))
    except DriverError:
        return ""


def shown_certificate(address: str, port: int) -> str:
    """Return the SHA-256 fingerprint of the certificate shown at a place, or ""."""

    async def look() -> str:
        http = LiveHttp(Endpoint("https", address, port), Trust(), Credentials())
        return await http.presented(timeout_s=_SHOWN_WITHIN_S)

    return asyncio.run(look())
