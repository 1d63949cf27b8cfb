"""Which orders to rest are not wanted any more, should nothing have come of them so far."""

from __future__ import annotations

from policies.cut_unproven import cut_serves
from policies.graph import graph_of
from policies.model import Site, Task
from policies.reasons import BY_HAND, DRILL
from policies.state import OpenOrder, SiteState
from policies.supply import UnitState

ALSO_ON_MAINS = frozenset({BY_HAND, DRILL, "overload", "countdown", "unit_lost", "floor"})
"""Codes of reasons that mains does not take away."""


def unwanted(site: Site, state: SiteState, opened: OpenOrder) -> str:
    """Return why an order to rest is not wanted any more; "" while it is.

    That is when mains is back, by more than one reading, behind the device, behind all that it uses
    and behind the agent's own box; or when a port was to be cut for what came to rest by now, since
    a dark port outlasts the outage. To be asked only while nothing of the order can have taken
    effect: a stop once begun is carried through.
    """
    order = opened.order
    if order.task is not Task.REST or opened.by_hand or order.reason.code in ALSO_ON_MAINS:
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
