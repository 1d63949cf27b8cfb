"""How long a decision takes for a site of 1,000 devices: `python tests/bench/decide.py`.

Six units, 24-port switches whose ports feed cameras, recorders that need stores, computers and
what cannot be told. An outage takes its course: all is well, mains fails, the first are told, most
are at rest, the battery is low, mains is back and all return. At each reading of that course the
site is decided on, as the engine does it, beliefs included. Printed in ms: the median, the 95th
percentile and the most over the course; the first decision of a site, whose graph is made then;
and the same for folding a reading. Measured as time of the thread, so that others do not count.
"""

from __future__ import annotations

import gc
import statistics
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from policies.decide import Decision, beliefs_of, decide
from policies.events import Ending, Event, OrderClosed, OrderGiven, ReadingTaken, StepBegan
from policies.model import (
    Alarm,
    Battery,
    BatteryStatus,
    Device,
    OutputSource,
    Reading,
    Role,
    Site,
    Starts,
    StopWhen,
    Task,
    Unit,
)
from policies.state import SiteState, fold, initial

T = TypeVar("T")

DEVICES = 1000
UNITS = 6
STEP_S = 5.0
FULL_WH = 6000.0


def big_site(count: int = DEVICES) -> Site:
    """Return a site of *count* devices behind a few cabinets, one of them with a second feed."""
    units = tuple(f"cabinet {number}" for number in range(1, UNITS + 1))
    devices: dict[str, Device] = {}

    def add(device: Device) -> None:
        devices[device.name] = device

    add(Device("box", Role.AGENT_BOX, 6, 6, (units[0],), starts=Starts.BY_ITSELF))
    for number in range(count - 1):
        unit, other = units[number % UNITS], units[(number + 1) % UNITS]
        last = [name for name, d in devices.items() if d.role is Role.SWITCH][-UNITS:]
        behind = tuple(last[-1:])
        match number % 40:
            case 0 | 1:
                feeds = (unit, other) if number % 80 == 0 else (unit,)
                add(Device(f"switch {number}", Role.SWITCH, 20, 20, feeds, behind[:0], stop_s=15.0,
                           starts=Starts.BY_ORDER, start_s=45.0))  # fmt: skip
            case 2:
                add(_told(f"store {number}", Role.STORAGE, 50, (unit, other), behind, (), 5.0))
            case 3 | 4:
                store = next(name for name in reversed(devices) if name.startswith("store"))
                add(_told(f"recorder {number}", Role.RECORDER, 40, (unit,), behind, (store,), 8.0))
            case 5 | 6 | 7:
                add(_told(f"desk {number}", Role.COMPUTER, 60, (unit,), behind, (), 1.0))
            case 8:
                add(Device(f"monitor {number}", Role.MONITOR, 25, 25, (unit,)))
            case 9:
                add(Device(f"door {number}", Role.OTHER, 8, 8, (unit,), no_touch=True))
            case _:
                recorder = tuple(n for n in list(devices)[-40:] if n.startswith("recorder"))[:1]
                add(Device(f"camera {number}", Role.CAMERA, 6, 9, behind, (), recorder,
                           hold_s=1800.0, worth=2.0))  # fmt: skip
    return Site("bench", {n: Unit(n, 20e3, 15e3, Battery(watt_hours=FULL_WH)) for n in units},
                devices)  # fmt: skip


def _told(
    name: str,
    role: Role,
    watts: float,
    feeds: tuple[str, ...],
    path: tuple[str, ...],
    needs: tuple[str, ...],
    worth: float,
) -> Device:
    return Device(
        name, role, watts, watts, feeds, path, needs, hold_s=600.0 * (worth % 3), worth=worth,
        stop_when=StopWhen(charge_below=0.1) if role is Role.COMPUTER else None,
        quiesce_s=10.0 if role is Role.RECORDER else None, stop_s=40.0, settle_s=30.0,
        starts=Starts.BY_ORDER, start_s=60.0,
    )  # fmt: skip


class Course:
    """One outage of a site, folded and decided on step by step.

    Attributes:
        decided_ms, folded_ms: what each took.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self.state: SiteState = initial(site)
        self.now = 0.0
        self.decided_ms: list[float] = []
        self.folded_ms: list[float] = []
        self._ends_at: dict[str, float] = {}

    def hear(self, *, mains: bool, charge: float, low: bool = False) -> None:
        """Let a step pass: orders end whose time has come, every unit answers, decide, obey."""
        self.now += STEP_S
        for name in [n for n, at in self._ends_at.items() if at <= self.now]:
            del self._ends_at[name]
            self._close(name)
        for unit in self.site.units:
            reading = Reading(
                unit, self.now, OutputSource.NORMAL if mains else OutputSource.BATTERY,
                BatteryStatus.LOW if low else BatteryStatus.NORMAL,
                on_battery_s=0.0 if mains else self.now - 100.0, charge=charge, output_w=5000.0,
                alarms=frozenset() if mains else frozenset({Alarm.ON_BATTERY}),
            )  # fmt: skip
            self.folded_ms.append(_ms(partial(self._fold, ReadingTaken(self.now, reading)))[0])
            took_ms, decision = _ms(self.decide)
            self.decided_ms.append(took_ms)
            self._obey(decision)

    def decide(self) -> Decision:
        """Decide as the engine does."""
        beliefs = beliefs_of(self.site, self.state, self.now)
        return decide(self.site, self.state, beliefs, self.now)

    def _obey(self, decision: Decision) -> None:
        for order in decision.orders:
            order_id = f"{order.device}#{self.state.orders + 1}"
            self._fold(OrderGiven(self.now, order_id, order))
            opened = self.state.devices[order.device].order
            assert opened is not None
            act = "stop" if order.task is Task.REST else "start"
            self._fold(StepBegan(self.now, opened.order_id, order.device, act))
            device = self.site.devices[order.device]
            takes_s = device.rest_s if order.task is Task.REST else device.start_s
            self._ends_at.setdefault(order.device, self.now + 0.7 * takes_s)

    def _close(self, name: str) -> None:
        opened = self.state.devices[name].order
        assert opened is not None
        task = opened.order.task
        ending = Ending.AT_REST if task is Task.REST else Ending.RUNNING
        self._fold(OrderClosed(self.now, opened.order_id, name, task, ending, "seen"))

    def _fold(self, event: Event) -> None:
        self.state = fold(self.site, self.state, event)


def _ms(work: Callable[[], T]) -> tuple[float, T]:
    began = time.thread_time()
    result = work()
    return 1000.0 * (time.thread_time() - began), result


def ride(site: Site) -> Course:
    """Take a site through an outage of about 15 minutes and its return."""
    course = Course(site)
    for _ in range(20):
        course.hear(mains=True, charge=1.0)
    for step in range(120):
        course.hear(mains=False, charge=1.0 - step / 130.0, low=step > 110)
    for _ in range(60):
        course.hear(mains=True, charge=0.5)
    return course


def _tell(name: str, took_ms: list[float]) -> None:
    ranked = sorted(took_ms)
    print(
        f"{name}: median {statistics.median(ranked):.2f} ms, "
        f"95 % within {ranked[int(0.95 * len(ranked))]:.2f} ms, most {ranked[-1]:.2f} ms, "
        f"{len(ranked)} times"
    )


def main() -> None:
    """Print the figures."""
    sites = [big_site() for _ in range(5)]
    firsts = [_ms(Course(site).decide)[0] for site in sites]
    print(f"site: {DEVICES} devices, {UNITS} units")
    _tell("first decision of a site", firsts)
    gc.collect()
    course = ride(sites[0])
    _tell("deciding", course.decided_ms)
    _tell("folding a reading", course.folded_ms)
    counts: dict[str, int] = {}
    for device in course.state.devices.values():
        counts[device.phase.value] = counts.get(device.phase.value, 0) + 1
    print(f"at the end: {counts}, {course.state.orders} orders given")


if __name__ == "__main__":
    main()
