"""Whether a recorder that is not known to be quiesced is cut all the same: only to save another.

A cut while it writes may harm what it records, so by itself it keeps running, and hopes for mains.
Another one may hang on its being off: it stands in the way of that one's stop, or draws what keeps
the battery from lasting until that one is at rest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from policies.belief import Belief
from policies.graph import graph_of, may_be_stopped
from policies.model import HOLDS_DATA, Order, Site
from policies.reasons import BY_HAND, DRILL, duration_text
from policies.runtime import LoadStep
from policies.scene import RETRY_AFTER_S, Scene
from policies.state import Phase, SiteState
from policies.timeline import MARGIN_S, timeline

SAVES_LOAD = frozenset(
    {
        "gives_way", "overload", "runtime_below", "charge_below", "on_battery_for",
        "spares_other", BY_HAND, DRILL,
    }
)  # fmt: skip
"""Codes of reasons to stop a device that hold for one whose power is all that stopping it saves."""


def saved_by_cut(
    site: Site, state: SiteState, beliefs: Mapping[str, Belief], now: float, name: str
) -> str:
    """Return whom cutting *name* saves now, and how, as the end of a sentence; "" = nobody.

    Never while something that holds data hangs on *name* itself and is not at rest, and never for
    one of less worth. The arguments are those of `decide`.
    """
    course = timeline(site, state, beliefs, now, margin_s=MARGIN_S)
    return _saved(Scene(site, state, beliefs, now, course), name)


def is_cut_wanted(scene: Scene, name: str) -> bool:
    """Whether what was given up is to be told once more, since its cut would save another now."""
    device = scene.site.devices[name]
    can_be = device.is_cut or device.cut_s is not None
    return can_be and device.role in HOLDS_DATA and bool(_saved(scene, name))


def cut_serves(site: Site, state: SiteState, order: Order) -> bool:
    """Whether to cut a device that would not stop serves anything, once it does no harm.

    What holds data comes to rest by it. Of all else a cut saves nothing but power, and leaves it
    dark: so not because a battery ends, but to save load, for whoever asks by hand, and for a
    recorder that is quiesced by what writes to it.
    """
    device = site.devices[order.device]
    if device.role in HOLDS_DATA or order.reason.code in SAVES_LOAD:
        return True
    served = (name for name in device.needs if site.devices[name].by_writers)
    return any(state.devices[name].phase is not Phase.AT_REST for name in served)


def _saved(scene: Scene, name: str) -> str:
    for user in graph_of(scene.site).users[name]:
        holds_data = scene.site.devices[user].role in HOLDS_DATA
        if holds_data and not scene.is_at_rest_for(user, name):
            return ""
    for other in _others(scene, name):
        if _blocks(scene, name, other):
            return f"{other} can stop only after it, and cannot wait for another try"
    for other in _others(scene, name):
        needed_s, with_s, without_s = _reach_s(scene, name, other)
        if with_s < needed_s <= without_s:
            return (
                f"{other} needs {duration_text(needed_s)} yet to come to rest, and with "
                f"{name} on the battery may last only {duration_text(with_s)}"
            )
    return ""


def _others(scene: Scene, name: str) -> Iterator[str]:
    """Give what holds data, may be told, and is not at rest yet; of no less worth than *name*."""
    mine = scene.site.devices[name]
    for other, device in scene.site.devices.items():
        if (
            other != name
            and device.role in HOLDS_DATA
            and device.worth >= mine.worth
            and (mine.dry_run or not device.dry_run)
            and may_be_stopped(scene.site, other)
            and not scene.is_at_rest_for(other, name)
        ):
            yield other


def _cut_s(scene: Scene, name: str) -> float:
    device = scene.site.devices[name]
    if device.cut_s is not None:
        return device.cut_s + MARGIN_S
    return (device.stop_s or 0.0) + device.settle_s + MARGIN_S


def _blocks(scene: Scene, name: str, other: str) -> bool:
    """Whether *other* waits for *name*, and can wait no longer than until the next try is over."""
    if other not in graph_of(scene.site).uses[name]:
        return False
    again_s = RETRY_AFTER_S + (scene.site.devices[name].quiesce_s or 0.0)
    over_at = scene.now + again_s + _cut_s(scene, name)
    return over_at >= scene.timeline.bare[other].start_latest_at


def _reach_s(scene: Scene, name: str, other: str) -> tuple[float, float, float]:
    """What *other* needs yet, and how long its power lasts at least with *name* on, and cut.

    A device with several units behind it gives nothing back: its load would only move.
    """
    graph = graph_of(scene.site)
    fed, mine = graph.units[other], graph.units[name]
    lower_s = scene.timeline.unit_lower_s
    if not fed or other in graph.on_mains or name in graph.on_mains or len(mine) != 1:
        return 0.0, 0.0, 0.0
    if not fed <= lower_s.keys() or not mine <= fed:
        return 0.0, 0.0, 0.0
    (unit,) = mine
    device, load_w = scene.site.devices[name], scene.state.units[unit].load_w
    less_w = min(device.watts, device.night_watts)
    steps = [
        LoadStep(0.0, load_w),
        LoadStep(_cut_s(scene, name), max(0.0, load_w - less_w)),
    ]
    belief = scene.beliefs[unit]
    alone_s = belief.end_after_s(steps, belief.bound_quantile)
    longest_s = max((lower_s[each] for each in fed if each != unit), default=0.0)
    return _needed_s(scene, other), max(longest_s, lower_s[unit]), max(longest_s, alone_s)


def _needed_s(scene: Scene, name: str) -> float:
    """What coming to rest takes yet, with what follows it; less what has passed of it."""
    slot, state = scene.timeline.bare[name], scene.state.devices[name]
    takes_s = slot.ends_at - slot.start_latest_at
    passed_s = scene.now - state.since_at if state.phase is Phase.RESTING else 0.0
    return max(0.0, takes_s - passed_s)
