"""Anything that is switched by writing one number over SNMP: managed outlets, relays and the like.

Each act looks before it writes and reads back after: that a SET was taken is no proof. What an
object was before it was changed is remembered, and that is what a start puts back.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Annotated, Protocol

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import (
    DeviceGarbledError,
    DeviceSilentError,
    DriverError,
)
from drivers.settings import Duration, Settings
from drivers.snmp_reach import TOO_MUCH, accounts_line, sees_accounts
from drivers.transports.snmp_settings import SnmpSettings
from drivers.transports.snmp_shared import SharedPeer
from drivers.transports.snmp_values import oid_from, oid_text
from drivers.verdicts import verdict_over_snmp

_INT32 = 2**31


def _numbers(value: object) -> object:
    return [value] if isinstance(value, int) and not isinstance(value, bool) else value


_Oid = Annotated[str, AfterValidator(oid_text)]
_Number = Annotated[int, Field(ge=-_INT32, lt=_INT32)]
"""INTEGER of RFC 2578 section 7.1.1."""

_Numbers = Annotated[list[_Number], BeforeValidator(_numbers), Field(min_length=1)]


class WriteAccess(Settings):
    """`[device.snmp-write]`: who is asked, which is seldom the device itself.

    Attributes:
        address: of what switches the device; None = the device's own.
        snmp: as a unit's, with a user that may write the objects named, and no others.
    """

    address: str | None = None
    snmp: SnmpSettings


class Write(Settings):
    """`stop` or `start`: one number is written.

    Attributes:
        oid: the object, its instance included.
        value: what is written there.
        expect: what may be read there after; None = the value itself. Some objects are commands,
            and show something else.
    """

    oid: _Oid
    value: _Number
    expect: _Numbers | None = None

    def shown(self) -> tuple[int, ...]:
        """Return the numbers that show that it was done."""
        return tuple(self.expect) if self.expect is not None else (self.value,)


class Watch(Settings):
    """`verify`: an object that shows whether the device is powered.

    Attributes:
        gone, running: numbers that show it; one of the two may be left out.
        interval: seconds between two looks.
    """

    oid: _Oid
    gone: Annotated[list[_Number], BeforeValidator(_numbers)] = Field(default=[])
    running: Annotated[list[_Number], BeforeValidator(_numbers)] = Field(default=[])
    interval: Annotated[Duration, Field(gt=0)] = 2.0


class Objects(Protocol):
    """The objects of one peer, in one conversation; `sent` has a line for each question."""

    sent: list[str]

    async def read(self, oid: str) -> int:
        """Return the number at *oid*."""
        ...

    async def write(self, oid: str, value: int) -> None:
        """Write a number."""
        ...

    async def sees_accounts(self) -> bool:
        """Return whether our account sees more than its work needs."""
        ...


class DryObjects:
    """Sends nothing."""

    def __init__(self, where: str) -> None:
        self._where = where
        self.sent: list[str] = []

    async def read(self, oid: str) -> int:
        """Note the question; the answer is not to be used."""
        self.sent.append(f"{self._where}: GET {oid}")
        return 0

    async def write(self, oid: str, value: int) -> None:
        """Note the order."""
        self.sent.append(f"{self._where}: SET {oid} = {value}")

    async def sees_accounts(self) -> bool:
        """Note the question."""
        self.sent.append(accounts_line(self._where))
        return False


class LiveObjects:
    """Asks the peer; every question is within the seconds that *left_s* says."""

    def __init__(self, where: str, shared: SharedPeer, left_s: Callable[[], float]) -> None:
        self._where = where
        self._shared = shared
        self._left_s = left_s
        self.sent: list[str] = []

    async def read(self, oid: str) -> int:
        """Return the number at *oid*.

        Raises:
            DeviceGarbledError: there is no number.
            DriverError: as `SnmpPeer.get` raises.
        """
        within_s = self._within_s()
        self.sent.append(f"{self._where}: GET {oid}")
        answer = await self._shared.peer().get([oid_from(oid)], within_s=within_s)
        value = None if answer.status else answer.values[0][1]
        if not isinstance(value, int):
            raise DeviceGarbledError(f"{self._where}: there is no number at {oid}")
        return value

    async def write(self, oid: str, value: int) -> None:
        """Write a number; what is lost on the way is sent again."""
        within_s = self._within_s()
        self.sent.append(f"{self._where}: SET {oid} = {value}")
        await self._shared.peer().set(oid_from(oid), value, within_s=within_s)

    async def sees_accounts(self) -> bool:
        """Return whether our account sees more than its work needs."""
        within_s = self._within_s()
        self.sent.append(accounts_line(self._where))
        return await sees_accounts(self._shared.peer(), within_s=within_s)

    def _within_s(self) -> float:
        left_s = self._left_s()
        if left_s <= 0.0:
            raise DeviceSilentError(f"{self._where}: no time was left to ask")
        return left_s


Open = Callable[[float], Objects]
"""Begins a conversation that ends by a time."""


class SnmpWriteDriver:
    """One device behind an object that can be written; see the module."""

    def __init__(
        self,
        stages: Mapping[Stage, BaseModel],
        *,
        open_objects: Open,
        close: Callable[[], None],
        clock: Clock,
        is_dry: bool,
    ) -> None:
        """Prepare; asks nothing."""
        self._writes = {
            act: settings
            for act, stage in ((Act.STOP, Stage.STOP), (Act.START, Stage.START))
            if isinstance(settings := stages.get(stage), Write)
        }
        watch = stages.get(Stage.VERIFY)
        self._watch = watch if isinstance(watch, Watch) else None
        self._open = open_objects
        self._close = close
        self._clock = clock
        self._is_dry = is_dry
        self._was: int | None = None
        # What is written already is left alone, so once more is harmless.
        self._acts = {Act.PROBE: Repeat.SAFE, **dict.fromkeys(self._writes, Repeat.SAFE)}
        if Act.STOP in self._writes:
            self._acts[Act.REMEMBER] = Repeat.SAFE
        if self._watch is not None and self._watch.gone:
            self._acts[Act.CONFIRM_GONE] = Repeat.SAFE
        if self._watch is not None and self._watch.running:
            self._acts[Act.CONFIRM_RUNNING] = Repeat.SAFE

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return self._acts

    def recall(self, was: str) -> None:
        """Have a start leave off what was off before we came."""
        self._was = int(was) if re.fullmatch(r"-?\d{1,10}", was) else None

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        if act not in self._acts:
            text = f"nothing was sent: the file gives snmp-write nothing to do for {act.value}"
            return Outcome(act, Verdict.REFUSED, text, "add it to the tables of this device")
        objects = self._open(deadline_at)
        try:
            outcome = await self._do(act, objects, deadline_at)
        except DriverError as error:
            outcome = _failed(act, error, objects)
        if self._is_dry:
            outcome = Outcome(act, Verdict.ASSUMED, "nothing was sent: dry run")
        took_s = max(0.0, self._clock.monotonic() - began_at)
        return replace(outcome, sent=tuple(objects.sent), took_s=took_s)

    async def close(self) -> None:
        """Let go of the peer."""
        self._close()

    async def _do(self, act: Act, objects: Objects, deadline_at: float) -> Outcome:
        match act:
            case Act.REMEMBER:
                value = await objects.read(self._writes[Act.STOP].oid)
                text = f"{self._writes[Act.STOP].oid} is {value}"
                return Outcome(act, Verdict.DONE, text, was=str(value))
            case Act.STOP | Act.START:
                return await self._write(act, objects)
            case Act.CONFIRM_GONE | Act.CONFIRM_RUNNING:
                return await self._until(act, objects, deadline_at)
            case _:
                oids = [settings.oid for settings in self._writes.values()]
                oids += [self._watch.oid] if self._watch is not None else []
                found = [f"{oid} is {await objects.read(oid)}" for oid in dict.fromkeys(oids)]
                advice = "whether they may be written only a drill shows"
                if await objects.sees_accounts():
                    advice = f"{advice}; {TOO_MUCH}"
                return Outcome(act, Verdict.DONE, "; ".join(found) or "nothing to ask", advice)

    async def _write(self, act: Act, objects: Objects) -> Outcome:
        wanted = self._writes[act]
        if act is Act.START and self._was_off_before():
            text = f"{wanted.oid} was {self._was} before, and is left so"
            return Outcome(act, Verdict.DONE, text)
        value = await objects.read(wanted.oid)
        if value in wanted.shown() and not self._is_dry:
            return Outcome(act, Verdict.DONE, f"{wanted.oid} is {value} already")
        await objects.write(wanted.oid, wanted.value)
        seen = await objects.read(wanted.oid)
        if seen not in wanted.shown():
            text = f"{wanted.oid} took {wanted.value}, yet shows {seen}"
            advice = "if that is how it shows it, write expect = …; if it follows late, verify it"
            return Outcome(act, Verdict.UNCERTAIN, text, advice)
        return Outcome(act, Verdict.DONE, f"{wanted.oid} was {value}, and is {seen} now")

    def _was_off_before(self) -> bool:
        stop = self._writes.get(Act.STOP)
        return stop is not None and self._was is not None and self._was in stop.shown()

    async def _until(self, act: Act, objects: Objects, deadline_at: float) -> Outcome:
        """Look until the object shows what is due."""
        assert self._watch is not None
        due = self._watch.gone if act is Act.CONFIRM_GONE else self._watch.running
        while True:
            value = await objects.read(self._watch.oid)
            del objects.sent[1:]  # one line stands for all looks
            if value in due or self._is_dry:
                return Outcome(act, Verdict.DONE, f"{self._watch.oid} is {value}")
            left_s = deadline_at - self._clock.monotonic()
            if left_s <= self._watch.interval:
                return Outcome(act, Verdict.NOT_YET, f"{self._watch.oid} is {value}")
            await self._clock.sleep(self._watch.interval)


def _failed(act: Act, error: DriverError, objects: Objects) -> Outcome:
    verdict = verdict_over_snmp(error, objects.sent)
    return Outcome(act, verdict, " ".join(str(error).split()), "check [device.snmp-write]")


def build(fitting: Fitting) -> Driver:
    """Make the driver of one device, engine and keys included: no order waits for those 0.3 s."""
    access = fitting.access
    assert isinstance(access, WriteAccess)
    address = access.address or fitting.address
    where = f"SNMP {address} port {access.snmp.port}"
    shared = SharedPeer(address, access.snmp)
    if not fitting.dry_run:
        shared.warm()
    clock = fitting.clock

    def open_objects(deadline_at: float) -> Objects:
        if fitting.dry_run:
            return DryObjects(where)
        return LiveObjects(where, shared, lambda: deadline_at - clock.monotonic())

    return SnmpWriteDriver(
        fitting.stages,
        open_objects=open_objects,
        close=shared.close,
        clock=clock,
        is_dry=fitting.dry_run,
    )


def _no_port(access: BaseModel) -> int | None:
    """Return None: it is not the device that is asked."""
    return None


KIND = DriverKind(
    name="snmp-write",
    access=WriteAccess,
    stages={Stage.STOP: Write, Stage.START: Write, Stage.VERIFY: Watch},
    build=build,
    port=_no_port,
    cuts=True,
)
"""What the registry knows of it."""
