"""When each device's power ends, and the last moment at which its stop can safely begin.

Computed backwards from the end of the battery: a device's stop must have ended before the stop of
anything that it needs, is fed by or is reached through begins, and before any of these, or the
agent's own box, loses its power.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping
from dataclasses import dataclass

from policies.belief import Belief
from policies.graph import graph_of, may_be_stopped
from policies.model import HOLDS_DATA, Role, Site
from policies.runtime import LoadStep
from policies.state import Phase, SiteState, dusk_w

MARGIN_S = 5.0
"""Added to each stop for polling, deciding and connecting."""

RESERVE_LEAST_S = 60.0

AT_ONCE = 32
"""How many stops the plan counts on side by side; the agent never holds one back for others."""


@dataclass(frozen=True, slots=True)
class Slot:
    """A device's place before the end; site times in s, inf where nothing ends.

    Attributes:
        ends_at: when its power, its path, what it needs or the agent's box may end.
        start_latest_at: last moment at which its stop can begin.
        stop_latest_at: by when it must be at rest, since what it uses goes then.
    """

    ends_at: float
    start_latest_at: float
    stop_latest_at: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """The end of every unit and the slot of every device.

    Attributes:
        unit_lower_s, unit_median_s: seconds from now to each unit's end; inf on mains.
        planned: slots with the reserve kept back for what holds data; what is decided by.
        bare: the same on the lower bound itself; after these nothing can be promised.
    """

    unit_lower_s: Mapping[str, float]
    unit_median_s: Mapping[str, float]
    planned: Mapping[str, Slot]
    bare: Mapping[str, Slot]


def timeline(
    site: Site,
    state: SiteState,
    beliefs: Mapping[str, Belief],
    now: float,
    *,
    margin_s: float = 0.0,
) -> Timeline:
    """Return the timeline at site time *now*.

    Args:
        site: what hangs on what, and how long stops take.
        state: which devices are at rest already (their stop takes no more time), and the loads.
        beliefs: of the units that run on battery, and only of those; the others do not end.
        now: site time, s.
        margin_s: added to each stop for polling, connecting and deciding, s.
    """
    lower = {
        name: _end_s(site, state, beliefs, name, belief.bound_quantile, now)
        for name, belief in beliefs.items()
    }
    median = {name: _end_s(site, state, beliefs, name, 0.5, now) for name in beliefs}
    ends_at = {name: now + end_s for name, end_s in lower.items()}
    reserved_at = {name: at - reserve_s(site, at - now) for name, at in ends_at.items()}
    return Timeline(
        unit_lower_s=lower,
        unit_median_s=median,
        planned=_slots(site, state, ends_at, reserved_at, margin_s),
        bare=_slots(site, state, ends_at, ends_at, margin_s),
    )


def reserve_s(site: Site, lower_s: float) -> float:
    """Return how much of a lower bound is kept back for what holds data, in s.

    The owner's share of it, and at least a minute: late in a discharge a share is soon nothing.
    """
    if site.reserve == 0.0:
        return 0.0
    return min(lower_s, max(site.reserve * lower_s, RESERVE_LEAST_S))


def _end_s(
    site: Site,
    state: SiteState,
    beliefs: Mapping[str, Belief],
    unit: str,
    quantile: float,
    now: float,
) -> float:
    """Seconds to the end of one unit.

    The loads of units that end before it move over to it, and at dusk lights come on.
    """
    added: list[tuple[float, float]] = []
    if state.light_until_at is not None:
        added.append((max(0.0, state.light_until_at - now), dusk_w(site, state, unit)))
    if len(beliefs) > 1:
        alone = {
            name: belief.end_after_s([LoadStep(0.0, state.units[name].load_w)], quantile)
            for name, belief in beliefs.items()
        }
        for other, end_s in alone.items():
            if other != unit and end_s < alone[unit]:
                added.append((end_s, _shared_w(site, state, other, unit)))
    steps = [LoadStep(0.0, state.units[unit].load_w)]
    for after_s, more_w in sorted(added):
        if more_w > 0.0:
            at_s = max(after_s, steps[-1].after_s + 1e-3)
            steps.append(LoadStep(at_s, steps[-1].load_w + more_w))
    return beliefs[unit].end_after_s(steps, quantile)


def _shared_w(site: Site, state: SiteState, ending: str, staying: str) -> float:
    """Watts that move when one of several feeds ends: the part that it carried of each device."""
    fed = graph_of(site).units
    return sum(
        max(device.watts, device.night_watts) / len(fed[name])
        for name, device in site.devices.items()
        if {ending, staying} <= fed[name] and state.devices[name].phase is not Phase.AT_REST
    )


def _slots(
    site: Site,
    state: SiteState,
    ends_at: Mapping[str, float],
    reserved_at: Mapping[str, float],
    margin_s: float,
) -> dict[str, Slot]:
    """Every device's slot, by list scheduling in reversed time, AT_ONCE devices side by side."""
    graph = graph_of(site)
    plain, kept = _power_ends(site, ends_at), _power_ends(site, reserved_at)
    box_at = min(
        (plain[n] for n, d in site.devices.items() if d.role is Role.AGENT_BOX), default=math.inf
    )
    limits: dict[str, float] = {}
    for name, device in site.devices.items():
        power = kept if device.role in HOLDS_DATA else plain
        limits[name] = min([box_at, power[name], *(plain[other] for other in graph.uses[name])])
    starts = _starts(site, state, limits, margin_s)
    slots: dict[str, Slot] = {}
    for name in site.devices:
        before_at = min([limits[name], *(starts[other] for other in graph.uses[name])])
        slots[name] = Slot(limits[name], min(starts[name], before_at), before_at)
    return slots


def _power_ends(site: Site, unit_ends_at: Mapping[str, float]) -> dict[str, float]:
    """When each device loses power: with the last of its feeds."""
    fed = graph_of(site).units
    mains = graph_of(site).on_mains
    return {
        name: math.inf
        if name in mains or not fed[name]
        else max(unit_ends_at.get(unit, math.inf) for unit in fed[name])
        for name in site.devices
    }


def _starts(
    site: Site, state: SiteState, limits: Mapping[str, float], margin_s: float
) -> dict[str, float]:
    """Latest start of each stop; a device with nothing left to do starts at its limit."""
    graph = graph_of(site)
    waiting = {name: len(graph.uses[name]) for name in site.devices}
    bound = dict(limits)
    starts: dict[str, float] = {}
    ready = [(-bound[name], name) for name, count in waiting.items() if count == 0]
    heapq.heapify(ready)
    free = [-math.inf] * AT_ONCE  # negated times from which each place is free, looking backwards
    while ready:
        _, name = heapq.heappop(ready)
        takes_s = _left_s(site, state, name, margin_s)
        start_at = bound[name]
        if takes_s > 0.0:
            start_at = min(bound[name], -heapq.heappop(free)) - takes_s
            heapq.heappush(free, -start_at)
        starts[name] = start_at
        for user in graph.users[name]:
            bound[user] = min(bound[user], start_at)
            waiting[user] -= 1
            if waiting[user] == 0:
                heapq.heappush(ready, (-bound[user], user))
    assert len(starts) == len(site.devices), "the graph has no cycle"
    return starts


def _left_s(site: Site, state: SiteState, name: str, margin_s: float) -> float:
    device = state.devices[name]
    is_done = device.phase is Phase.AT_REST and (
        not device.is_assumed or site.devices[name].dry_run
    )
    if is_done or not may_be_stopped(site, name):
        return 0.0
    return site.devices[name].rest_s + margin_s
