"""Ride one scenario through, and say what came of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from agent.simulation.checks import Checks, Violation
from agent.simulation.clairvoyant import HEAD_START_S, Foresight, foresee, recorded_s
from agent.simulation.gauges import Gauge
from agent.simulation.interface import Interface, PortInterface
from agent.simulation.life import Ears, Lives
from agent.simulation.pace import JumpingLoop
from agent.simulation.pump import Pump
from agent.simulation.scenario import Manners, Scenario, Window
from agent.simulation.truth import Plant, SiteTruth, What
from agent.virtual.battery import VirtualBattery
from agent.virtual.control_group import ControlGroup
from drivers.base import Act
from policies.comeback import START_RETRIES
from policies.events import Event
from policies.model import MAINS_FEED, Device, Role, Starts
from policies.state import Phase

SETTLED_AFTER_S = 60.0
"""Beyond the time that mains must be steady: the least that a return is given."""

WAIT_MOST_S = 2400.0
LOOK_EVERY_S = 30.0
"""How long, at most, and how often it is looked whether all has come back."""

TRY_MOST_S = 600.0
"""So much longer a start that is under way then is let come to its end, and be told of."""

TRAP_S = 0.2


@dataclass(frozen=True, slots=True)
class Outage:
    """What became of one outage.

    Attributes:
        begin, end: when mains was away somewhere, in loop seconds.
        needed: whether somebody had to act: doing nothing would have hurt something.
        lost: what held data, was hurt, and would have been saved by the clairvoyant.
        impossible: what he could not have saved either.
        kept_ratio: recording time of the recorders that both brought to rest, against his, or where
            nobody had to act, of all; None where there are none.
    """

    begin: float
    end: float
    needed: bool
    lost: tuple[str, ...]
    impossible: tuple[str, ...]
    kept_ratio: float | None


@dataclass(frozen=True, slots=True)
class Ridden:
    """What became of one scenario."""

    seed: int
    violations: tuple[Violation, ...]
    outages: tuple[Outage, ...]
    ended_at: float

    @property
    def lost(self) -> tuple[Outage, ...]:
        """The outages in which something was lost that could have been saved."""
        return tuple(outage for outage in self.outages if outage.lost)


@dataclass(frozen=True, slots=True)
class Onlooker:
    """Who wants to see it as it goes: the story's teller, or a test.

    Attributes:
        event: each event of the engine, with the loop time.
        truth: what truly happened to whom.
        life: what became of the agent.
        told: what a device took in.
    """

    event: Callable[[float, Event], None] = field(default=lambda at, event: None)
    truth: Callable[[float, What, str], None] = field(default=lambda at, what, name: None)
    life: Callable[[float, str], None] = field(default=lambda at, text: None)
    told: Callable[[float, str, Act], None] = field(default=lambda at, name, act: None)


def ride(
    scenario: Scenario, onlooker: Onlooker | None = None, *, estimates: bool = False
) -> Ridden:
    """Ride a scenario through on a loop of its own; the same one takes the same course always.

    Args:
        scenario: what is to befall whom.
        onlooker: who is told as it goes.
        estimates: whether the agent estimates its batteries live, as it does at a site, or judges
            them by the simple belief, which is many times as fast.
    """
    with asyncio.Runner(loop_factory=JumpingLoop) as runner:
        return runner.run(_ride(scenario, onlooker or Onlooker(), estimates=estimates))


async def _ride(scenario: Scenario, onlooker: Onlooker, *, estimates: bool) -> Ridden:
    world = _World(scenario, onlooker, estimates=estimates)
    await world.run()
    return world.result()


@dataclass(slots=True)
class _Open:
    """An outage under way: the site as it began, and what had been recorded by then."""

    window: Window
    truth: SiteTruth
    before_s: dict[str, float]
    hurt: set[str] = field(default_factory=set)
    after_s: dict[str, float] | None = None


class _World:
    """The site, the agent's lives and the checks, joined on the running loop."""

    def __init__(self, scenario: Scenario, onlooker: Onlooker, *, estimates: bool) -> None:
        self._scenario = scenario
        self._onlooker = onlooker
        self._loop = asyncio.get_running_loop()
        self.truth = truth_of(scenario)
        seed = scenario.seed
        meet = partial(
            _met, truth=self.truth, pump=self.pump, on_told=self._on_told, seed=scenario.seed
        )
        devices = scenario.site.devices
        self._interfaces = {
            name: meet(device, scenario.manners[name], is_port=device.is_cut)
            for name, device in devices.items()
        }
        ports = {n: meet(devices[n], how, is_port=True) for n, how in scenario.ports.items()}
        gauges = {
            name: Gauge(
                unit,
                scenario.quirks[name],
                truth=self.truth,
                pump=self.pump,
                on_answer=partial(self._on_answer, name),
                seed=seed,
            )
            for name, unit in scenario.site.units.items()
        }
        main = asyncio.current_task()
        assert main is not None
        self.lives = Lives(
            scenario,
            interfaces=self._interfaces,
            ports=ports,
            gauges=gauges,
            ears=Ears(self._on_event, self._on_life, self._on_failure),
            truth=self.truth,
            on_written=self._on_written,
            main=main,
            estimates=estimates,
        )
        self.checks = Checks(
            scenario,
            self.truth,
            interfaces=self._interfaces,
            engine=lambda: self.lives.engine,
            disk=lambda: self.lives.disk,
            now=lambda: self.lives.now,
        )
        self._boxes = {n for n, d in scenario.site.devices.items() if d.role is Role.AGENT_BOX}
        self._failed: set[str] = set()
        self._waiting = list(scenario.outages)
        self._open: list[_Open] = []
        self.truth.listener = self._on_truth
        self._pump = Pump(self.truth, self._loop)

    # Time

    def pump(self) -> float:
        """Bring the truth up to the loop's time, and return that."""
        return self._pump()

    async def run(self) -> None:
        """Let everything happen, and all come back."""
        scenario = self._scenario
        for at, seconds in scenario.wall_steps:
            self._loop.call_at(at, self.lives.wall.step, seconds)
        self._loop.call_at(scenario.starts_at, self.lives.start)
        last_at = max([scenario.starts_at, *(each.at for each in scenario.happenings)])
        await asyncio.sleep(last_at - self._loop.time())
        ends_at = self._loop.time() + WAIT_MOST_S
        await asyncio.sleep(scenario.site.mains_steady_s + SETTLED_AFTER_S)
        while self._loop.time() < ends_at + TRY_MOST_S:
            is_late = self._loop.time() >= ends_at
            if self._has_settled() or (is_late and not self._is_trying()):
                break
            await asyncio.sleep(LOOK_EVERY_S)
        self.pump()
        self.checks.at_end()

    def _is_trying(self) -> bool:
        """Whether some order is under way."""
        engine = self.lives.engine
        return engine is not None and any(d.order for d in engine.state.devices.values())

    def _has_settled(self) -> bool:
        """Whether nothing more is to be expected of the agent."""
        engine = self.lives.engine
        if engine is None:
            return False
        if any(unit.output.is_pending for unit in engine.state.units.values()):
            return False
        devices = self._scenario.site.devices
        for name, known in engine.state.devices.items():
            if known.order is not None:
                return False
            # A device that comes back by itself is waited for; one that needs a hand is not.
            is_tried = known.attempts >= START_RETRIES
            is_waited_for = devices[name].starts is Starts.BY_ORDER or known.attempts == 0
            match known.phase:
                case Phase.RUNNING:
                    continue
                case Phase.NEEDS_HAND if is_tried or not is_waited_for:
                    continue
                case Phase.AT_REST | Phase.GIVEN_UP if not known.is_ours:
                    continue
                case _:
                    return False
        return True

    def result(self) -> Ridden:
        """Return what came of it."""
        return Ridden(
            self._scenario.seed,
            tuple(self.checks.violations),
            tuple(self._judged(each) for each in self._open),
            round(self._loop.time(), 3),
        )

    # Hearing

    def _on_truth(self, what: What, name: str, at: float) -> None:
        self._onlooker.truth(at, what, name)
        self.checks.on_truth(what, name, at)
        is_feed = name == MAINS_FEED or name in self.truth.plants
        if what is What.MAINS_FAIL and is_feed:
            self._note_failure(name, at)
        elif what is What.MAINS_RETURN and is_feed:
            self._failed.discard(name)
            if not self._failed and self._open:
                self._open[-1].after_s = recorded_s(self.truth, at)
        elif what is What.HURT and self._open:
            self._open[-1].hurt.add(name)
        if what in (What.MAINS_FAIL, What.MAINS_RETURN) and name in self.truth.plants:
            self._send_trap(name)
        if name in self._boxes:
            self._on_box(what)

    def _send_trap(self, unit: str) -> None:
        if self._scenario.quirks[unit].sends_traps and self.truth.plants[unit].output:
            self._loop.call_later(TRAP_S, self.lives.hasten, unit)

    def _on_box(self, what: What) -> None:
        if what is What.WENT_OFF:
            self.lives.can_run = False
            self.lives.die("its box has lost power", down_s=None, reboots=True)
        elif what is What.BOOTED:
            self.lives.can_run = True
            self.lives.rebooted()

    def _note_failure(self, name: str, at: float) -> None:
        if not self._failed and self._waiting:
            window = self._waiting.pop(0)
            before_s = recorded_s(self.truth, at)
            self._open.append(_Open(window, self.truth.copy(), before_s))
        self._failed.add(name)

    def _on_told(self, name: str, act: Act) -> None:
        self._onlooker.told(self._loop.time(), name, act)
        self.checks.on_told(name, act)
        self.lives.sent()

    def _on_written(self, unit: str, name: str, value: int) -> None:
        self._onlooker.life(self._loop.time(), f"{unit} is told {name} = {value}")
        self.checks.on_written(unit, name, value)

    def _on_answer(self, unit: str, is_odd: bool) -> None:
        self.checks.on_reading(unit, is_odd=is_odd)

    def _on_event(self, event: Event) -> None:
        self.pump()
        self._onlooker.event(self._loop.time(), event)
        self.checks.on_event(event)

    def _on_life(self, text: str) -> None:
        self.pump()
        self._onlooker.life(self._loop.time(), text)
        self.checks.on_life()

    def _on_failure(self, text: str) -> None:
        self._onlooker.life(self._loop.time(), text)
        self.checks.on_failure(text)

    # Judging

    def _judged(self, opened: _Open) -> Outage:
        begin, end = opened.window
        starts_at = max(begin, self._scenario.starts_at) + HEAD_START_S
        if end - begin <= HEAD_START_S:
            return Outage(begin, end, False, (), (), None)
        seen = foresee(opened.truth, self._scenario.manners, starts_at=starts_at, until=end)
        lost = sorted(seen.saved & opened.hurt)
        return Outage(
            begin,
            end,
            needed=bool(seen.hurt_idle),
            lost=tuple(lost),
            impossible=tuple(sorted(seen.impossible)),
            kept_ratio=self._kept_ratio(opened, seen),
        )

    def _kept_ratio(self, opened: _Open, seen: Foresight) -> float | None:
        """Recording time of what both bring to rest, against his."""
        both = seen.recorded_s.keys() - opened.hurt
        his_s = sum(seen.recorded_s[name] for name in both)
        if opened.after_s is None or his_s <= 0.0:
            return None
        return sum(opened.after_s[name] - opened.before_s[name] for name in both) / his_s


def _met(
    device: Device,
    manners: Manners,
    *,
    is_port: bool,
    truth: SiteTruth,
    pump: Callable[[], float],
    on_told: Callable[[str, Act], None],
    seed: int,
) -> Interface:
    kind = PortInterface if is_port else Interface
    return kind(device, manners, truth=truth, pump=pump, on_told=on_told, seed=seed)


def truth_of(scenario: Scenario) -> SiteTruth:
    """Return the site of a scenario at its beginning, with all that is to happen to it."""
    plants = {
        name: Plant(
            VirtualBattery(built.build, built.gauge, at=0.0, missing=built.missing),
            built.restart_s,
            control=ControlGroup.of(scenario.controls.get(name, ())),
            unlisted_w=scenario.unlisted_w.get(name, 0.0),
        )
        for name, built in scenario.plants.items()
    }
    truth = SiteTruth(scenario.site, plants, scenario.builds)
    for each in scenario.happenings:
        truth.plan(each.at, each.what, each.name, each.value)
    for name, quirks in scenario.quirks.items():
        for at in quirks.restarts:
            truth.plan(at, What.CARD_RESTART, name)
    return truth
