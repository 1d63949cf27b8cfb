"""Stops that wait for notices, in drawn worlds: nothing is lost by it, and notices get out."""

from __future__ import annotations

import math
from dataclasses import replace
from types import MappingProxyType

import pytest

from agent.simulation.draw import draw
from agent.simulation.ride import Onlooker, ride
from agent.simulation.scenario import Scenario
from policies.events import Event, OrderGiven
from policies.model import Role, StopWhen, Task
from policies.short import IN_SHORT
from policies.way_out import first_of

NETWORK = frozenset({Role.SWITCH, Role.ROUTER, Role.MODEM})
OUT_S = 8.0
KEPT_S = 20.0


def telling(seed: int, *, out_s: float, kept_s: float) -> Scenario:
    """A drawn world whose notices go through all of its network, which is to be stopped early."""
    scenario = draw(seed)
    devices = scenario.site.devices
    way = frozenset(name for name, device in devices.items() if device.role in NETWORK)
    wished = StopWhen(on_battery_for_s=60.0 + 30.0 * (seed % 4))
    early = {
        name: replace(device, stop_when=wished) if name in way else device
        for name, device in devices.items()
    }
    site = replace(scenario.site, devices=MappingProxyType(early), way_out=way, notices_s=kept_s)
    return replace(scenario, site=site, notices_out_s=out_s)


@pytest.mark.parametrize("out_s", [OUT_S, math.inf])
def test_no_invariant_is_broken_for_a_notice(out_s: float) -> None:
    """Also where notices never get out: each time is waited for in vain, and nothing is lost."""
    ridden = [ride(telling(s, out_s=out_s, kept_s=KEPT_S)) for s in range(20)]
    outages = [outage for one in ridden for outage in one.outages]

    assert not [violation for one in ridden for violation in one.violations]
    assert sum(bool(outage.lost) for outage in outages) <= 0.01 * len(outages)


def stops(seed: int, *, out_s: float) -> dict[str, list[float]]:
    """When the devices that are the first of the way out were told to rest, in order."""
    scenario = telling(seed, out_s=out_s, kept_s=KEPT_S)
    first = first_of(scenario.site)
    told: dict[str, list[float]] = {}

    def hear(at: float, event: Event) -> None:
        if not isinstance(event, OrderGiven) or event.order.device not in first:
            return
        is_hasty = event.order.reason.code in IN_SHORT | {"overload"}
        if event.order.task is Task.REST and not is_hasty:
            told.setdefault(event.order.device, []).append(at)

    ride(scenario, Onlooker(event=hear))
    return told


@pytest.mark.parametrize("seed", [2, 6, 12])
def test_way_is_stopped_later_by_what_is_kept_for_notices_at_most(seed: int) -> None:
    """Worlds in which it is stopped with time to spare; here notices never get out."""
    free, held = stops(seed, out_s=0.0), stops(seed, out_s=math.inf)
    waits_s = [held[name][0] - free[name][0] for name in free if name in held]

    assert waits_s
    assert all(0.0 <= wait_s <= KEPT_S + 1.0 for wait_s in waits_s)
    assert max(waits_s) > 1.0
