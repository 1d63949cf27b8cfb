"""Draws a site and what its devices truly are."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from agent.simulation.scenario import Manners, Window
from agent.simulation.truth import DeviceBuild
from drivers.base import Act, Repeat, Stage
from policies.model import (
    HOLDS_DATA,
    MAINS_FEED,
    Battery,
    Device,
    Role,
    Site,
    Starts,
    StopWhen,
    Unit,
)

_BLANK = Battery(watt_hours=100.0)
_LIKELY = {
    Role.STORAGE: 2,
    Role.RECORDER: 5,
    Role.COMPUTER: 3,
    Role.CAMERA: 5,
    Role.MONITOR: 1,
    Role.OTHER: 1,
}
"""What others use comes first: stores, then recorders, then cameras and the rest."""

_COUNTS = (1, 1, 2, 2, 3, 3, 4, 5, 6, 7, 8, 10, 12)


@dataclass(slots=True)
class _Plan:
    """The devices drawn so far, in an order in which each uses only earlier ones."""

    chance: random.Random
    units: tuple[str, ...]
    devices: dict[str, Device] = field(default_factory=dict)

    def named(self, *roles: Role) -> list[str]:
        return [name for name, device in self.devices.items() if device.role in roles]

    def some(self, names: Iterable[str], likely: float) -> tuple[str, ...]:
        found = list(names)
        if not found or self.chance.random() >= likely:
            return ()
        return (self.chance.choice(found),)

    def add(self, device: Device) -> None:
        self.devices[device.name] = device


def draw_site(seed: int, *, no_wishes: bool = False) -> Site:
    """Return a site of 1 to 12 devices; its batteries are not drawn yet."""
    chance = random.Random(f"{seed} site")
    units = ("cabinet", "loft")[: 2 if chance.random() < 0.3 else 1]
    plan = _Plan(chance, units)
    count = chance.choice(_COUNTS)
    _add_network(plan, count)
    more = max(0, count - len(plan.devices) - 1)
    roles = [Role.RECORDER, *chance.choices(list(_LIKELY), [*_LIKELY.values()], k=more)]
    ranked = list(_LIKELY)
    for number, role in enumerate(sorted(roles, key=ranked.index), start=1):
        plan.add(_device(plan, f"{role.value} {number}", role, no_wishes=no_wishes))
    drawn_units = {
        name: Unit(
            name,
            rating_va=1000.0,
            rating_w=700.0,
            battery=_BLANK,
            flicker_s=chance.choice([0.0, 5.0, 10.0, 10.0]),
            lost_after_s=chance.choice([30.0, 30.0, 60.0]),
        )
        for name in units
    }
    return Site(
        "Heron Lock",
        MappingProxyType(drawn_units),
        MappingProxyType(plan.devices),
        mains_steady_s=chance.choice([30.0, 60.0, 120.0]),
        return_charge=chance.choice([0.0, 0.1, 0.3]),
    )


def _add_network(plan: _Plan, count: int) -> None:
    chance = plan.chance
    feeds: tuple[str, ...]
    if count >= 3 and chance.random() < 0.4:
        feeds = (plan.units[0],)
        plan.add(Device("box", Role.AGENT_BOX, 6.0, 6.0, feeds, starts=Starts.BY_ITSELF))
    if count >= 2 and chance.random() < 0.6:
        stops = chance.random() < 0.3
        feeds = (chance.choice(plan.units),)
        if len(plan.units) > 1 and chance.random() < 0.3:
            feeds = plan.units
        plan.add(
            Device(
                "switch", Role.SWITCH, 9.0, 9.0, feeds, stop_s=15.0 if stops else None,
                starts=Starts.BY_ORDER if stops else Starts.BY_ITSELF, start_s=45.0,
            )
        )  # fmt: skip
        if stops and "box" in plan.devices and chance.random() < 0.5:
            box = plan.devices["box"]
            plan.devices["switch"] = replace(plan.devices["switch"], feeds=box.feeds)
    if count >= 6 and chance.random() < 0.5:
        plan.add(Device("router", Role.ROUTER, 8.0, 8.0, (plan.units[0],)))


def _device(plan: _Plan, name: str, role: Role, *, no_wishes: bool) -> Device:
    chance = plan.chance
    feeds = _feeds(plan, role)
    path = plan.some(plan.named(Role.SWITCH), 0.7 if role is not Role.MONITOR else 0.0)
    needs: tuple[str, ...] = ()
    if role in (Role.RECORDER, Role.COMPUTER):
        needs = plan.some(plan.named(Role.STORAGE), 0.5)
    elif role is Role.CAMERA:
        needs = plan.some(plan.named(Role.RECORDER), 0.7)
    watts = round(chance.uniform(*_WATTS[role]), 1)
    device = Device(
        name, role, watts, watts, feeds, path, needs, worth=float(chance.randint(0, 10)),
        hold_s=chance.choice([0.0, 0.0, 0.0, 300.0, 900.0, 7200.0]),
        no_touch=chance.random() < (0.15 if role is Role.OTHER else 0.03),
    )  # fmt: skip
    if role in HOLDS_DATA and not no_wishes and chance.random() < 0.12:
        device = replace(device, stop_when=_wish(chance))
    return _with_acts(chance, device)


_WATTS = {
    Role.STORAGE: (15.0, 60.0),
    Role.RECORDER: (10.0, 60.0),
    Role.COMPUTER: (30.0, 150.0),
    Role.CAMERA: (3.0, 12.0),
    Role.MONITOR: (15.0, 40.0),
    Role.OTHER: (5.0, 40.0),
}


def _feeds(plan: _Plan, role: Role) -> tuple[str, ...]:
    chance = plan.chance
    if role is Role.CAMERA and (switches := plan.named(Role.SWITCH)) and chance.random() < 0.8:
        return (switches[0],)
    if role in (Role.MONITOR, Role.OTHER) and chance.random() < 0.2:
        return (MAINS_FEED,)
    if len(plan.units) > 1 and chance.random() < 0.3:
        return plan.units
    return (chance.choice(plan.units),)


def _wish(chance: random.Random) -> StopWhen:
    return chance.choice(
        [
            StopWhen(runtime_below_s=chance.choice([120.0, 300.0, 600.0])),
            StopWhen(charge_below=chance.choice([0.2, 0.5])),
            StopWhen(on_battery_for_s=chance.choice([60.0, 300.0])),
        ]
    )


def _with_acts(chance: random.Random, device: Device) -> Device:
    """Give what can be told its times, and a way back."""
    quiesce_s, stop_s = float(chance.choice([5, 10, 20])), float(chance.choice([10, 20, 30, 50]))
    settle_s = float(chance.choice([10, 20, 30, 60]))
    match device.role:
        case Role.RECORDER:
            kind = chance.choices(["both", "stop", "quiesce", "mute"], [45, 40, 12, 3])[0]
        case Role.STORAGE | Role.COMPUTER:
            kind = chance.choices(["stop", "mute"], [95, 5])[0]
        case Role.OTHER:
            kind = chance.choices(["stop", "mute"], [30, 70])[0]
        case _:
            kind = "mute"
    starts = chance.choices([Starts.BY_ORDER, Starts.BY_ITSELF, Starts.BY_HAND], [60, 25, 15])[0]
    start_s = float(chance.choice([20, 45, 60, 90]))
    if kind == "mute":
        return replace(device, starts=Starts.BY_ITSELF, start_s=start_s)
    if kind == "quiesce":
        return replace(device, quiesce_s=quiesce_s, starts=Starts.BY_ORDER, start_s=10.0)
    return replace(
        device,
        quiesce_s=quiesce_s if kind == "both" else None,
        stop_s=stop_s,
        settle_s=settle_s,
        starts=starts,
        start_s=start_s,
    )


def draw_build(
    seed: int, device: Device, *, is_slow: bool, is_faithful: bool = False
) -> DeviceBuild:
    """Return what a device truly is, beside what the file says of it."""
    chance = random.Random(f"{seed} build {device.name}")

    def true_s(listed_s: float | None) -> float:
        factor = min(1.0, chance.lognormvariate(-0.5, 0.3))
        if is_slow:
            factor = chance.uniform(1.0, 2.5)
        return (listed_s or 10.0) * (1.0 if is_faithful else factor)

    by_hand = device.starts is Starts.BY_HAND
    return DeviceBuild(
        watts=device.watts * (1.0 if is_faithful else chance.uniform(0.7, 1.1)),
        quiesce_s=true_s(device.quiesce_s),
        stop_s=true_s(device.stop_s),
        boot_s=true_s(device.start_s or 30.0),
        quiet_after=chance.uniform(0.5, 1.0),
        starts_with_power=not by_hand and (device.is_passive or chance.random() < 0.8),
        stays_idle=device.stop_s is None and device.quiesce_s is not None,
    )


def draw_manners(seed: int, device: Device, *, trouble: str, outage: Window | None) -> Manners:
    """Return how a device's interface behaves, and what its driver can do.

    Args:
        seed: of the whole.
        device: as the file has it.
        trouble: what is wrong with it; "" = nothing.
        outage: the first one, from when until when.
    """
    chance = random.Random(f"{seed} manners {device.name}")
    acts: dict[Act, Repeat] = {}
    stages: set[Stage] = set()
    any_repeat = [Repeat.SAFE, Repeat.LOOK_FIRST, Repeat.LOOK_FIRST, Repeat.NEVER]
    if device.quiesce_s is not None:
        stages.add(Stage.QUIESCE)
        acts[Act.QUIESCE] = chance.choice(any_repeat)
        if chance.random() < 0.8:
            acts[Act.CONFIRM_QUIESCED] = Repeat.SAFE
    if device.stop_s is not None:
        stages.add(Stage.STOP)
        acts[Act.STOP] = chance.choice(any_repeat)
    if device.stop_s is not None and chance.random() < 0.92:
        stages.add(Stage.VERIFY)
        acts[Act.CONFIRM_GONE] = acts[Act.CONFIRM_RUNNING] = Repeat.SAFE
    if device.starts is Starts.BY_ORDER and not device.is_passive:
        stages.add(Stage.START)
        acts[Act.START] = chance.choice(any_repeat)
        acts[Act.CONFIRM_RUNNING] = Repeat.SAFE
    manners = Manners(
        MappingProxyType(acts), frozenset(stages), talk_s=chance.choice([0.05, 0.3, 1.0, 2.0])
    )
    return troubled(chance, manners, trouble, outage or (0.0, 0.0))


TROUBLES = ("unheard", "broken", "hangs", "fails", "garbles", "refuses", "busy", "mute", "lies",
            "slow talk", "refuses for good")  # fmt: skip


def troubled(chance: random.Random, manners: Manners, trouble: str, outage: Window) -> Manners:
    """Return how it behaves with one of `TROUBLES`; as before with any other word."""
    begin, end = outage
    middle = begin + chance.random() * min(600.0, end - begin)
    spell = (middle, middle + chance.choice([20.0, 60.0, 180.0]))
    match trouble:
        case "unheard":
            return replace(manners, unheard=chance.uniform(0.1, 0.6))
        case "broken":
            return replace(manners, dropped=chance.uniform(0, 0.4), cut=chance.uniform(0, 0.4))
        case "hangs":
            return replace(manners, hangs=chance.uniform(0.1, 0.5))
        case "fails":
            return replace(manners, fails=chance.uniform(0.1, 0.5))
        case "garbles":
            return replace(manners, garbles=chance.uniform(0.1, 0.5))
        case "refuses":
            return replace(manners, refuses=(spell,))
        case "busy":
            return replace(manners, puts_off=(spell,))
        case "mute":
            return replace(manners, is_mute=(spell,))
        case "lies":
            return replace(manners, lies=True)
        case "slow talk":
            return replace(manners, talk_s=chance.uniform(3.0, 9.0))
        case "refuses for good":
            return replace(manners, refuses=((0.0, 1e9),))
        case _:
            return manners
