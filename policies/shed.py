"""What gives way: to something worth more, by the plan or by a plain rule, or to an overload.

The plan is made beside the decisions. Where there is none that can be used, a plain rule holds:
what is worth least gives way while a hold time of something worth more is unmet.
"""

from __future__ import annotations

from collections.abc import Sequence

from policies import reasons
from policies.belief import Belief
from policies.graph import graph_of, may_be_stopped
from policies.model import HOLDS_DATA, Device, Reason
from policies.plan import PlannedStop
from policies.plan_use import lower_left_s, speaks_for, stays_until_s, way_givers
from policies.runtime import LoadStep
from policies.scene import Scene
from policies.state import Phase
from policies.supply import OVERLOAD_SUSTAINED_S
from policies.timeline import MARGIN_S, reserve_s


def add_way_givers(scene: Scene, due: dict[str, Reason]) -> None:
    """Add to *due* what gives way so that something worth more can stay on."""
    outage_at = scene.state.outage_at
    if outage_at is None:
        return
    for stop in way_givers(scene):
        if stop.on_until_at <= scene.now:
            due.setdefault(stop.device, _planned(scene, stop))
    if scene.now < outage_at + scene.site.patience_s:
        return
    planned = speaks_for(scene.plan, scene.state, scene.beliefs.keys(), scene.now)
    for unit, belief in scene.beliefs.items():
        if unit not in planned:
            _add_plainly(scene, due, unit, belief, outage_at)


def _planned(scene: Scene, stop: PlannedStop) -> Reason:
    """Why a device gives way now, in the plan's numbers."""
    assert scene.plan is not None
    units = graph_of(scene.site).units[stop.device]
    lower_s, quantile = lower_left_s(scene.plan, units, scene.now)
    return reasons.planned_way(
        to=stop.sake,
        watts=scene.site.devices[stop.device].watts,
        lower_s=lower_s,
        quantile=quantile,
        until_s=stays_until_s(scene.plan, stop.sake, scene.now),
        age_s=scene.now - scene.plan.made_at,
    )


def _add_plainly(
    scene: Scene, due: dict[str, Reason], unit: str, belief: Belief, outage_at: float
) -> None:
    """Add what is worth least while a hold time of something worth more is unmet."""
    load_w = scene.state.units[unit].load_w
    holder = _unmet(scene, unit, belief, load_w, outage_at)
    names = _may_give_way(scene, unit, outage_at)
    for name in names:
        if holder is None:
            break
        if not _gives_way_to(scene, name, holder):
            continue
        given, wanted = scene.site.devices[name], scene.site.devices[holder]
        if given.role in HOLDS_DATA and not _can_be_met(scene, belief, holder, names, outage_at):
            continue
        lower_s = belief.end_after_s([LoadStep(0.0, load_w)], belief.bound_quantile)
        wanted_s = outage_at + wanted.hold_s - scene.now
        kept_s = wanted.rest_s + MARGIN_S + reserve_s(scene.site, lower_s)
        reason = reasons.gives_way(
            to=holder, lower_s=lower_s, wanted_s=wanted_s, needed_s=wanted_s + kept_s
        )
        due.setdefault(name, reason)
        if scene.state.devices[name].phase is not Phase.AT_REST:
            load_w = max(0.0, load_w - given.watts)
        holder = _unmet(scene, unit, belief, load_w, outage_at)


def _gives_way_to(scene: Scene, name: str, holder: str) -> bool:
    given, wanted = scene.site.devices[name], scene.site.devices[holder]
    return given.worth < wanted.worth and name not in graph_of(scene.site).uses[holder]


def _can_be_met(
    scene: Scene, belief: Belief, holder: str, names: Sequence[str], outage_at: float
) -> bool:
    """Whether a hold time is met once all that may give way to it has.

    What holds data is not given up for a wish that stays unmet all the same.
    """
    (unit,) = graph_of(scene.site).units[holder]
    load_w = scene.state.units[unit].load_w - sum(
        scene.site.devices[name].watts
        for name in names
        if _gives_way_to(scene, name, holder)
        and scene.state.devices[name].phase is not Phase.AT_REST
    )
    return not _is_unmet(scene, holder, _end_at(scene, belief, max(0.0, load_w)), outage_at)


def _unmet(scene: Scene, unit: str, belief: Belief, load_w: float, outage_at: float) -> str | None:
    """The device of most worth whose hold time cannot be met at that load, or None."""
    end_at = _end_at(scene, belief, load_w)
    unmet = [
        name
        for name in graph_of(scene.site).fed_by[unit]
        if _is_unmet(scene, name, end_at, outage_at)
    ]
    return max(unmet, key=lambda name: (scene.site.devices[name].worth, name), default=None)


def _end_at(scene: Scene, belief: Belief, load_w: float) -> float:
    """When a battery ends at that load at the earliest, less the reserve."""
    lower_s = belief.end_after_s([LoadStep(0.0, load_w)], belief.bound_quantile)
    return scene.now + lower_s - reserve_s(scene.site, lower_s)


def _is_unmet(scene: Scene, name: str, end_at: float, outage_at: float) -> bool:
    """Whether a device that runs cannot stay on for as long as its owner wishes."""
    device = scene.site.devices[name]
    return (
        scene.state.devices[name].phase is Phase.RUNNING
        and scene.now < outage_at + device.hold_s
        and outage_at + device.hold_s > end_at - (device.rest_s + MARGIN_S)
    )


def _may_give_way(scene: Scene, unit: str, outage_at: float) -> list[str]:
    """What may be given up for another's hold time: by rising worth for each watt it frees."""
    graph = graph_of(scene.site)

    def may(name: str) -> bool:
        device, state = scene.device(name)
        return (
            may_be_stopped(scene.site, name)
            and device.watts > 0.0
            and scene.now >= outage_at + device.hold_s
            and state.phase in (Phase.RUNNING, Phase.RESTING, Phase.AT_REST)
            and all(
                scene.site.devices[user].is_passive and scene.site.devices[user].hold_s == 0.0
                for user in graph.users[name]
                if not scene.is_at_rest_for(user, name)
            )
        )

    names = [name for name in graph.fed_by[unit] if may(name)]
    return sorted(names, key=lambda n: (_worth_per_watt(scene.site.devices[n]), n))


def _worth_per_watt(device: Device) -> float:
    return device.worth / device.watts


def add_overload(scene: Scene, due: dict[str, Reason]) -> None:
    """Add to *due* one device at a time while a unit stays overloaded, on mains or not."""
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
