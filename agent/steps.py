"""The acts of one order at one device, each journalled before it goes out and after."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass, replace

import structlog

from agent.perform import CHANGING, Performer, first
from drivers.base import Act, Clock, Driver, Outcome, Remembering, Repeat, Stage, Verdict
from policies.events import SettingRemembered, StepBegan, StepEnded
from policies.model import Device, Order

log = structlog.get_logger()

REFUSALS = 2
"""How often a refusal is taken before it is final; more tries would lock accounts."""

PAUSES_S = (1.0, 2.0, 4.0, 8.0)
"""Pauses between tries, each shortened by chance to half of it at most; the last one repeats."""

LOOK_S = 10.0
"""How long a look may take that decides on sending again: slow devices log in slowly."""

LEAST_S = 1.0
"""No try is given less, and none begins with less to go."""

MOST_TRIES = 100_000
"""Deadlines end every loop long before; this bounds it in any case."""

WITHOUT_EFFECT = frozenset({Verdict.REFUSED, Verdict.NO_ANSWER, Verdict.NOT_YET})
"""After these an act that changes something did not: it was refused, not heard, or put off."""

SHOWN = frozenset({Verdict.DONE, Verdict.ASSUMED})
"""After these there is nothing to wait for."""

HEARD = frozenset({Verdict.DONE, Verdict.NOT_YET, Verdict.REFUSED, Verdict.GARBLED})
"""What a look may come to where somebody answered, whatever was said."""

Record = Callable[..., Awaitable[None]]
"""`await record(*events)`: fold the events and make them durable."""

_STAGE = {
    Act.QUIESCE: Stage.QUIESCE,
    Act.CONFIRM_QUIESCED: Stage.QUIESCE,
    Act.STOP: Stage.STOP,
    Act.CONFIRM_GONE: Stage.VERIFY,
    Act.START: Stage.START,
    Act.RESTORE: Stage.QUIESCE,
}

UNDONE_BY = {Stage.QUIESCE: Act.RESTORE, Stage.STOP: Act.START}
"""What is remembered before a stage changes it, and which act puts it back."""


def driver_for(stages: Mapping[Stage, Driver], act: Act) -> Driver | None:
    """Return the driver among a device's that can do *act*, or None."""
    if act is Act.CONFIRM_RUNNING:
        asked = [stages.get(stage) for stage in (Stage.VERIFY, Stage.START, Stage.STOP)]
    else:
        asked = [stages.get(_STAGE[act])]
    return next((driver for driver in asked if driver is not None and act in driver.acts), None)


@dataclass(frozen=True, slots=True)
class Tools:
    """What the steps of every order work with.

    Attributes:
        silent_path: the device of a path that should answer and does not, or None.
        seed: of the pauses between tries.
    """

    clock: Clock
    performer: Performer
    record: Record
    silent_path: Callable[[Device], Awaitable[str | None]]
    seed: int = 0


class Steps:
    """The steps of one order.

    Attributes:
        order_id: as journalled.
        order: what is to be done, and by when; replaced by `hurry`.
        device: as the file has it.
        told: acts of this and earlier orders that may have taken effect already.
        earlier: acts of this order that an earlier run of the agent began, with their verdicts.
        was_off: it was proven at rest, and nothing says that it runs again.
        owed: acts of earlier orders that are to be undone.
        hurried: set when what is optional is to be dropped.
    """

    def __init__(
        self,
        order_id: str,
        order: Order,
        device: Device,
        stages: Mapping[Stage, Driver],
        *,
        tools: Tools,
        told: Collection[str] = (),
        earlier: tuple[tuple[str, str | None], ...] = (),
        was_off: bool = False,
        owed: Collection[str] = (),
        was: Mapping[str, str] | None = None,
    ) -> None:
        """Prepare; sends nothing."""
        self.order_id = order_id
        self.order = order
        self.device = device
        self.told = {act for act in CHANGING if act in told}
        self.earlier = earlier
        self.was_off = was_off
        self.owed = frozenset(owed)
        self._was = dict(was or {})
        self.hurried = asyncio.Event()
        self.clock = tools.clock
        self._stages = stages
        self._tools = tools
        self._chance = random.Random(f"{tools.seed} {order_id}")
        if order.in_short:
            self.hurried.set()

    @property
    def now(self) -> float:
        """The site time, s."""
        return self.clock.monotonic()

    def hurry(self, order: Order) -> None:
        """Go on by the shortened form of the same order."""
        self.order = order
        self.hurried.set()

    def repeat(self, act: Act) -> Repeat | None:
        """How *act* may be repeated; None where no driver of the device can do it."""
        driver = driver_for(self._stages, act)
        return None if driver is None else driver.acts[act]

    def can(self, act: Act) -> bool:
        """Whether some driver of the device can do *act*."""
        return driver_for(self._stages, act) is not None

    def was_done(self, act: Act) -> bool:
        """Whether an earlier run of the agent had *act* of this order acknowledged."""
        return (act.value, Verdict.DONE.value) in self.earlier

    async def remember(self, stage: Stage) -> Outcome | None:
        """Journal what the device is set to before a stage changes it; None = nothing to remember.

        What was found before an earlier change that is still owed stays: it is what to put back.
        """
        driver = self._stages.get(stage)
        if driver is None or Act.REMEMBER not in driver.acts or stage.value in self._was:
            return None
        for tries in range(1, MOST_TRIES):
            outcome = await self.step(Act.REMEMBER, self.order.deadline_at, by=driver)
            if outcome.verdict is Verdict.DONE:
                self._was[stage.value] = outcome.was
                name = self.device.name
                await self._tools.record(
                    SettingRemembered(self.now, self.order_id, name, stage.value, outcome.was)
                )
            if outcome.verdict in SHOWN or outcome.verdict is Verdict.REFUSED:
                return outcome
            if not await self.pause(tries, self.order.deadline_at):
                break
        return outcome

    def _recall(self, act: Act, driver: Driver) -> None:
        """Give a driver what it found, before it puts that back."""
        for stage, undoing in UNDONE_BY.items():
            if undoing is act and stage.value in self._was and isinstance(driver, Remembering):
                driver.recall(self._was[stage.value])

    async def silent_path(self) -> str | None:
        """Return what of the device's path should answer and does not, or None."""
        return await self._tools.silent_path(self.device)

    async def insist(
        self, act: Act, until_at: float | None = None, *, hurry: asyncio.Event | None = None
    ) -> Outcome | None:
        """Do an act until it has an outcome to go on with, with growing, jittered pauses.

        It ends at *until_at*, or with the order's deadline, which a hurried order moves. A refusal
        is tried once more only; what may have taken effect is for the caller to look at. None means
        that *hurry* was set before the first try; set in mid-act, it cuts the act short.
        """
        outcome: Outcome | None = None
        refusals = 0
        for tries in range(1, MOST_TRIES):
            if is_set(hurry):
                break
            outcome = await self.step(act, self._end_at(until_at), hurry=hurry)
            refusals += outcome.verdict is Verdict.REFUSED
            if refusals >= REFUSALS or not self._is_worth_another(act, outcome.verdict):
                break
            end_at, is_order = self._end_at(until_at), act in CHANGING
            if not await self.pause(tries, end_at, hurry=hurry, shortens=is_order):
                break
        return outcome

    def _end_at(self, until_at: float | None) -> float:
        return self.order.deadline_at if until_at is None else until_at

    def _is_worth_another(self, act: Act, verdict: Verdict) -> bool:
        if verdict in SHOWN:
            return False
        if act not in CHANGING or verdict in WITHOUT_EFFECT:
            return True
        return verdict is Verdict.GARBLED and self.repeat(act) is Repeat.SAFE

    async def pause(
        self,
        tries: int,
        until_at: float,
        *,
        hurry: asyncio.Event | None = None,
        shortens: bool = False,
    ) -> bool:
        """Wait before another try, at once over when *hurry* is set; False = no time is left.

        A pause that *shortens* leaves room for a last try right before the end: nothing is lost by
        one more order then, and the recorder might be.
        """
        pause_s = PAUSES_S[min(tries, len(PAUSES_S)) - 1] * self._chance.uniform(0.5, 1.0)
        left_s = until_at - LEAST_S - self.now
        if left_s <= 0.0 or (pause_s > left_s and not shortens):
            return False
        await self.wait(min(pause_s, left_s), hurry=hurry)
        return True

    async def wait(self, seconds: float, *, hurry: asyncio.Event | None = None) -> None:
        """Wait so long, at most until *hurry* is set."""
        if hurry is None:
            await self.clock.sleep(seconds)
            return
        waiting = asyncio.ensure_future(hurry.wait())
        try:
            await first(waiting, self.clock.sleep(seconds))
        finally:
            waiting.cancel()

    async def step(
        self,
        act: Act,
        until_at: float,
        *,
        hurry: asyncio.Event | None = None,
        by: Driver | None = None,
    ) -> Outcome:
        """One act, journalled: the intent is flushed before anything is sent.

        It is done by the device's driver for it, or by that given.
        """
        driver = driver_for(self._stages, act) if by is None else by
        assert driver is not None
        self._recall(act, driver)
        name = self.device.name
        await self._tools.record(StepBegan(self.now, self.order_id, name, act.value))
        now = self.now  # the journal may have taken its time
        deadline_at = max(min(until_at, now + self.patience_s(act)), now + LEAST_S)
        outcome = await self._tools.performer.perform(
            driver, act, deadline_at=deadline_at, hurry=hurry
        )
        if outcome.verdict is Verdict.ASSUMED and not self.device.dry_run:
            why = "its driver sent nothing, as in a dry run, and this is none"
            outcome = replace(outcome, verdict=Verdict.REFUSED, evidence=why)
        if act in CHANGING:
            if outcome.verdict not in WITHOUT_EFFECT:
                self.told.add(act)
            log.info(
                "sent_order",
                device=name,
                act=act.value,
                verdict=outcome.verdict.value,
                evidence=outcome.evidence,
            )
        ended = StepEnded(
            self.now, self.order_id, name, act.value, outcome.verdict.value,
            outcome.evidence, outcome.advice, outcome.sent, outcome.took_s,
        )  # fmt: skip
        await self._tools.record(ended)
        return outcome

    def patience_s(self, act: Act) -> float:
        """How long one try of an act may last, so that a hung one leaves time for another."""
        device = self.device
        match act:
            case Act.QUIESCE | Act.CONFIRM_QUIESCED | Act.RESTORE | Act.REMEMBER:
                return 10.0 + 1.5 * (device.quiesce_s or 0.0)
            case Act.STOP:
                return 10.0 + (device.stop_s or 0.0)
            case Act.START:
                return 10.0 + device.start_s
            case Act.CONFIRM_RUNNING:
                return 30.0
            case _:
                return math.inf  # a stretch of silence is measured in one go


def is_set(event: asyncio.Event | None) -> bool:
    """Return whether there is an event, and it is set."""
    return event is not None and event.is_set()
