"""The acts of one order at one device, each journalled before it goes out and after."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Awaitable, Callable, Collection, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Protocol

import structlog

from agent.battery.load_memory import LoadWord
from agent.conduct.perform import CHANGING, Cue, Performer, first
from drivers.base import Act, Clock, Driver, Outcome, Remembering, Repeat, Stage, Verdict
from drivers.errors import LastwattError
from policies.events import NoticeRaised, SettingRemembered, StepBegan, StepEnded
from policies.load_evidence import Says
from policies.model import Device, Order, Task
from policies.reasons import BY_HAND, DRILL
from policies.timeline import MARGIN_S

log = structlog.get_logger()

REFUSALS = 2
"""How often a device may refuse us in an outage: once, and once more at the last moment.

Each may be a login with a wrong password, and more of them would lock the account.
"""

STOPS = (Stage.STOP, Stage.STOP_ELSE)
"""The ways to stop a device, in their order."""

TELLS_EACH = 2
"""So often a device is told to stop by one way before the other has its turn; a refusal ends it."""

REFUSED_AGAIN_S = 15.0
"""The second try does not follow sooner, if there is time: what refuses may be only starting."""

LAST_MOMENT = frozenset({"latest_safe_start", "too_late", "battery_low", "countdown", "floor"})
"""Codes of reasons to stop a device that leave no later moment."""

ASKED_FOR = frozenset({BY_HAND, DRILL})
"""Codes of reasons that somebody gave, who can mend a login and ask again."""

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

Commit = Callable[..., Awaitable[bool]]
"""`await commit(*events)`: the same, and whether they are."""

_STAGE = {
    Act.QUIESCE: Stage.QUIESCE,
    Act.CONFIRM_QUIESCED: Stage.QUIESCE,
    Act.STOP: Stage.STOP,
    Act.CONFIRM_GONE: Stage.VERIFY,
    Act.START: Stage.START,
    Act.RESTORE: Stage.QUIESCE,
    Act.CUT: Stage.CUT,
    Act.UNCUT: Stage.CUT,
}

STARTING = frozenset({Act.UNCUT, Act.START})
"""The acts that bring a device back; its recording is put back once it runs."""

UNDONE_BY = {Stage.QUIESCE: Act.RESTORE, Stage.STOP: Act.START, Stage.CUT: Act.UNCUT}
"""What is remembered before a stage changes it, and which act puts it back."""


def driver_for(stages: Mapping[Stage, Driver], act: Act) -> Driver | None:
    """Return the driver among a device's that can do *act*, or None."""
    if act is Act.CONFIRM_RUNNING:
        asked = [stages.get(stage) for stage in (Stage.VERIFY, Stage.START, Stage.STOP)]
    else:
        asked = [stages.get(_STAGE[act])]
    return next((driver for driver in asked if driver is not None and act in driver.acts), None)


class Paths(Protocol):
    """Watches the path to a device; see `agent.conduct.path_watch`."""

    def over(self, device: Device) -> AbstractAsyncContextManager[None]:
        """Look at the path of *device* again and again meanwhile."""
        ...

    async def gap_in(self, device: Device, *, since_at: float) -> str | None:
        """Return a device of the path that was not heard throughout since then, or None."""
        ...


@dataclass(frozen=True, slots=True)
class Tools:
    """What the steps of every order work with.

    Attributes:
        commit: as `record`, and returns whether the events are durable.
        paths: looks at the path to a device while that is watched go.
        load_says: what the load of the unit behind a device says of a stop at a time.
        unwanted: why an order by that id, of a device, is not wanted any more; "" while it is.
        saved_by_cut: whom cutting a device saves that is not known to be quiesced; "" = nobody.
        cut_serves: whether an order is one for which a device may be cut that would not stop.
        seed: of the pauses between tries.
    """

    clock: Clock
    performer: Performer
    record: Record
    commit: Commit
    paths: Paths
    unwanted: Callable[[str, str], str]
    load_says: Callable[[str, float], LoadWord]
    saved_by_cut: Callable[[str], str]
    cut_serves: Callable[[Order], bool]
    seed: int = 0


class NoLongerWantedError(LastwattError):
    """An order of which nothing came so far, and whose reason is gone: to be withdrawn."""


_UNWRITTEN = "not cut: the journal cannot be written, and nothing would say that it is to be undone"

_NOT_AGAIN = "it may have been started already, and is not started again for now"


class Steps:
    """The steps of one order.

    Attributes:
        order_id: as journalled.
        order: what is to be done, and by when; replaced by `hurry`.
        device: as the file has it.
        told: acts of this and earlier orders that may have taken effect already.
        earlier: acts of this order that an earlier run of the agent began, with their verdicts.
        was_off: it was proven at rest, and nothing says that it runs again.
        is_stop_in_doubt: of a stop that failed before nobody knows whether it was sent at all.
        owed: acts of earlier orders that are to be undone.
        hurried: set when what is optional is to be dropped.
        is_past_stopping: its stop has failed, and what is left to its deadline is for its cut.
        stop_told_at: when this run of the agent first began to tell it to stop, in this order.
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
        is_stop_in_doubt: bool = False,
        owed: Collection[str] = (),
        was: Mapping[str, str] | None = None,
        refused: Mapping[str, int] = MappingProxyType({}),
    ) -> None:
        """Prepare; sends nothing.

        Beside the attributes: *refused* says how often each act was refused in this outage.
        """
        self.order_id = order_id
        self.order = order
        self.device = device
        self.told = {act for act in CHANGING if act in told}
        self.earlier = earlier
        self.was_off = was_off
        self.is_stop_in_doubt = is_stop_in_doubt
        self.owed = frozenset(owed)
        self._was = dict(was or {})
        self.hurried = Cue()
        self.is_past_stopping = False
        self.stop_told_at: float | None = None
        self.clock = tools.clock
        self._stages = stages
        self._refused = dict(refused)
        self._tells = 0
        self._tools = tools
        self._chance = random.Random(f"{tools.seed} {order_id}")
        if order.in_short:
            self.hurried.set()

    @property
    def now(self) -> float:
        """The site time, s."""
        return self.clock.monotonic()

    @property
    def deadline_at(self) -> float:
        """By when to come to an end: with the order, but for the time of a cut after its stop.

        In short its stop has the time that it is planned with, and no more: a battery that is low
        may end long before the order.
        """
        if self.is_past_stopping or not self.can(Act.CUT):
            return self.order.deadline_at
        end_at = self.order.deadline_at - (self.device.cut_s or 0.0)
        if self.stop_told_at is None or not self.hurried.is_set():
            return end_at
        takes_s = (self.device.stop_s or 0.0) + self.device.settle_s + MARGIN_S
        return min(end_at, self.stop_told_at + takes_s)

    def hurry(self, order: Order) -> None:
        """Go on by the shortened form of the same order."""
        self.order = order
        self.hurried.set()

    def _driver(self, act: Act) -> Driver | None:
        """Who does *act* now: of a device with a second way to stop it, that of its turn."""
        return driver_for(self._turned() if act is Act.STOP else self._stages, act)

    def _turned(self) -> Mapping[Stage, Driver]:
        second = self._stages.get(Stage.STOP_ELSE)
        if second is None or self._tells // TELLS_EACH % 2 == 0:
            return self._stages
        return {**self._stages, Stage.STOP: second}

    def _take_turns(self) -> None:
        """Go on by the other way to stop it, if the file gives one."""
        self._tells = (self._tells // TELLS_EACH + 1) * TELLS_EACH

    def repeat(self, act: Act) -> Repeat | None:
        """How *act* may be repeated; None where no driver of the device can do it."""
        driver = self._driver(act)
        return None if driver is None else driver.acts[act]

    def can(self, act: Act) -> bool:
        """Whether some driver of the device can do *act*."""
        return self._driver(act) is not None

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

    def load_says(self) -> LoadWord:
        """Return what the load of the unit behind the device says of its stop."""
        if self.stop_told_at is None:
            return LoadWord(Says.NOTHING, is_metered=False)
        return self._tools.load_says(self.device.name, self.stop_told_at)

    def saved_by_cut(self) -> str:
        """Return whom it saves to cut the device now, quiesced or not; "" = nobody."""
        return self._tools.saved_by_cut(self.device.name)

    @property
    def cut_serves(self) -> bool:
        """Whether the order is one for which the device may be cut, should its stop fail."""
        return self._tools.cut_serves(self.order)

    def unwanted(self) -> str:
        """Return why the order would be withdrawn, had it not begun; "" while it is wanted."""
        return self._tools.unwanted(self.order_id, self.device.name)

    async def warn(self, text: str) -> None:
        """Tell people, at once: what is done next may be the last thing that anybody hears of."""
        name = self.device.name
        await self._tools.record(NoticeRaised(self.now, "error", name, f"{name} {text}"))

    @property
    def paths(self) -> Paths:
        """What watches the device's path."""
        return self._tools.paths

    async def insist(
        self, act: Act, until_at: float | None = None, *, hurry: Cue | None = None
    ) -> Outcome | None:
        """Do an act until it has an outcome to go on with, with growing, jittered pauses.

        It ends at *until_at*, or at `deadline_at`, which a hurried order moves. A refusal
        ends it, but for one more try at the last moment: see `REFUSALS`. What may have taken effect
        is for the caller to look at. None means that *hurry* was set before the first try; set in
        mid-act, it cuts the act short.

        Raises:
            NoLongerWantedError: nothing of the order was heard yet, and its reason is gone.
        """
        outcome: Outcome | None = None
        refusals = 0
        for tries in range(1, MOST_TRIES):
            if is_set(hurry):
                break
            unwanted = self._unwanted_act(act)
            if unwanted is not None:
                return unwanted
            barred = await self._barred(act, hurry)
            if barred is not None and act is Act.STOP and Stage.STOP_ELSE in self._stages:
                self._take_turns()
                barred = await self._barred(act, hurry)
            if barred is not None:
                return outcome or barred
            outcome = await self.step(act, self._end_at(until_at), hurry=hurry)
            if outcome.verdict is Verdict.REFUSED and act in (Act.QUIESCE, Act.STOP):
                refusals += 1
                ways = sum(stage in self._stages for stage in STOPS) if act is Act.STOP else 1
                # By hand nothing is barred, and each way is tried once.
                most = 1 if self.order.reason.code in ASKED_FOR else REFUSALS
                if refusals >= ways * most:
                    break
                if act is Act.STOP:
                    self._take_turns()
                continue
            if not self._is_worth_another(act, outcome.verdict):
                break
            end_at, is_order = self._end_at(until_at), act in CHANGING
            if not await self.pause(tries, end_at, hurry=hurry, shortens=is_order):
                break
        return outcome

    def _unwanted_act(self, act: Act) -> Outcome | None:
        """Return what to say of an act that is not done, since its reason is gone; None = do it.

        A stop once begun is carried through. A start is never sent on the way into another outage,
        the first time or again; what it may have done already is for the caller to look at.

        Raises:
            NoLongerWantedError: nothing can have come of the order yet.
        """
        is_start = self.order.task is Task.START
        if act not in (STARTING if is_start else CHANGING):
            return None
        is_begun = bool(self.told & STARTING) if is_start else bool(self.told) or self.was_off
        if is_begun and not is_start:
            return None
        why = self.unwanted()
        if why and not is_begun:
            raise NoLongerWantedError(why)
        return Outcome(act, Verdict.UNCERTAIN, _NOT_AGAIN) if why else None

    async def _barred(self, act: Act, hurry: Cue | None) -> Outcome | None:
        """Return what to say in place of one more refusal; None = the act may be tried.

        A start may, since mains is there and it is tried seldom; so may what somebody asks for by
        hand, who may have mended it.
        """
        code = self.order.reason.code
        refused = self._refusals(act)
        if act not in (Act.QUIESCE, Act.STOP) or not refused or code in ASKED_FOR:
            return None
        is_last = self.order.in_short or code in LAST_MOMENT
        if act is Act.QUIESCE and self.can(Act.STOP):
            is_last = False  # the last try belongs to the stop
        if refused >= REFUSALS or not is_last:
            why = f"it has refused us {_times(refused)} in this outage, and was not asked again"
            more = "" if refused >= REFUSALS else " before the last moment"
            advice = "mend its login: each more wrong one might lock the account"
            return Outcome(act, Verdict.REFUSED, why + more, advice)
        driver = self._driver(act)
        assert driver is not None
        since_s = self._tools.performer.refused_s(driver)
        needed_s = (self.device.stop_s or 0.0) + self.device.settle_s + MARGIN_S
        wait_s = min(REFUSED_AGAIN_S - since_s, self.order.deadline_at - needed_s - self.now)
        if wait_s > 0.0:
            await self.wait(wait_s, hurry=hurry or self.hurried)
        return None

    def _refusals(self, act: Act) -> int:
        """How often who does *act* was refused in this outage, by whatever act, and whoever ran."""
        driver = self._driver(act)
        if driver is None:
            return 0
        acts = [each for each in Act if each in _STAGE or each is Act.CONFIRM_RUNNING]
        by_it = [each for each in acts if self._driver(each) is driver]
        if Stage.STOP_ELSE in self._stages:
            by_it = [each for each in by_it if each is not Act.STOP]  # nobody wrote by which way
        journalled = sum(self._refused.get(each.value, 0) for each in by_it)
        return max(journalled, self._tools.performer.refusals(driver))

    def _end_at(self, until_at: float | None) -> float:
        return self.deadline_at if until_at is None else until_at

    def _is_worth_another(self, act: Act, verdict: Verdict) -> bool:
        if verdict in SHOWN or verdict is Verdict.REFUSED:
            return False
        if act not in CHANGING or verdict in WITHOUT_EFFECT:
            return True
        return verdict is Verdict.GARBLED and self.repeat(act) is Repeat.SAFE

    async def pause(
        self,
        tries: int,
        until_at: float,
        *,
        hurry: Cue | None = None,
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

    async def wait(self, seconds: float, *, hurry: Cue | None = None) -> None:
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
        hurry: Cue | None = None,
        by: Driver | None = None,
    ) -> Outcome:
        """One act, journalled: the intent is flushed before anything is sent.

        It is done by the device's driver for it, or by that given.
        """
        driver = self._driver(act) if by is None else by
        assert driver is not None
        self._recall(act, driver)
        name = self.device.name
        began = StepBegan(self.now, self.order_id, name, act.value)
        is_durable = await self._tools.commit(began)
        is_cut = act is Act.CUT or (act is Act.STOP and self.device.is_cut)
        if is_cut and not is_durable:
            # A stop may go out all the same; this leaves it dark, and nobody would know.
            return await self._ended(act, Outcome(act, Verdict.NOT_YET, _UNWRITTEN))
        now = self.now  # the journal may have taken its time
        if act is Act.STOP and self.stop_told_at is None:
            self.stop_told_at = now
        deadline_at = max(min(until_at, now + self.patience_s(act)), now + LEAST_S)
        outcome = await self._tools.performer.perform(
            driver, act, deadline_at=deadline_at, hurry=hurry
        )
        if outcome.verdict is Verdict.ASSUMED and not self.device.dry_run:
            why = "its driver sent nothing, as in a dry run, and this is none"
            outcome = replace(outcome, verdict=Verdict.REFUSED, evidence=why)
            self._refused[act.value] = self._refused.get(act.value, 0) + 1
        if act is Act.STOP and driver is self._stages.get(Stage.STOP_ELSE):
            outcome = replace(
                outcome, evidence=f"{outcome.evidence} (by the second way to stop it)"
            )
        if act is Act.STOP:
            self._tells += 1
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
        return await self._ended(act, outcome)

    async def _ended(self, act: Act, outcome: Outcome) -> Outcome:
        """Journal what came of an act."""
        ended = StepEnded(
            self.now, self.order_id, self.device.name, act.value, outcome.verdict.value,
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
                patience_s = 10.0 + (device.stop_s or 0.0)
                if Stage.STOP_ELSE not in self._stages:
                    return patience_s
                # One way that hangs leaves time for the other.
                return min(patience_s, max(LOOK_S, (self.order.deadline_at - self.now) / 3.0))
            case Act.CUT | Act.UNCUT:
                return 10.0 + (device.cut_s or 0.0)
            case Act.START:
                return 10.0 + device.start_s
            case Act.CONFIRM_RUNNING:
                return 30.0
            case _:
                return math.inf  # a stretch of silence is measured in one go


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def is_set(event: Cue | None) -> bool:
    """Return whether there is an event, and it is set."""
    return event is not None and event.is_set()
