"""The site of a rehearsal, and the agent's lives on it: the real engine over simulated devices."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Mapping
from functools import partial

from agent.config import LoadedSite, build_drivers
from agent.planning.planner import Slices, in_slices
from agent.rehearsal.driver import RehearsedDriver
from agent.rehearsal.known import Known
from agent.rehearsal.record import Record
from agent.rehearsal.result import Sample, Written
from agent.rehearsal.scenario import LEAD_S, scales_of, watts_in
from agent.simulation.gauges import Gauge
from agent.simulation.interface import Interface, Speaker
from agent.simulation.life import Ears, Lives, Outfit
from agent.simulation.pace import BoxClock
from agent.simulation.pump import Pump
from agent.simulation.ride import truth_of
from agent.simulation.scenario import Scenario
from agent.simulation.truth import Body, Plant, What
from drivers.base import Driver, Stage
from policies.comeback import START_RETRIES
from policies.events import AgentStarted, Event, OrderClosed, OrderGiven
from policies.graph import may_be_stopped
from policies.model import MAINS_FEED, Role, Starts
from policies.night import light_steps
from policies.plan import Plan
from policies.state import DeviceState, Phase, SiteState

_LIGHTS_S = 2 * 86400.0

PLAN_S = 2.0
"""What a plan takes of the rehearsal's time; the planner then rests for some times as long."""


class RehearsalStage:
    """Everything of one rehearsal on the running loop, but for when mains goes and comes.

    Attributes:
        scenario: what it is made of; record: what happened.
        truth: the site; lives: the agent on it.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        scenario: Scenario,
        known: Known,
        *,
        on_news: Callable[[], None] = lambda: None,
    ) -> None:
        """Prepare, on the loop that it will run on.

        Args:
            loaded: the site's file.
            scenario: of the same.
            known: what the live run knows, at peace.
            on_news: told that an order was given or has ended; must not block.
        """
        self.scenario = scenario
        self.record = Record(scenario.site)
        self._loaded, self._known, self._on_news = loaded, known, on_news
        self._loop = asyncio.get_running_loop()
        self.truth = truth_of(scenario)
        self._lay_down(known.state)
        main = asyncio.current_task()
        assert main is not None
        self.lives = Lives(
            scenario,
            interfaces=self._interfaces(),
            gauges=self._gauges(),
            ears=Ears(self._on_event, lambda text: None, self.record.failures.append),
            main=main,
            truth=self.truth,
            on_written=self._on_written,
            estimates=True,
            outfit=Outfit(
                loaded.place,
                {name: access.fit for name, access in loaded.units.items()},
                known.estimates,
                self._speak,
                _planned,
            ),
        )
        self.lives.disk.take_up(known.state, at=known.at, utc=known.utc)
        self._boxes = {n for n, d in scenario.site.devices.items() if d.role is Role.AGENT_BOX}
        self.truth.listener = self._on_truth
        self._plan_lights()
        self._pump = Pump(self.truth, self._loop)

    @property
    def at_s(self) -> float:
        """Seconds since mains failed; negative before."""
        return self._loop.time() - LEAD_S

    # Time

    def pump(self) -> float:
        """Bring the truth up to the loop's time, and return that."""
        return self._pump()

    # What mains does

    def begin(self) -> None:
        """Start the agent, and have mains fail in `LEAD_S`."""
        self._mains(What.MAINS_FAIL, LEAD_S)
        self.lives.start()

    def return_mains(self) -> None:
        """Mains is back now."""
        self._mains(What.MAINS_RETURN, self.pump())

    def _mains(self, what: What, at: float) -> None:
        for name in (MAINS_FEED, *self.scenario.site.units):
            self.truth.plan(at, what, name)

    # How far it is

    @property
    def is_at_rest(self) -> bool:
        """Whether nothing more is to come of the agent while mains is away."""
        self.pump()
        if not any(plant.output for plant in self.truth.plants.values()):
            return True
        engine = self.lives.engine
        if engine is None:
            return False
        state, site = engine.state, self.scenario.site
        if any(unit.output.is_pending for unit in state.units.values()):
            return False
        if any(m.is_writing and m.has_power for m in self.truth.machines.values()):
            return False  # what nobody brings to rest shows its fate only as the battery ends
        return all(
            _is_done(device)
            for name, device in state.devices.items()
            if may_be_stopped(site, name) and not site.devices[name].is_passive
        )

    @property
    def is_settled(self) -> bool:
        """Whether nothing more is to come of the agent with mains back."""
        engine = self.lives.engine
        if engine is None:
            return False
        if any(unit.output.is_pending for unit in engine.state.units.values()):
            return False
        devices = self.scenario.site.devices
        return all(
            _is_settled(device, devices[name].starts)
            for name, device in engine.state.devices.items()
        )

    def take_samples(self) -> None:
        """Note what every unit carries, and how long it is believed to."""
        self.pump()
        engine = self.lives.engine
        course = None if engine is None or engine.decision is None else engine.decision.timeline
        for name, plant in self.truth.plants.items():
            lower_s = None if course is None else course.unit_lower_s.get(name)
            median_s = None if course is None else course.unit_median_s.get(name)
            sample = Sample(
                round(self.at_s, 1),
                round(plant.load_w if plant.output else 0.0, 1),
                _finite(lower_s),
                _finite(median_s),
                round(_left(plant, self.truth.now), 4),
            )
            self.record.sample(name, sample)

    def left(self) -> dict[str, float]:
        """Return what is left in each battery, as a share."""
        self.pump()
        return {name: _left(plant, self.truth.now) for name, plant in self.truth.plants.items()}

    # Building

    def _lay_down(self, state: SiteState) -> None:
        """What is off now is off as it begins."""
        for name, device in state.devices.items():
            if device.phase not in (Phase.AT_REST, Phase.NEEDS_HAND) or device.is_assumed:
                continue
            if self.scenario.site.devices[name].stop_s is None:
                self.truth.machines[name].is_idle = True
            else:
                self.truth.machines[name].body = Body.OFF
        self.truth.draws({})

    def _interfaces(self) -> dict[str, Interface]:
        return {
            name: Interface(
                device,
                self.scenario.manners[name],
                truth=self.truth,
                pump=self.pump,
                on_told=lambda name, act: None,
                seed=0,
            )
            for name, device in self.scenario.site.devices.items()
        }

    def _gauges(self) -> dict[str, Gauge]:
        return {
            name: Gauge(
                unit,
                self.scenario.quirks[name],
                truth=self.truth,
                pump=self.pump,
                on_answer=lambda is_odd: None,
                seed=0,
            )
            for name, unit in self.scenario.site.units.items()
        }

    def _speak(self, name: str, speaker: Speaker, clock: BoxClock) -> Mapping[Stage, Driver]:
        """The real drivers of a device, writing down; one that serves several stages stays one."""
        real = build_drivers(self._loaded, clock=clock, dry_run=True).get(name, {})
        device = self.scenario.site.devices[name]
        made = {
            id(driver): RehearsedDriver(driver, device, speaker, truth=self.truth, pump=self.pump)
            for driver in real.values()
        }
        return {stage: made[id(driver)] for stage, driver in real.items()}

    def _plan_lights(self) -> None:
        """Have the lights come on and go off as the sun does."""
        place = self._loaded.place
        if place is None:
            return
        site, scale = self.scenario.site, scales_of(self.scenario.site, self._known)
        for step in light_steps(place, begins=self.scenario.start_utc, lasts_s=_LIGHTS_S):
            watts = watts_in(site, step.light, scale)
            self._loop.call_at(step.after_s, partial(self._relight, watts))

    def _relight(self, watts: Mapping[str, float]) -> None:
        self.pump()
        self.truth.draws(watts)

    # Hearing

    def _on_event(self, event: Event) -> None:
        self.pump()
        self.record.event(event, self.at_s)
        engine = self.lives.engine
        if engine is not None:
            self.record.phases(engine.state, self.at_s)
        if isinstance(event, OrderGiven | OrderClosed | AgentStarted):
            self._on_news()

    def _on_written(self, unit: str, name: str, value: int) -> None:
        self.record.written.append(Written(unit, round(self.at_s, 1), name, value))

    def _on_truth(self, what: What, name: str, at: float) -> None:
        at_s = at - LEAD_S
        self.record.truth(what, name, at_s)
        if what is What.WENT_OFF:
            machine = self.truth.machines[name]
            if not (machine.has_power or machine.is_cut):
                self.record.lost_power(name, at_s)
        if name in self._boxes:
            self._on_box(what)

    def _on_box(self, what: What) -> None:
        if what is What.WENT_OFF:
            self.lives.can_run = False
            self.lives.die("its box has lost power", down_s=None, reboots=True)
        elif what is What.BOOTED:
            self.lives.can_run = True
            self.lives.rebooted()


async def _planned(begin: Callable[[], Slices]) -> Plan:
    """Make a plan in about the time that it takes on a small box, so that no more are made."""
    plan = await in_slices(begin)
    await asyncio.sleep(PLAN_S)
    return plan


def _is_done(device: DeviceState) -> bool:
    return device.order is None and device.phase in (Phase.AT_REST, Phase.GIVEN_UP)


def _is_settled(device: DeviceState, starts: Starts) -> bool:
    if device.order is not None:
        return False
    # A device that comes back by itself is waited for; one that needs a hand is not.
    is_tried = device.attempts >= START_RETRIES
    is_waited_for = starts is Starts.BY_ORDER or device.attempts == 0
    match device.phase:
        case Phase.RUNNING:
            return True
        case Phase.NEEDS_HAND:
            return is_tried or not is_waited_for
        case Phase.AT_REST | Phase.GIVEN_UP:
            return not device.is_ours
        case _:
            return False


def _left(plant: Plant, now: float) -> float:
    wells, cells = plant.battery.wells(now), plant.battery.build.cells
    return max(0.0, wells.total_wh) / cells.energy_wh


def _finite(seconds: float | None) -> float | None:
    return round(seconds, 1) if seconds is not None and math.isfinite(seconds) else None
