"""The agent's loop: readings and outcomes are folded, decided on, journalled and carried out.

Whatever happens to the site is an event; the state is what the events fold to. An event is folded
at once and then journalled; orders go out only after their commit, or after it took too long: a
full or slow disk never stops a stop.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import structlog

from agent.conduct.conduct import Conductor
from agent.conduct.learnt_durations import learnt_in
from agent.conduct.lookout import LOOK_S, Lookout
from agent.conduct.outputs import Outputs
from agent.conduct.own_box import OwnBox
from agent.conduct.perform import Performer, first
from agent.conduct.readiness import Readiness
from agent.conduct.result import Result
from agent.conduct.taking_up import stale_units, taken_up, without_stale
from agent.conduct.unit_control import UnitControl
from agent.errors import BackupUnitError, UnitTrouble
from agent.falling import FALLEN_EVERY_S, Falling
from agent.floor import Floor
from agent.journal.keep import Keeper, SureKeeper
from agent.journal.ledger import Fold, Ledger
from agent.news import LeftOffNews, is_worth_noting, log_notice, supply_news
from drivers.base import Clock, Driver, Stage, Verdict
from policies.belief import Belief
from policies.cut_unproven import saved_by_cut
from policies.decide import Decision, beliefs_of, decide
from policies.events import (
    AgentEnded,
    AgentStarted,
    DeviceSeen,
    Ending,
    Event,
    NoticeRaised,
    OrderClosed,
    OrderGiven,
    OutputFailed,
    OutputReturned,
    OutputWithdrawn,
    PollMissed,
    ReadingTaken,
    SupplyJudged,
)
from policies.graph import graph_of
from policies.learnt import Learnt, with_learnt
from policies.model import Order, Reading, Site
from policies.plan import Plan
from policies.state import Phase, SiteState, fold, took_of
from policies.supply import UnitState
from policies.timeline import Timeline

__all__ = ["Engine", "Keeper", "Settings"]

log = structlog.get_logger()

SNAPSHOT_EVERY_S = 300.0

_SHORTEST_WAIT_S = 0.05
_DECIDED_ON = (OrderClosed, OutputWithdrawn, OutputReturned, OutputFailed)
"""After these something may be due at once."""

Decide = Callable[[Site, SiteState, Mapping[str, Belief], float, Plan | None], Decision]
Beliefs = Callable[[Site, SiteState, float], Mapping[str, Belief]]
"""Returns the belief of every unit that runs on battery."""

Hold = Callable[[Sequence[Order], Timeline, float], Mapping[str, float]]
"""Returns which of the devices that are to be told now wait, and until when; site times, s."""

NOTHING_HELD: Mapping[str, float] = MappingProxyType({})


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
    """One site's agent, without its sockets and files: those come in as arguments.

    Attributes:
        site: as the file has it, with what was learnt of how long its stages take.
        decision: the last one; None before the first.
        conductor: carries its orders out.
        outputs: switches the units' own outputs.
        due_at: site time at which it is to decide again, s; None before it first did.
    """

    def __init__(
        self,
        site: Site,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        journal: Keeper,
        state: SiteState,
        settings: Settings,
        controls: Mapping[str, UnitControl] = MappingProxyType({}),
        on_event: Callable[[Event], None] = lambda event: None,
        decide: Decide = decide,
        beliefs: Beliefs = beliefs_of,
        fold: Fold = fold,
        plan: Callable[[], Plan | None] = lambda: None,
        hold: Hold = lambda orders, course, now: NOTHING_HELD,
    ) -> None:
        """Prepare; `run` begins.

        Args:
            site: what there is.
            drivers: by device and stage; closed by `end`.
            clock: what all times mean.
            journal: keeps the events.
            state: what the journal folded to.
            settings: what else it is told.
            controls: by unit, what its output is switched through; none in a dry run.
            on_event: told each event as it is folded; must not block.
            decide: the policy.
            beliefs: how long the batteries last.
            fold: what events mean.
            plan: the last one that was made of what to give up when, or None.
            hold: which orders wait for notices to get out, and until when.
        """
        self._file_site = site
        self._took = took_of(state)
        self.site = site = with_learnt(site, self._took)
        self.decision: Decision | None = None
        self._clock = clock
        self._journal = SureKeeper(journal)
        self._settings = settings
        self._policy = decide
        self._beliefs = beliefs
        self._plan = plan
        self._hold = hold
        self._held: Mapping[str, float] = NOTHING_HELD
        self._ledger = Ledger(site, state, fold=fold, on_event=on_event)
        self._woken = asyncio.Event()
        self._noted_at: dict[str, float] = {}
        self._troubles: dict[str, UnitTrouble] = {}
        self._stale = stale_units(site, state, clock.monotonic())
        self._has_taken_up = False
        self._left_off = LeftOffNews()
        self.due_at: float | None = None
        self._is_resting = False
        performer = Performer(clock=clock)
        self.conductor = Conductor(
            site,
            drivers,
            clock=clock,
            performer=performer,
            record=self.record,
            commit=self._record_surely,
            state=lambda: self.state,
            is_due=lambda name: self.decision is not None and name in self.decision.due,
            saved_by_cut=self._saved_by_cut,
            decided_on=self._decided_on,
            awaits_news=self._awaits_news,
            seed=settings.seed,
        )
        self._readiness = Readiness(
            site,
            drivers,
            clock=clock,
            performer=performer,
            state=lambda: self.state,
            record=self.record,
        )
        self.outputs = Outputs(
            site,
            controls,
            clock=clock,
            commit=self._record_surely,
            record=self.record,
            state=lambda: self.state,
        )
        self._own_box = OwnBox(
            site,
            drivers,
            clock=clock,
            performer=performer,
            record=self.record,
            state=lambda: self.state,
            look=self.outputs.look,
            rest=self._rest_journal,
        )
        self._lookout = Lookout(
            site,
            clock=clock,
            state=lambda: self.state,
            look=self.conductor.is_running,
            on_seen=self._see,
        )
        self._floor = Floor(site, clock=clock, give=self._carry_out, is_off=self._is_off)
        self._falling = Falling(
            site, self._floor, clock=clock, state=lambda: self.state, record=self.record
        )

    @property
    def has_fallen(self) -> bool:
        """Whether the policies fail, and the floor is all there is."""
        return self._falling.is_fallen

    @property
    def learnt(self) -> Mapping[str, tuple[Learnt, ...]]:
        """What is planned otherwise than the site's file says, by device."""
        return learnt_in(self._file_site, self._took)

    @property
    def state(self) -> SiteState:
        """The fold of all events so far."""
        return self._ledger.state

    def beliefs(self, now: float) -> Mapping[str, Belief]:
        """Return how long the units that are on battery last, as decisions have it."""
        return self._beliefs(self.site, self.state, now)

    def _saved_by_cut(self, name: str) -> str:
        now = self._clock.monotonic()
        return saved_by_cut(self.site, self.state, self.beliefs(now), now, name)

    def _decided_on(self) -> SiteState:
        """The state without units of which only an earlier run of the agent has heard."""
        return without_stale(self.state, self._old_news())

    def _old_news(self) -> list[str]:
        """The units of which only an earlier run of the agent has heard, while news may come."""
        now = self._clock.monotonic()
        return [unit for unit, until_at in self._stale.items() if now < until_at]

    def _awaits_news(self, name: str) -> bool:
        """Whether news of a unit behind a device may come; of any, for one on mains alone."""
        old = self._old_news()
        fed = graph_of(self.site).units[name]
        return not fed.isdisjoint(old) if fed else bool(old)

    # Facts coming in

    async def on_reading(self, reading: Reading) -> None:
        """Fold a reading and decide on it; it is journalled as far as it is worth it."""
        unit = reading.unit
        before = self.state.units[unit]
        self._floor.hear(reading)
        self.conductor.loads.hear(reading)
        self._troubles.pop(unit, None)
        event = ReadingTaken(reading.at, reading)
        self._fold(event)
        after = self.state.units[unit]
        if after.signs or not after.is_on_battery:
            # Else one reading says mains, and what was known before holds until the second.
            self._stale.pop(unit, None)
        noted_at = self._noted_at.get(unit)
        if is_worth_noting(before, after, reading, noted_at=noted_at) and not self._is_resting:
            self._noted_at[unit] = reading.at
            self._journal.note(event)
        self._tell_supply(unit, before, after)
        if self._has_taken_up:
            await self.outputs.hear(reading)
        await self.consider()

    async def on_silence(self, unit: str, error: BackupUnitError, at: float) -> None:
        """Fold a poll without an answer; the first of a row, and the loss, are journalled."""
        before = self.state.units[unit]
        event = PollMissed(at, unit, f"{error}; {error.advice}")
        self._fold(event)
        after = self.state.units[unit]
        is_new = self._troubles.get(unit) is not error.trouble
        if is_new:
            self._troubles[unit] = error.trouble
            log.warning("missed_poll", unit=unit, why=str(error), advice=error.advice)
        if is_new or (before.lost_at is None and after.lost_at is not None):
            self._journal.note(event)
        self._tell_supply(unit, before, after)
        await self.consider()

    async def record(self, *events: Event) -> None:
        """Fold events and make them durable, or go on without that when the disk does not."""
        await self._record_surely(*events)

    async def _record_surely(self, *events: Event) -> bool:
        """Fold events; return whether they are durable."""
        for event in events:
            self._fold(event)
        if any(isinstance(event, _DECIDED_ON) for event in events):
            self._woken.set()
        if any(isinstance(event, OrderClosed) for event in events):
            self._learn()
        return await self._journal.commit(*events)

    def wake(self) -> None:
        """Have it decide anew: something that it asks for has changed."""
        self._woken.set()

    async def notice(self, severity: str, about: str, text: str, topic: str = "") -> None:
        """Say something that somebody should know; *topic* as in `NoticeRaised`."""
        raised = NoticeRaised(self._clock.monotonic(), severity, about, text, topic)
        log_notice(raised)
        await self.record(raised)

    # Deciding

    async def consider(self) -> None:
        """Decide now, and give the orders; should that fail, the floor holds."""
        if not self._has_taken_up:
            return  # what is open is still another run's
        now = self._clock.monotonic()
        try:
            if self._ledger.error is not None:
                raise self._ledger.error.with_traceback(None)  # else it grows with each raise
            state = self._decided_on()
            beliefs = self._beliefs(self.site, state, now)
            decision = self._policy(self.site, state, beliefs, now, self._plan())
        except Exception as error:  # the other outermost loop: nothing may stand above the floor
            await self._falling.fall(error)
            return
        self._falling.rise()
        self.decision = decision
        given: list[tuple[str, Order]] = []
        events: list[Event] = []
        self._held = self._held_by_notices(decision, now)
        for order in decision.orders:
            if order.device in self._held:
                continue
            order_id, news = self._order(order)
            if self._is_open(order_id, order):  # else the fold failed, and the floor will hold
                given.append((order_id, order))
                events += news
        if events:
            await self._journal.commit(*events)
            for order_id, order in given:
                self.conductor.give(order_id, order)
        for wanted in decision.outputs:
            self.outputs.give(wanted)
        for notice in self._left_off.notices(decision.left_off, self.state, now=now):
            log_notice(notice)
            await self.record(notice)

    def _held_by_notices(self, decision: Decision, now: float) -> Mapping[str, float]:
        try:
            return self._hold(decision.orders, decision.timeline, now)
        except Exception:  # telling people must never keep a device from its stop
            log.exception("failed_hold")
            return NOTHING_HELD

    def _order(self, order: Order) -> tuple[str, list[Event]]:
        """Fold that an order is given, so that nothing is ordered twice; return its id and news.

        The short form of one under way goes on under its id; one of the other task is withdrawn.
        """
        now = self._clock.monotonic()
        order_id = f"{order.device}#{self.state.orders + 1}"
        events: list[Event] = []
        opened = self.state.devices[order.device].order
        if opened is not None and opened.order.task is order.task:
            order_id = opened.order_id
        elif opened is not None:
            why = "it gave way to an order to rest"
            withdrawn = Ending.WITHDRAWN
            events.append(
                OrderClosed(now, opened.order_id, order.device, opened.order.task, withdrawn, why)
            )
        events.append(OrderGiven(now, order_id, order))
        for event in events:
            self._fold(event)
        log.info(
            "gave_order",
            device=order.device,
            task=order.task.value,
            deadline_s=round(order.deadline_at - now, 1),
            reason=order.reason.sentence,
        )
        return order_id, events

    def _is_open(self, order_id: str, order: Order) -> bool:
        opened = self.state.devices[order.device].order
        return opened is not None and opened.order_id == order_id

    def _learn(self) -> None:
        """Plan with how long stages were seen to take, from the end of an outage on.

        Not before: a plan that changes under way would change what was said of it.
        """
        state = self.state
        if state.outage_at is not None or any(d.order for d in state.devices.values()):
            return
        took = took_of(state)
        if took != self._took:
            self._took = took
            self.site = self.conductor.site = with_learnt(self._file_site, took)

    # The floor

    async def _carry_out(self, order: Order) -> Result:
        """Give one order for the floor, and return what came of it."""
        order_id, events = self._order(order)
        await self._journal.commit(*events)
        task = self.conductor.give(order_id, order)
        await asyncio.wait({task})
        if task.cancelled():
            return Result(Ending.FAILED, "it gave way to another order")
        return task.result()

    async def _is_off(self, name: str) -> bool:
        """Whether a device came to rest before, and does not answer to the contrary."""
        known, device = self.state.devices[name], self.site.devices[name]
        if known.phase is not Phase.AT_REST or (known.is_assumed and not device.dry_run):
            return False
        if device.stop_s is None or known.is_assumed:
            return True
        look = await self.conductor.is_running(name, within_s=LOOK_S)
        return look is None or look.verdict is not Verdict.DONE

    # Running

    async def run(self) -> None:
        """Take up where the journal ends, then decide for ever; cancel to end."""
        now = self._clock.monotonic()
        await self.record(AgentStarted(now, self._settings.version, self._settings.dry_run))
        await self._take_up()
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep_deciding())
            group.create_task(self._lookout.run())
            group.create_task(self.outputs.run())
            group.create_task(self._own_box.run())
            group.create_task(self._readiness.run())
            group.create_task(self._keep_snapshots())

    async def _see(self, device: str, evidence: str) -> None:
        await self.record(DeviceSeen(self._clock.monotonic(), device, evidence))
        self._woken.set()

    async def end(self, why: str) -> None:
        """Let go of everything; no device is stopped by the agent's own end."""
        await self._floor.close()
        await self.outputs.close()
        await self.conductor.close()
        await self._journal.commit(AgentEnded(self._clock.monotonic(), why))
        self._journal.snapshot(self.state)

    async def _take_up(self) -> None:
        """Go on with what an earlier run began; close what is not to be gone on with."""
        now = self._clock.monotonic()
        events: list[Event] = []
        for opened in [d.order for d in self.state.devices.values() if d.order is not None]:
            try:
                events += taken_up(self.site, self.state, opened, now, go_on=self.conductor.resume)
            except Exception:  # an order that cannot be taken up is left to the others' plan
                log.exception("failed_taking_up", order=opened.order_id)
        if events:
            await self.record(*events)
        self._has_taken_up = True

    async def _keep_deciding(self) -> None:
        while True:
            self._woken.clear()  # before: what comes while it decides is decided on next
            if self.due_at is not None:
                self.due_at = self._clock.monotonic()
            await self.consider()
            now = self._clock.monotonic()
            wake_at = now + FALLEN_EVERY_S
            if self.decision is not None and not self.has_fallen:
                wake_at = min(self.decision.wake_at, *self._held.values(), math.inf)
            self.due_at = wake_at
            await self._wait(max(_SHORTEST_WAIT_S, wake_at - now))

    async def _wait(self, seconds: float) -> None:
        """Sleep until woken, at most *seconds*."""
        waking = asyncio.ensure_future(self._woken.wait())
        try:
            await first(waking, self._clock.sleep(seconds))
        finally:
            waking.cancel()

    async def _keep_snapshots(self) -> None:
        while True:
            await self._clock.sleep(SNAPSHOT_EVERY_S)
            if not self._is_resting:
                self._journal.snapshot(self.state)

    def _rest_journal(self, is_to_rest: bool) -> None:
        """Before its box loses its power: one snapshot, and then only what must be written.

        The journal is closed, with nothing of it anywhere but in its file, and opened for a moment
        where something has to be durable.
        """
        if is_to_rest and not self._is_resting:
            self._journal.snapshot(self.state)
        if is_to_rest is not self._is_resting:
            self._journal.rest(is_to_rest)
        self._is_resting = is_to_rest

    # Folding and telling

    def _fold(self, event: Event) -> bool:
        is_folded = self._ledger.fold(event)
        self._readiness.hear()
        self.conductor.hear()
        self._own_box.hear()
        if not is_folded:
            self._woken.set()
        return is_folded

    def _tell_supply(self, unit: str, before: UnitState, after: UnitState) -> None:
        """Say what changed at a unit; nothing waits for the disk over it."""
        for event in supply_news(unit, before, after, now=self._clock.monotonic()):
            if isinstance(event, SupplyJudged):
                log.info("judged_supply", unit=unit, supply=after.supply.value, why=after.why)
            elif isinstance(event, NoticeRaised):
                log_notice(event)
            self._fold(event)
            self._journal.note(event)
