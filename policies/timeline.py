"""When each device's power ends, and the last moment at which its stop can safely begin.

Computed backwards from the end of the battery: a device's stop must have ended before the stop of
anything that it needs, is fed by or is reached through begins, and before any of these, or the
agent's own box, loses its power.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from policies.belief import Belief
from policies.graph import made_once
from policies.layout import Feed, Layout, layout_of
from policies.model import Site
from policies.runtime import LoadStep
from policies.state import Phase, SiteState, dusk_w
from policies.way_out import first_of

MARGIN_S = 5.0
"""Added to each stop for polling, deciding and connecting."""

RESERVE_LEAST_S = 60.0

AT_ONCE = 32
"""How many stops the plan counts on side by side; the agent never holds one back for others."""


class Slot(NamedTuple):
    """A device's place before the end; site times in s, inf where nothing ends.

    A tuple, since two thousand are made for each decision on a large site.

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
        planned: slots with the reserve kept back for what holds data, and time for notices to get
            out; what is decided by.
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
    lower, median = _ends_s(site, state, beliefs, now)
    ends_at = {name: now + end_s for name, end_s in lower.items()}
    reserved_at = {name: at - reserve_s(site, at - now) for name, at in ends_at.items()}
    layout = layout_of(site)
    takes_s = _takes_s(site, state, margin_s)
    told_s = _with_notices(site, state, takes_s)
    return Timeline(
        unit_lower_s=lower,
        unit_median_s=median,
        planned=_slots(site, layout, ends_at, reserved_at, told_s),
        bare=_slots(site, layout, ends_at, ends_at, takes_s),
    )


def reserve_s(site: Site, lower_s: float) -> float:
    """Return how much of a lower bound is kept back for what holds data, in s.

    The owner's share of it, and at least a minute: late in a discharge a share is soon nothing.
    """
    if site.reserve == 0.0:
        return 0.0
    return min(lower_s, max(site.reserve * lower_s, RESERVE_LEAST_S))


def _ends_s(
    site: Site, state: SiteState, beliefs: Mapping[str, Belief], now: float
) -> tuple[dict[str, float], dict[str, float]]:
    """Seconds to the end of every unit, on its lower bound and in the median.

    The loads of units that end before it move over to it, and at dusk lights come on.
    """
    dusk: dict[str, tuple[float, float]] = {}
    if state.light_until_at is not None:
        dusk_s = max(0.0, state.light_until_at - now)
        dusk = {name: (dusk_s, dusk_w(site, state, name)) for name in beliefs}
    alone: dict[float, dict[str, float]] = {}
    if len(beliefs) > 1:
        alone = {
            quantile: {
                name: belief.end_after_s([LoadStep(0.0, state.units[name].load_w)], quantile)
                for name, belief in beliefs.items()
            }
            for quantile in {0.5, *(belief.bound_quantile for belief in beliefs.values())}
        }

    def end_s(unit: str, quantile: float) -> float:
        added = [dusk[unit]] if dusk else []
        if alone:
            ends_s = alone[quantile]
            added += [
                (other_s, _shared_w(site, state, other, unit))
                for other, other_s in ends_s.items()
                if other != unit and other_s < ends_s[unit]
            ]
        steps = [LoadStep(0.0, state.units[unit].load_w)]
        for after_s, more_w in sorted(added):
            if more_w > 0.0:
                at_s = max(after_s, steps[-1].after_s + 1e-3)
                steps.append(LoadStep(at_s, steps[-1].load_w + more_w))
        if alone and len(steps) == 1:
            return alone[quantile][unit]
        return beliefs[unit].end_after_s(steps, quantile)

    lower = {name: end_s(name, belief.bound_quantile) for name, belief in beliefs.items()}
    return lower, {name: end_s(name, 0.5) for name in beliefs}


def _shared_w(site: Site, state: SiteState, ending: str, staying: str) -> float:
    """Watts that move when one of several feeds ends: the part that it carried of each device."""
    return sum(
        part_w
        for name, part_w in layout_of(site).shared.get((ending, staying), ())
        if state.devices[name].phase is not Phase.AT_REST
    )


def _takes_s(site: Site, state: SiteState, margin_s: float) -> list[float]:
    """What each stop takes yet, by the layout's numbers; a device with nothing left to do: 0."""
    layout = layout_of(site)
    takes_s = [0.0] * len(layout.names)
    for i in layout.stoppable:
        name = layout.names[i]
        device = state.devices[name]
        is_done = device.phase is Phase.AT_REST and (
            not device.is_assumed or site.devices[name].dry_run
        )
        if not is_done:
            takes_s[i] = layout.rest_s[i] + margin_s
    return takes_s


def _with_notices(site: Site, state: SiteState, takes_s: Sequence[float]) -> Sequence[float]:
    """The same, with what is kept for notices before the stops of those that they go through.

    Only in what is planned: where time is short it is not kept.
    """
    waited = [name for name in first_of(site) if state.devices[name].order is None]
    if not waited or site.notices_s <= 0.0:
        return takes_s
    number = {name: i for i, name in enumerate(layout_of(site).names)}
    told_s = list(takes_s)
    for i in map(number.__getitem__, waited):
        if told_s[i] > 0.0:
            told_s[i] += site.notices_s
    return told_s


def _slots(
    site: Site,
    layout: Layout,
    ends_at: Mapping[str, float],
    reserved_at: Mapping[str, float],
    takes_s: Sequence[float],
) -> Mapping[str, Slot]:
    """Every device's slot, by list scheduling in reversed time, AT_ONCE devices side by side."""
    if not ends_at:
        return _endless(site)
    by_end = _limits(layout, ends_at, reserved_at)
    limits = [by_end[end] for end in layout.end_of]
    starts, bounds = _starts(layout, limits, takes_s)
    slots = list(map(Slot, limits, starts, bounds))
    return dict(zip(site.devices, map(slots.__getitem__, layout.in_order), strict=True))


@made_once
def _endless(site: Site) -> Mapping[str, Slot]:
    """The slots of a site on mains."""
    return MappingProxyType(dict.fromkeys(site.devices, Slot(math.inf, math.inf, math.inf)))


def _limits(
    layout: Layout, ends_at: Mapping[str, float], reserved_at: Mapping[str, float]
) -> list[float]:
    """When each of the layout's ends comes: with the last feed of any power that counts for it."""

    def lost_at(feed: Feed, unit_ends_at: Mapping[str, float]) -> float:
        if feed is None:
            return math.inf
        return max(unit_ends_at.get(unit, math.inf) for unit in feed)

    box_at = min((lost_at(feed, ends_at) for feed in layout.boxes), default=math.inf)
    return [
        min(
            box_at,
            lost_at(end.own, reserved_at if end.holds_data else ends_at),
            *(lost_at(feed, ends_at) for feed in end.used),
        )
        for end in layout.ends
    ]


def _starts(
    layout: Layout, limits: Sequence[float], takes_s: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Latest start of each stop, and by when it must have ended: when what it uses goes.

    A device with nothing left to do starts at its limit. One that nobody uses besides holds up no
    other, and is passed over.
    """
    bounds, waiting = list(limits), list(layout.counts)
    starts = list(bounds)
    users = layout.users
    ready = [(-bounds[i], i) for i, count in enumerate(waiting) if count == 0]
    heapq.heapify(ready)
    free = [-math.inf] * AT_ONCE  # negated times from which each place is free, looking backwards
    while ready:
        _, i = heapq.heappop(ready)
        start_at = bounds[i]
        if takes_s[i] > 0.0:
            start_at = min(start_at, -free[0]) - takes_s[i]
            heapq.heapreplace(free, -start_at)
        starts[i] = start_at
        for user in users[i]:
            if start_at < bounds[user]:
                bounds[user] = start_at
            waiting[user] -= 1
            if waiting[user] == 0:
                if users[user] or takes_s[user] > 0.0:
                    heapq.heappush(ready, (-bounds[user], user))
                else:
                    starts[user] = bounds[user]
    assert not any(waiting), "the graph has no cycle"
    return starts, bounds
