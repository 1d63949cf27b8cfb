"""Carry orders out: one task a device, each act journalled before it goes out and after.

Here the policies' orders and the drivers' outcomes meet, and only here. A device's trouble stays
its own: every order has a task, a deadline and a retry schedule to itself.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field, replace

import structlog

from drivers.base import Act, Clock, Driver, Outcome, Repeat, Stage, Verdict
from policies.model import Device, Order, Reason, Site, Task
from policies.reasons import duration_text
from policies.state import (
    Ending,
    Event,
    NoticeRaised,
    OpenOrder,
    OrderClosed,
    Phase,
    SiteState,
    StepBegan,
    StepEnded,
)
from policies.timeline import AT_ONCE, MARGIN_S

log = structlog.get_logger()

REFUSALS = 2
"""How often a refusal is taken before it is final; more tries would lock accounts."""

_PAUSES_S = (1.0, 2.0, 4.0, 8.0)
_OVERRUN_S = 1.0  # a driver that outlives its deadline by this much is cut off
_PATH_LOOK_S = 3.0

Record = Callable[..., Awaitable[None]]
"""`await record(*events)`: journal the events, flushed, and fold them."""

_STAGE = {
    Act.QUIESCE: Stage.QUIESCE,
    Act.CONFIRM_QUIESCED: Stage.QUIESCE,
    Act.STOP: Stage.STOP,
    Act.CONFIRM_GONE: Stage.VERIFY,
    Act.START: Stage.START,
}


_LOOK = Reason("look", "looking whether it runs")
_FAILURES = frozenset({Verdict.REFUSED, Verdict.NO_ANSWER, Verdict.GARBLED})
_AGAIN = frozenset({Verdict.REFUSED, Verdict.NO_ANSWER, Verdict.GARBLED, Verdict.NOT_YET})
_TOLD = frozenset({Act.QUIESCE, Act.STOP, Act.START})


@dataclass(slots=True)
class _Run:
    """One order under way."""

    order_id: str
    order: Order
    device: Device
    stages: Mapping[Stage, Driver]
    deadline_at: float
    hurried: asyncio.Event = field(default_factory=asyncio.Event)
    task: asyncio.Task[None] | None = None

    def driver(self, act: Act) -> Driver | None:
        """The driver that can do *act* for the device, or None."""
        if act is Act.CONFIRM_RUNNING:
            for stage in (Stage.VERIFY, Stage.START, Stage.STOP):
                driver = self.stages.get(stage)
                if driver is not None and act in driver.acts:
                    return driver
            return None
        driver = self.stages.get(_STAGE[act])
        return driver if driver is not None and act in driver.acts else None


class Conductor:
    """Sends orders, waits for their outcomes, and keeps their deadlines."""

    def __init__(
        self,
        site: Site,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        chance: random.Random,
        record: Record,
        state: Callable[[], SiteState],
    ) -> None:
        self._site = site
        self._drivers = drivers
        self._clock = clock
        self._chance = chance
        self._record = record
        self._state = state
        self._runs: dict[str, _Run] = {}
        self._places = asyncio.Semaphore(AT_ONCE)

    @property
    def busy(self) -> frozenset[str]:
        """The devices with an order under way."""
        return frozenset(self._runs)

    def give(self, order_id: str, order: Order) -> None:
        """Begin an order that is journalled; a running one of the same task is hurried instead."""
        running = self._runs.get(order.device)
        if running is not None and running.order.task is order.task:
            running.order = order
            running.hurried.set()
            return
        if running is not None and running.task is not None:
            running.task.cancel()
        self._begin(order_id, order, steps=())

    def resume(self, opened: OpenOrder) -> None:
        """Take up an order that an earlier run of the agent left open: look, then go on."""
        order = opened.order
        needed_s = self._site.devices[order.device].rest_s + MARGIN_S
        deadline_at = max(order.deadline_at, self._clock.monotonic() + needed_s)
        self._begin(opened.order_id, replace(order, deadline_at=deadline_at), steps=opened.steps)

    async def close(self) -> None:
        """Let go of every order without carrying it further, and of every driver."""
        tasks = [run.task for run in self._runs.values() if run.task is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        distinct = {id(d): d for stages in self._drivers.values() for d in stages.values()}
        await asyncio.gather(*(d.close() for d in distinct.values()), return_exceptions=True)

    async def is_running(self, device: str, *, within_s: float) -> Outcome | None:
        """Look whether a device runs, read-only; None where nothing can tell."""
        run = self._make_run("", Order(device, Task.START, 0.0, _LOOK), ())
        driver = run.driver(Act.CONFIRM_RUNNING)
        if driver is None:
            return None
        return await self._perform(driver, Act.CONFIRM_RUNNING, self._clock.monotonic() + within_s)

    def _make_run(self, order_id: str, order: Order, steps: object) -> _Run:
        device = self._site.devices[order.device]
        return _Run(order_id, order, device, self._drivers.get(device.name, {}), order.deadline_at)

    def _begin(
        self, order_id: str, order: Order, *, steps: tuple[tuple[str, str | None], ...]
    ) -> None:
        run = self._make_run(order_id, order, steps)
        if order.in_short:
            run.hurried.set()
        self._runs[order.device] = run
        run.task = asyncio.create_task(self._carry_out(run, steps), name=f"order {order_id}")

    async def _carry_out(self, run: _Run, steps: tuple[tuple[str, str | None], ...]) -> None:
        name, task = run.device.name, run.order.task
        try:
            async with self._places:
                if task is Task.REST:
                    ending, evidence = await self._rest(run, steps)
                else:
                    ending, evidence = await self._start(run)
        except asyncio.CancelledError:
            self._forget(run)
            raise
        except Exception as error:  # the outermost loop of one device: its trouble stays its own
            log.exception("failed_order", device=name, order=run.order_id)
            ending, evidence = Ending.FAILED, f"lastwatt's own code failed ({type(error).__name__})"
        await self._close_order(run, ending, evidence)
        self._forget(run)

    def _forget(self, run: _Run) -> None:
        if self._runs.get(run.device.name) is run:
            del self._runs[run.device.name]

    async def _close_order(self, run: _Run, ending: Ending, evidence: str) -> None:
        now, name = self._clock.monotonic(), run.device.name
        events: list[Event] = [
            OrderClosed(now, run.order_id, name, run.order.task, ending, evidence)
        ]
        if ending is Ending.FAILED:
            what = "could not be brought to rest" if run.order.task is Task.REST else "is not back"
            events.append(NoticeRaised(now, "error", name, f"{name} {what}: {evidence}"))
        log.info("closed_order", device=name, ending=ending.value, evidence=evidence)
        await self._record(*events)

    # Bringing to rest

    async def _rest(
        self, run: _Run, steps: tuple[tuple[str, str | None], ...]
    ) -> tuple[Ending, str]:
        """Quiesce, confirm, stop, verify gone; what was begun is looked at before it goes again."""
        begun = {act for act, _ in steps}
        can_stop = run.driver(Act.STOP) is not None
        if run.driver(Act.QUIESCE) is not None and Act.STOP not in begun:
            quiesced = await self._quiesce(run, steps, can_stop=can_stop)
            if not can_stop:
                return _ending_of_quiesce(quiesced)
        if not can_stop:
            return Ending.FAILED, "nothing in the site's file says how to bring it to rest"
        return await self._stop(run, look_first=Act.STOP in begun)

    async def _quiesce(
        self, run: _Run, steps: tuple[tuple[str, str | None], ...], *, can_stop: bool
    ) -> Outcome | None:
        """Quiesce and wait until confirmed; None where a hurried order leaves it out."""
        stop_s = (run.device.stop_s or 0.0) + run.device.settle_s if can_stop else 0.0
        until_at = max(
            self._clock.monotonic() + (run.device.quiesce_s or 0.0), run.deadline_at - stop_s
        )
        skip = run.hurried if can_stop else None
        in_doubt = (Act.QUIESCE.value, None) in steps
        driver = run.driver(Act.QUIESCE)
        assert driver is not None
        outcome: Outcome | None = None
        if not (in_doubt and driver.acts[Act.QUIESCE] is Repeat.NEVER):
            outcome = await self._insist(run, Act.QUIESCE, until_at, skip=skip)
        if outcome is not None and outcome.verdict in _FAILURES:
            return outcome
        if run.driver(Act.CONFIRM_QUIESCED) is None or _is_set(skip):
            return outcome
        return await self._insist(run, Act.CONFIRM_QUIESCED, until_at, skip=skip)

    async def _stop(self, run: _Run, *, look_first: bool) -> tuple[Ending, str]:
        """Stop and verify gone, again while the deadline and the act's nature allow."""
        driver = run.driver(Act.STOP)
        assert driver is not None
        told = look_first
        while True:
            if not look_first:
                outcome = await self._insist(run, Act.STOP, run.deadline_at)
                assert outcome is not None
                if outcome.verdict is Verdict.ASSUMED:
                    return Ending.ASSUMED, outcome.evidence
                if outcome.verdict in _FAILURES:
                    return await self._is_gone_anyway(run, outcome, told=told)
                told = True
            gone = await self._confirm_gone(run)
            if gone.verdict is Verdict.DONE:
                return Ending.AT_REST, gone.evidence
            if gone.verdict is Verdict.ASSUMED:
                return Ending.ASSUMED, gone.evidence
            if self._clock.monotonic() >= run.deadline_at - 1.0:
                return Ending.FAILED, gone.evidence
            # Still there: an act that must never be repeated is only waited for.
            look_first = driver.acts[Act.STOP] is Repeat.NEVER

    async def _is_gone_anyway(
        self, run: _Run, refused: Outcome, *, told: bool
    ) -> tuple[Ending, str]:
        """A stop that got no answer after an earlier one did may find the device gone already."""
        if told:
            gone = await self._confirm_gone(run)
            if gone.verdict is Verdict.DONE:
                return Ending.AT_REST, gone.evidence
        return Ending.FAILED, _with_advice(refused)

    async def _confirm_gone(self, run: _Run) -> Outcome:
        """Wait until the device is gone, and its path is not; bounded by one stop's time."""
        takes_s = (run.device.stop_s or 0.0) + run.device.settle_s + MARGIN_S
        until_at = min(run.deadline_at, self._clock.monotonic() + takes_s)
        if run.driver(Act.CONFIRM_GONE) is None:
            await self._clock.sleep(until_at - self._clock.monotonic())
            return Outcome(
                Act.CONFIRM_GONE,
                Verdict.DONE,
                f"nothing can verify it; its stop was given {duration_text(takes_s)}",
            )
        outcome = await self._step(run, Act.CONFIRM_GONE, until_at)
        if outcome.verdict is not Verdict.DONE:
            return outcome
        silent = await self._silent_path(run.device)
        if silent is None:
            return outcome
        evidence = f"it no longer answers, but neither does its path ({silent}): no proof of rest"
        return replace(outcome, verdict=Verdict.NOT_YET, evidence=evidence)

    async def _silent_path(self, device: Device) -> str | None:
        """A device of the path that can be looked at, should be on, and does not answer."""
        devices = self._state().devices
        for name in device.path:
            if devices[name].phase is Phase.AT_REST:
                continue
            outcome = await self.is_running(name, within_s=_PATH_LOOK_S)
            if outcome is not None and outcome.verdict not in (Verdict.DONE, Verdict.ASSUMED):
                return name
        return None

    # Bringing back

    async def _start(self, run: _Run) -> tuple[Ending, str]:
        """Start where an order can, then wait until the device is seen to run."""
        outcome: Outcome | None = None
        if run.driver(Act.START) is not None:
            outcome = await self._insist(run, Act.START, run.deadline_at)
            assert outcome is not None
            if outcome.verdict in _FAILURES:
                return Ending.FAILED, _with_advice(outcome)
        if run.driver(Act.CONFIRM_RUNNING) is None:
            if outcome is None:
                return Ending.FAILED, "nothing starts it, and nothing can tell whether it runs"
            ending = Ending.ASSUMED if outcome.verdict is Verdict.ASSUMED else Ending.RUNNING
            return ending, f"{outcome.evidence}; nothing can confirm that it runs"
        running = await self._insist(run, Act.CONFIRM_RUNNING, run.deadline_at)
        assert running is not None
        if running.verdict is Verdict.DONE:
            return Ending.RUNNING, running.evidence
        if running.verdict is Verdict.ASSUMED:
            return Ending.ASSUMED, running.evidence
        return Ending.FAILED, _with_advice(running)

    # One act

    async def _insist(
        self, run: _Run, act: Act, until_at: float, *, skip: asyncio.Event | None = None
    ) -> Outcome | None:
        """Do an act until it has an outcome to go on with, with growing, jittered pauses.

        A refusal is tried once more only; what broke off midway is for the caller to look at. None
        means that *skip* was set before the first try; set in mid-act, it cuts the act short.
        """
        outcome: Outcome | None = None
        refusals = tries = 0
        while not _is_set(skip):
            outcome = await self._step(run, act, until_at, skip=skip)
            tries += 1
            refusals += outcome.verdict is Verdict.REFUSED
            if outcome.verdict not in _AGAIN or refusals >= REFUSALS:
                return outcome
            pause_s = _PAUSES_S[min(tries, len(_PAUSES_S)) - 1] * self._chance.uniform(0.5, 1.0)
            if self._clock.monotonic() + pause_s >= until_at:
                return outcome
            await self._clock.sleep(pause_s)
        return outcome

    async def _step(
        self, run: _Run, act: Act, until_at: float, *, skip: asyncio.Event | None = None
    ) -> Outcome:
        """One act, journalled: the intent is flushed before anything is sent."""
        driver = run.driver(act)
        assert driver is not None
        name = run.device.name
        now = self._clock.monotonic()
        await self._record(StepBegan(now, run.order_id, name, act.value))
        deadline_at = min(until_at, now + self._patience_s(run, act))
        outcome = await self._perform(driver, act, max(deadline_at, now + 1.0), skip=skip)
        if act in _TOLD:
            log.info(
                "sent_order",
                device=name,
                act=act.value,
                verdict=outcome.verdict.value,
                evidence=outcome.evidence,
            )
        ended = StepEnded(
            self._clock.monotonic(), run.order_id, name, act.value, outcome.verdict.value,
            outcome.evidence, outcome.advice, outcome.sent, outcome.took_s,
        )  # fmt: skip
        await self._record(ended)
        return outcome

    def _patience_s(self, run: _Run, act: Act) -> float:
        """How long one try of an act may last, so that a hung one leaves time for another."""
        device = run.device
        match act:
            case Act.QUIESCE | Act.CONFIRM_QUIESCED:
                return 10.0 + 1.5 * (device.quiesce_s or 0.0)
            case Act.STOP:
                return 10.0 + (device.stop_s or 0.0)
            case _:
                return run.deadline_at

    async def _perform(
        self, driver: Driver, act: Act, deadline_at: float, *, skip: asyncio.Event | None = None
    ) -> Outcome:
        """The act itself, held to its deadline even if the driver does not hold itself to it."""
        began_at = self._clock.monotonic()
        doing = asyncio.ensure_future(driver.perform(act, deadline_at=deadline_at))
        waiting = {doing} if skip is None else {doing, asyncio.ensure_future(skip.wait())}
        try:
            await asyncio.wait(
                waiting,
                timeout=deadline_at - began_at + _OVERRUN_S,
                return_when=asyncio.FIRST_COMPLETED,
            )
            if doing.done():
                return doing.result()
        finally:
            for task in waiting:
                task.cancel()
            await asyncio.gather(*waiting, return_exceptions=True)
        took_s = self._clock.monotonic() - began_at
        if _is_set(skip):
            why = "cut short, since the battery is about to end"
            return Outcome(act, Verdict.UNCERTAIN, why, took_s=took_s)
        return Outcome(act, Verdict.NO_ANSWER, "the driver did not end in time", took_s=took_s)


def _is_set(event: asyncio.Event | None) -> bool:
    return event is not None and event.is_set()


def _with_advice(outcome: Outcome) -> str:
    return f"{outcome.evidence}; {outcome.advice}" if outcome.advice else outcome.evidence


def _ending_of_quiesce(outcome: Outcome | None) -> tuple[Ending, str]:
    """A device that is only quiesced is at rest when that is done: it may then lose power."""
    assert outcome is not None, "only a device with a stop skips its quiescing"
    match outcome.verdict:
        case Verdict.DONE:
            return Ending.AT_REST, f"{outcome.evidence}; it may lose power now"
        case Verdict.ASSUMED:
            return Ending.ASSUMED, outcome.evidence
        case _:
            return Ending.FAILED, _with_advice(outcome)
