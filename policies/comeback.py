"""Bringing devices back: when mains is steady, and in the order of what uses what."""

from __future__ import annotations

import math
from collections.abc import Collection

from policies import reasons
from policies.boot_room import BootRoom, start_rank
from policies.graph import graph_of
from policies.model import Device, Order, Site, Starts, Task
from policies.runtime import LoadStep
from policies.scene import Scene, charge_of
from policies.state import DeviceState, Phase, SiteState, listed_load_w
from policies.supply import Supply, UnitState, belief_of

START_RETRY_AFTER_S = 120.0
START_RETRIES = 3


def starts_now(
    scene: Scene, *, held: Collection[str] = (), due: Collection[str] = ()
) -> list[Order]:
    """Return the orders that bring devices back once mains is steady, first what others use.

    As many at a time as the rating of their unit bears while they start; see `policies.boot_room`.
    Nothing is started behind the units in *held*: their outputs are about to drop, or are off; nor
    what is *due* to rest.
    """
    orders = []
    room: BootRoom | None = None
    wanted = [
        name
        for name, state in scene.state.devices.items()
        if _wants_start(scene, scene.site.devices[name], state)
    ]
    for name in sorted(wanted, key=lambda name: start_rank(scene, name)):
        device, state = scene.device(name)
        if not (state.is_ours or _is_to_be_restored(device, state)) or device.no_touch:
            continue
        if state.by_hand or name in due:  # whoever stopped it by hand may have a hand in it
            continue
        if not mains_is_steady(scene.site, scene.state, name) or not _is_founded(scene, name):
            continue
        fed = graph_of(scene.site).units[name]
        if not battery_is_ready(scene, fed) or not fed.isdisjoint(held):
            continue
        room = room or BootRoom(scene)
        if not room.has_room(name):
            continue
        # By itself or by hand, nothing is sent, but its return is watched for and said.
        wait_s = device.start_s if device.starts is Starts.BY_ORDER else max(device.start_s, 300.0)
        orders.append(
            Order(
                name,
                Task.START,
                scene.now + wait_s + 60.0,
                reasons.mains_back(_steady_s(scene.site, scene.state, name)),
            )
        )
    return orders


def _is_to_be_restored(device: Device, state: DeviceState) -> bool:
    """Whether it runs, by itself or by somebody's hand, and its recording is stopped as we left it.

    What nobody has seen to record is not known to.
    """
    return state.phase is Phase.RUNNING and device.can_restore and "quiesce" in state.owed


def _wants_start(scene: Scene, device: Device, state: DeviceState) -> bool:
    match state.phase:
        case Phase.RUNNING:
            return _is_to_be_restored(device, state)
        case Phase.AT_REST | Phase.GIVEN_UP:
            return True
        case Phase.NEEDS_HAND:
            waited_s = scene.now - state.since_at
            return state.attempts < START_RETRIES and waited_s >= START_RETRY_AFTER_S
        case _:
            return False


def _is_founded(scene: Scene, name: str) -> bool:
    """Whether all that the device uses runs again.

    A port that was only cut waits for its recorder as long as that may come back by an order. Left
    dark beyond that, it would be one more thing that the person who sees to the recorder must find.
    """
    graph = graph_of(scene.site)
    needed = [n for n in graph.uses[name] if scene.state.devices[n].phase is not Phase.RUNNING]
    if not needed or not scene.site.devices[name].is_only_cut:
        return not needed
    return all(name not in graph.touched_by[n] and _waits_for_hand(scene, n) for n in needed)


def _waits_for_hand(scene: Scene, name: str) -> bool:
    """Whether a device, or one that it uses, stays off until somebody sees to it."""
    known = [scene.state.devices[n] for n in (name, *graph_of(scene.site).uses[name])]
    return any(each.phase is Phase.NEEDS_HAND or each.by_hand for each in known)


def _steady_s(site: Site, state: SiteState, name: str) -> float:
    """For how long some unit behind the device has had mains when it was last heard; 0 = none.

    No unit tells of a device that is fed by mains alone: then all that tell of mains must agree.
    """
    units = state.units
    fed = graph_of(site).units[name]
    if fed:
        return max(unit_steady_s(units[unit]) for unit in fed)
    known = [unit for unit in units.values() if unit.supply is not Supply.UNKNOWN]
    return min((unit_steady_s(unit) for unit in known), default=0.0)


def unit_steady_s(unit: UnitState) -> float:
    """Return for how long a unit has had mains when it was last heard; 0 = it has none."""
    if (
        not unit.supply.has_mains
        or unit.mains_at is None
        or unit.heard_at is None
        or unit.signs  # on battery for a moment may be the next outage
    ):
        return 0.0
    return unit.heard_at - unit.mains_at


def mains_is_steady(site: Site, state: SiteState, name: str) -> bool:
    """Return whether mains is steady behind a device, and there behind all that it uses.

    What it uses, or the agent's own box, may be on the battery of another unit yet: then it would
    soon be told to rest again.
    """
    if _steady_s(site, state, name) < site.mains_steady_s:
        return False
    graph, units = graph_of(site), state.units
    for other in (*graph.uses[name], *graph.boxes):
        fed = graph.units[other]
        if fed and other not in graph.on_mains and all(units[u].is_on_battery for u in fed):
            return False
    return True


def battery_is_ready(scene: Scene, fed: Collection[str]) -> bool:
    """Return whether the best of the units *fed* holds enough for one more orderly stop."""
    charge = charge_of(scene.state, fed)
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
