"""Waking a sleeping machine: the magic packet, over UDP.

Nothing answers a magic packet, so that it was sent is all that can be known; the device's `verify`
table tells whether it runs. It works only while the network card has standby power and was armed
by the system that shut down: after a full loss of mains many are not. Set the machine to start
when power comes as well.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any, Protocol

from pydantic import AfterValidator, BaseModel, Field, SecretStr

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import DeviceSilentError
from drivers.settings import Secret, Settings
from drivers.transports.threads import in_own_thread

PACKETS = 3
"""How often it is sent: a lost datagram is lost silently, and one more wakes nobody twice."""

PAUSE_S = 0.1

_MAC = re.compile(r"[0-9a-f]{2}([:-]?)(?:[0-9a-f]{2}\1){4}[0-9a-f]{2}")
_SECURE_ON_HEX = re.compile(
    r"[0-9a-f]{2}(?:[:-]?[0-9a-f]{2}){5}|[0-9a-f]{2}(?:[:-]?[0-9a-f]{2}){3}"
)
_CAUTION = "have it start when power comes as well: a card that lost standby power hears nothing"


def mac_from(text: str) -> str:
    """Return a hardware address as "aa:bb:cc:dd:ee:ff", from any usual way of writing it.

    Raises:
        ValueError: *text* is none, or is a group address, which no card has.
    """
    plain = text.lower()
    if not _MAC.fullmatch(plain):
        raise ValueError('write the hardware address of its network card: "02:00:5e:10:00:01"')
    octets = bytes.fromhex(re.sub("[:-]", "", plain))
    if octets[0] & 1:
        raise ValueError("this is a group address; write the one printed on the network card")
    return octets.hex(":")


def secure_on_from(text: str) -> bytes:
    """Return a SecureOn password, 4 or 6 bytes, from hex pairs or four decimal numbers with dots.

    Raises:
        ValueError: *text* is neither; it is not quoted.
    """
    plain = text.strip().lower()
    if _SECURE_ON_HEX.fullmatch(plain):
        return bytes.fromhex(re.sub("[:-]", "", plain))
    parts = plain.split(".")
    if len(parts) == 4 and all(p.isascii() and p.isdigit() and int(p) < 256 for p in parts):
        return bytes(map(int, parts))
    raise ValueError('a SecureOn password is 6 or 4 bytes, like "0a:1b:2c:3d:4e:5f" or "10.0.0.7"')


def magic_packet(mac: str, password: bytes = b"") -> bytes:
    """Return six bytes FF, the address sixteen times, and the password: 102, 106 or 108 bytes.

    Source: Magic Packet Technology, AMD white paper 20213, 1995.
    """
    return b"\xff" * 6 + bytes.fromhex(mac.replace(":", "")) * 16 + password


def _checked(secret: SecretStr) -> SecretStr:
    secure_on_from(secret.get_secret_value())
    return secret


class WakeAccess(Settings):
    """`[device.wake]`: whom to wake, and where to send it.

    Attributes:
        address: a broadcast address such as "192.0.2.255", or any other address that reaches the
            machine's wire; the default leaves by the interface of the default route alone.
        port: immaterial to the card; 9 (discard) and 7 (echo) are usual.
        password: SecureOn, where the card asks for it; it goes over the wire in clear.
    """

    mac: Annotated[str, AfterValidator(mac_from)]
    address: str = Field(default="255.255.255.255", min_length=1)
    port: Annotated[int, Field(ge=1, le=65535)] = 9
    password: Annotated[Secret, AfterValidator(_checked)] | None = None


class WakeStart(Settings):
    """`start`: nothing to say beyond the access table."""


class Sender(Protocol):
    """A way for datagrams to one address."""

    async def route(self, *, timeout_s: float) -> str:
        """Return the address of this box that a datagram would leave from; nothing is sent.

        Raises:
            DeviceSilentError: no way leads there.
        """
        ...

    async def send(self, datagram: bytes, *, timeout_s: float) -> None:
        """Send one datagram.

        Raises:
            DeviceSilentError: it could not leave this box.
        """
        ...


class UdpSender:
    """Sends over IPv4 or IPv6, to a single machine, a group, or everybody on a wire."""

    def __init__(self, address: str, port: int) -> None:
        self._address = address
        self._port = port

    async def route(self, *, timeout_s: float) -> str:
        """Return the address of this box that a datagram would leave from."""
        with await self._connected(timeout_s) as sender:
            return str(sender.getsockname()[0])

    async def send(self, datagram: bytes, *, timeout_s: float) -> None:
        """Send one datagram."""
        with await self._connected(timeout_s) as sender:
            try:
                sender.send(datagram)
            except OSError as error:
                raise self._stuck(error) from error

    async def _connected(self, timeout_s: float) -> socket.socket:
        """Return a socket aimed at the address; a datagram socket's connect sends nothing."""
        try:
            async with asyncio.timeout(timeout_s):
                family, kind, protocol, _, target = await self._resolved()
            sender = socket.socket(family, kind, protocol)
        except TimeoutError as error:
            raise DeviceSilentError(f"{self._address} was not found in time") from error
        except OSError as error:
            raise self._stuck(error) from error
        try:
            sender.setblocking(False)
            sender.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            sender.connect(target)
        except OSError as error:
            sender.close()
            raise self._stuck(error) from error
        return sender

    async def _resolved(self) -> tuple[int, int, int, str, tuple[Any, ...]]:
        """Return where it goes; only a name is looked up, and in a thread of its own."""

        def found(flags: int) -> tuple[int, int, int, str, tuple[Any, ...]]:
            kind = socket.SOCK_DGRAM
            return socket.getaddrinfo(self._address, self._port, type=kind, flags=flags)[0]

        with contextlib.suppress(socket.gaierror):
            return found(socket.AI_NUMERICHOST)
        return await in_own_thread(lambda: found(0), name=f"find {self._address}")

    def _stuck(self, error: OSError) -> DeviceSilentError:
        why = (error.strerror or "no reason given").lower()
        return DeviceSilentError(f"nothing can be sent to {self._address}: {why}")


class DrySender:
    """Sends nothing."""

    async def route(self, *, timeout_s: float) -> str:
        """Return "": nobody was asked."""
        return ""

    async def send(self, datagram: bytes, *, timeout_s: float) -> None:
        """Do nothing."""


class WakeDriver:
    """One machine that wakes on a magic packet; see the module."""

    def __init__(
        self, access: WakeAccess, stages: Mapping[Stage, BaseModel], sender: Sender, clock: Clock
    ) -> None:
        self._access = access
        self._sender = sender
        self._is_dry = isinstance(sender, DrySender)
        self._clock = clock
        password = access.password.get_secret_value() if access.password else ""
        self._packet = magic_packet(access.mac, secure_on_from(password) if password else b"")
        secure_on = ", SecureOn ***" if password else ""
        self._line = (
            f"UDP {access.address} port {access.port}: magic packet for {access.mac} "
            f"({len(self._packet)} bytes{secure_on})"
        )
        self._acts = {Act.PROBE: Repeat.SAFE}
        if Stage.START in stages:
            self._acts[Act.START] = Repeat.SAFE  # a packet more does no harm

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return self._acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        try:
            outcome = await self._do(act, deadline_at)
        except DeviceSilentError as error:
            advice = "check address in [device.wake], and the network of this box"
            outcome = Outcome(act, Verdict.NO_ANSWER, str(error), advice)
        return replace(outcome, took_s=max(0.0, self._clock.monotonic() - began_at))

    async def close(self) -> None:
        """Do nothing: no socket outlives its datagram."""

    async def _do(self, act: Act, deadline_at: float) -> Outcome:
        if act not in self._acts:
            text = f"nothing was sent: a magic packet cannot serve as {act.value}"
            return Outcome(act, Verdict.REFUSED, text, "name another driver in that table")
        if act is Act.PROBE:
            return await self._probe(deadline_at)
        return await self._start(deadline_at)

    async def _probe(self, deadline_at: float) -> Outcome:
        """Nothing can be asked of a sleeping machine: only the way to it is looked at."""
        line = (f"nothing; the way to {self._access.address} is looked for",)
        source = await self._sender.route(timeout_s=self._left_s(deadline_at))
        if self._is_dry:
            return Outcome(Act.PROBE, Verdict.ASSUMED, "its way was not looked for", _CAUTION, line)
        evidence = f"a packet to {self._access.address} would leave from {source}; none was sent"
        return Outcome(Act.PROBE, Verdict.DONE, evidence, _CAUTION, line)

    async def _start(self, deadline_at: float) -> Outcome:
        sent: list[str] = []
        for number in range(PACKETS):
            try:
                if number:
                    await self._clock.sleep(min(PAUSE_S, self._left_s(deadline_at) / 2))
                await self._sender.send(self._packet, timeout_s=self._left_s(deadline_at))
            except DeviceSilentError:
                if not sent:
                    raise
                break
            sent.append(self._line)
        if self._is_dry:
            text = "no magic packet was sent"
            return Outcome(Act.START, Verdict.ASSUMED, text, sent=tuple(sent))
        text = f"{len(sent)} magic packets were sent; nothing ever confirms one"
        return Outcome(Act.START, Verdict.DONE, text, sent=tuple(sent))

    def _left_s(self, deadline_at: float) -> float:
        """Return the seconds up to the deadline, > 0.

        Raises:
            DeviceSilentError: there are none.
        """
        left_s = deadline_at - self._clock.monotonic()
        if left_s <= 0:
            raise DeviceSilentError("no time was left to send anything")
        return left_s


def build(fitting: Fitting) -> Driver:
    """Make the driver of one machine."""
    access = fitting.access
    assert isinstance(access, WakeAccess)
    sender = DrySender() if fitting.dry_run else UdpSender(access.address, access.port)
    return WakeDriver(access, fitting.stages, sender, fitting.clock)


def _no_port(access: BaseModel) -> int | None:
    """Return None: a sleeping machine listens nowhere."""
    return None


KIND = DriverKind(
    name="wake",
    access=WakeAccess,
    stages={Stage.START: WakeStart},
    build=build,
    port=_no_port,
)
"""What the registry knows of it."""
