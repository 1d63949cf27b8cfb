"""What gives way: to something worth more whose hold time cannot be met, or to an overload."""

from __future__ import annotations

from policies import reasons
from policies.belief import Belief
from policies.graph import graph_of, may_be_stopped
from policies.model import Device, Reason
from policies.runtime import LoadStep
from policies.scene import Scene
from policies.state import Phase
from policies.supply import OVERLOAD_SUSTAINED_S
from policies.timeline import MARGIN_S, reserve_s


def add_way_givers(scene: Scene, due: dict[str, Reason]) -> None:
    """Add to *due* what is worth least while a hold time of something worth more is unmet."""
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


def _unmet(scene: Scene, unit: str, belief: Belief, load_w: float, outage_at: float) -> str | None:
    """The device of most worth whose hold time cannot be met at that load, or None."""
    lower_s = belief.end_after_s([LoadStep(0.0, load_w)], belief.bound_quantile)
    end_at = scene.now + lower_s - reserve_s(scene.site, lower_s)
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


def _may_give_way(scene: Scene, unit: str, outage_at: float) -> list[str]:
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
