"""Which orders are not wanted any more, should nothing have come of them so far."""

from __future__ import annotations

from policies.comeback import mains_is_steady
from policies.cut_unproven import cut_serves
from policies.graph import graph_of
from policies.model import Site, Task
from policies.reasons import BY_HAND, DRILL, MAINS_BACK
from policies.scene import charge_of
from policies.state import OpenOrder, SiteState
from policies.supply import UnitState

ALSO_ON_MAINS = frozenset({BY_HAND, DRILL, "overload", "countdown", "unit_lost", "floor"})
"""Codes of reasons that mains does not take away."""


def unwanted(site: Site, state: SiteState, opened: OpenOrder, *, is_due: bool = False) -> str:
    """Return why an order is not wanted any more; "" while it is.

    To be withdrawn by it only while nothing of the order can have taken effect: a stop once begun
    is carried through, and a start in doubt is not sent again. What somebody asked for by hand is
    wanted always.

    Args:
        site: what there is.
        state: what is known.
        opened: the order.
        is_due: whether its device is to be brought to rest now, ordered or not.
    """
    if opened.by_hand:
        return ""
    if opened.order.task is Task.START:
        return _unwanted_start(site, state, opened, is_due=is_due)
    return "" if is_due else _unwanted_rest(site, state, opened)


def _unwanted_start(site: Site, state: SiteState, opened: OpenOrder, *, is_due: bool) -> str:
    """A start is not wanted by what would not let it be given now: mains has failed again."""
    if opened.order.reason.code != MAINS_BACK:
        return ""
    if is_due:
        return "it is to come to rest again, and had not been started yet"
    name = opened.order.device
    if not mains_is_steady(site, state, name):
        return "mains is not steady any more, and it had not been started yet"
    # Not by how long the battery lasts: that counts what is to be started, this device too.
    charge = charge_of(state, graph_of(site).units[name])
    if charge is not None and charge < site.return_charge:
        return "the battery is too empty again, and it had not been started yet"
    return ""


def _unwanted_rest(site: Site, state: SiteState, opened: OpenOrder) -> str:
    """A rest is not wanted once mains is back, by more than one reading, behind all it hangs on.

    That is behind the device, all that it uses, and the agent's own box. Nor is one of a port that
    was to be cut for what came to rest by now, since a dark port outlasts the outage.
    """
    order = opened.order
    if order.reason.code in ALSO_ON_MAINS:
        return ""
    if site.devices[order.device].is_only_cut and not cut_serves(site, state, order):
        return "what it was to be cut for is at rest already, and it had not been told anything yet"
    graph = graph_of(site)
    for name in (order.device, *graph.uses[order.device], *graph.boxes):
        if name in graph.on_mains or not graph.units[name]:
            continue
        if not any(_has_mains(state.units[unit]) for unit in graph.units[name]):
            return ""
    if not any(_has_mains(unit) for unit in state.units.values()):
        return ""  # on mains alone: some unit has to say that it is back
    return "mains is back, and it had not been told anything yet"


def _has_mains(unit: UnitState) -> bool:
    is_heard = unit.lost_at is None and unit.silent_at is None
    return unit.supply.has_mains and unit.signs == 0 and is_heard
