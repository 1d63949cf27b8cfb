"""The way that notices take out of the site, and the time that is kept for them before it stops."""

from __future__ import annotations

from policies.graph import graph_of, made_once
from policies.model import HOLDS_DATA, Site


@made_once
def way_out_of(site: Site) -> frozenset[str]:
    """Return the devices that notices go through, with all that these use in turn.

    What holds data is left out: nothing is held back there for anybody's sake. So is what no order
    may ever reach.
    """
    graph = graph_of(site)
    found = {name for name in site.way_out if name in site.devices}
    for name in tuple(found):
        found |= graph.uses[name]
    return frozenset(
        name for name in found & graph.stoppable if site.devices[name].role not in HOLDS_DATA
    )


@made_once
def first_of(site: Site) -> frozenset[str]:
    """Return those of the way out that stop before all others of it.

    Once they may stop, every notice that waited is out or has had its time: the time is kept once,
    not again for each device of the way.
    """
    way = way_out_of(site)
    users = graph_of(site).users
    return frozenset(name for name in way if not users[name] & way)


def kept_for_notices_s(site: Site, name: str) -> float:
    """Return how much earlier the stop of a device is planned, so that notices get out before."""
    return site.notices_s if name in first_of(site) else 0.0
