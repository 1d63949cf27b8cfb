"""The agent's lives: the real engine and its watches, killed at any step, and started again.

A kill is a kill: what runs is cut off where it stands, what was durable stays, nothing more is
written or sent. The next run recalls the journal and goes on, as `agent.wiring` would have it.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from agent.battery.daylight import Daylight
from agent.battery.estimator import Estimator
from agent.conduct.unit_control import UnitControl
from agent.engine import Engine, Settings
from agent.notices.hold import PathHold
from agent.planning.planner import Planner, Work, in_slices
from agent.simulation.controls import SimulatedControl, Written
from agent.simulation.gauges import Gauge, GaugeSource
from agent.simulation.interface import Interface, Speaker
from agent.simulation.keeper import Disk, MemoryKeeper
from agent.simulation.pace import BoxClock, Wall
from agent.simulation.scenario import Blow, Kill, Scenario
from agent.simulation.truth import SiteTruth
from agent.units.watch import Watch
from drivers.base import Driver, Stage
from drivers.feed_cut import FeedCut
from policies.decide import beliefs_of
from policies.events import Event, NoticeRaised
from policies.model import Place
from policies.plan import Plan
from policies.supply import poll_pace_s

RESTARTED_AFTER_S = 1.0
"""What starts the agent again when it failed by itself waits this long."""


@dataclass(slots=True)
class _Run:
    """One run of the agent, from its start to its death."""

    engine: Engine
    planner: Planner
    clock: BoxClock
    keeper: MemoryKeeper
    watches: dict[str, Watch]


@dataclass(frozen=True, slots=True)
class Ears:
    """Who is told of the agent's doings.

    Attributes:
        event: each event, once it is folded.
        life: what became of the agent, in words.
        failure: that the engine itself failed, and how.
    """

    event: Callable[[Event], None]
    life: Callable[[str], None]
    failure: Callable[[str], None]


Speak = Callable[[str, Speaker, BoxClock], Mapping[Stage, Driver]]
"""Returns the drivers of a device by stage, given what speaks with its interface, and the clock."""


@dataclass(frozen=True, slots=True)
class Outfit:
    """What a site's own file gives an agent, beyond a drawn scenario.

    Attributes:
        place: where the site lies, or None.
        fits: by unit, the file of what its battery's full runs taught, or None.
        kept: by unit, what was learnt of its battery before.
        work: how plans are made.
        speak: the drivers; None = each stage that the manners name is plainly spoken with.
    """

    place: Place | None = None
    fits: Mapping[str, Path | None] = field(default_factory=dict)
    kept: Mapping[str, bytes] = field(default_factory=dict)
    speak: Speak | None = None
    work: Work = in_slices


class Lives:
    """One agent after another on the same disk; at most one at a time."""

    def __init__(
        self,
        scenario: Scenario,
        *,
        interfaces: Mapping[str, Interface],
        ports: Mapping[str, Interface] = MappingProxyType({}),
        gauges: Mapping[str, Gauge],
        ears: Ears,
        main: asyncio.Task[Any],
        truth: SiteTruth,
        on_written: Written,
        estimates: bool = False,
        outfit: Outfit | None = None,
    ) -> None:
        """Prepare; `start` begins the first.

        Args:
            scenario: what is to befall it.
            interfaces: by device.
            ports: by device, where its power is cut as its second way to stop.
            gauges: by unit.
            ears: who is told.
            main: the one task that is not the agent's.
            truth: the site.
            on_written: told of each SET that a unit takes.
            estimates: whether it estimates its batteries live.
            outfit: what it knows beyond the scenario.
        """
        self._outfit = outfit or Outfit()
        self._scenario = scenario
        self._interfaces = interfaces
        self._ports = ports
        self._gauges = gauges
        self._ears = ears
        self._main = main
        self._truth = truth
        self._on_written = on_written
        self._estimates = estimates
        self._loop = asyncio.get_running_loop()
        self._kills = list(scenario.kills)
        self._boots = 1
        self._booted_at = 0.0
        self._out_at = -math.inf
        self._run: _Run | None = None
        self.disk = Disk(scenario)
        self.disk.estimates.update(self._outfit.kept)
        self.wall = Wall(scenario.start_utc)
        self.can_run = True
        self.started_at: float | None = None
        for kill in scenario.kills:
            if kill.blow in (Blow.AT_TIME, Blow.ASKED):
                self._loop.call_at(kill.at, self._strike, kill)

    @property
    def engine(self) -> Engine | None:
        """The engine of the present run; None while there is none."""
        return None if self._run is None else self._run.engine

    @property
    def plan(self) -> Plan | None:
        """What the present run means to give up when, or None."""
        return None if self._run is None else self._run.planner.plan

    @property
    def now(self) -> float:
        """The site time, as the present run reckons it; loop time while there is none."""
        return self._loop.time() if self._run is None else self._run.clock.monotonic()

    def start(self) -> None:
        """Start a run, unless one is on, or its box is off."""
        if self._run is not None or not self.can_run:
            return
        scenario, loop = self._scenario, self._loop
        boot = f"boot {self._boots}"
        monotonic = partial(self._raw_monotonic)
        recalled = self.disk.recall(
            scenario.site,
            now_utc=self.wall.at(loop.time()),
            monotonic=self._raw_monotonic(),
            boot=boot,
        )
        if recalled.troubles:
            self._ears.failure(f"the journal could not be recalled: {recalled.troubles}")
        clock = BoxClock(self.wall, offset_s=recalled.resume_at - loop.time())
        keeper = MemoryKeeper(
            self.disk, utc=clock.utc, monotonic=monotonic, boot=boot, on_write=self._on_write
        )
        estimator = self._estimator(clock, keeper) if self._estimates else None
        beliefs = beliefs_of if estimator is None else estimator.beliefs
        planner = Planner(
            scenario.site,
            self._outfit.place,
            clock=clock,
            state=lambda: engine.state,
            on_plan=lambda: engine.wake(),
            beliefs=beliefs,
            work=self._outfit.work,
        )
        engine = Engine(
            scenario.site,
            self._drivers(clock, keeper),
            clock=clock,
            journal=keeper,
            state=recalled.state,
            settings=Settings("simulated", seed=scenario.seed),
            controls=self._controls(clock, keeper),
            on_event=partial(self._hear, keeper, estimator, planner),
            beliefs=beliefs,
            plan=lambda: planner.plan,
            hold=PathHold(scenario.site, waits=lambda: self._loop.time() < self._out_at),
        )
        watches = {name: self._watch(name, engine, clock) for name in scenario.site.units}
        self._run = run = _Run(engine, planner, clock, keeper, watches)
        self.started_at = loop.time()
        self._ears.life("the agent starts")
        self._spawn(run, engine.run())
        self._spawn(run, planner.run())
        if self._outfit.place is not None:
            self._spawn(run, self._daylight(engine, clock).run())
        for watch in watches.values():
            self._spawn(run, watch.run())

    def hasten(self, unit: str) -> None:
        """A notification of a unit has come."""
        if self._run is not None:
            self._run.watches[unit].hasten()

    def sent(self) -> bool:
        """Something was sent; return whether the agent has died of it."""
        return self._count(Blow.AFTER_SENDING)

    def die(self, why: str, *, down_s: float | None, reboots: bool = False) -> None:
        """End the present run where it stands.

        Args:
            why: in words.
            down_s: until the next one starts; None = when somebody starts it.
            reboots: its box starts anew too.
        """
        run, self._run = self._run, None
        now = self._loop.time()
        if reboots:
            self._boots += 1
            self._booted_at = now + (down_s or 0.0)
        if run is None:
            return
        run.keeper.is_dead = True
        self.disk.lose(now)
        self._ears.life(f"the agent dies: {why}")
        self._loop.call_soon(self._bury)
        if down_s is not None:
            self._loop.call_later(down_s, self.start)

    def rebooted(self) -> None:
        """Its box has come up again."""
        self._boots += 1
        self._booted_at = self._loop.time()
        self.start()

    # Building

    def _drivers(self, clock: BoxClock, keeper: MemoryKeeper) -> dict[str, Mapping[Stage, Driver]]:
        drivers: dict[str, Mapping[Stage, Driver]] = {}
        for name, interface in self._interfaces.items():
            speaker = Speaker(interface, clock, is_dead=partial(getattr, keeper, "is_dead"))
            if self._outfit.speak is not None:
                drivers[name] = self._outfit.speak(name, speaker, clock)
            else:
                drivers[name] = dict.fromkeys(interface.manners.stages, speaker)
        for name, interface in self._ports.items():
            speaker = Speaker(interface, clock, is_dead=partial(getattr, keeper, "is_dead"))
            drivers[name] = {**drivers[name], Stage.CUT: FeedCut(speaker)}
        return drivers

    def _estimator(self, clock: BoxClock, keeper: MemoryKeeper) -> Estimator:
        def say(severity: str, about: str, text: str) -> None:
            # That a battery outlasts every guess is a finding; an estimate that fails is a fault.
            tell = self._ears.failure if severity == "error" else self._ears.life
            tell(text)

        return Estimator(
            self._scenario.site,
            fits=self._outfit.fits,
            kept=dict(self.disk.estimates),
            today=lambda: clock.utc().date(),
            keep=keeper.keep_estimate,
            say=say,
        )

    def _controls(self, clock: BoxClock, keeper: MemoryKeeper) -> dict[str, UnitControl]:
        return {
            name: SimulatedControl(
                name,
                self._gauges[name],
                self._truth,
                clock,
                is_dead=partial(getattr, keeper, "is_dead"),
                on_written=self._written,
            )
            for name, unit in self._scenario.site.units.items()
            if unit.output is not None
        }

    def _daylight(self, engine: Engine, clock: BoxClock) -> Daylight:
        return Daylight(
            self._outfit.place, clock=clock, state=lambda: engine.state, record=engine.record
        )

    def _written(self, unit: str, name: str, value: int) -> None:
        self._on_written(unit, name, value)
        self.sent()

    def _watch(self, name: str, engine: Engine, clock: BoxClock) -> Watch:
        scenario = self._scenario

        def pace() -> float:
            return poll_pace_s(
                scenario.site.units[name],
                engine.state.units[name],
                on_mains_s=scenario.poll_on_mains_s,
                on_battery_s=scenario.poll_on_battery_s,
            )

        return Watch(
            GaugeSource(self._gauges[name], clock),
            clock=clock,
            unit=name,
            pace=pace,
            on_reading=engine.on_reading,
            on_silence=partial(engine.on_silence, name),
        )

    def _raw_monotonic(self) -> float:
        return self._loop.time() - self._booted_at

    def _hear(
        self, keeper: MemoryKeeper, estimator: Estimator | None, planner: Planner, event: Event
    ) -> None:
        if keeper.is_dead:
            return
        self._ears.event(event)
        if isinstance(event, NoticeRaised):
            self._raise(self._scenario.notices_out_s)
        # The very first events come before there is a run, and no reading is among them.
        if estimator is not None and self._run is not None:
            estimator.hear(event, self._run.engine.state)
        planner.hear()

    def _raise(self, out_s: float) -> None:
        """A notice is on its way out; once it is, what was held for it may go on."""
        if out_s <= 0.0:
            return
        self._out_at = self._loop.time() + out_s
        if math.isfinite(out_s):
            self._loop.call_later(out_s + 1e-3, self._notice_is_out)

    def _notice_is_out(self) -> None:
        if self._run is not None:
            self._run.engine.wake()

    # Living and dying

    def _spawn(self, run: _Run, work: Coroutine[Any, Any, None]) -> None:
        self._loop.create_task(self._guarded(run, work))

    async def _guarded(self, run: _Run, work: Awaitable[None]) -> None:
        try:
            await work
        except Exception as error:  # what wiring would end the process for
            if run is self._run:
                self._ears.failure(f"the engine failed: {_told(error)}")
                self.die("it failed", down_s=RESTARTED_AFTER_S)

    def _bury(self) -> None:
        for task in asyncio.all_tasks(self._loop):
            if task is not self._main:
                task.cancel()

    def _on_write(self, is_durable: bool) -> bool:
        return self._count(Blow.AFTER_WRITE if is_durable else Blow.BEFORE_WRITE)

    def _count(self, blow: Blow) -> bool:
        """Count what a kill waits for; return whether the agent has just died of one."""
        now = self._loop.time()
        for place, kill in enumerate(self._kills):
            if kill.blow is not blow or now < kill.at or self._run is None:
                continue
            if kill.count > 1:
                self._kills[place] = replace(kill, count=kill.count - 1)
                continue
            del self._kills[place]
            self._strike(kill)
            return True
        return False

    def _strike(self, kill: Kill) -> None:
        run = self._run
        if run is None:
            return
        if kill.blow is Blow.ASKED:
            self._loop.create_task(self._end(run, kill))
            return
        self.die(kill.blow.value, down_s=kill.down_s, reboots=kill.reboots)

    async def _end(self, run: _Run, kill: Kill) -> None:
        await run.engine.end("it was asked to end")
        if run is self._run:
            self.disk.flush(self._loop.time())
            self.die(kill.blow.value, down_s=kill.down_s, reboots=kill.reboots)


def _told(error: BaseException) -> str:
    if isinstance(error, BaseExceptionGroup):
        return "; ".join(_told(each) for each in error.exceptions)
    return f"{type(error).__name__}: {error}"
