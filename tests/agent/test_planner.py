"""Plans made beside the engine: when, how, and what the engine does with them."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from agent.planning.planner import (
    AFTER_FAILURE_S,
    BEGINS_AFTER_S,
    Planner,
    Slices,
    in_slices,
    in_thread,
)
from policies.belief import Belief
from policies.decide import beliefs_of
from policies.events import Event, OrderGiven
from policies.footing import Terms
from policies.model import Site, Task
from policies.plan import Plan, Why
from policies.planning import plan_in_steps
from policies.state import Phase, SiteState
from tests.agent.yards import Yard
from tests.policies.sites import CAMERA, DESK, RECORDER, SWITCH, Run, site_of

STEP_S = 4.0


class Hearing(list[Event]):
    """Keeps what it hears, and tells the planner that there is something."""

    def __init__(self, yard: PlannedYard) -> None:
        super().__init__()
        self.yard = yard

    def append(self, event: Event) -> None:
        super().append(event)
        self.yard.planner.hear()


class PlannedYard(Yard):
    """The boatyard with a planner beside its engine; no owner's threshold is set."""

    def __init__(self, **site: Any) -> None:
        super().__init__(SWITCH, CAMERA, RECORDER, DESK, **site)
        self.beliefs: Any = beliefs_of
        self.takes_s = 0.0
        self.made: list[Plan] = []
        self.planner = Planner(
            self.site, None, clock=self.clock, state=lambda: self.engine.state,
            on_plan=self.woken, beliefs=lambda *args: self.beliefs(*args), work=self.work,
        )  # fmt: skip
        self.plan = lambda: self.planner.plan
        self.heard = Hearing(self)
        self.planning: asyncio.Task[None] | None = None

    async def work(self, begin: Callable[[], Slices]) -> Plan:
        if self.takes_s:
            await self.clock.sleep(self.takes_s)
        return await in_slices(begin)

    def woken(self) -> None:
        assert self.planner.plan is not None
        self.made.append(self.planner.plan)
        self.engine.wake()

    async def begin(self) -> None:
        """Start all, and let mains fail."""
        self.start()
        self.planning = asyncio.create_task(self.planner.run(), name="planner")
        await self.clock.advance(25.0)
        self.fail_mains()

    async def ride(self, seconds: float) -> None:
        """Let time pass, in steps: a plan is made within some turns of the loop."""
        for _ in range(int(seconds / STEP_S)):
            await self.clock.advance(STEP_S)

    async def close(self) -> None:
        assert self.planning is not None
        self.planning.cancel()
        await self.stop()

    def given(self, device: str) -> list[OrderGiven]:
        return [e for e in self.heard if isinstance(e, OrderGiven) and e.order.device == device]


async def test_desk_gives_way_by_the_plan_while_the_recorder_runs_on() -> None:
    """The whole chain: readings, a plan beside the loop, the order, its sentence."""
    yard = PlannedYard()
    await yard.begin()
    outage_at = yard.clock.monotonic()
    await yard.ride(yard.site.patience_s - 8.0)
    assert yard.planner.plan is not None
    assert yard.planner.plan.stops["desk"].why is Why.GIVES_WAY
    assert not yard.given("desk")

    await yard.ride(160.0)
    (given,) = yard.given("desk")
    assert outage_at + yard.site.patience_s - 5.0 <= given.at <= outage_at + 180.0
    assert given.order.task is Task.REST
    assert "by the plan made" in given.order.reason.sentence
    assert yard.engine.state.devices["desk"].phase is Phase.AT_REST
    assert yard.engine.state.devices["gate recorder"].phase is Phase.RUNNING

    await yard.ride(400.0)
    assert len(yard.given("desk")) == 1
    assert not yard.given("gate recorder")
    await yard.close()


async def test_plan_stands_while_nothing_is_new() -> None:
    """A plan costs a small box some tenth of a second; one that still holds is not made anew."""
    yard = PlannedYard(patience_s=3600.0)
    await yard.begin()
    await yard.ride(200.0)
    assert len(yard.made) == 1

    yard.more = {"output_w": 160.0}
    await yard.ride(30.0)
    assert len(yard.made) == 2
    await yard.close()


async def test_plan_that_takes_long_leaves_the_box_to_others_afterwards() -> None:
    """Under a load that jumps about a slow box would do nothing else."""
    yard = PlannedYard(patience_s=3600.0)
    yard.takes_s = 8.0
    await yard.begin()
    for turn in range(30):
        yard.more = {"output_w": 100.0 + 60.0 * (turn % 2)}
        await yard.ride(STEP_S)

    assert 2 <= len(yard.made) <= 4
    await yard.close()


async def test_blink_of_mains_needs_no_plan_and_its_end_leaves_none() -> None:
    """The first plan brings numpy's memory with it."""
    yard = PlannedYard()
    await yard.begin()
    await yard.ride(BEGINS_AFTER_S - STEP_S)
    yard.return_mains()
    await yard.ride(100.0)
    assert yard.made == []

    yard.fail_mains()
    await yard.ride(60.0)
    assert yard.planner.plan is not None
    yard.return_mains()
    await yard.ride(30.0)
    assert yard.planner.plan is None
    await yard.close()


async def test_planner_that_fails_leaves_the_plain_rule_and_tries_again() -> None:
    """A bug in the planning must cost no more than the plan."""
    yard = PlannedYard()

    def failing(site: Site, state: SiteState, now: float) -> Mapping[str, Belief]:
        raise ZeroDivisionError("division by zero")

    yard.beliefs = failing
    await yard.begin()
    await yard.ride(60.0)
    assert yard.planner.plan is None
    assert not yard.running.done()
    assert yard.engine.decision is not None

    yard.beliefs = beliefs_of
    await yard.ride(AFTER_FAILURE_S + 20.0)
    assert yard.planner.plan is not None
    await yard.close()


async def test_every_second_outage_gets_a_plan_of_its_own() -> None:
    """One of the outage before knows nothing of the half-empty battery."""
    yard = PlannedYard(mains_steady_s=1e6)
    await yard.begin()
    await yard.ride(60.0)
    first = yard.planner.plan
    yard.return_mains()
    await yard.ride(60.0)
    yard.fail_mains()
    await yard.ride(60.0)

    second = yard.planner.plan
    assert first is not None and second is not None
    assert second.outage_at > first.outage_at
    await yard.close()


def slices_of(run: Run, seen: list[int]) -> Slices:
    """A plan's slices, and in which thread each was worked."""
    beliefs = beliefs_of(run.site, run.state, run.now)
    terms = Terms(horizon_s=run.site.horizon_s)
    steps = plan_in_steps(run.site, run.state, beliefs, run.now, terms)
    while True:
        seen.append(threading.get_ident())
        try:
            next(steps)
        except StopIteration as ending:
            plan: Plan = ending.value
            return plan
        yield


async def test_thread_makes_the_same_plan_and_the_loop_goes_on_meanwhile() -> None:
    """A decision that waits for a plan might come too late."""
    cameras = [replace(CAMERA, name=f"camera {i}", feeds=("cabinet",)) for i in range(30)]
    run = Run(site_of(SWITCH, RECORDER, DESK, *cameras))
    run.outage(100.0)
    beside: list[int] = []
    here: list[int] = []
    making = asyncio.create_task(in_thread(lambda: slices_of(run, beside)))
    turns = 0
    while not making.done():
        await asyncio.sleep(0.001)
        turns += 1
    sliced = await in_slices(lambda: slices_of(run, here))

    assert making.result() == sliced
    assert set(here) == {threading.get_ident()}
    assert threading.get_ident() not in beside
    assert turns >= 2


async def test_cancelled_planner_ends_its_thread() -> None:
    """An agent that ends must not leave one computing."""
    begun, ended = threading.Event(), threading.Event()

    def endless() -> Slices:
        try:
            while True:
                begun.set()
                yield
        finally:
            ended.set()

    making = asyncio.create_task(in_thread(endless))
    assert await asyncio.to_thread(begun.wait, 10.0)
    making.cancel()
    await asyncio.gather(making, return_exceptions=True)

    assert await asyncio.to_thread(ended.wait, 10.0)


def test_agent_does_without_numpy_until_a_plan_is_due() -> None:
    """It is most of the memory that a small box would pay."""
    code = "import sys, agent.wiring, agent.planning.planner; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=60, check=False).returncode == 0
