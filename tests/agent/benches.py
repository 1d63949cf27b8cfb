"""Stands on which the conductor and the engine are tried: scripted journals and a clock by hand."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from agent.conduct.conduct import Conductor
from agent.conduct.perform import Performer
from drivers.base import Act, Driver, Repeat, Stage
from policies.events import (
    Ending,
    Event,
    NoticeRaised,
    OrderClosed,
    OrderGiven,
    StepBegan,
    StepEnded,
)
from policies.model import Device, Order, Reason, Site, Task
from policies.state import Phase, SiteState, fold, initial
from tests.agent.machines import REST_ACTS, Machine, Scripted, stages_of
from tests.fakes import FakeClock

WHY = Reason("why", "because the test wants it")
LATEST = Reason("latest_safe_start", "because no later moment is left")


class ScriptedKeeper:
    """A journal in memory: durable at once, or as its script has it."""

    def __init__(self, clock: FakeClock) -> None:
        self.clock = clock
        self.events: list[Event] = []
        self.snapshots: list[SiteState] = []
        self.rests: list[bool] = []
        self.takes_s = 0.0
        self.works = True
        self.raises = False

    async def commit(self, *events: Event) -> bool:
        if self.raises:
            raise OSError("no space left on device")
        self.events += events
        if self.takes_s:
            await self.clock.sleep(self.takes_s)
        return self.works

    def note(self, *events: Event) -> None:
        if self.raises:
            raise OSError("no space left on device")
        self.events += events

    def snapshot(self, state: SiteState) -> None:
        if self.raises:
            raise OSError("no space left on device")
        self.snapshots.append(state)

    def rest(self, is_to_rest: bool) -> None:
        self.rests.append(is_to_rest)

    def of(self, kind: type[Event]) -> list[Event]:
        return [event for event in self.events if isinstance(event, kind)]


def begun(events: list[Event], device: str) -> list[str]:
    """Return the acts that were begun at a device, in order."""
    return [e.act for e in events if isinstance(e, StepBegan) and e.device == device]


def ended(events: list[Event], device: str) -> list[tuple[str, str]]:
    """Return the acts that ended at a device, with their verdicts."""
    return [(e.act, e.verdict) for e in events if isinstance(e, StepEnded) and e.device == device]


def endings(events: list[Event]) -> dict[str, tuple[Ending, str]]:
    """Return how the last order of each device ended, and the evidence."""
    return {e.device: (e.ending, e.evidence) for e in events if isinstance(e, OrderClosed)}


def notices(events: list[Event]) -> list[str]:
    """Return what people were told."""
    return [event.text for event in events if isinstance(event, NoticeRaised)]


class Bench:
    """A conductor with its devices, on a clock that moves by hand."""

    def __init__(self, *devices: Device, seed: int = 0, at: float = 1000.0) -> None:
        self.clock = FakeClock(at=at)
        self.site = Site("boatyard", {}, {device.name: device for device in devices})
        self.keeper = ScriptedKeeper(self.clock)
        self.state = initial(self.site)
        self.machines: dict[str, Machine] = {}
        self.drivers: dict[str, Mapping[Stage, Driver]] = {}
        self.scripted: dict[str, Scripted] = {}
        self.saved_by_cut = ""
        self.decided_on: SiteState | None = None
        self._seed = seed
        for device in devices:
            self.fit(device.name)
        self.orders = 0

    def fit(self, name: str, acts: Mapping[Act, Repeat] = REST_ACTS) -> Scripted:
        """Give a device a driver of its own that can do *acts*."""
        device = self.site.devices[name]
        machine = self.machines.setdefault(name, Machine(self.clock, name))
        driver = Scripted(machine, acts, settle_s=device.settle_s, dry_run=device.dry_run)
        self.scripted[name] = driver
        self.drivers[name] = stages_of(driver)
        return driver

    def __call__(self) -> Conductor:
        """Return a new conductor, such as after a restart."""
        self.conductor = Conductor(
            self.site,
            self.drivers,
            clock=self.clock,
            performer=Performer(clock=self.clock),
            record=self.record,
            commit=self.commit,
            state=lambda: self.state,
            saved_by_cut=lambda name: self.saved_by_cut,
            decided_on=lambda: self.decided_on or self.state,
            seed=self._seed,
        )
        return self.conductor

    async def record(self, *events: Event) -> None:
        await self.commit(*events)

    async def commit(self, *events: Event) -> bool:
        for event in events:
            self.state = fold(self.site, self.state, event)
        return await self.keeper.commit(*events)

    def give(
        self,
        name: str,
        *,
        within_s: float = 120.0,
        in_short: bool = False,
        task: Task = Task.REST,
        why: Reason = WHY,
    ) -> asyncio.Task[object]:
        """Fold and begin an order."""
        now = self.clock.monotonic()
        order = Order(name, task, now + within_s, why, in_short=in_short)
        opened = self.state.devices[name].order
        self.orders += 1
        order_id = f"{name}#{self.orders}"
        if opened is not None and opened.order.task is task:
            order_id = opened.order_id
        given = OrderGiven(now, order_id, order)
        self.state = fold(self.site, self.state, given)
        self.keeper.events.append(given)
        return self.conductor.give(order_id, order)

    def phase(self, name: str) -> Phase:
        return self.state.devices[name].phase

    async def until(
        self, holds: Callable[[], bool], *, within_s: float, step_s: float = 0.25
    ) -> None:
        await advance_until(self.clock, holds, within_s=within_s, step_s=step_s)


async def advance_until(
    clock: FakeClock, holds: Callable[[], bool], *, within_s: float, step_s: float = 0.25
) -> None:
    """Move time on until something holds; it must by then."""
    ends_at = clock.monotonic() + within_s
    while not holds():
        assert clock.monotonic() < ends_at, "it did not come about in time"
        await clock.advance(step_s)


@contextmanager
def no_task_left() -> Iterator[None]:
    """Fail if a task begun inside is still there at the end."""
    before = asyncio.all_tasks()
    yield
    left = {task for task in asyncio.all_tasks() - before if not task.done()}
    assert not left, f"left behind: {sorted(task.get_name() for task in left)}"
