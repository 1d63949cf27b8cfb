"""Carry orders out: one task a device, each act journalled before it goes out and after.

Here the policies' orders and the drivers' outcomes meet. A device's trouble stays its own: every
order has a task, a deadline and a retry schedule to itself, and waits for no other.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import structlog

from agent.battery.load_memory import LoadMemory
from agent.conduct.path_watch import PathWatch
from agent.conduct.perform import LET_GO_S, Performer, all_within
from agent.conduct.result import Result
from agent.conduct.sequence import carry_out
from agent.conduct.steps import Commit, Record, Steps, Tools, driver_for
from agent.conduct.writers import with_writers
from drivers.base import Act, Clock, Driver, Outcome, Stage
from policies.comeback import START_RETRIES
from policies.cut_unproven import cut_serves
from policies.events import Ending, Event, NoticeRaised, OrderClosed
from policies.graph import graph_of
from policies.left_off import stays_text
from policies.model import Order, Role, Site, Task
from policies.reasons import duration_text
from policies.state import OpenOrder, Phase, SiteState
from policies.telling import Topic
from policies.timeline import MARGIN_S
from policies.withdraw import unwanted

log = structlog.get_logger()

START_MARGIN_S = 60.0
"""What a resumed start is given beyond the time that the device takes."""

NEWS_LOOK_S = 0.5
"""How often a resumed start looks whether its units have been heard."""

REFUSED_LOOK_S = 600.0
"""So long after a look that was refused there is none: each may be a wrong login."""

_DRIVERS_LET_GO_S = 0.4  # with the rest of closing, within the second that the agent's end may take


@dataclass(frozen=True, slots=True)
class _Run:
    """One order under way."""

    steps: Steps
    task: asyncio.Task[Result]


class Conductor:
    """Sends orders, waits for their outcomes, and keeps their deadlines.

    Attributes:
        site: whose devices it tells; may be replaced by one of other durations between orders.
        loads: to be told each reading.
    """

    def __init__(
        self,
        site: Site,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        performer: Performer,
        record: Record,
        commit: Commit | None = None,
        state: Callable[[], SiteState],
        is_due: Callable[[str], bool] = lambda name: False,
        saved_by_cut: Callable[[str], str] = lambda name: "",
        decided_on: Callable[[], SiteState] | None = None,
        awaits_news: Callable[[str], bool] = lambda name: False,
        seed: int = 0,
    ) -> None:
        """Prepare; sends nothing.

        Args:
            site: whose devices it tells.
            drivers: by device and stage.
            clock: what deadlines mean.
            performer: has the acts done; may be shared with others.
            record: folds events and makes them durable.
            commit: the same, and returns whether they are; None = they always are.
            state: the fold of all that was recorded.
            is_due: whether a device would be ordered to rest again, were its order withdrawn.
            saved_by_cut: whom cutting a device saves that is not known to be quiesced; "" = nobody.
            decided_on: the state as orders are decided on it; None = the same. What is given by
                one and withdrawn by the other would be given for ever.
            awaits_news: whether a unit behind a device was heard by an earlier run of the agent
                only, and may be heard soon.
            seed: of the jitter between tries.
        """
        self.site = site
        self._decided_on = decided_on or state
        self._awaits_news = awaits_news
        self._drivers = with_writers(site, drivers, state)
        self._clock = clock
        self._performer = performer
        self._record = record
        self._state = state
        self._is_due = is_due
        self.loads = LoadMemory(site, clock=clock, state=state)
        paths = PathWatch(clock=clock, look=self.is_running, is_off=self._is_off)
        self._tools = Tools(
            clock,
            performer,
            record,
            commit or _surely(record),
            paths,
            self._unwanted,
            self.loads.says,
            saved_by_cut,
            lambda order: cut_serves(site, state(), order),
            seed,
        )
        self._was_outage = state().outage_at is not None
        self._runs: dict[str, _Run] = {}
        self._tasks: set[asyncio.Task[Result]] = set()

    @property
    def busy(self) -> frozenset[str]:
        """The devices with an order under way."""
        return frozenset(self._runs)

    def give(self, order_id: str, order: Order) -> asyncio.Task[Result]:
        """Begin an order that is journalled, and return the task that carries it out.

        One of the same task that runs already is hurried instead, if the new one is in short; one
        of the other task gives way.
        """
        running = self._runs.get(order.device)
        if running is not None and running.steps.order.task is order.task:
            if order.in_short:
                running.steps.hurry(order)
            return running.task
        return self._begin(self._steps(order_id, order), after=running)

    def resume(self, opened: OpenOrder) -> None:
        """Take up an order that an earlier run of the agent left open: look, then go on."""
        order = opened.order
        device = self.site.devices[order.device]
        needed_s = device.rest_s + MARGIN_S
        if order.task is Task.START:
            needed_s = device.start_s + START_MARGIN_S
        deadline_at = max(order.deadline_at, self._clock.monotonic() + needed_s)
        order = replace(order, deadline_at=deadline_at)
        self._begin(self._steps(opened.order_id, order), after=None)

    async def close(self) -> None:
        """Let go of every order without carrying it further, and of every driver; bounded."""
        for run in tuple(self._tasks):
            run.cancel()
        await all_within(self._clock, self._tasks, LET_GO_S)
        await self._performer.close()
        distinct = {id(d): d for stages in self._drivers.values() for d in stages.values()}
        closing = [asyncio.create_task(_close(driver)) for driver in distinct.values()]
        try:
            await all_within(self._clock, closing, _DRIVERS_LET_GO_S)
        finally:
            for close in closing:
                close.cancel()

    async def is_running(self, device: str, *, within_s: float) -> Outcome | None:
        """Look whether a device runs, read-only; None where nothing can tell."""
        act = Act.CONFIRM_RUNNING
        driver = driver_for(self._drivers.get(device, {}), act)
        if driver is None or self._performer.refused_s(driver, act) < REFUSED_LOOK_S:
            return None
        deadline_at = self._clock.monotonic() + within_s
        return await self._performer.perform(driver, Act.CONFIRM_RUNNING, deadline_at=deadline_at)

    def _steps(self, order_id: str, order: Order) -> Steps:
        known = self._state().devices[order.device]
        # What an earlier run of the agent began of this order, or one that failed may have done.
        opened = known.order if known.order and known.order.order_id == order_id else None
        return Steps(
            order_id,
            order,
            self.site.devices[order.device],
            self._drivers.get(order.device, {}),
            tools=self._tools,
            told=known.told | (opened.told if opened is not None else frozenset()),
            earlier=opened.steps if opened is not None else (),
            was_off=known.was_seen_off,
            is_stop_in_doubt=known.is_stop_in_doubt,
            owed=known.owed,
            was={stage: was for stage, was in known.was.items() if stage in known.owed},
            refused=known.refused,
        )

    def _begin(self, steps: Steps, *, after: _Run | None) -> asyncio.Task[Result]:
        if after is not None:
            after.task.cancel()
        work = self._carry_out(steps, after)
        task = asyncio.create_task(work, name=f"order {steps.order_id}")
        self._runs[steps.order.device] = _Run(steps, task)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _carry_out(self, steps: Steps, after: _Run | None) -> Result:
        try:
            if after is not None:
                # One conversation with a device at a time, if the other lets go soon.
                await all_within(self._clock, [after.task], LET_GO_S)
            if steps.earlier and steps.order.task is Task.START:
                await self._hear_first(steps)
            result = await carry_out(steps)
        except Exception as error:  # the outermost loop of one device: its trouble stays its own
            log.exception("failed_order", device=steps.device.name, order=steps.order_id)
            why = f"lastwatt's own code failed ({type(error).__name__})"
            result = Result(Ending.FAILED, why)
        finally:
            # Before the end is recorded: what is decided on it may already bring a new order.
            run = self._runs.get(steps.device.name)
            if run is not None and run.steps is steps:
                del self._runs[steps.device.name]
        await self._close_order(steps, result)
        return result

    async def _hear_first(self, steps: Steps) -> None:
        """Wait for news of the units, as long as that may come, before a start is gone on with.

        Until then nobody knows whether mains is there yet, and it would be taken to have failed.
        """
        name = steps.device.name
        while self._awaits_news(name) and not self._is_due(name):
            if not self._unwanted(steps.order_id, name):
                return
            await self._clock.sleep(NEWS_LOOK_S)

    async def _close_order(self, steps: Steps, result: Result) -> None:
        now, name, task = self._clock.monotonic(), steps.device.name, steps.order.task
        ended = OrderClosed(now, steps.order_id, name, task, result.ending, result.evidence)
        events: list[Event] = [ended]
        if result.ending is Ending.FAILED:
            events += [failure_notice(ended), *self._waiting_notices(ended)]
        events += self._back_notices(ended)
        log.info("closed_order", device=name, ending=result.ending.value, evidence=result.evidence)
        await self._record(*events)

    def _back_notices(self, ended: OrderClosed) -> list[NoticeRaised]:
        """What is said of a recorder that is back: by what it is known, and what it missed."""
        gap = self._state().devices[ended.device].gap
        is_recorder = self.site.devices[ended.device].role is Role.RECORDER
        if ended.ending is not Ending.RUNNING or not is_recorder or not gap.is_open:
            return []
        missed = duration_text(gap.lasting_s(ended.at))
        text = f"{ended.device} is back ({ended.evidence}); it recorded nothing for {missed}"
        return [NoticeRaised(ended.at, "info", ended.device, text, Topic.COMING_BACK)]

    def _waiting_notices(self, ended: OrderClosed) -> list[NoticeRaised]:
        """What is said of those that stay off, since one that they use did not come back.

        With its first try, so that whoever goes there knows what depends on that; and with its
        last. What is at rest in dry run only is on.
        """
        state, is_dry = self._state(), self.site.devices[ended.device].dry_run
        known = state.devices
        opened, attempts = known[ended.device].order, known[ended.device].attempts + 1
        is_first = opened is not None and opened.phase_before is not Phase.NEEDS_HAND
        is_last = attempts >= START_RETRIES
        if ended.task is not Task.START or not (is_first or is_last):
            return []
        graph, off = graph_of(self.site), (Phase.AT_REST, Phase.GIVEN_UP)
        waiting = [
            user
            for user in sorted(graph.users[ended.device])
            if known[user].is_ours
            and known[user].phase in off
            and (is_dry or not known[user].is_assumed)
            # A port that was only cut waits no longer: see policies.comeback.
            and (not self.site.devices[user].is_only_cut or user in graph.touched_by[ended.device])
        ]
        why = f"it waits for {ended.device}, which is not back"
        if not is_last:
            why += " and is tried again"
        return [
            NoticeRaised(ended.at, "error", user, f"{stays_text(state, user)}: {why}")
            for user in waiting
        ]

    def hear(self) -> None:
        """Look whether an outage began or ended: what was refused before may be mended."""
        is_outage = self._state().outage_at is not None
        if is_outage is not self._was_outage:
            self._was_outage = is_outage
            self._performer.forget()

    def _unwanted(self, order_id: str, name: str) -> str:
        state = self._state()
        opened = state.devices[name].order
        if opened is None or opened.order_id != order_id:
            return ""
        return unwanted(self.site, self._decided_on(), opened, is_due=self._is_due(name))

    def _is_off(self, name: str) -> bool:
        """Whether a device that nothing can look at is known to be off: it carries nothing."""
        state = self._state().devices[name]
        return (
            state.phase is Phase.AT_REST
            and not state.is_assumed
            and self.site.devices[name].stop_s is not None
        )


def failure_notice(ended: OrderClosed) -> NoticeRaised:
    """Return what people are told of an order that failed."""
    what = "could not be brought to rest" if ended.task is Task.REST else "is not back"
    text = f"{ended.device} {what}: {ended.evidence}"
    return NoticeRaised(ended.at, "error", ended.device, text)


def _surely(record: Record) -> Commit:
    async def commit(*events: Event) -> bool:
        await record(*events)
        return True

    return commit


async def _close(driver: Driver) -> None:
    try:
        await driver.close()
    except Exception as error:  # other people's code
        log.error("failed_driver", act="close", error=type(error).__name__)
