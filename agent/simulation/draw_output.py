"""Lets some of the drawn units' outputs be switched, with control as real units have it.

Drawn apart from all else, so that a seed draws what it drew before.
"""

from __future__ import annotations

import random
from dataclasses import replace
from types import MappingProxyType

from agent.simulation.scenario import Manners, Meter, Scenario
from agent.simulation.truth import DeviceBuild
from agent.virtual.control_group import Quirk
from drivers.base import Act, Repeat, Stage
from policies.model import Device, OutputControl, Role, Starts

_LIKELY = 0.75
_QUIRKY = 0.35
_UNLISTED = 0.12


def with_outputs(scenario: Scenario, *, always: bool = False) -> Scenario:
    """Return the scenario with outputs that may be switched, where its file lists the box.

    With *always* it is made to: a box is added where there is none, and most of what must not be
    touched may be.
    """
    chance = random.Random(f"{scenario.seed} outputs")
    if always:
        scenario = _made_fit(scenario, chance)
    site = scenario.site
    box = next((d for d in site.devices.values() if d.role is Role.AGENT_BOX), None)
    if box is None or (chance.random() >= _LIKELY and not always):
        return scenario
    units, controls, unlisted_w = dict(site.units), {}, {}
    for name, unit in site.units.items():
        if chance.random() < 0.85:
            settings = OutputControl(
                drops_after_s=float(chance.choice([60, 90, 120, 300])),
                off_for_s=float(chance.choice([30, 60, 120])),
                unmetered=chance.random() < 0.3,
            )
            units[name] = replace(unit, output=settings)
        if chance.random() < _QUIRKY:
            controls[name] = frozenset({chance.choice(list(Quirk))})
        meter = scenario.quirks[name].meter
        if chance.random() < _UNLISTED and meter in (Meter.WATTS, Meter.SHARE):
            unlisted_w[name] = chance.uniform(0.1, 0.2) * unit.rating_w
    scenario = replace(
        scenario,
        site=replace(site, units=MappingProxyType(units)),
        controls=controls,
        unlisted_w=unlisted_w,
    )
    return _with_own_stop(scenario, box) if chance.random() < 0.6 else scenario


def _made_fit(scenario: Scenario, chance: random.Random) -> Scenario:
    devices = dict(scenario.site.devices)
    for name, device in devices.items():
        if device.no_touch and chance.random() < 0.8:
            devices[name] = replace(device, no_touch=False)
    builds, manners = dict(scenario.builds), dict(scenario.manners)
    if not any(device.role is Role.AGENT_BOX for device in devices.values()):
        feeds = (next(iter(scenario.site.units)),)
        box = Device("box", Role.AGENT_BOX, 6.0, 6.0, feeds, starts=Starts.BY_ITSELF)
        devices = {"box": box, **devices}
        builds["box"] = DeviceBuild(watts=6.0, quiesce_s=1.0, stop_s=15.0, boot_s=30.0)
        manners["box"] = Manners(acts={}, stages=frozenset())
    return replace(
        scenario,
        site=replace(scenario.site, devices=MappingProxyType(devices)),
        builds=builds,
        manners=manners,
    )


def _with_own_stop(scenario: Scenario, box: Device) -> Scenario:
    """The agent's box can power itself off, and starts with its power."""
    site = scenario.site
    box = replace(box, stop_s=20.0, starts=Starts.BY_ITSELF)
    build = replace(scenario.builds[box.name], stop_s=15.0, starts_with_power=True)
    manners = Manners(
        acts={Act.QUIESCE: Repeat.SAFE, Act.STOP: Repeat.SAFE},
        stages=frozenset({Stage.QUIESCE, Stage.STOP}),
    )
    devices = MappingProxyType({n: box if n == box.name else d for n, d in site.devices.items()})
    return replace(
        scenario,
        site=replace(site, devices=devices),
        builds={**scenario.builds, box.name: build},
        manners={**scenario.manners, box.name: manners},
    )
