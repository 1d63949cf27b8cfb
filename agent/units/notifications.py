"""Hears what backup units send unasked. A notification decides nothing: it hastens the next poll.

Whoever can send a datagram can send a notification, and none of them is sure to arrive (RFC 3416
section 4.2.6): so they are neither believed nor waited for.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import structlog

from agent.units.rfc1628 import trap_name
from drivers.base import Clock
from drivers.transports.snmp import SnmpHub
from drivers.transports.snmp_values import SNMP_TRAP_ADDRESS, Notification, dotted

log = structlog.get_logger()

_BURST = 4
_BURST_S = 1.0
"""No more than so many polls of a unit are hastened within so many seconds, whoever sends what."""


@dataclass(frozen=True, slots=True)
class _Expected:
    unit: str
    address: str
    hasten: Callable[[], None]
    hastened_at: deque[float] = field(default_factory=lambda: deque(maxlen=_BURST))


class Notifications:
    """The traps and informs of RFC 1628, versions 1, 2c and 3, native and converted."""

    def __init__(self, *, clock: Clock) -> None:
        """Prepare to hear; nothing is opened before `listen`."""
        self._clock = clock
        self._expected: list[_Expected] = []
        self._later: dict[str, asyncio.Future[None]] = {}

    def expect(self, unit: str, address: str, hasten: Callable[[], None]) -> None:
        """Have *hasten* called when something comes from *address*, which is numeric or a name.

        What comes from an address that nobody is expected at (a name's, or one behind a
        translation of addresses) hastens every unit, if it is a notification of RFC 1628.
        """
        self._expected.append(_Expected(unit, _plain_address(address), hasten))

    async def listen(self, hub: SnmpHub, address: str, port: int) -> int:
        """Hear from now on, and answer informs; return the port.

        Raises:
            ListenError: the port is not to be had.
        """
        return await hub.listen(address, port, self.hear)

    def close(self) -> None:
        """Hasten nobody any more; the socket is the hub's."""
        self._expected.clear()
        for waiting in self._later.values():
            waiting.cancel()
        self._later.clear()

    def hear(self, notification: Notification) -> None:
        """Take one notification in: at most, somebody is hastened."""
        origins = {_plain_address(notification.sender), _first_origin(notification)}
        senders = [one for one in self._expected if one.address in origins]
        name = trap_name(notification.trap)
        if not senders and name is not None:
            senders = self._expected
        log.debug(
            "heard_notification",
            sender=notification.sender,
            trap=name or dotted(notification.trap),
            units=[one.unit for one in senders],
        )
        for one in senders:
            self._hasten(one)

    def _hasten(self, one: _Expected) -> None:
        now = self._clock.monotonic()
        if len(one.hastened_at) < _BURST or now - one.hastened_at[0] >= _BURST_S:
            one.hastened_at.append(now)
            one.hasten()
        elif one.unit not in self._later:
            # Put off, not dropped: it may be the one that matters, behind four that did not.
            wait_s = _BURST_S - (now - one.hastened_at[0])
            self._later[one.unit] = asyncio.ensure_future(self._hasten_later(one, wait_s))

    async def _hasten_later(self, one: _Expected, wait_s: float) -> None:
        await self._clock.sleep(wait_s)
        del self._later[one.unit]
        one.hastened_at.append(self._clock.monotonic())
        one.hasten()


def _first_origin(notification: Notification) -> str:
    """Return where a forwarded version 1 trap came from first, "" where it does not say."""
    origin = dict(notification.values).get(SNMP_TRAP_ADDRESS)
    if isinstance(origin, bytes) and len(origin) == 4:
        return str(ipaddress.IPv4Address(origin))
    return ""


def _plain_address(text: str) -> str:
    """Return an address as it is written plainly, also where it came over an IPv6 socket."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return text
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return str(mapped or address)
