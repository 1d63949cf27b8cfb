"""The agent's loop: readings and outcomes are folded, decided on, journalled and carried out.

Whatever happens to the site is an event; the state is what the events fold to. An event is folded
at once and then journalled; orders go out only after their commit, or after it took too long: a
full or slow disk never stops a stop.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import structlog

from agent.conduct import Conductor
from agent.errors import BackupUnitError
from agent.floor import Floor
from drivers.base import Clock, Driver, Outcome, Stage, Verdict
from policies import reasons
from policies.decide import Decision, beliefs_of, decide
from policies.model import Reading, Site
from policies.state import (
    AgentEnded,
    AgentStarted,
    DeviceSeen,
    Ending,
    Event,
    FloorTaken,
    NoticeRaised,
    OrderClosed,
    OrderGiven,
    Phase,
    PollMissed,
    ReadingTaken,
    SiteState,
    StepEnded,
    SupplyJudged,
    fold,
)
from policies.supply import Supply, UnitState

log = structlog.get_logger()

READING_EVERY_S = 60.0
"""On steady mains, one reading a minute is journalled; on battery, every one."""

SNAPSHOT_EVERY_S = 300.0
LOOK_EVERY_S = 20.0
_LOOK_S = 3.0
_SHORTEST_WAIT_S = 0.05


class Keeper(Protocol):
    """What the engine asks of the journal."""

    async def commit(self, *events: Event) -> bool:
        """Make events durable; False = kept in memory for now."""
        ...

    def note(self, *events: Event) -> None:
        """Take events that need not be durable at once."""
        ...

    def snapshot(self, state: SiteState) -> None:
        """Keep the state, so that the next fold starts here."""
        ...


@dataclass(frozen=True, slots=True)
class Settings:
    """What the engine is told beside the site.

    Attributes:
        version: of lastwatt, for the journal.
        dry_run: nothing is sent; every device of *site* is then in dry run already.
        seed: of the jitter between tries.
    """

    version: str
    dry_run: bool = False
    seed: int = 0


class Engine:
    """One site's agent, without its sockets and files: those come in as arguments."""

    def __init__(
        self,
        site: Site,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        journal: Keeper,
        state: SiteState,
        settings: Settings,
        on_event: Callable[[Event], None] = lambda event: None,
    ) -> None:
        self.site = site
        self.state = state
        self.decision: Decision | None = None
        self._clock = clock
        self._journal = journal
        self._settings = settings
        self._on_event = on_event
        self._woken = asyncio.Event()
        self._noted_at: dict[str, float] = {}
        self._troubles: dict[str, str] = {}
        self._floor = Floor(site, drivers, clock=clock)
        self._floor_task: asyncio.Task[None] | None = None
        self._is_failing = False
        self._fold_error: Exception | None = None
        self.conductor = Conductor(
            site,
            drivers,
            clock=clock,
            chance=random.Random(settings.seed),
            record=self.record,
            state=lambda: self.state,
        )

    # Facts coming in

    async def on_reading(self, reading: Reading) -> None:
        """Fold a reading, journal it as far as it is worth it, and decide."""
        before = self.state.units[reading.unit]
        self._floor.hear(reading)
        event = ReadingTaken(reading.at, reading)
        self._fold(event)
        after = self.state.units[reading.unit]
        if self._is_worth_noting(before, after, reading):
            self._noted_at[reading.unit] = reading.at
            self._journal.note(event)
        self._troubles.pop(reading.unit, None)
        await self._tell_supply(reading.unit, before, after)
        await self.consider()

    async def on_silence(self, unit: str, error: BackupUnitError, at: float) -> None:
        """Fold a poll without an answer; the first of a row, and the loss, are journalled."""
        before = self.state.units[unit]
        event = PollMissed(at, unit, f"{error}; {error.advice}")
        self._fold(event)
        if self._troubles.get(unit) != str(error):
            self._troubles[unit] = str(error)
            log.warning("missed_poll", unit=unit, why=str(error), advice=error.advice)
            self._journal.note(event)
        await self._tell_supply(unit, before, self.state.units[unit])
        await self.consider()

    async def record(self, *events: Event) -> None:
        """Fold events and make them durable, or go on without that when the disk does not."""
        for event in events:
            self._fold(event)
        await self._journal.commit(*events)
        if any(isinstance(event, OrderClosed) for event in events):
            self._woken.set()

    async def notice(self, severity: str, about: str, text: str) -> None:
        """Say something that somebody should know."""
        level = {"info": log.info, "warning": log.warning}.get(severity, log.error)
        level("raised_notice", about=about, text=text)
        await self.record(NoticeRaised(self._clock.monotonic(), severity, about, text))

    # Deciding

    async def consider(self) -> None:
        """Decide now, and give the orders; should that fail, the floor holds."""
        now = self._clock.monotonic()
        try:
            if self._fold_error is not None:
                raise self._fold_error
            decision = decide(self.site, self.state, beliefs_of(self.site, self.state, now), now)
        except Exception as error:  # the other outermost loop: nothing may stand above the floor
            await self._fall(error)
            return
        self._is_failing = False
        self.decision = decision
        given: list[OrderGiven] = []
        for order in decision.orders:
            order_id = f"{order.device}#{self.state.orders + 1}"
            event = OrderGiven(now, order_id, order)
            self._fold(event)
            given.append(event)
            log.info(
                "gave_order",
                device=order.device,
                task=order.task.value,
                deadline_s=round(order.deadline_at - now, 1),
                reason=order.reason.sentence,
            )
        if given:
            await self._journal.commit(*given)
            for event in given:
                self.conductor.give(event.order_id, event.order)

    async def _fall(self, error: Exception) -> None:
        """The policies failed: say so once, and let the floor act when it is due."""
        why = f"{type(error).__name__}: {error}"
        if not self._is_failing:
            self._is_failing = True
            log.exception("failed_decision")
            await self._journal.commit(FloorTaken(self._clock.monotonic(), why))
            await self.notice("error", self.site.name, reasons.floor(why).sentence)
        if self._floor.is_due() and self._floor_task is None:
            self._floor_task = asyncio.create_task(self._floor.take(self._tell_floor))

    async def _tell_floor(self, device: str, outcome: Outcome) -> None:
        ended = StepEnded(
            self._clock.monotonic(), "floor", device, outcome.act.value, outcome.verdict.value,
            outcome.evidence, outcome.advice, outcome.sent, outcome.took_s,
        )  # fmt: skip
        await self._journal.commit(ended)

    # Running

    async def run(self) -> None:
        """Take up where the journal ends, then decide for ever; cancel to end."""
        now = self._clock.monotonic()
        await self.record(AgentStarted(now, self._settings.version, self._settings.dry_run))
        await self._take_up()
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep_deciding())
            group.create_task(self._keep_looking())
            group.create_task(self._keep_snapshots())

    async def end(self, why: str) -> None:
        """Let go of everything; no device is stopped by the agent's own end."""
        if self._floor_task is not None:
            self._floor_task.cancel()
        await self.conductor.close()
        await self._journal.commit(AgentEnded(self._clock.monotonic(), why))
        self._journal.snapshot(self.state)

    async def _take_up(self) -> None:
        """Resume what an earlier run began; withdraw what it had only decided."""
        now = self._clock.monotonic()
        for name, device in self.state.devices.items():
            if device.order is None:
                continue
            opened = device.order
            if opened.steps:
                log.info("resumed_order", device=name, order=opened.order_id)
                self.conductor.resume(opened)
            else:
                why = "the agent was restarted before its first step"
                await self.record(
                    OrderClosed(
                        now, opened.order_id, name, opened.order.task, Ending.WITHDRAWN, why
                    )
                )

    async def _keep_deciding(self) -> None:
        while True:
            await self.consider()
            self._woken.clear()
            now = self._clock.monotonic()
            wake_at = now + 1.0 if self.decision is None else self.decision.wake_at
            await self._wait(max(_SHORTEST_WAIT_S, wake_at - now))

    async def _wait(self, seconds: float) -> None:
        """Sleep until woken, at most *seconds*."""
        sleeping = asyncio.ensure_future(self._clock.sleep(seconds))
        waking = asyncio.ensure_future(self._woken.wait())
        try:
            await asyncio.wait({sleeping, waking}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            waking.cancel()

    async def _keep_looking(self) -> None:
        """See devices that came back by themselves: what runs again is in danger again."""
        seen: dict[str, int] = {}
        while True:
            await self._clock.sleep(LOOK_EVERY_S)
            names = [
                name
                for name, device in self.state.devices.items()
                if device.phase in (Phase.AT_REST, Phase.NEEDS_HAND)
                and device.order is None
                and not device.is_assumed
                and self.site.devices[name].stop_s is not None
            ]
            looks = [self.conductor.is_running(name, within_s=_LOOK_S) for name in names]
            for name, outcome in zip(names, await asyncio.gather(*looks), strict=True):
                runs = outcome is not None and outcome.verdict is Verdict.DONE
                seen[name] = seen.get(name, 0) + 1 if runs else 0
                if outcome is not None and seen[name] >= 2:
                    log.info("saw_device", device=name, evidence=outcome.evidence)
                    at = self._clock.monotonic()
                    await self.record(DeviceSeen(at, name, outcome.evidence))
                    self._woken.set()

    async def _keep_snapshots(self) -> None:
        while True:
            await self._clock.sleep(SNAPSHOT_EVERY_S)
            self._journal.snapshot(self.state)

    # Telling

    def _fold(self, event: Event) -> None:
        try:
            self.state = fold(self.site, self.state, event)
            if isinstance(event, ReadingTaken):
                self._fold_error = None
        except Exception as error:  # as in `consider`: the floor reads readings, not this state
            log.exception("failed_fold", kind=type(event).__name__)
            self._fold_error = error
        self._on_event(event)

    def _is_worth_noting(self, before: UnitState, after: UnitState, reading: Reading) -> bool:
        if after.is_on_battery or after.signs or before.supply is not after.supply:
            return True
        last = before.reading
        if last is None or last.alarms != reading.alarms or last.doubts != reading.doubts:
            return True
        return reading.at - self._noted_at.get(reading.unit, -READING_EVERY_S) >= READING_EVERY_S

    async def _tell_supply(self, unit: str, before: UnitState, after: UnitState) -> None:
        now = self._clock.monotonic()
        if before.lost_at is None and after.lost_at is not None:
            log.error("lost_unit", unit=unit)
            await self.notice("error", unit, f"{unit} is not heard from: {after.why}")
        if before.supply is after.supply and before.why == after.why:
            return
        log.info("judged_supply", unit=unit, supply=after.supply.value, why=after.why)
        await self.record(SupplyJudged(now, unit, after.supply, after.why))
        if before.supply is after.supply:
            return
        match after.supply:
            case Supply.BATTERY:
                await self.notice("error", unit, f"mains has failed: {unit} runs on its battery")
            case Supply.UNPROTECTED:
                text = f"{unit} gives no protection: {after.why}; the next outage is not carried"
                await self.notice("error", unit, text)
            case Supply.MAINS if before.supply is Supply.BATTERY:
                await self.notice("info", unit, f"mains is back at {unit}")
            case Supply.UNKNOWN if after.lost_at is None:
                await self.notice("warning", unit, f"{unit} cannot be judged: {after.why}")
            case _:
                pass
