"""Drawn sites of some size to plan for, and a belief whose battery is known."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

from policies.model import Battery, Device, Role, Site, Unit
from policies.runtime import Cells, Inverter, LoadStep, ends_after_s


@dataclass(frozen=True, slots=True)
class KnownBattery:
    """A belief that knows the battery; its bound is that of one with less in it."""

    energy_wh: float
    own_draw_w: float = 14.0
    bound_share: float = 0.6
    bound_quantile: float = 0.05

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        """Return after how many seconds the output ends."""
        share = 1.0 if quantile >= 0.5 else self.bound_share
        cells = Cells(share * self.energy_wh, 0.55, 3.0)
        return ends_after_s(cells, cells.full(), Inverter(0.86, self.own_draw_w), load_steps)


def drawn_site(devices: int, seed: int, *, hold_share: float = 0.2, hours: float = 2.0) -> Site:
    """Return switches in a tree, recorders, cameras on ports and PCs, on one unit.

    Args:
        devices: how many.
        seed: gives everything.
        hold_share: of the recorders that have a hold time, of 6 to 30 minutes.
        hours: of the battery's nominal energy over the whole load.
    """
    chance = random.Random(seed)
    switches = [f"switch {i}" for i in range(max(1, devices // 12))]
    recorders = [f"recorder {i}" for i in range(max(1, devices // 10))]
    found = [_switch(name, switches[:i], chance) for i, name in enumerate(switches)]
    for name in recorders:
        held = chance.random() < hold_share
        found.append(
            Device(
                name,
                Role.RECORDER,
                chance.uniform(10.0, 60.0),
                feeds=("cabinet",),
                path=(chance.choice(switches),),
                worth=chance.uniform(2.0, 10.0),
                quiesce_s=10.0,
                stop_s=chance.uniform(20.0, 120.0),
                hold_s=chance.uniform(360.0, 1800.0) if held else 0.0,
            )
        )
    while len(found) < devices:
        is_camera = chance.random() < 0.7
        number = len(found)
        found.append(
            _camera(number, switches, recorders, chance)
            if is_camera
            else _pc(number, switches, chance)
        )
    found = [replace(d, night_watts=max(d.watts, d.night_watts)) for d in found]
    load_w = sum(device.watts for device in found)
    unit = Unit("cabinet", 3.0 * load_w, 2.0 * load_w, Battery(watt_hours=hours * load_w))
    return Site("drawn", {"cabinet": unit}, {device.name: device for device in found})


def _switch(name: str, others: Sequence[str], chance: random.Random) -> Device:
    feed = "cabinet" if not others or chance.random() < 0.6 else chance.choice(others)
    stop_s = chance.choice([10.0, 20.0, None])
    watts = chance.uniform(5.0, 20.0)
    return Device(name, Role.SWITCH, watts, feeds=(feed,), worth=0.1, stop_s=stop_s)


def _camera(
    number: int, switches: Sequence[str], recorders: Sequence[str], chance: random.Random
) -> Device:
    watts = chance.uniform(3.0, 9.0)
    return Device(
        f"camera {number}",
        Role.CAMERA,
        watts,
        watts + 3.0,
        (chance.choice(switches),),
        needs=(chance.choice(recorders),),
        worth=chance.uniform(0.5, 3.0),
        stop_s=5.0 if chance.random() < 0.5 else None,
    )


def _pc(number: int, switches: Sequence[str], chance: random.Random) -> Device:
    return Device(
        f"PC {number}",
        Role.COMPUTER,
        chance.uniform(20.0, 120.0),
        feeds=("cabinet",),
        path=(chance.choice(switches),),
        worth=chance.uniform(0.2, 6.0),
        stop_s=chance.uniform(20.0, 90.0),
    )
