"""Devices that come back are started so many at a time as their unit bears."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.decide import decide
from policies.model import Battery, Device, Role, Site, Starts, Unit
from policies.state import DeviceState, Phase, SiteState
from policies.supply import Supply, UnitState

CABINET = Unit("cabinet", 600, 400, Battery(watt_hours=300))
RECORDER = Device(
    "recorder", Role.RECORDER, 40, 40, ("cabinet",), stop_s=30.0, starts=Starts.BY_ORDER,
    start_s=60.0, boot_watts=100.0,
)  # fmt: skip
OFF = DeviceState(Phase.AT_REST, is_ours=True)


def site_of(*devices: Device) -> Site:
    return Site("yard", {"cabinet": CABINET}, {device.name: device for device in devices})


def started(site: Site, load_w: float, **phases: Phase) -> list[str]:
    unit = UnitState(Supply.MAINS, mains_at=0.0, heard_at=400.0, load_w=load_w)
    devices = {name: replace(OFF, phase=phases.get(name, OFF.phase)) for name in site.devices}
    return [o.device for o in decide(site, SiteState({"cabinet": unit}, devices), {}, 401.0).orders]


def many(count: int) -> list[Device]:
    return [replace(RECORDER, name=f"r{number}", worth=float(number)) for number in range(count)]


@pytest.mark.parametrize(("load_w", "count"), [(0.0, 3), (160.0, 2), (260.0, 1), (399.0, 1)])
def test_as_many_start_as_the_rating_bears(load_w: float, count: int) -> None:
    """Nine tenths of 400 W: five recorders of 100 W at once would trip the unit."""
    assert len(started(site_of(*many(5)), load_w)) == count


def test_what_is_worth_most_starts_first() -> None:
    """The others follow once it runs."""
    assert started(site_of(*many(5)), 260.0) == ["r4"]


def test_next_one_waits_until_one_that_starts_runs() -> None:
    """What it draws meanwhile is not in the unit's reading yet."""
    site = site_of(*many(3))

    assert started(site, 200.0, r0=Phase.STARTING) == []
    assert started(site, 200.0, r0=Phase.RUNNING) == ["r2"]


def test_network_starts_before_storage_before_recorders_before_cameras_before_the_rest() -> None:
    """In that order, where nothing in the file says otherwise."""
    roles = [Role.COMPUTER, Role.CAMERA, Role.RECORDER, Role.STORAGE, Role.SWITCH]
    devices = [replace(RECORDER, name=role.value, role=role, boot_watts=40.0) for role in roles]

    assert started(site_of(*devices), 0.0) == [
        "switch",
        "storage",
        "recorder",
        "camera",
        "computer",
    ]


def test_losses_of_the_feed_count() -> None:
    """100 W at the device are 111 W at the unit, through a supply of 90 %."""
    switch = Device("switch", Role.SWITCH, 10, 10, ("cabinet",), poe_efficiency=0.9)
    fed = [replace(device, feeds=("switch",)) for device in many(2)]
    phases = {"switch": Phase.RUNNING}

    assert len(started(site_of(switch, *fed), 360.0 - 223.0, **phases)) == 2
    assert len(started(site_of(switch, *fed), 360.0 - 221.0, **phases)) == 1
