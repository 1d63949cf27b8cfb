"""What is due to be brought to rest, and why: what forces it, what its owner wishes."""

from __future__ import annotations

import math
from collections.abc import Mapping

from policies import reasons
from policies.graph import graph_of, may_be_stopped
from policies.layout import layout_of
from policies.model import HOLDS_DATA, Reason, Task
from policies.output_state import OutputPhase
from policies.scene import Scene, charge_of
from policies.shed import add_overload, add_way_givers
from policies.state import Phase
from policies.supply import is_lost_for_good
from policies.timeline import MARGIN_S

COUNTDOWN_SIGNS = 2
"""Consecutive readings that make a countdown believed."""


def due_now(scene: Scene) -> dict[str, Reason]:
    """Return every device to be brought to rest now, with the first reason that holds."""
    due: dict[str, Reason] = {}
    stoppable, failing = graph_of(scene.site).stoppable, _failing(scene)
    for name, device in scene.site.devices.items():
        if name in stoppable:
            # A port cut as the battery ends saves nothing, and stays dark when power comes.
            forced = None if device.is_only_cut else _forced(scene, name, failing)
            reason = forced or _wished(scene, name)
            if reason is not None:
                due[name] = reason
    add_way_givers(scene, due)
    add_overload(scene, due)
    for name, reason in tuple(due.items()):
        for user in graph_of(scene.site).users[name]:
            if not may_be_stopped(scene.site, user) or user in due:
                continue
            if scene.goes_with(user, name):
                due[user] = reasons.goes_with(name, reason)
            elif _writes_to_given_up(scene, user, name):
                due[user] = reasons.spares(name, reason)
    return due


def _writes_to_given_up(scene: Scene, user: str, name: str) -> bool:
    """Whether a cut of *user* spares the disk of *name*, which would not come to rest by itself.

    It goes on running, and may lose its power so: with its writers removed its disk is idle then.
    Not while another still records the same.
    """
    writer = scene.site.devices[user]
    served = [scene.device(other) for other in writer.needs]
    phases = {state.phase for device, state in served if device.role in HOLDS_DATA}
    is_given_up = scene.state.devices[name].phase is Phase.GIVEN_UP
    holds_data = scene.site.devices[name].role in HOLDS_DATA
    writes = writer.is_only_cut and name in writer.needs and holds_data
    return writes and is_given_up and phases <= {Phase.GIVEN_UP, Phase.AT_REST}


Failing = Mapping[frozenset[str], Reason]
"""Why what hangs on these units, and on nothing else, must come to rest whatever it is."""


def _failing(scene: Scene) -> Failing:
    """Reckoned once for each set of units that something hangs on; empty while nothing is wrong."""
    found = {}
    for end in layout_of(scene.site).ends:
        if end.own is not None and end.own not in found:
            reason = _why_failing(scene, end.own)
            if reason is not None:
                found[end.own] = reason
    return found


def _why_failing(scene: Scene, fed: frozenset[str]) -> Reason | None:
    units, unit = scene.state.units, min(fed)
    if all(units[name].is_low for name in fed):
        return reasons.battery_low(unit)
    if all(units[name].countdown_signs >= COUNTDOWN_SIGNS for name in fed):
        is_stuck = units[unit].output.phase is OutputPhase.STUCK
        return reasons.output_stuck(unit) if is_stuck else reasons.countdown(unit)
    if all(is_lost_for_good(scene.site.units[name], units[name], scene.now) for name in fed):
        lost_at = units[unit].lost_at
        assert lost_at is not None
        return reasons.unit_lost(unit, scene.now - lost_at)
    return None


def _forced(scene: Scene, name: str, failing: Failing) -> Reason | None:
    """What stops it whatever its owner wishes; also for what it depends on."""
    if failing:
        graph = graph_of(scene.site)
        for at in (name, *sorted(graph.uses[name])):
            if at not in graph.on_mains and graph.units[at] in failing:
                return failing[graph.units[at]]
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
    needed_s = device.stop_s + device.settle_s + (device.cut_s or 0.0) + MARGIN_S
    has_begun = any(act == "stop" for act, _ in opened.steps)
    return not has_begun and scene.now >= scene.timeline.bare[name].stop_latest_at - needed_s


def _wished(scene: Scene, name: str) -> Reason | None:
    """The owner's own thresholds; any one suffices, while every unit behind it is on battery."""
    wish, graph = scene.site.devices[name].stop_when, graph_of(scene.site)
    fed = graph.units[name]
    if wish is None or not fed or name in graph.on_mains:
        return None
    if not all(scene.state.units[unit].is_on_battery for unit in fed):
        return None
    lower_s = max(scene.timeline.unit_lower_s[u] for u in fed)
    if wish.runtime_below_s is not None and lower_s < wish.runtime_below_s:
        return reasons.runtime_below(
            lower_s=lower_s,
            threshold_s=wish.runtime_below_s,
            quantile=max(scene.beliefs[u].bound_quantile for u in fed),
        )
    charge = charge_of(scene.state, fed)
    if wish.charge_below is not None and charge is not None and charge < wish.charge_below:
        return reasons.charge_below(charge=charge, threshold=wish.charge_below)
    lasting_s = scene.now - max(_since_at(scene, u) for u in fed)
    if wish.on_battery_for_s is not None and lasting_s >= wish.on_battery_for_s:
        return reasons.on_battery_for(lasting_s=lasting_s, threshold_s=wish.on_battery_for_s)
    return None


def _since_at(scene: Scene, unit: str) -> float:
    on_battery_at = scene.state.units[unit].on_battery_at
    return scene.now if on_battery_at is None else on_battery_at
