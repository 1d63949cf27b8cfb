"""A whole site on a clock that moves by hand: engine, watch, machines, and a scripted journal."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from agent.conduct.unit_control import UnitControl
from agent.engine import Engine, Settings
from agent.errors import BackupUnitError, UnitTrouble
from drivers.base import Act, Driver, Repeat, Stage
from policies.decide import decide
from policies.events import Event
from policies.model import (
    Alarm,
    Battery,
    BatteryStatus,
    Device,
    Reading,
    Role,
    Site,
    Starts,
    StopWhen,
    Unit,
)
from policies.plan import Plan
from policies.state import Phase, SiteState, fold, initial
from tests.agent.benches import ScriptedKeeper, advance_until
from tests.agent.machines import REST_ACTS, Machine, Scripted, stages_of
from tests.fakes import FakeClock
from tests.policies.sites import on_battery, on_mains

CABINET = Unit("cabinet", 1000, 700, Battery(watt_hours=600.0))
AFTER_A_MINUTE = StopWhen(on_battery_for_s=60.0)
SWITCH = Device(
    "yard switch", Role.SWITCH, 10, 10, ("cabinet",), stop_s=10.0, settle_s=10.0,
    stop_when=AFTER_A_MINUTE, starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip
RECORDER = Device(
    "gate recorder", Role.RECORDER, 25, 25, ("cabinet",), ("yard switch",), worth=10.0,
    quiesce_s=10.0, stop_s=20.0, settle_s=10.0, stop_when=AFTER_A_MINUTE, starts=Starts.BY_ORDER,
    start_s=30.0,
)  # fmt: skip
DESK = Device(
    "desk", Role.COMPUTER, 60, 60, ("cabinet",), ("yard switch",), stop_s=20.0, settle_s=10.0,
    stop_when=AFTER_A_MINUTE, starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip
CAMERA = Device("slipway camera", Role.CAMERA, 5, 8, ("yard switch",))
ACTS: Mapping[str, Mapping[Act, Repeat]] = {
    "desk": {
        **{act: REST_ACTS[act] for act in (Act.CONFIRM_GONE, Act.CONFIRM_RUNNING)},
        Act.STOP: Repeat.NEVER,
        Act.START: Repeat.NEVER,
    },
    "slipway camera": {},
}
"""Of devices that can do other than REST_ACTS: the desk's button undoes what it did."""

ON_MAINS_S, ON_BATTERY_S = 10.0, 4.0
"""The pace of polling."""


class Yard:
    """The boatyard and its agent."""

    def __init__(
        self,
        *devices: Device,
        at: float = 1000.0,
        acts: Mapping[str, Mapping[Act, Repeat]] = ACTS,
        **site: Any,
    ) -> None:
        """Build it with these devices, or the boatyard's own; nothing runs yet."""
        devices = devices or (SWITCH, CAMERA, RECORDER, DESK)
        units = site.pop("units", (CABINET,))
        self.clock = FakeClock(at=at)
        self.site = Site(
            "Quayside boatyard", {u.name: u for u in units}, {d.name: d for d in devices}, **site
        )
        self.keeper = ScriptedKeeper(self.clock)
        self.machines: dict[str, Machine] = {}
        self.scripted: dict[str, Scripted] = {}
        self.drivers: dict[str, Mapping[Stage, Driver]] = {}
        for device in devices:
            self._fit(device, acts.get(device.name, REST_ACTS))
        self.state = initial(self.site)
        self.decide: Any = decide
        self.fold: Any = fold
        self.plan: Callable[[], Plan | None] = lambda: None
        self.hold: Any = lambda orders, course, now: {}
        self.heard: list[Event] = []
        self.mains_failed_at: dict[str, float] = {}
        self.low: set[str] = set()
        self.silent: set[str] = set()
        self.more: dict[str, Any] = {}
        self.controls: dict[str, UnitControl] = {}

    def _fit(self, device: Device, acts: Mapping[Act, Repeat]) -> None:
        machine = self.machines[device.name] = Machine(
            self.clock, device.name, stop_s=0.8 * (device.stop_s or 0.0), start_s=device.start_s
        )
        machine.reached = lambda: all(self.machines[name].is_on for name in device.path)
        driver = Scripted(machine, acts, settle_s=device.settle_s, dry_run=device.dry_run)
        self.scripted[device.name] = driver
        self.drivers[device.name] = stages_of(driver)

    # The agent

    def start(self, state: SiteState | None = None) -> Engine:
        """Start an agent that takes up at *state*; return its engine."""
        self._before = asyncio.all_tasks()
        self.engine = Engine(
            self.site,
            self.drivers,
            clock=self.clock,
            journal=self.keeper,
            state=self.state if state is None else state,
            settings=Settings("test", seed=1),
            controls=self.controls,
            on_event=self.heard.append,
            decide=lambda *args: self.decide(*args),  # may be changed as it runs
            fold=lambda *args: self.fold(*args),
            plan=lambda: self.plan(),
            hold=lambda *args: self.hold(*args),
        )
        self.running = asyncio.create_task(self.engine.run(), name="engine")
        self._watching = [
            asyncio.create_task(self._watch(unit), name=f"watch {unit}") for unit in self.site.units
        ]
        return self.engine

    async def kill(self) -> None:
        """End the agent as SIGKILL does: nothing more is written, nothing more is sent."""
        self.keeper = ScriptedKeeper(self.clock)
        mine = asyncio.all_tasks() - self._before - {asyncio.current_task()}
        for task in mine:
            task.cancel()
        await asyncio.gather(*mine, return_exceptions=True)

    async def stop(self) -> None:
        """End the agent in order."""
        for task in (self.running, *self._watching):
            task.cancel()
        ending = asyncio.create_task(self.engine.end("the test is over"))
        await advance_until(self.clock, ending.done, within_s=1.5, step_s=0.1)
        ending.result()
        await self.clock.advance(0.0)

    async def _watch(self, unit: str) -> None:
        engine = self.engine
        while True:
            if unit in self.silent:
                error = BackupUnitError("no answer", trouble=UnitTrouble.SILENT, advice="look")
                await engine.on_silence(unit, error, self.clock.monotonic())
            else:
                await engine.on_reading(self.reading(unit))
            battery = unit in self.mains_failed_at or unit in self.silent
            await self.clock.sleep(ON_BATTERY_S if battery else ON_MAINS_S)

    def reading(self, unit: str = "cabinet") -> Reading:
        """Return what the unit says now."""
        now = self.clock.monotonic()
        failed_at = self.mains_failed_at.get(unit)
        if failed_at is None:
            return on_mains(now, unit, **self.more)
        reading = on_battery(now, failed_at, unit, **self.more)
        if unit in self.low:
            alarms = reading.alarms | {Alarm.LOW_BATTERY}
            reading = replace(reading, battery_status=BatteryStatus.LOW, alarms=alarms)
        return reading

    # The world

    def fail_mains(self, *units: str) -> None:
        for unit in units or self.site.units:
            self.mains_failed_at[unit] = self.clock.monotonic()

    def return_mains(self, *units: str) -> None:
        for unit in units or tuple(self.site.units):
            self.mains_failed_at.pop(unit, None)
            self.low.discard(unit)

    async def until(
        self, holds: Callable[[], bool], *, within_s: float, step_s: float = 1.0
    ) -> None:
        await advance_until(self.clock, holds, within_s=within_s, step_s=step_s)

    @property
    def phases(self) -> dict[str, Phase]:
        """Where the devices are that can be told something."""
        return {
            name: state.phase
            for name, state in self.engine.state.devices.items()
            if self.scripted[name].acts
        }

    def are_all(self, phase: Phase) -> bool:
        return set(self.phases.values()) == {phase}

    def stopped_at(self, name: str) -> float:
        """When the device heard its first stop."""
        return next(at for at, act in self.machines[name].received if act is Act.STOP)
