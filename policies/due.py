"""What is due to be brought to rest, and why: what forces it, what its owner wishes."""

from __future__ import annotations

import math
from collections.abc import Callable

from policies import reasons
from policies.graph import graph_of, may_be_stopped
from policies.model import Reason, Task
from policies.output_state import OutputPhase
from policies.scene import Scene, charge_of
from policies.shed import add_overload, add_way_givers
from policies.state import Phase
from policies.supply import UnitState, is_lost_for_good
from policies.timeline import MARGIN_S

COUNTDOWN_SIGNS = 2
"""Consecutive readings that make a countdown believed."""


def due_now(scene: Scene) -> dict[str, Reason]:
    """Return every device to be brought to rest now, with the first reason that holds."""
    due: dict[str, Reason] = {}
    for name in scene.site.devices:
        if may_be_stopped(scene.site, name):
            # A port cut as the battery ends saves nothing, and stays dark when power comes.
            forced = None if scene.site.devices[name].is_only_cut else _forced(scene, name)
            reason = forced or _wished(scene, name)
            if reason is not None:
                due[name] = reason
    add_way_givers(scene, due)
    add_overload(scene, due)
    for name, reason in tuple(due.items()):
        for user in graph_of(scene.site).users[name]:
            if may_be_stopped(scene.site, user) and user not in due and scene.goes_with(user, name):
                due[user] = reasons.goes_with(name, reason)
    return due


def _fed_only_by(scene: Scene, name: str, holds: Callable[[str, UnitState], bool]) -> str | None:
    """The unit to name when *holds* is true of every unit behind the device; else None."""
    graph = graph_of(scene.site)
    fed = graph.units[name]
    if not fed or name in graph.on_mains:
        return None
    if all(holds(unit, scene.state.units[unit]) for unit in fed):
        return min(fed)
    return None


def _forced(scene: Scene, name: str) -> Reason | None:
    """What stops it whatever its owner wishes; also for what it depends on."""
    for at in (name, *sorted(graph_of(scene.site).uses[name])):
        unit = _fed_only_by(scene, at, lambda _, u: u.is_low)
        if unit is not None:
            return reasons.battery_low(unit)
        unit = _fed_only_by(scene, at, lambda _, u: u.countdown_signs >= COUNTDOWN_SIGNS)
        if unit is not None:
            is_stuck = scene.state.units[unit].output.phase is OutputPhase.STUCK
            return reasons.output_stuck(unit) if is_stuck else reasons.countdown(unit)
        unit = _fed_only_by(
            scene, at, lambda n, u: is_lost_for_good(scene.site.units[n], u, scene.now)
        )
        if unit is not None:
            lost_at = scene.state.units[unit].lost_at
            assert lost_at is not None
            return reasons.unit_lost(unit, scene.now - lost_at)
    return _latest(scene, name)


def _latest(scene: Scene, name: str) -> Reason | None:
    slot, bare = scene.timeline.planned[name], scene.timeline.bare[name]
    if slot.start_latest_at > scene.now:
        return None
    end_s = bare.ends_at - scene.now
    takes_s = bare.ends_at - bare.start_latest_at
    is_resting = scene.state.devices[name].phase is Phase.RESTING
    if _is_held_up(scene, name) or (takes_s - MARGIN_S > end_s and not is_resting):
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


def _is_held_up(scene: Scene, name: str) -> bool:
    """Whether its rest has come no further than quiescing when its stop must begin.

    Its order was given while more time was left; the battery has come down faster since.
    """
    device, opened = scene.site.devices[name], scene.state.devices[name].order
    if device.stop_s is None or opened is None or opened.order.task is not Task.REST:
        return False
    needed_s = device.stop_s + device.settle_s + MARGIN_S
    has_begun = any(act == "stop" for act, _ in opened.steps)
    return not has_begun and scene.now >= scene.timeline.bare[name].stop_latest_at - needed_s


def _wished(scene: Scene, name: str) -> Reason | None:
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
    charge = charge_of(scene, fed)
    if wish.charge_below is not None and charge is not None and charge < wish.charge_below:
        return reasons.charge_below(charge=charge, threshold=wish.charge_below)
    lasting_s = scene.now - max(_since_at(scene, u) for u in fed)
    if wish.on_battery_for_s is not None and lasting_s >= wish.on_battery_for_s:
        return reasons.on_battery_for(lasting_s=lasting_s, threshold_s=wish.on_battery_for_s)
    return None


def _since_at(scene: Scene, unit: str) -> float:
    on_battery_at = scene.state.units[unit].on_battery_at
    return scene.now if on_battery_at is None else on_battery_at
