"""Whether a device is there, judged by whether a TCP port of it takes connections.

The verification that every device with a port gets by default. It says less than a look at the
device itself: a machine that is shutting down gives up its network before its last disk writes, so
only a stretch of silence counts as gone.
"""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import socket
from collections.abc import Mapping
from contextlib import closing
from enum import StrEnum
from typing import Literal

from pydantic import BaseModel, Field

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import DeviceSilentError
from drivers.settings import Duration, Settings
from drivers.transports.names import resolved

_LOOK_LIMIT_S = 3.0  # a host of the same site that has not taken a connection by then is silent
_LOOK_LEAST_S = 0.5  # a look that the deadline cuts shorter than this says nothing
_OWN_TROUBLE = frozenset(
    {
        errno.ENETUNREACH,
        errno.ENETDOWN,
        errno.EADDRNOTAVAIL,
        errno.EACCES,
        errno.EPERM,
        errno.EMFILE,
        errno.ENFILE,
        errno.ENOBUFS,
    }
)
"""Errors that tell of this box, and nothing of the device."""


class TcpAccess(Settings):
    """The access table: a bare port needs none."""


class WatchSettings(Settings):
    """How a device is watched until it is gone.

    Attributes:
        settle: seconds without a sign of life after which it counts as gone: networks go down
            before disks are written out.
        interval: seconds between two looks.
        refused: whether a port that refuses tells of a device that is "gone" or still "alive".
            Somebody refuses: on a machine that shuts down, the kernel does so while services still
            write. So it counts as alive, except on loopback addresses, where nothing is silent.
    """

    settle: Duration = 60.0
    interval: Duration = 2.0
    refused: Literal["gone", "alive"] | None = None

    def refusal_is_life(self, address: str) -> bool:
        """Return whether a port of *address* that refuses is a sign of life."""
        return not _is_loopback(address) if self.refused is None else self.refused == "alive"


class TcpVerify(WatchSettings):
    """The verify table.

    Attributes:
        port: one that the device takes connections at whenever it runs.
    """

    port: int = Field(ge=1, le=65535)


class _Look(StrEnum):
    TAKEN = "took a connection"
    REFUSED = "refused"
    SILENT = "was silent"
    CUT = "had no time to answer"
    BLIND = "could not be looked at: this box's own network or name service failed"


class PortWatch:
    """Looks at one port again and again; carries out an act for the driver that owns it."""

    def __init__(
        self, *, address: str, port: int, settings: WatchSettings, clock: Clock, dry_run: bool
    ) -> None:
        self._address = address
        self._port = port
        self._settings = settings
        self._clock = clock
        self._dry_run = dry_run
        self._refusal_is_life = settings.refusal_is_life(address)

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do CONFIRM_GONE, CONFIRM_RUNNING or PROBE by *deadline_at*."""
        started_at = self._clock.monotonic()
        if self._dry_run:
            verdict, evidence = Verdict.ASSUMED, "nothing was sent: dry run"
        elif act is Act.CONFIRM_GONE:
            verdict, evidence = await self._until_gone(deadline_at)
        else:
            verdict, evidence = await self._until_taken(deadline_at, once=act is Act.PROBE)
        took_s = self._clock.monotonic() - started_at
        return Outcome(act, verdict, evidence, self._advice(verdict), self._sent(act), took_s)

    async def _until_gone(self, deadline_at: float) -> tuple[Verdict, str]:
        settle_s = self._settings.settle
        quiet_since: float | None = None
        last = _Look.CUT
        while True:
            looked_at = self._clock.monotonic()
            look = await self._look(deadline_at)
            last = last if look is _Look.CUT else look
            if self._is_life(look) or look is _Look.BLIND:
                quiet_since = None
            elif quiet_since is None and look is not _Look.CUT:
                quiet_since = looked_at
            now = self._clock.monotonic()
            quiet_s = 0.0 if quiet_since is None else now - quiet_since
            if quiet_since is not None and quiet_s >= settle_s:
                return Verdict.DONE, f"{self._where} {last} for {quiet_s:.0f} s: gone"
            if now >= deadline_at:
                return self._not_gone(last, quiet_s)
            next_at = looked_at + self._settings.interval
            if quiet_since is not None:
                next_at = min(next_at, quiet_since + settle_s)
            await self._clock.sleep(min(next_at, deadline_at) - now)

    def _not_gone(self, last: _Look, quiet_s: float) -> tuple[Verdict, str]:
        if last is _Look.BLIND or last is _Look.CUT:
            return Verdict.NO_ANSWER, f"{self._where} {last}"
        if self._is_life(last):
            return Verdict.NOT_YET, f"{self._where} {last} at the last look: still there"
        return Verdict.NOT_YET, (
            f"{self._where} {last} for {quiet_s:.0f} s; gone only after {self._settings.settle:g} s"
        )

    async def _until_taken(self, deadline_at: float, *, once: bool) -> tuple[Verdict, str]:
        last = _Look.CUT
        while True:
            look = await self._look(deadline_at)
            last = last if look is _Look.CUT else look
            left_s = deadline_at - self._clock.monotonic()
            if last is _Look.TAKEN:
                return Verdict.DONE, f"{self._where} {last}"
            if once or left_s <= 0:
                verdict = Verdict.NOT_YET if self._is_life(last) else Verdict.NO_ANSWER
                return verdict, f"{self._where} {last}"
            await self._clock.sleep(min(self._settings.interval, left_s))

    def _is_life(self, look: _Look) -> bool:
        return look is _Look.TAKEN or (look is _Look.REFUSED and self._refusal_is_life)

    async def _look(self, deadline_at: float) -> _Look:
        """Return what the port does now; by the deadline, and nothing is sent after it."""
        left_s = deadline_at - self._clock.monotonic()
        if left_s <= 0:
            return _Look.CUT
        within_s = min(left_s, _LOOK_LIMIT_S)
        try:
            async with asyncio.timeout(within_s):
                return await _look_at(self._address, self._port, within_s=within_s)
        except TimeoutError:
            return _Look.SILENT if left_s >= _LOOK_LEAST_S else _Look.CUT

    @property
    def _where(self) -> str:
        return f"{self._address} port {self._port}"

    def _sent(self, act: Act) -> tuple[str, ...]:
        again = {
            Act.CONFIRM_GONE: f" every {self._settings.interval:g} s until it is gone",
            Act.CONFIRM_RUNNING: f" every {self._settings.interval:g} s until it is there",
        }
        return (f"connect to {self._where}{again.get(act, '')}",)

    def _advice(self, verdict: Verdict) -> str:
        if verdict is not Verdict.NO_ANSWER:
            return ""
        return f"see whether the device is on and takes connections at port {self._port}"


class TcpDriver:
    """Verifies a device by one of its ports; can do nothing to it."""

    def __init__(self, fitting: Fitting) -> None:
        settings = fitting.stages.get(Stage.VERIFY)
        self._acts: dict[Act, Repeat] = {}
        if settings is not None:
            assert isinstance(settings, TcpVerify)
            self._watch = watch_of(fitting, settings, port=settings.port)
            acts = (Act.PROBE, Act.CONFIRM_GONE, Act.CONFIRM_RUNNING)
            self._acts = dict.fromkeys(acts, Repeat.SAFE)

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What it can do: look, as often as asked."""
        return self._acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        if act not in self._acts:
            return Outcome(act, Verdict.REFUSED, f"the tcp driver cannot {act} as configured")
        return await self._watch.perform(act, deadline_at=deadline_at)

    async def close(self) -> None:
        """Do nothing: no connection outlives a look."""


def watch_of(fitting: Fitting, settings: WatchSettings, *, port: int) -> PortWatch:
    """Return the watch over *port* of the device of *fitting*."""
    return PortWatch(
        address=fitting.address,
        port=port,
        settings=settings,
        clock=fitting.clock,
        dry_run=fitting.dry_run,
    )


async def _look_at(address: str, port: int, *, within_s: float) -> _Look:
    try:
        numeric = await resolved(address, within_s=within_s)
        family = socket.AF_INET6 if ":" in numeric else socket.AF_INET
        with closing(socket.socket(family, socket.SOCK_STREAM)) as sock:
            sock.setblocking(False)
            await asyncio.get_running_loop().sock_connect(sock, (numeric, port))
            # On loopback a port nobody holds can be given to the very socket that asks for it.
            return _Look.REFUSED if sock.getsockname() == sock.getpeername() else _Look.TAKEN
    except ConnectionRefusedError:
        return _Look.REFUSED
    except DeviceSilentError:
        return _Look.BLIND
    except OSError as error:
        return _Look.BLIND if error.errno in _OWN_TROUBLE else _Look.SILENT


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def _no_port(_: BaseModel) -> int | None:
    return None


def _build(fitting: Fitting) -> Driver:
    return TcpDriver(fitting)


KIND = DriverKind(
    name="tcp",
    access=TcpAccess,
    stages={Stage.VERIFY: TcpVerify},
    build=_build,
    port=_no_port,
)
