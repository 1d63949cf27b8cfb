"""Devices of a made-up site as little state machines, and drivers that obey, or misbehave."""

from __future__ import annotations

import asyncio
import math
from collections import defaultdict, deque
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

from drivers.base import Act, Driver, Outcome, Repeat, Stage, Verdict
from tests.fakes import FakeClock

TALK_S = 0.2
"""What one honest conversation takes."""

SILENCE_S = 5.0
"""After how long a driver takes a silent device for silent."""

LOOK_EVERY_S = 1.0


@dataclass
class Machine:
    """A device: on, told to stop, off, told to start; it goes on by itself whoever watches.

    Attributes:
        received: what reached it, with the site time.
        asked: acts that its drivers were asked for, whatever came of them.
    """

    clock: FakeClock
    name: str
    stop_s: float = 20.0
    start_s: float = 30.0
    received: list[tuple[float, Act]] = field(default_factory=list)
    asked: list[tuple[float, Act]] = field(default_factory=list)
    quiesced_at: float | None = None
    off_at: float = math.inf
    on_at: float = -math.inf
    reached: Callable[[], bool] = lambda: True
    hears_stop: bool = True

    @property
    def is_on(self) -> bool:
        return self.on_at <= self.clock.monotonic() < self.off_at

    @property
    def answers(self) -> bool:
        return self.is_on and self.reached()

    def hears(self, act: Act) -> bool:
        """Whether it would hear the act: a start wakes it."""
        return self.reached() if act is Act.START else self.answers

    def told(self, act: Act) -> int:
        """How often it was told."""
        return sum(received is act for _, received in self.received)

    def take(self, act: Act) -> None:
        """Take in what one conversation said."""
        now = self.clock.monotonic()
        self.received.append((now, act))
        if act is Act.QUIESCE:
            self.quiesced_at = now
        elif act is Act.STOP and self.hears_stop and self.off_at > now:
            self.off_at = min(self.off_at, now + self.stop_s)
        elif act is Act.START and not self.is_on:
            self.power_on()

    def power_on(self) -> None:
        """Begin to start: by an order, by itself, or by hand."""
        self.on_at = self.clock.monotonic() + self.start_s
        self.off_at, self.quiesced_at = math.inf, None


Behaviour = Callable[["Scripted", Act, float], Awaitable[Outcome]]


class Scripted:
    """A driver that speaks honestly with its machine, but for what is scripted act by act."""

    def __init__(
        self,
        machine: Machine,
        acts: Mapping[Act, Repeat],
        *,
        settle_s: float = 10.0,
        dry_run: bool = False,
    ) -> None:
        self.machine = machine
        self.script: dict[Act, deque[Behaviour]] = defaultdict(deque)
        self.always: dict[Act, Behaviour] = {}
        self.closed = 0
        self.settle_s = settle_s
        self.dry_run = dry_run
        self._acts = acts

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        return self._acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        self.machine.asked.append((self.now, act))
        if self.script[act]:
            return await self.script[act].popleft()(self, act, deadline_at)
        return await self.always.get(act, honest)(self, act, deadline_at)

    async def close(self) -> None:
        self.closed += 1

    @property
    def now(self) -> float:
        return self.machine.clock.monotonic()

    async def sleep(self, seconds: float) -> None:
        await self.machine.clock.sleep(seconds)


async def honest(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Do what a good driver does."""
    if driver.dry_run:
        return Outcome(act, Verdict.ASSUMED, "nothing was sent: dry run", sent=(f"{act} it",))
    if act in (Act.CONFIRM_QUIESCED, Act.CONFIRM_GONE, Act.CONFIRM_RUNNING):
        return await _watch(driver, act, deadline_at)
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    driver.machine.take(act)
    return Outcome(act, Verdict.DONE, f"{act} accepted", sent=(f"{act} it",))


async def _watch(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    machine, silent_since = driver.machine, math.inf
    while True:
        silent_since = math.inf if machine.answers else min(silent_since, driver.now)
        holds = {
            Act.CONFIRM_QUIESCED: machine.answers and machine.quiesced_at is not None,
            Act.CONFIRM_GONE: driver.now - silent_since >= driver.settle_s,
            Act.CONFIRM_RUNNING: machine.answers,
        }[act]
        if holds:
            return Outcome(act, Verdict.DONE, f"{act}: seen")
        left_s = deadline_at - driver.now
        if left_s <= 0.0:
            heard = machine.answers or act is Act.CONFIRM_GONE
            verdict = Verdict.NOT_YET if heard else Verdict.NO_ANSWER
            return Outcome(act, verdict, f"{act}: not seen")
        await driver.sleep(min(LOOK_EVERY_S, left_s))


async def silent(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Nothing is heard."""
    await driver.sleep(min(SILENCE_S, deadline_at - driver.now))
    return Outcome(act, Verdict.NO_ANSWER, "nothing was heard")


async def hang(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Never end, the deadline or no."""
    await asyncio.get_running_loop().create_future()
    raise AssertionError


async def hang_deaf(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Never end, and make nothing of being cancelled."""
    try:
        await asyncio.get_running_loop().create_future()
    except asyncio.CancelledError:
        await driver.sleep(3600.0)
    return Outcome(act, Verdict.DONE, "far too late")


async def hang_after_sending(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """The device hears it, and nothing ever comes back."""
    if driver.machine.hears(act):
        driver.machine.take(act)
    return await hang(driver, act, deadline_at)


async def refuse(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """The device says no."""
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    return Outcome(act, Verdict.REFUSED, "it said no", "check the password")


async def busy(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """The device puts it off, such as by HTTP status 503."""
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    return Outcome(act, Verdict.NOT_YET, "it is busy")


async def drop_after(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """The conversation breaks off once the device has heard it."""
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    driver.machine.take(act)
    return Outcome(act, Verdict.UNCERTAIN, "it hung up")


async def drop_before(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """The conversation breaks off before the device has heard it."""
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    return Outcome(act, Verdict.UNCERTAIN, "it hung up")


async def garble(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """The device answers nonsense."""
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    return Outcome(act, Verdict.GARBLED, "it answered nonsense")


async def lie(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Say done, having done nothing."""
    await driver.sleep(TALK_S)
    if not driver.machine.hears(act):
        return await silent(driver, act, deadline_at)
    return Outcome(act, Verdict.DONE, "done, honestly")


async def assume(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Behave as in a dry run."""
    return Outcome(act, Verdict.ASSUMED, "nothing was sent: dry run")


async def not_yet_at_once(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Look once, in no time, and say no."""
    return Outcome(act, Verdict.NOT_YET, "still there")


async def fail(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Raise, as no driver should."""
    raise RuntimeError("password=hunter2")


async def give_up(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Raise a cancellation of its own."""
    raise asyncio.CancelledError


async def return_nothing(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    """Return what is no outcome."""
    return None  # type: ignore[return-value]  # that is the point of it


REST_ACTS = {
    Act.QUIESCE: Repeat.SAFE,
    Act.CONFIRM_QUIESCED: Repeat.SAFE,
    Act.STOP: Repeat.LOOK_FIRST,
    Act.CONFIRM_GONE: Repeat.SAFE,
    Act.START: Repeat.SAFE,
    Act.CONFIRM_RUNNING: Repeat.SAFE,
}
"""What a good recorder's drivers can do."""

_STAGES = {
    Act.QUIESCE: Stage.QUIESCE,
    Act.STOP: Stage.STOP,
    Act.CONFIRM_GONE: Stage.VERIFY,
    Act.START: Stage.START,
}


def stages_of(driver: Scripted) -> dict[Stage, Driver]:
    """Return the driver at every stage that it can serve."""
    return {stage: driver for act, stage in _STAGES.items() if act in driver.acts}
