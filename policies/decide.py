"""What to tell which device now: the same orders for the same input, always.

An order goes out when it is due and its device is free. It is due by the owner's own thresholds,
by the latest safe start that holds beneath them, by a battery that says it is low, or because it
has to give way; it is free when everything that needs it, is fed by it or is reached through it is
at rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from policies import reasons
from policies.belief import Belief
from policies.graph import graph_of, may_be_stopped
from policies.model import HOLDS_DATA, Device, Order, Reason, Site, Starts, Task
from policies.runtime import LoadStep
from policies.state import DeviceState, Phase, SiteState, listed_load_w
from policies.supply import (
    OVERLOAD_SUSTAINED_S,
    Supply,
    UnitState,
    believable_charge,
    belief_of,
    is_lost_for_good,
)
from policies.timeline import Timeline, timeline

MARGIN_S = 5.0
"""Added to each stop for polling, deciding and connecting."""

RETRY_AFTER_S = 30.0
RETRIES = 5
START_RETRY_AFTER_S = 120.0
START_RETRIES = 3
COUNTDOWN_SIGNS = 2
_LONGEST_WAIT_S = 30.0


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do now.

    Attributes:
        orders: what holds data first, by falling worth; the rest after.
        wake_at: when to decide again at the latest, even if nothing is heard; site time, s.
        timeline: what it was decided by.
    """

    orders: tuple[Order, ...]
    wake_at: float
    timeline: Timeline


@dataclass(frozen=True, slots=True)
class _Scene:
    """The arguments of `decide`, and what every rule looks at."""

    site: Site
    state: SiteState
    beliefs: Mapping[str, Belief]
    now: float
    timeline: Timeline

    def device(self, name: str) -> tuple[Device, DeviceState]:
        return self.site.devices[name], self.state.devices[name]

    def is_at_rest_for(self, other: str, name: str) -> bool:
        """Whether *other* is at rest in the eyes of *name*: dry never counts for live."""
        state = self.state.devices[other]
        return state.phase is Phase.AT_REST and (
            not state.is_assumed or self.site.devices[name].dry_run
        )


def beliefs_of(site: Site, state: SiteState, now: float) -> dict[str, Belief]:
    """Return the simple belief of every unit that runs on battery."""
    return {
        name: belief_of(site.units[name], unit, now)
        for name, unit in state.units.items()
        if unit.is_on_battery
    }


def decide(site: Site, state: SiteState, beliefs: Mapping[str, Belief], now: float) -> Decision:
    """Return the orders of this moment.

    Args:
        site: the site's file; with every device in dry run, this is a rehearsal.
        state: the fold of the journal.
        beliefs: one for each unit on battery, and for no other.
        now: site time, s.
    """
    scene = _Scene(
        site, state, beliefs, now, timeline(site, state, beliefs, now, margin_s=MARGIN_S)
    )
    orders: list[Order] = []
    if state.paused_until_at is None or state.paused_until_at <= now:
        orders = [*_rests(scene), *_starts(scene)]
    assert all(order.deadline_at > now for order in orders), "no deadline lies before now"
    assert all(may_be_stopped(site, o.device) for o in orders if o.task is Task.REST)
    return Decision(tuple(orders), _wake_at(scene), scene.timeline)


def _rests(scene: _Scene) -> list[Order]:
    due = _due(scene)
    orders = [
        _rest(scene, name, reason)
        for name, reason in due.items()
        if _wants_order(scene, name, reason) and _is_free(scene, name, reason)
    ]

    def rank(order: Order) -> tuple[bool, float, str]:
        device = scene.site.devices[order.device]
        return device.role not in HOLDS_DATA, -device.worth, order.device

    return sorted(orders, key=rank)


_IN_SHORT = frozenset({"battery_low", "countdown", "too_late"})


def _rest(scene: _Scene, name: str, reason: Reason) -> Order:
    device = scene.site.devices[name]
    needed_s = device.rest_s + MARGIN_S
    patience_at = scene.now + 3.0 * device.rest_s + 60.0
    deadline_at = max(
        scene.now + needed_s, min(scene.timeline.bare[name].stop_latest_at, patience_at)
    )
    return Order(name, Task.REST, deadline_at, reason, in_short=reason.code in _IN_SHORT)


def _wants_order(scene: _Scene, name: str, reason: Reason) -> bool:
    """Whether an order is to be given, or a running one hurried; not what is under way already."""
    state = scene.state.devices[name]
    match state.phase:
        case Phase.RUNNING | Phase.NEEDS_HAND:
            return True
        case Phase.RESTING:
            return reason.code in _IN_SHORT and not state.in_short
        case Phase.STARTING:
            return False  # carried through first; its end leads here again
        case Phase.AT_REST:
            # Rehearsed only: it is still on, and a device that runs live wants the order.
            return state.is_assumed and not scene.site.devices[name].dry_run
        case Phase.GIVEN_UP:
            rested_s = scene.now - state.since_at
            return state.attempts < RETRIES and rested_s >= RETRY_AFTER_S


def _is_free(scene: _Scene, name: str, reason: Reason) -> bool:
    """Whether nothing that still has to be told or written hangs on the device.

    At its own last moment a device that holds data no longer waits for one that was given up, or
    that is still coming to rest: waiting would lose both. A switch waits for ever, since stopping
    it saves nothing.
    """
    device = scene.site.devices[name]
    is_last = scene.now >= scene.timeline.bare[name].start_latest_at or reason.code in _IN_SHORT
    for other in graph_of(scene.site).users[name]:
        user, state = scene.device(other)
        if scene.is_at_rest_for(other, name):
            continue
        if user.is_passive and user.role not in HOLDS_DATA and not user.no_touch:
            continue
        was_told = state.phase is Phase.GIVEN_UP or (
            state.phase is Phase.RESTING and scene.now >= scene.timeline.bare[name].start_latest_at
        )
        if not (was_told and is_last and device.role in HOLDS_DATA):
            return False
    return True


def _due(scene: _Scene) -> dict[str, Reason]:
    """Every device to be brought to rest now, with the first reason that holds."""
    due: dict[str, Reason] = {}
    for name in scene.site.devices:
        if may_be_stopped(scene.site, name):
            reason = _forced(scene, name) or _wished(scene, name)
            if reason is not None:
                due[name] = reason
    _add_way_givers(scene, due)
    _add_overload(scene, due)
    for name, reason in tuple(due.items()):
        for user in graph_of(scene.site).users[name]:
            if may_be_stopped(scene.site, user) and user not in due:
                due[user] = reasons.goes_with(name, reason)
    return due


def _fed_only_by(scene: _Scene, name: str, holds: Callable[[str, UnitState], bool]) -> str | None:
    """The unit to name when *holds* is true of every unit behind the device; else None."""
    graph = graph_of(scene.site)
    fed = graph.units[name]
    if not fed or name in graph.on_mains:
        return None
    if all(holds(unit, scene.state.units[unit]) for unit in fed):
        return min(fed)
    return None


def _forced(scene: _Scene, name: str) -> Reason | None:
    """What stops it whatever its owner wishes; also for what it depends on."""
    for at in (name, *sorted(graph_of(scene.site).uses[name])):
        unit = _fed_only_by(scene, at, lambda _, u: u.is_low)
        if unit is not None:
            return reasons.battery_low(unit)
        unit = _fed_only_by(scene, at, lambda _, u: u.countdown_signs >= COUNTDOWN_SIGNS)
        if unit is not None:
            return reasons.countdown(unit)
        unit = _fed_only_by(
            scene, at, lambda n, u: is_lost_for_good(scene.site.units[n], u, scene.now)
        )
        if unit is not None:
            lost_at = scene.state.units[unit].lost_at
            assert lost_at is not None
            return reasons.unit_lost(unit, scene.now - lost_at)
    return _latest(scene, name)


def _latest(scene: _Scene, name: str) -> Reason | None:
    slot, bare = scene.timeline.planned[name], scene.timeline.bare[name]
    if slot.start_latest_at > scene.now:
        return None
    end_s = bare.ends_at - scene.now
    takes_s = bare.ends_at - bare.start_latest_at
    if takes_s > end_s and scene.state.devices[name].phase is not Phase.RESTING:
        return reasons.too_late(lower_s=end_s, takes_s=takes_s)
    median_s = max(scene.timeline.unit_median_s.values(), default=math.inf)
    quantile = max(belief.bound_quantile for belief in scene.beliefs.values())
    return reasons.latest_safe_start(
        lower_s=end_s,
        median_s=median_s,
        quantile=quantile,
        takes_s=takes_s,
        reserve_s=max(0.0, bare.ends_at - slot.ends_at),
    )


def _wished(scene: _Scene, name: str) -> Reason | None:
    """The owner's own thresholds; any one suffices, while every unit behind it is on battery."""
    wish = scene.site.devices[name].stop_when
    unit = _fed_only_by(scene, name, lambda _, u: u.is_on_battery)
    if wish is None or unit is None:
        return None
    fed = graph_of(scene.site).units[name]
    lower_s = max(scene.timeline.unit_lower_s[u] for u in fed)
    if wish.runtime_below_s is not None and lower_s < wish.runtime_below_s:
        return reasons.runtime_below(
            lower_s=lower_s,
            threshold_s=wish.runtime_below_s,
            quantile=max(scene.beliefs[u].bound_quantile for u in fed),
        )
    charge = _charge(scene, fed)
    if wish.charge_below is not None and charge is not None and charge < wish.charge_below:
        return reasons.charge_below(charge=charge, threshold=wish.charge_below)
    lasting_s = scene.now - max(scene.state.units[u].on_battery_at or scene.now for u in fed)
    if wish.on_battery_for_s is not None and lasting_s >= wish.on_battery_for_s:
        return reasons.on_battery_for(lasting_s=lasting_s, threshold_s=wish.on_battery_for_s)
    return None


def _charge(scene: _Scene, units: Iterable[str]) -> float | None:
    """The best charge that the units report, or None where one of them reports none."""
    charges: list[float] = []
    for unit in units:
        reading = scene.state.units[unit].reading
        charge = None if reading is None else believable_charge(reading)
        if charge is None:
            return None
        charges.append(charge)
    return max(charges, default=None)


def _add_way_givers(scene: _Scene, due: dict[str, Reason]) -> None:
    """Give up what is worth least while the hold time of something worth more cannot be met."""
    outage_at = scene.state.outage_at
    if outage_at is None:
        return
    for unit, belief in scene.beliefs.items():
        load_w = scene.state.units[unit].load_w
        holder = _unmet(scene, unit, belief, load_w, outage_at)
        for name in _may_give_way(scene, unit, outage_at):
            if holder is None:
                break
            given, wanted = scene.site.devices[name], scene.site.devices[holder]
            if given.worth >= wanted.worth or name in graph_of(scene.site).uses[holder]:
                continue
            due.setdefault(
                name,
                reasons.gives_way(
                    to=holder,
                    lower_s=belief.end_after_s([LoadStep(0.0, load_w)], belief.bound_quantile),
                    wanted_s=outage_at + wanted.hold_s - scene.now,
                ),
            )
            if scene.state.devices[name].phase is not Phase.AT_REST:
                load_w = max(0.0, load_w - given.watts)
            holder = _unmet(scene, unit, belief, load_w, outage_at)


def _unmet(scene: _Scene, unit: str, belief: Belief, load_w: float, outage_at: float) -> str | None:
    """The device of most worth whose hold time cannot be met at that load, or None."""
    lower_s = belief.end_after_s([LoadStep(0.0, load_w)], belief.bound_quantile)
    end_at = scene.now + (1.0 - scene.site.reserve) * lower_s
    fed = graph_of(scene.site).units
    unmet = [
        name
        for name, device in scene.site.devices.items()
        if fed[name] == {unit}
        and scene.state.devices[name].phase is Phase.RUNNING
        and scene.now < outage_at + device.hold_s
        and outage_at + device.hold_s > end_at - (device.rest_s + MARGIN_S)
    ]
    return max(unmet, key=lambda name: (scene.site.devices[name].worth, name), default=None)


def _may_give_way(scene: _Scene, unit: str, outage_at: float) -> list[str]:
    """What may be given up for another's hold time: by rising worth for each watt it frees."""
    graph = graph_of(scene.site)

    def may(name: str) -> bool:
        device, state = scene.device(name)
        return (
            graph.units[name] == {unit}
            and may_be_stopped(scene.site, name)
            and device.watts > 0.0
            and scene.now >= outage_at + device.hold_s
            and state.phase in (Phase.RUNNING, Phase.RESTING, Phase.AT_REST)
            and all(
                scene.site.devices[user].is_passive and scene.site.devices[user].hold_s == 0.0
                for user in graph.users[name]
                if not scene.is_at_rest_for(user, name)
            )
        )

    names = [name for name in scene.site.devices if may(name)]
    return sorted(names, key=lambda n: (_worth_per_watt(scene.site.devices[n]), n))


def _worth_per_watt(device: Device) -> float:
    return device.worth / device.watts


def _add_overload(scene: _Scene, due: dict[str, Reason]) -> None:
    """Give up one device at a time while a unit stays overloaded, on mains or not."""
    graph = graph_of(scene.site)
    for unit, state in scene.state.units.items():
        if state.overload_at is None or scene.now - state.overload_at < OVERLOAD_SUSTAINED_S:
            continue
        fed = [n for n in scene.site.devices if unit in graph.units[n]]
        if any(scene.state.devices[n].phase is Phase.RESTING for n in fed):
            continue
        running = [
            n
            for n in fed
            if may_be_stopped(scene.site, n)
            and scene.state.devices[n].phase is Phase.RUNNING
            and not any(scene.state.devices[u].phase is Phase.RUNNING for u in graph.users[n])
        ]
        running.sort(key=lambda n: (scene.site.devices[n].worth, n))
        if running:
            lasting_s = scene.now - state.overload_at
            due.setdefault(running[0], reasons.overload(unit, lasting_s))


def _starts(scene: _Scene) -> list[Order]:
    """Bring back what orders stopped, in the order of what uses what, once mains is steady."""
    orders = []
    for name, device in scene.site.devices.items():
        state = scene.state.devices[name]
        if not state.is_ours or not _wants_start(scene, state) or device.no_touch:
            continue
        if not _mains_is_steady(scene, name) or not _is_founded(scene, name):
            continue
        # By itself or by hand, nothing is sent, but its return is watched for and said.
        wait_s = device.start_s if device.starts is Starts.BY_ORDER else max(device.start_s, 300.0)
        orders.append(
            Order(
                name,
                Task.START,
                scene.now + wait_s + 60.0,
                reasons.mains_back(_steady_s(scene, name)),
            )
        )
    return orders


def _wants_start(scene: _Scene, state: DeviceState) -> bool:
    match state.phase:
        case Phase.AT_REST | Phase.GIVEN_UP:
            return True
        case Phase.NEEDS_HAND:
            waited_s = scene.now - state.since_at
            return state.attempts < START_RETRIES and waited_s >= START_RETRY_AFTER_S
        case _:
            return False


def _is_founded(scene: _Scene, name: str) -> bool:
    """Whether all that the device uses runs again."""
    return all(
        scene.state.devices[other].phase is Phase.RUNNING
        for other in graph_of(scene.site).uses[name]
    )


def _steady_s(scene: _Scene, name: str) -> float:
    """For how long some unit behind the device has had mains, s; 0 where none has."""
    since = [
        unit.mains_at
        for unit in (scene.state.units[u] for u in graph_of(scene.site).units[name])
        if unit.supply in (Supply.MAINS, Supply.UNPROTECTED) and unit.mains_at is not None
    ]
    return scene.now - min(since, default=scene.now)


def _mains_is_steady(scene: _Scene, name: str) -> bool:
    """Whether mains is steady, and the battery holds enough for one more orderly stop."""
    if _steady_s(scene, name) < scene.site.mains_steady_s:
        return False
    fed = graph_of(scene.site).units[name]
    charge = _charge(scene, fed)
    if charge is not None:
        return charge >= scene.site.return_charge
    longest_s = 2.0 * max((d.rest_s for d in scene.site.devices.values()), default=0.0)
    lasts = [
        belief.end_after_s(
            [LoadStep(0.0, listed_load_w(scene.site, scene.state, unit))], belief.bound_quantile
        )
        for unit in fed
        for belief in [belief_of(scene.site.units[unit], scene.state.units[unit], scene.now)]
    ]
    return max(lasts, default=math.inf) >= longest_s


def _wake_at(scene: _Scene) -> float:
    """The next moment at which waiting alone can make something due."""
    at = [scene.now + _LONGEST_WAIT_S]
    at += [slot.start_latest_at for slot in scene.timeline.planned.values()]
    for name, device in scene.site.devices.items():
        wish = device.stop_when
        if wish is not None and wish.on_battery_for_s is not None:
            at += [
                (unit.on_battery_at or math.inf) + wish.on_battery_for_s
                for unit in (scene.state.units[u] for u in graph_of(scene.site).units[name])
            ]
        state = scene.state.devices[name]
        if state.phase in (Phase.GIVEN_UP, Phase.NEEDS_HAND):
            at += [state.since_at + RETRY_AFTER_S, state.since_at + START_RETRY_AFTER_S]
    for unit in scene.state.units.values():
        if unit.mains_at is not None:
            at.append(unit.mains_at + scene.site.mains_steady_s)
    return min(moment for moment in at if moment > scene.now)
