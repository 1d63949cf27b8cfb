"""The timeline over numbered lists, beside the same counted plainly, device by device."""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from policies.belief import Belief
from policies.graph import graph_of, may_be_stopped
from policies.layout import layout_of
from policies.model import HOLDS_DATA, MAINS_FEED, Role, Site
from policies.state import Phase, initial
from policies.timeline import AT_ONCE, Slot, timeline
from tests.policies.sites import CABINET, SWITCH, Run, site_of
from tests.policies.test_invariants import sites
from tests.policies.test_timeline import Fixed

LOFT = replace(CABINET, name="loft")


@st.composite
def wide_sites(draw: st.DrawFn) -> Site:
    """Draw a site with two units, sockets without a battery, and perhaps the agent's own box."""
    site = draw(sites())
    feeds = [("cabinet",), ("loft",), ("cabinet", "loft"), (MAINS_FEED,), ("cabinet", MAINS_FEED)]
    devices = []
    for name, device in site.devices.items():
        if device.feeds == ("cabinet",):
            device = replace(device, feeds=draw(st.sampled_from(feeds)))
        if name == "device 0" and draw(st.booleans()):
            device = replace(device, role=Role.AGENT_BOX)
        devices.append(device)
    copies = draw(st.sampled_from([0, 0, 50]))  # more than are told at once
    more = [replace(devices[-1], name=f"copy {number}") for number in range(copies)]
    return site_of(
        *devices, *more, units=(CABINET, LOFT), reserve=draw(st.sampled_from([0.0, 0.2]))
    )


@given(wide_sites(), st.data())
def test_lists_give_what_plain_counting_gives(site: Site, data: st.DataObject) -> None:
    """A large site is decided on in time, and not otherwise than a small one."""
    state = initial(site)
    some = st.sets(st.sampled_from(list(site.devices)))
    rested = data.draw(some)
    devices = {
        name: replace(device, phase=Phase.AT_REST) if name in rested else device
        for name, device in state.devices.items()
    }
    state = replace(state, devices=devices)
    ends_s = {
        unit: data.draw(st.floats(0.0, 5000.0))
        for unit in sorted(data.draw(st.sets(st.sampled_from(["cabinet", "loft"]))))
    }
    beliefs: dict[str, Belief] = {unit: Fixed(end_s) for unit, end_s in ends_s.items()}

    found = timeline(replace(site, reserve=0.0), state, beliefs, 0.0, margin_s=5.0)

    assert dict(found.bare) == plain_slots(site, frozenset(rested), ends_s, margin_s=5.0)


def plain_slots(
    site: Site, rested: frozenset[str], ends_at: Mapping[str, float], *, margin_s: float
) -> dict[str, Slot]:
    """Return every device's slot, with nothing made ready and nothing left out."""
    graph, devices = graph_of(site), site.devices
    power = {
        name: math.inf
        if name in graph.on_mains or not graph.units[name]
        else max(ends_at.get(unit, math.inf) for unit in graph.units[name])
        for name in devices
    }
    box_at = min([math.inf, *(power[n] for n, d in devices.items() if d.role is Role.AGENT_BOX)])
    limits = {n: min([box_at, power[n], *(power[o] for o in graph.uses[n])]) for n in devices}
    bound, starts = dict(limits), dict[str, float]()
    ready = [(-bound[name], name) for name in devices if not graph.uses[name]]
    heapq.heapify(ready)
    free = [math.inf] * AT_ONCE
    while ready:
        _, name = heapq.heappop(ready)
        starts[name] = bound[name]
        if may_be_stopped(site, name) and name not in rested:
            at = max(free)
            starts[name] = min(bound[name], at) - (devices[name].rest_s + margin_s)
            free[free.index(at)] = starts[name]
        for user in graph.users[name]:
            bound[user] = min(bound[user], starts[name])
            if graph.uses[user] <= starts.keys():
                heapq.heappush(ready, (-bound[user], user))
    return {name: Slot(limits[name], starts[name], bound[name]) for name in devices}


@given(wide_sites())
def test_reserve_is_kept_back_for_what_holds_data_alone(site: Site) -> None:
    """A camera is left on as long as it can be; only a recorder's end comes earlier by the plan."""
    beliefs: dict[str, Belief] = {"cabinet": Fixed(1000.0), "loft": Fixed(2000.0)}
    found = timeline(replace(site, reserve=0.2), initial(site), beliefs, 0.0)

    for name, device in site.devices.items():
        planned, bare = found.planned[name], found.bare[name]
        assert planned.ends_at <= bare.ends_at
        if device.role not in HOLDS_DATA:
            assert planned.ends_at == bare.ends_at


def test_each_site_is_numbered_once() -> None:
    """A thousand devices are not sorted anew at each decision; another site is another matter."""
    site, other = site_of(), site_of(SWITCH)

    assert layout_of(site) is layout_of(site)
    assert layout_of(other).names == ("yard switch",)


def test_mains_gives_no_slot_an_end() -> None:
    """Nothing is planned while nothing ends."""
    run = Run(site_of())

    assert set(run.decide().timeline.planned.values()) == {Slot(math.inf, math.inf, math.inf)}
