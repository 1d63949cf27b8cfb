"""Sites and readings for the tests of policies: a boatyard of our own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from policies.belief import Belief
from policies.decide import Decision, beliefs_of, decide
from policies.events import Ending, OrderClosed, OrderGiven, ReadingTaken, StepBegan
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
    Task,
    Unit,
)
from policies.plan import Plan
from policies.state import SiteState, fold, initial

CABINET = Unit("cabinet", 1000, 700, Battery(watt_hours=200.0))

SWITCH = Device("yard switch", Role.SWITCH, 10, 10, ("cabinet",), stop_s=10.0)
CAMERA = Device("slipway camera", Role.CAMERA, 5, 8, ("yard switch",), needs=("gate recorder",))
RECORDER = Device(
    "gate recorder", Role.RECORDER, 25, 25, ("cabinet",), ("yard switch",), worth=10.0,
    quiesce_s=10.0, stop_s=50.0, settle_s=60.0, starts=Starts.BY_ORDER, start_s=60.0,
)  # fmt: skip
DESK = Device(
    "desk", Role.COMPUTER, 60, 60, ("cabinet",), ("yard switch",), stop_s=30.0, settle_s=60.0,
    starts=Starts.BY_ITSELF, start_s=60.0,
)  # fmt: skip


def site_of(*devices: Device, units: tuple[Unit, ...] = (CABINET,), **others: Any) -> Site:
    """Return a site with these devices, the boatyard's where none are given."""
    listed = devices or (SWITCH, CAMERA, RECORDER, DESK)
    return Site(
        "Quayside boatyard", {u.name: u for u in units}, {d.name: d for d in listed}, **others
    )


def on_mains(at: float, unit: str = "cabinet", **fields: Any) -> Reading:
    """Return an ordinary reading on mains."""
    reading = Reading(
        unit, at, OutputSource.NORMAL, BatteryStatus.NORMAL, on_battery_s=0.0, runtime_s=3600.0,
        charge=1.0, output_w=100.0,
    )  # fmt: skip
    return replace(reading, **fields)


def on_battery(at: float, since_at: float, unit: str = "cabinet", **fields: Any) -> Reading:
    """Return an ordinary reading on battery, its minutes left out."""
    reading = Reading(
        unit, at, OutputSource.BATTERY, BatteryStatus.NORMAL, on_battery_s=at - since_at,
        charge=None, output_w=100.0, alarms=frozenset({Alarm.ON_BATTERY}),
    )  # fmt: skip
    return replace(reading, **fields)


class Run:
    """A site driven by hand: readings in, decisions out."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.state: SiteState = initial(site)
        self.now = 0.0

    def hear(self, *readings: Reading) -> None:
        """Fold readings and move the time to the last of them."""
        for reading in readings:
            self.state = fold(self.site, self.state, ReadingTaken(reading.at, reading))
            self.now = reading.at

    def outage(self, at: float, *, unit: str = "cabinet", **fields: Any) -> None:
        """Mains fails at *at*, and its flicker time passes."""
        self.hear(on_mains(at - 10.0, unit), *(
            on_battery(at + s, at, unit, **fields) for s in (1.0, 2.0, 12.0)
        ))  # fmt: skip

    def decide(
        self, beliefs: dict[str, Belief] | None = None, plan: Plan | None = None
    ) -> Decision:
        """Decide now."""
        if beliefs is None:
            beliefs = beliefs_of(self.site, self.state, self.now)
        return decide(self.site, self.state, beliefs, self.now, plan)

    def obey(self, plan: Plan | None = None) -> list[str]:
        """Decide, and fold that the orders were given and their first step begun."""
        orders = self.decide(plan=plan).orders
        for number, order in enumerate(orders):
            order_id = f"{self.now}/{number}"
            self.state = fold(self.site, self.state, OrderGiven(self.now, order_id, order))
            begun = StepBegan(self.now, order_id, order.device, "stop")
            self.state = fold(self.site, self.state, begun)
        return [order.device for order in orders]

    def close(self, device: str, ending: Ending) -> None:
        """Fold the end of a device's order."""
        opened = self.state.devices[device].order
        assert opened is not None
        task = opened.order.task
        event = OrderClosed(self.now, opened.order_id, device, task, ending, "seen")
        self.state = fold(self.site, self.state, event)

    def rest(self, *devices: str) -> None:
        """Fold that devices came to rest."""
        for device in devices:
            self.close(device, Ending.AT_REST)


def tasks(decision: Decision) -> list[tuple[str, Task]]:
    """Return who is told to do what."""
    return [(order.device, order.task) for order in decision.orders]
