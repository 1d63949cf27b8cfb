"""The typed face of pysnmp's engine: who is known to it, sending, and what becomes of it.

An engine belongs to the loop that it is made on: from a second loop its requests would hang.
"""

from __future__ import annotations

import asyncio
import itertools
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Self

# pysnmp is not typed; here, and in snmp_responder.py beside it, is where that ends.
from pyasn1.type import univ  # type: ignore[import-untyped]
from pydantic import SecretStr
from pysnmp.carrier.asyncio.dgram import udp, udp6  # type: ignore[import-untyped]
from pysnmp.carrier.asyncio.dispatch import AsyncioDispatcher  # type: ignore[import-untyped]
from pysnmp.entity import config, engine  # type: ignore[import-untyped]
from pysnmp.entity.rfc3413 import cmdgen, ntfrcv  # type: ignore[import-untyped]
from pysnmp.error import PySnmpError  # type: ignore[import-untyped]
from pysnmp.proto.api import v2c  # type: ignore[import-untyped]
from pysnmp.proto.mpmod import rfc3412  # type: ignore[import-untyped]
from pysnmp.proto.secmod.rfc3414 import SnmpUSMSecurityModel  # type: ignore[import-untyped]

from drivers.transports.snmp_protocols import AUTH, PRIVACY
from drivers.transports.snmp_settings import AuthProtocol, PrivacyProtocol, SnmpSettings, Version
from drivers.transports.snmp_values import SNMP_TRAP_OID, Notification, Oid, Value, Written

Address = tuple[str, int]
"""A numeric address and a UDP port."""

NOT_UNDERSTOOD = "notUnderstood"
LATE = "late"
REPORT = "report"
_TIMED_OUT = "requestTimedOut"

_MODEL: dict[Version, int] = {"1": 0, "2c": 1, "3": 3}
_V3 = 3
_TICK_S = 1.0
"""Pace of the library's own housekeeping; nothing of ours waits for it."""
_ABANDON_S = 15
"""When the library clears away what we gave up on; longer than any timeout of ours."""


class CannotSendError(Exception):
    """The library did not get a request onto the wire; within the transports only."""


@dataclass(frozen=True, slots=True)
class Question:
    """What kind of request: GET, SET, GETNEXT, or GETBULK with so many repetitions."""

    kind: type[Any]
    repetitions: int | None = None

    @classmethod
    def get(cls) -> Self:
        """Return GET."""
        return cls(cmdgen.GetCommandGenerator)

    @classmethod
    def set(cls) -> Self:
        """Return SET; the values go with the objects."""
        return cls(cmdgen.SetCommandGenerator)

    @classmethod
    def next(cls) -> Self:
        """Return GETNEXT."""
        return cls(cmdgen.NextCommandGeneratorSingleRun)

    @classmethod
    def bulk(cls, repetitions: int) -> Self:
        """Return GETBULK, not for version 1."""
        return cls(cmdgen.BulkCommandGeneratorSingleRun, repetitions)


@dataclass(frozen=True, slots=True)
class Reply:
    """What came of one request.

    Attributes:
        trouble: the library's word for what went wrong, "" where a response came.
        status, index: error-status and error-index of the response.
        values: as they came, in order.
    """

    trouble: str
    status: int = 0
    index: int = 0
    values: tuple[tuple[Oid, Value], ...] = ()


@dataclass(frozen=True, slots=True)
class Credentials:
    """Who asks in version 3."""

    name: str
    auth: AuthProtocol
    auth_secret: SecretStr | None
    privacy: PrivacyProtocol
    privacy_secret: SecretStr | None

    @classmethod
    def of(cls, settings: SnmpSettings) -> Self:
        """Return the user of *settings*, which are of version 3."""
        assert settings.user is not None, "the settings see to it"
        return cls(
            name=settings.user,
            auth=settings.auth,
            auth_secret=settings.auth_secret,
            privacy=settings.privacy,
            privacy_secret=settings.privacy_secret,
        )

    @property
    def level(self) -> str:
        """The security level of RFC 3411."""
        if self.privacy != "none":
            return "authPriv"
        return "noAuthNoPriv" if self.auth == "none" else "authNoPriv"

    def master_keys(self) -> tuple[bytes | None, bytes | None]:
        """Return the keys of RFC 3414 appendix A.2 before localising, None where not needed.

        They take some 10 ms each, and are the same for every unit.
        """
        auth_key = privacy_key = None
        if self.auth_secret is not None:
            secret = self.auth_secret.get_secret_value().encode()
            auth_key = bytes(config.AUTH_SERVICES[AUTH[self.auth]].hash_passphrase(secret))
        if self.privacy_secret is not None:
            secret = self.privacy_secret.get_secret_value().encode()
            service = config.PRIV_SERVICES[PRIVACY[self.privacy]]
            privacy_key = bytes(service.hash_passphrase(AUTH[self.auth], secret))
        return auth_key, privacy_key


class Engine:
    """One SNMP engine and everybody it knows.

    Attributes:
        heard: by address, for those that were put in: what became of the last datagram from
            there: one of the library's words, NOT_UNDERSTOOD, LATE, or REPORT for what the library
            dealt with itself; "" = none came.
    """

    def __init__(self) -> None:
        """Make it, which takes some 0.2 s; the loop must be running."""
        self._dispatcher = _Dispatcher()
        self._made = engine.SnmpEngine()
        self._made.register_transport_dispatcher(self._dispatcher)
        observe = self._made.observer.register_observer
        observe(self._note_unheeded, "rfc3412.prepareDataElements:sm-failure")
        observe(self._note_report, "rfc3412.prepareDataElements:internal")
        self._numbers = itertools.count(1)
        self._communities: dict[str, str] = {}
        self._users: dict[tuple[bytes | None, str], Credentials] = {}
        self._masters: dict[Credentials, tuple[bytes | None, bytes | None]] = {}
        self.heard = self._dispatcher.heard

    def close(self) -> None:
        """Let go of every socket, at once; requests under way never come back."""
        self._made.close_dispatcher()

    def add_target(self, at: Address, *, name: str, level: str, version: Version) -> str:
        """Make known whom to ask, and under which security name; return the target's own name."""
        carrier, domain = _carrier(at[0])
        if config.get_transport(self._made, domain) is None:
            config.add_transport(self._made, domain, carrier().open_client_mode())
        target = f"target{next(self._numbers)}"
        config.add_target_parameters(self._made, target, name, level, _MODEL[version])
        config.add_target_address(self._made, target, domain, at, target, _ABANDON_S * 100, 0)
        return target

    def add_community(self, community: SecretStr) -> str:
        """Make a community known; return its security name."""
        text = community.get_secret_value()
        if text not in self._communities:
            name = f"community{len(self._communities)}"
            config.add_v1_system(self._made, name, text.encode())
            self._communities[text] = name
        return self._communities[text]

    def add_user(self, user: Credentials, engine_id: bytes | None) -> None:
        """Make a user known at one engine, so that two units may each have a user of one name.

        Args:
            user: who.
            engine_id: the unit's; None = our own, which informs are addressed to. There the first
                of several users of one name stays.
        """
        row = (engine_id, user.name)
        if self._users.get(row) == user or (engine_id is None and row in self._users):
            return
        if user not in self._masters:
            self._masters[user] = user.master_keys()
        auth_key, privacy_key = self._masters[user]
        config.add_v3_user(
            self._made,
            user.name,
            AUTH[user.auth],
            auth_key,
            PRIVACY[user.privacy],
            privacy_key,
            securityEngineId=None if engine_id is None else v2c.OctetString(engine_id),
            authKeyType=_key_type(auth_key),
            privKeyType=_key_type(privacy_key),
        )
        self._users[row] = user

    def engine_id_at(self, at: Address) -> bytes | None:
        """Return the engine ID that was discovered there, None where none was."""
        carrier, domain = _carrier(at[0])
        key = carrier.ADDRESS_TYPE(at if carrier is udp.UdpTransport else (*at, 0, 0))
        found, _, _ = self._made.message_processing_subsystems[_V3].get_peer_engine_info(
            domain, key
        )
        return None if found is None else bytes(found)

    def forget_engine_ids(self) -> None:
        """Discover every engine ID anew at the next request.

        The library keeps what it discovered for 300 s and does not doubt it. It sits in the message
        processing model, so that is replaced: users and keys stay, no memory is lost, and other
        units pay one more round trip.
        """
        self._made.message_processing_subsystems[_V3] = rfc3412.SnmpV3MessageProcessingModel()

    def renew_clocks(self) -> None:
        """Forget every unit's boots and time; call it every ten minutes or so, before asking.

        The library would forget each clock 300 s after *every* message, so that from then on every
        poll began with a time-window report. `_Usm` does not forget, and would grow.
        """
        self._made.security_models[_V3] = _Usm()

    def send(
        self,
        question: Question,
        objects: Sequence[tuple[Oid, Written | None]],
        *,
        target: str,
        context: str,
        came: Callable[[Reply], bool],
    ) -> None:
        """Send one request.

        Args:
            question: what kind.
            objects: what about; with what is to be written in a SET, else None.
            target: what `add_target` returned.
            context: context name of version 3.
            came: called on the loop if something comes back; returns whether it was waited for.

        Raises:
            CannotSendError: it did not go out.
        """

        def came_back(_0: Any, _1: Any, trouble: Any, *rest: Any) -> None:
            if (word := _word(trouble)) == _TIMED_OUT:
                return
            status, index, values, _ = rest
            reply = Reply(word, int(status or 0), int(index or 0), _plain_bindings(values))
            if not came(reply):
                self._dispatcher.unheeded = LATE

        options = () if question.repetitions is None else (0, question.repetitions)
        bindings = [(v2c.ObjectIdentifier(oid), _to_write(value)) for oid, value in objects]
        try:
            question.kind().send_varbinds(
                self._made, target, None, context.encode(), *options, bindings, came_back
            )
        except PySnmpError as error:
            # Without the cause: the library's texts may show what they were given.
            raise CannotSendError(type(error).__name__) from None

    async def listen(self, sock: socket.socket, heard: Callable[[Notification], None]) -> None:
        """Hand every notification that the bound *sock* receives to *heard*; informs are answered.

        To be called once.
        """
        carrier, domain = _carrier(sock.getsockname()[0])
        transport = carrier()
        await asyncio.get_running_loop().create_datagram_endpoint(lambda: transport, sock=sock)
        config.add_transport(self._made, (*domain, 1), transport)

        def came(_0: Any, _1: Any, _2: Any, _3: Any, bindings: Any, _4: Any) -> None:
            values = _plain_bindings(bindings)
            trap = dict(values).get(SNMP_TRAP_OID)
            sender = self._dispatcher.sender[0]
            heard(Notification(sender, trap if isinstance(trap, tuple) else (), values))

        ntfrcv.NotificationReceiver(self._made, came)

    def _note_unheeded(self, _engine: Any, _point: str, variables: Any, _context: Any) -> None:
        status = variables["statusInformation"]
        if "errorIndication" in status:
            self._dispatcher.unheeded = _word(status["errorIndication"])

    def _note_report(self, *_: Any) -> None:
        self._dispatcher.unheeded = REPORT


class _Dispatcher(AsyncioDispatcher):  # type: ignore[misc]
    """Hands datagrams to the engine one by one, and survives what the engine trips over.

    Attributes:
        sender: where the datagram in hand came from.
        unheeded: why the datagram in hand was not heeded; set by whoever finds out.
        heard: see Engine.
    """

    def __init__(self) -> None:
        super().__init__()
        self.set_timer_resolution(_TICK_S)
        self.sender: Address = ("", 0)
        self.unheeded = ""
        self.heard: dict[Address, str] = {}

    async def handle_timeout(self) -> None:
        """Tick by the loop's clock: the library's own ticks stop while wall time is set back."""
        while True:
            await asyncio.sleep(_TICK_S)
            self.handle_timer_tick(self.loop.time())

    def register_recv_callback(self, recvCb: Any, recvId: Any = None) -> None:  # noqa: N803
        """Put a guard before the engine's own reception."""

        def guarded(dispatcher: Any, domain: Any, address: Any, message: bytes) -> None:
            self.sender = (str(address[0]), int(address[1]))
            self.unheeded = NOT_UNDERSTOOD
            try:
                recvCb(dispatcher, domain, address, message)
            except Exception as error:  # whatever a stranger's bytes can provoke in a decoder
                self.unheeded = type(error).__name__
            if self.sender in self.heard:
                self.heard[self.sender] = self.unheeded

        super().register_recv_callback(guarded, recvId)


class _Usm(SnmpUSMSecurityModel):  # type: ignore[misc]
    """The user-based security model without its ageing; see `Engine.renew_clocks`."""

    def receive_timer_tick(self, snmpEngine: Any, timeNow: float) -> None:  # noqa: N803
        """Age nothing."""


def _to_write(value: Written | None) -> Any:
    if isinstance(value, tuple):
        return v2c.ObjectIdentifier(value)
    if isinstance(value, bytes):
        return v2c.OctetString(value)
    return v2c.null if value is None else v2c.Integer32(value)


def _carrier(address: str) -> tuple[Any, Oid]:
    if ":" in address:
        return udp6.Udp6Transport, udp6.DOMAIN_NAME
    return udp.UdpTransport, udp.DOMAIN_NAME


def _key_type(key: bytes | None) -> int:
    kind: int = config.USM_KEY_TYPE_PASSPHRASE if key is None else config.USM_KEY_TYPE_MASTER
    return kind


def _word(trouble: Any) -> str:
    """Return the library's word for *trouble* without anything that it may quote; "" for None."""
    if trouble is None:
        return ""
    name = trouble if isinstance(trouble, str) else type(trouble).__name__
    return name[:1].lower() + name[1:]


def _plain_bindings(bindings: Any) -> tuple[tuple[Oid, Value], ...]:
    return tuple((tuple(name.asTuple()), _plain(value)) for name, value in bindings)


def _plain(value: Any) -> Value:
    if isinstance(value, univ.Integer):
        return int(value)
    if isinstance(value, univ.ObjectIdentifier):
        return tuple(value.asTuple())
    if isinstance(value, univ.Null):  # also what stands for "no such object"
        return None
    return bytes(value)
