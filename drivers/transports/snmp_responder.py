"""The answering side of SNMP: serves objects over v1, v2c and v3, and sends notifications.

What stands behind the objects is the caller's: a function that returns every object and its value
now. Each request calls it once, so that the values of one answer belong together.
"""

from __future__ import annotations

import asyncio
import bisect
import secrets
import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

# pysnmp is not typed; here, and in snmp.py beside it, is where that ends.
from pyasn1.type import univ  # type: ignore[import-untyped]
from pysnmp.carrier.asyncio.dgram import udp  # type: ignore[import-untyped]
from pysnmp.entity import config, engine  # type: ignore[import-untyped]
from pysnmp.entity.rfc3413 import cmdrsp, context, ntforg  # type: ignore[import-untyped]
from pysnmp.proto import rfc1902, rfc1905  # type: ignore[import-untyped]
from pysnmp.smi import error, instrum  # type: ignore[import-untyped]

from drivers.transports.snmp_protocols import AUTH, PRIVACY
from drivers.transports.snmp_settings import AuthProtocol, PrivacyProtocol
from drivers.transports.snmp_values import SNMP_TRAP_OID, SYS_UP_TIME, Oid, Status, Written

__all__ = [
    "SYS_UP_TIME", "Kind", "Listener", "Objects", "Oid", "SnmpResponder", "Status", "UsmUser",
    "Value", "Write",
]  # fmt: skip

_INTERNET: Oid = (1, 3, 6, 1)
_EXAMPLE_ENTERPRISE = (32473).to_bytes(4, "big")
"""The enterprise number that RFC 5612 keeps for examples, as the head of an engine ID."""

_SECURITY_MODEL = {"1": 1, "2c": 2, "3": 3}
_MESSAGE_MODEL = {"1": 0, "2c": 1, "3": 3}


class Kind(StrEnum):
    """The types of SMIv2 that an object can have here."""

    INTEGER = "Integer32"
    TEXT = "OctetString"
    COUNTER = "Counter32"
    GAUGE = "Gauge32"
    TICKS = "TimeTicks"
    OID = "ObjectIdentifier"


@dataclass(frozen=True, slots=True)
class Value:
    """One value on the wire: an `int`, a `str`, or an OID, as its kind asks."""

    kind: Kind
    value: int | str | Oid


Objects = Callable[[], Mapping[Oid, Value]]
"""Returns every object that there is now, by its full OID, instance included."""

Write = Callable[[Oid, Written], Status]
"""Writes to an object that there is, and returns how that ended.

See RFC 3416 section 4.2.5.
"""


@dataclass(frozen=True, slots=True)
class UsmUser:
    """A user of SNMPv3; what protocols it has is what level it must come with.

    Attributes:
        auth_secret, privacy_secret: eight characters or more, "" where the protocol is "none".
    """

    name: str
    auth: AuthProtocol = "none"
    auth_secret: str = field(default="", repr=False)
    privacy: PrivacyProtocol = "none"
    privacy_secret: str = field(default="", repr=False)

    @property
    def level(self) -> str:
        """The security level of RFC 3411 that this user speaks at."""
        if self.privacy != "none":
            return "authPriv"
        return "noAuthNoPriv" if self.auth == "none" else "authNoPriv"


@dataclass(frozen=True, slots=True)
class Listener:
    """Where notifications go, and in whose name.

    Attributes:
        community: for versions 1 and 2c; need not be one that the responder answers to.
        user: for version 3; one of the responder's users. A listener can only read a version 3
            trap if it knows the responder's engine ID; an inform needs no such knowledge.
        confirmed: send informs, which the listener answers; not in version 1.
    """

    address: str
    port: int
    version: Literal["1", "2c", "3"] = "2c"
    community: str = field(default="", repr=False)
    user: str = ""
    confirmed: bool = False


class SnmpResponder:
    """Answers GET, GETNEXT and GETBULK for what *objects* returns, and SET where it may *write*.

    It has an SNMP engine of its own, which belongs to the loop that `start` runs on.
    """

    def __init__(
        self,
        objects: Objects,
        *,
        address: str,
        port: int = 0,
        communities: Sequence[str] = (),
        users: Sequence[UsmUser] = (),
        engine_id: bytes | None = None,
        write: Write | None = None,
    ) -> None:
        """Prepare to answer; nothing is opened before `start`.

        Args:
            objects: what to serve.
            address: where to listen, numeric.
            port: UDP port, 0 for any free one.
            communities: what versions 1 and 2c may ask with.
            users: who may ask in version 3, each at its own level and no lower one.
            engine_id: 5 to 32 octets; made up where None.
            write: takes what is to be written to one; objects are read-only where None. Whoever may
                ask may write.
        """
        self._objects = objects
        self._write = write
        self._asked = (address, port)
        self._communities = tuple(communities)
        self._users = {user.name: user for user in users}
        self.engine_id = engine_id or b"\x80" + _EXAMPLE_ENTERPRISE[1:] + b"\x05" + (
            secrets.token_bytes(8)
        )
        self._engine: Any = None
        self._notifiers: dict[Listener, str] = {}
        self._unanswered: set[asyncio.Future[bool]] = set()
        self.deaf = False
        """Whether it hears nothing, like an agent whose power is gone; its port stays open."""
        self.address: tuple[str, int] = self._asked

    async def start(self) -> None:
        """Open the socket and answer from now on; `address` then holds the port.

        Raises:
            OSError: the address or port is not to be had.
        """
        assert self._engine is None, "a responder is started once"
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            sock.bind(self._asked)
        except OSError:
            sock.close()
            raise
        self.address = sock.getsockname()
        self._engine = _engine(self.engine_id)
        transport = _Ears(self)
        await asyncio.get_running_loop().create_datagram_endpoint(lambda: transport, sock=sock)
        config.add_transport(self._engine, udp.DOMAIN_NAME, transport)
        for number, community in enumerate(self._communities):
            config.add_v1_system(self._engine, f"reader{number}", community)
            for model in (1, 2):
                self._admit(model, f"reader{number}", "noAuthNoPriv")
        for user in self._users.values():
            config.add_v3_user(
                self._engine,
                user.name,
                AUTH[user.auth],
                user.auth_secret or None,
                PRIVACY[user.privacy],
                user.privacy_secret or None,
            )
            self._admit(3, user.name, user.level)
        self._serve()

    def close(self) -> None:
        """Stop answering; the port is free a turn of the loop later. Safe to call twice."""
        if self._engine is not None:
            self._engine.close_dispatcher()
            self._engine = None
        for future in self._unanswered:
            future.cancel()
        self._unanswered.clear()

    async def notify(
        self, listener: Listener, trap: Oid, objects: Sequence[tuple[Oid, Value]]
    ) -> bool:
        """Send one notification; sysUpTime is taken from the served objects.

        Returns:
            Whether the listener confirmed an inform; a trap's fate nobody knows: True once sent.
        """
        assert self._engine is not None, "a responder notifies only while it is started"
        answered: asyncio.Future[bool] = asyncio.get_running_loop().create_future()

        def heard(_engine: Any, _handle: Any, indication: Any, _status: Any, *_rest: Any) -> None:
            if not answered.done():
                answered.set_result(indication is None)

        bindings = [
            (SYS_UP_TIME, _on_wire(self._objects()[SYS_UP_TIME])),
            (SNMP_TRAP_OID, rfc1902.ObjectIdentifier(trap)),
            *((oid, _on_wire(value)) for oid, value in objects),
        ]
        handle = ntforg.NotificationOriginator().send_varbinds(
            self._engine, self._notifier(listener), None, b"", bindings, heard
        )
        assert handle is not None, "the engine's own access rules held the notification back"
        if not listener.confirmed:
            return True
        self._unanswered.add(answered)
        try:
            return await answered
        finally:
            self._unanswered.discard(answered)

    def _admit(self, model: int, name: str, level: str) -> None:
        written = () if self._write is None else _INTERNET
        config.add_vacm_user(self._engine, model, name, level, _INTERNET, written, _INTERNET)

    def _serve(self) -> None:
        served = context.SnmpContext(self._engine)
        served.unregister_context_name(b"")
        served.register_context_name(b"", _Instruments(self._objects, self._write))
        for responder in (
            cmdrsp.GetCommandResponder,
            cmdrsp.NextCommandResponder,
            cmdrsp.BulkCommandResponder,
            cmdrsp.SetCommandResponder,
        ):
            responder(self._engine, served)

    def _notifier(self, listener: Listener) -> str:
        """Return the engine's name for *listener*, made known to it the first time."""
        name = self._notifiers.get(listener)
        if name is not None:
            return name
        name = f"listener{len(self._notifiers)}"
        if listener.version == "3":
            speaker, level = listener.user, self._users[listener.user].level
        else:
            speaker, level = name, "noAuthNoPriv"
            # The tag lets the listener's answer to an inform in: from an address that is known
            # as a target, only what carries one of that target's tags is heard.
            config.add_v1_system(self._engine, name, listener.community, transportTag=name)
            config.add_vacm_user(
                self._engine, _SECURITY_MODEL[listener.version], name, level, (), (), _INTERNET
            )
        config.add_target_parameters(
            self._engine, name, speaker, level, _MESSAGE_MODEL[listener.version]
        )
        config.add_target_address(
            self._engine,
            name,
            udp.DOMAIN_NAME,
            (listener.address, listener.port),
            name,
            timeout=100,
            retryCount=2,
            tagList=name,
        )
        config.add_notification_target(
            self._engine, name, name, name, "inform" if listener.confirmed else "trap"
        )
        self._notifiers[listener] = name
        return name


class _Ears(udp.UdpTransport):  # type: ignore[misc]
    """A socket that can be made deaf."""

    def __init__(self, responder: SnmpResponder) -> None:
        super().__init__()
        self._responder = responder

    def datagram_received(self, datagram: Any, transportAddress: Any) -> None:  # noqa: N803
        """Hand a datagram on, unless its responder is deaf."""
        if not self._responder.deaf:
            super().datagram_received(datagram, transportAddress)


_WRITTEN = (univ.Integer, univ.OctetString, univ.ObjectIdentifier)


def _plain(value: Any) -> Written:
    if isinstance(value, univ.Integer):
        return int(value)
    return bytes(value) if isinstance(value, univ.OctetString) else tuple(value)


class _Instruments(instrum.AbstractMibInstrumController):  # type: ignore[misc]
    """Answers the engine's questions from one snapshot of the objects each."""

    def __init__(self, objects: Objects, write: Write | None) -> None:
        self._objects = objects
        self._write = write

    def read_variables(self, *bindings: Any, **asked: Any) -> list[tuple[Any, Any]]:
        """Return the value of each object, or the exception value of RFC 3416 section 4.2.1."""
        _check_access(asked)
        there = self._objects()
        return [(name, _read(there, tuple(name))) for name, _ in bindings]

    def read_next_variables(self, *bindings: Any, **asked: Any) -> list[tuple[Any, Any]]:
        """Return the object after each name, in the order of OIDs."""
        _check_access(asked)
        there = self._objects()
        order = sorted(there)
        return [_following(there, order, name) for name, _ in bindings]

    def write_variables(self, *bindings: Any, **asked: Any) -> list[tuple[Any, Any]]:
        """Write one object after the other; what refuses ends it.

        RFC 3416 section 4.2.5 would undo those before; who answers knows that of its own objects.
        """
        if self._write is None:
            raise error.NotWritableError(idx=0, name=bindings[0][0])
        asked["acFun"]("write", (rfc1902.ObjectName(_INTERNET), None), idx=0, **asked)
        there = self._objects()
        for index, (name, value) in enumerate(bindings):
            if not isinstance(value, _WRITTEN):
                raise error.WrongTypeError(idx=index, name=name)
            written = _plain(value)
            status = Status.NOT_WRITABLE
            if tuple(name) in there:
                status = self._write(tuple(name), written)
            if status is not Status.NO_ERROR:
                raise _ERRORS[status](idx=index, name=name)
        return list(bindings)


_ERRORS: dict[Status, Any] = {
    Status.GEN_ERR: error.GenError,
    Status.NO_ACCESS: error.NoAccessError,
    Status.WRONG_TYPE: error.WrongTypeError,
    Status.WRONG_VALUE: error.WrongValueError,
    Status.INCONSISTENT_VALUE: error.InconsistentValueError,
    Status.NOT_WRITABLE: error.NotWritableError,
}


def _check_access(asked: Mapping[str, Any]) -> None:
    """Let the engine judge user and level, once a request: its one view holds every object.

    A name outside that view is no trespass: a walk may begin above it.
    """
    asked["acFun"]("read", (rfc1902.ObjectName(_INTERNET), None), idx=0, **asked)


def _read(there: Mapping[Oid, Value], oid: Oid) -> Any:
    value = there.get(oid)
    if value is not None:
        return _on_wire(value)
    known = any(other[: len(oid) - 1] == oid[:-1] for other in there)
    return rfc1905.noSuchInstance if known else rfc1905.noSuchObject


def _following(there: Mapping[Oid, Value], order: Sequence[Oid], name: Any) -> tuple[Any, Any]:
    at = bisect.bisect_right(order, tuple(name))
    if at == len(order):
        return name, rfc1905.endOfMibView
    return rfc1902.ObjectName(order[at]), _on_wire(there[order[at]])


def _on_wire(value: Value) -> Any:
    match value.kind:
        case Kind.INTEGER:
            return rfc1902.Integer32(value.value)
        case Kind.TEXT:
            assert isinstance(value.value, str)
            return rfc1902.OctetString(value.value.encode())
        case Kind.COUNTER:
            return rfc1902.Counter32(value.value)
        case Kind.GAUGE:
            return rfc1902.Gauge32(value.value)
        case Kind.TICKS:
            return rfc1902.TimeTicks(value.value)
        case Kind.OID:
            return rfc1902.ObjectIdentifier(value.value)


def _engine(engine_id: bytes) -> Any:
    """Make an engine of that ID; given to its constructor, it would leave a file in /tmp."""
    made = engine.SnmpEngine()
    (symbol,) = made.get_mib_builder().import_symbols("__SNMP-FRAMEWORK-MIB", "snmpEngineID")
    symbol.syntax = symbol.syntax.clone(engine_id)
    made.snmpEngineID = symbol.syntax
    return made
