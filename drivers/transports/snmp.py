"""The asking side of SNMP, versions 1, 2c and 3: peers to ask, and a listener for notifications.

Timeouts are ours, on the loop's clock: the library's own count ticks of a busy loop.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Sequence

from drivers.errors import (
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
    DriverError,
)
from drivers.transports.names import is_name, resolved
from drivers.transports.snmp_engine import (
    LATE,
    REPORT,
    Address,
    CannotSendError,
    Credentials,
    Engine,
    Question,
    Reply,
)
from drivers.transports.snmp_settings import SnmpSettings
from drivers.transports.snmp_values import Answer, Notification, Oid, Status, Value, Written, dotted

Objects = Sequence[tuple[Oid, Written | None]]
"""Objects in a question, each with what is to be written there."""

_DISCOVERER = "discoverer"
"""Security name under which engine IDs are asked for; no user is needed for that."""
_CLOCKS_LAST_S = 600.0
_FORGET_GAP_S = 30.0
"""Least time between two times that engine IDs are forgotten merely because a unit was silent."""
_RESOLVE_GAP_S = 30.0
_ROWS_AT_ONCE = 8
"""Small agents have been seen to fall over a GETBULK whose answer does not fit."""

# Reports of RFC 3414 section 3.2, and the same found out by ourselves, in the library's words.
_REFUSED = {
    "unknownUserName": "it does not know this user; mend `user` here, or make the user there",
    "wrongDigest": "authentication failed; mend `auth` and `auth_secret`",
    "authenticationFailure": "authentication failed; mend `auth` and `auth_secret`",
    "decryptionError": "privacy failed; mend `privacy` and `privacy_secret`",
    "unsupportedSecurityLevel": "it wants another security level of this user; mend `auth` and "
    "`privacy` here, or the user there",
    "notInTimeWindow": "its engine boots and time make no sense; restart its management card",
}
_OTHER_ENGINE = frozenset({"unknownEngineID", "unknownSecurityName"})
"""What it sounds like when we address an engine that is gone, or an unknown one answers."""


_FAILED = "it failed at writing that; look at its own log, or restart its management card"
_MAY_NOT = (
    "these credentials may not write there; give them write access to 1.3.6.1.2.1.33.1.8 on "
    "the unit, or name others that have it"
)
_READ_ONLY = "it does not let that object be written; it may have a setting that allows control"
_BAD_VALUE = "it does not take that value; see what its manual allows"
_UNWRITTEN: dict[int, str] = {
    # Version 1 says noSuchName for all of them: RFC 3584 section 4.4.
    Status.NO_SUCH_NAME: "it has no such object, or these credentials may not write it; give them "
    "write access to 1.3.6.1.2.1.33.1.8 on the unit",
    Status.BAD_VALUE: _BAD_VALUE,
    Status.READ_ONLY: _READ_ONLY,
    Status.NO_ACCESS: _MAY_NOT,
    Status.WRONG_TYPE: _BAD_VALUE,
    Status.WRONG_LENGTH: _BAD_VALUE,
    Status.WRONG_VALUE: _BAD_VALUE,
    Status.INCONSISTENT_VALUE: "it does not take that value now; see what state it is in",
    Status.AUTHORIZATION_ERROR: _MAY_NOT,
    Status.NOT_WRITABLE: _READ_ONLY,
}
"""What the errors of RFC 3416 section 4.2.5 mean to whoever wanted something written."""


class ListenError(DriverError):
    """The port for notifications is not to be had; another port, or more rights, mend it."""


class SnmpHub:
    """The one SNMP engine of the process, and those who are asked through it."""

    def __init__(self) -> None:
        """Prepare; the engine is made when it is first needed, on the loop running then."""
        self._engine: Engine | None = None
        self._peers: list[SnmpPeer] = []
        self._clocks_until = 0.0
        self._forgot_at: float | None = None

    def peer(self, address: str, settings: SnmpSettings) -> SnmpPeer:
        """Return somebody to ask at *address*, a name or a numeric address; nothing is sent."""
        peer = SnmpPeer(self, address, settings)
        self._peers.append(peer)
        return peer

    async def listen(self, address: str, port: int, heard: Callable[[Notification], None]) -> int:
        """Call *heard* for each trap and inform from now on; informs are answered.

        Versions 1 and 2c are let in by the communities of the peers, version 3 by their users: an
        inform always, a trap once its sender was asked something (RFC 3414 section 3.2 step 4).

        Args:
            address: numeric address to listen on; "::" and "0.0.0.0" stand for all.
            port: UDP port, 162 by custom; 0 for any free one.
            heard: called on the loop, must not block.

        Returns:
            The port.

        Raises:
            ListenError: the port is not to be had.
        """
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            sock.bind((address, port))
        except OSError as error:
            sock.close()
            raise ListenError(
                f"cannot listen for notifications on {address} port {port}: {error.strerror}; "
                "choose another port (below 1024 takes special rights), or end what listens there"
            ) from error
        for peer in self._peers:
            peer.introduce()
        await self.engine.listen(sock, heard)
        bound: int = sock.getsockname()[1]
        return bound

    def close(self) -> None:
        """Let go of every socket, at once; safe to call twice. The hub is of no use afterwards."""
        if self._engine is not None:
            self._engine.close()

    @property
    def engine(self) -> Engine:
        """The engine, made at the first call."""
        if self._engine is None:
            self._engine = Engine()
        return self._engine

    def renew_clocks_if_due(self) -> None:
        """Have the engine forget the units' clocks every ten minutes."""
        if _now() >= self._clocks_until:
            self.engine.renew_clocks()
            self._clocks_until = _now() + _CLOCKS_LAST_S

    def forget_engine_ids_if_due(self) -> None:
        """Have the engine forget the units' engine IDs, seldom."""
        if self._forgot_at is None or _now() >= self._forgot_at + _FORGET_GAP_S:
            self._forgot_at = _now()
            self.engine.forget_engine_ids()


class SnmpPeer:
    """One address asked over SNMP, always with the same credentials; requests may overlap.

    Attributes:
        engine_id: what was discovered last; None before, and below version 3.
    """

    def __init__(self, hub: SnmpHub, address: str, settings: SnmpSettings) -> None:
        """Prepare; use `SnmpHub.peer`, so that the hub knows whom it may hear."""
        self._hub = hub
        self._host = address
        self._settings = settings
        self._where = f"{address} port {settings.port}"
        self._user = Credentials.of(settings) if settings.version == "3" else None
        self._at: Address | None = None
        self._targets: dict[Address, tuple[str, str]] = {}
        self._silences = 0
        self._was_answered = False
        self._resolve_at: float | None = None
        self.engine_id: bytes | None = None

    async def get(self, oids: Sequence[Oid], *, within_s: float) -> Answer:
        """Return the values of *oids*, all in one request.

        Raises:
            DeviceSilentError: nothing came within the settings' tries, or *within_s*.
            DeviceRefusedError: the credentials were refused.
            DeviceGarbledError: what came is no answer to the question.
        """
        answer = await self._ask(Question.get(), _unvalued(oids), within_s)
        if answer.status == 0 and [oid for oid, _ in answer.values] != list(oids):
            raise DeviceGarbledError(
                f"{self._where}: it answered with other objects than it was asked for; "
                "update or restart its management card"
            )
        return answer

    async def set(self, oid: Oid, value: int | bytes, *, within_s: float) -> None:
        """Write one INTEGER, or OCTET STRING; that it was taken is no proof: read it back.

        What is lost on the way is sent again, so only write what may arrive twice.

        Raises:
            DeviceSilentError: nothing came within the settings' tries, or *within_s*; it may have
                been written all the same.
            DeviceRefusedError: these credentials, or this object, do not allow it.
            DeviceGarbledError: what came is no answer to the question.
        """
        answer = await self._ask(Question.set(), ((oid, value),), within_s, is_write=True)
        if answer.status:
            shown = value if isinstance(value, int) else "a text"
            raise DeviceRefusedError(
                f"{self._where}: {_UNWRITTEN.get(answer.status, _FAILED)} ({dotted(oid)} = {shown})"
            )
        if [name for name, _ in answer.values] != [oid]:
            raise DeviceGarbledError(
                f"{self._where}: it answered with another object than was written; "
                "update or restart its management card"
            )

    async def set_together(
        self, objects: Sequence[tuple[Oid, int | Oid]], *, within_s: float
    ) -> Answer:
        """Write several objects in one request, as if at once (RFC 3416 section 4.2.5).

        What is lost on the way is sent again: the first of them is to see to it that it is taken
        once, as a TestAndIncr of RFC 2579 does.

        Returns:
            How it ended: `index` says which object was refused, from 1.

        Raises as `set` does, but for what is refused by a status.
        """
        return await self._ask(Question.set(), list(objects), within_s, is_write=True)

    async def column(
        self, oid: Oid, *, most: int, within_s: float
    ) -> tuple[tuple[Oid, Value], ...]:
        """Return the rows of a table's column in order, at most *most*, however long it is.

        Raises as `get` does.
        """
        until = _now() + within_s
        rows: list[tuple[Oid, Value]] = []
        last, at_once = oid, min(most, _ROWS_AT_ONCE)
        while len(rows) < most:
            is_v1 = self._settings.version == "1"
            question = Question.next() if is_v1 else Question.bulk(at_once)
            answer = await self._ask(question, _unvalued((last,)), until - _now())
            if answer.status == Status.TOO_BIG and at_once > 1:
                at_once //= 4
                continue
            for name, value in answer.values:
                if name[: len(oid)] != oid or name <= last or value is None:
                    return tuple(rows[:most])
                rows.append((name, value))
                last = name
            if not answer.values:
                break
        return tuple(rows[:most])

    def introduce(self) -> None:
        """Make the credentials known to the engine, for what the peer sends unasked."""
        if self._user is not None:
            self._hub.engine.add_user(self._user, None)
        elif self._settings.community is not None:
            self._hub.engine.add_community(self._settings.community)

    async def _ask(
        self, question: Question, objects: Objects, within_s: float, *, is_write: bool = False
    ) -> Answer:
        """Ask, as often as the settings say, and once more where an engine ID had changed."""
        until = _now() + within_s
        at = await self._located(until)
        heard = self._hub.engine.heard
        came_late, heard[at] = heard.get(at) == LATE, ""
        tries, healed, replied = self._settings.tries, False, _future()
        while tries > 0 and _now() < until:
            tries -= 1
            reply = await self._try(question, objects, replied, until)
            if (heard[at] if reply is None else reply.trouble) in _OTHER_ENGINE and not healed:
                self._hub.engine.forget_engine_ids()
                tries, healed, replied = tries + 1, True, _future()
            elif reply is not None:
                return self._judged(reply, is_write=is_write)
        replied.cancel()  # what comes from now on comes late
        raise self._silence(heard[at] or (LATE if came_late else ""))

    async def _try(
        self, question: Question, objects: Objects, replied: asyncio.Future[Reply], until: float
    ) -> Reply | None:
        """Send once; None = nothing came in time, to this try or to one before it."""
        if self._user is not None and not await self._know_engine(self._user, until):
            return None
        assert self._at is not None
        return await self._send(question, objects, self._targets[self._at][0], replied, until)

    async def _send(
        self,
        question: Question,
        objects: Objects,
        target: str,
        replied: asyncio.Future[Reply],
        until: float,
    ) -> Reply | None:
        def came(reply: Reply) -> bool:
            if replied.done():
                return False
            replied.set_result(reply)
            return True

        try:
            self._hub.engine.send(
                question, objects, target=target, context=self._settings.context, came=came
            )
        except CannotSendError as error:
            raise DeviceSilentError(
                f"{self._where}: the request could not be sent ({error}); check the address, and "
                "the network of this box"
            ) from error
        await asyncio.wait({replied}, timeout=min(self._settings.timeout, until - _now()))
        return replied.result() if replied.done() else None

    async def _know_engine(self, user: Credentials, until: float) -> bool:
        """Have the unit's engine ID, and the user's keys at it; False where nothing came."""
        assert self._at is not None
        self._hub.renew_clocks_if_due()
        found = self._hub.engine.engine_id_at(self._at)
        if found is None:
            await self._send(Question.get(), (), self._targets[self._at][1], _future(), until)
            found = self._hub.engine.engine_id_at(self._at)
        if found is not None:
            self.engine_id = found
            self._hub.engine.add_user(user, found)
        return found is not None

    async def _located(self, until: float) -> Address:
        """Return the numeric address; a name is asked for again while there is silence there.

        What a name stood for last is kept where nobody says better: in an outage the name server
        is often down.
        """
        if self._at is None or (self._resolve_at is not None and _now() >= self._resolve_at):
            within_s = until - _now() if self._at is None else min(1.0, until - _now())
            self._resolve_at = None
            try:
                host = await resolved(self._host, within_s=within_s)
            except DeviceSilentError:
                if self._at is None:
                    raise
            else:
                self._enter((host, self._settings.port))
        assert self._at is not None
        return self._at

    def _enter(self, at: Address) -> None:
        """Make the address known to the engine, with whom to be there."""
        self._at = at
        if at in self._targets:
            return
        self.introduce()
        engine, version = self._hub.engine, self._settings.version
        discovery = ""
        if self._user is not None:
            name, level = self._user.name, self._user.level
            discovery = engine.add_target(
                at, name=_DISCOVERER, level="noAuthNoPriv", version=version
            )
        else:
            assert self._settings.community is not None, "the settings see to it"
            name, level = engine.add_community(self._settings.community), "noAuthNoPriv"
        target = engine.add_target(at, name=name, level=level, version=version)
        self._targets[at] = (target, discovery)

    def _judged(self, reply: Reply, *, is_write: bool) -> Answer:
        self._silences = 0
        if reply.trouble in _REFUSED:
            raise DeviceRefusedError(f"{self._where}: {_REFUSED[reply.trouble]}")
        if reply.trouble:
            raise DeviceGarbledError(
                f"{self._where}: it answered, but not in SNMP as we know it ({reply.trouble}); "
                "check version and port, and restart its management card"
            )
        refused = reply.status in (Status.NO_ACCESS, Status.AUTHORIZATION_ERROR)
        if refused and not is_write:
            raise DeviceRefusedError(
                f"{self._where}: these credentials may not read there; give them read access to "
                "the whole of 1.3.6.1.2.1 on the unit, or mend `auth` and `privacy`"
            )
        self._was_answered = True
        return Answer(reply.status, reply.index, () if reply.status else reply.values)

    def _silence(self, sounds: str) -> DriverError:
        """Return what to raise; at the second silence in a row the engine ID is suspected."""
        self._silences += 1
        if self._user is not None and self._silences >= 2:
            self._hub.forget_engine_ids_if_due()
        if is_name(self._host) and self._resolve_at is None:
            self._resolve_at = _now() + _RESOLVE_GAP_S  # it may have another address by now
        if sounds in _REFUSED:
            return DeviceRefusedError(f"{self._where}: {_REFUSED[sounds]}")
        if sounds == LATE:
            return DeviceSilentError(
                f"{self._where}: it answers later than {self._settings.timeout:g} s after the "
                "question; raise `timeout`, or look at the network"
            )
        if self.engine_id is not None and not self._was_answered:
            # Some agents drop what they cannot decrypt, without the report of RFC 3414.
            return DeviceRefusedError(
                f"{self._where}: it is there, yet keeps silent on what is asked in this user's "
                "name; mostly it cannot decrypt: mend `privacy` and `privacy_secret`"
            )
        if sounds not in ("", REPORT):
            return DeviceGarbledError(
                f"{self._where}: what it answers makes no sense ({sounds}); check version, port "
                "and secrets, and restart its management card"
            )
        mend = "user and secrets" if self._user is not None else "community"
        return DeviceSilentError(
            f"{self._where}: no answer over SNMP; check that it is on, that version "
            f"{self._settings.version} is enabled there for this box, and the {mend}"
        )


def _unvalued(oids: Sequence[Oid]) -> Objects:
    return [(oid, None) for oid in oids]


def _future() -> asyncio.Future[Reply]:
    return asyncio.get_running_loop().create_future()


def _now() -> float:
    return asyncio.get_running_loop().time()
