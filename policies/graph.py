"""What hangs on what: needs, feeds and paths as one graph, with each device's followers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import TypeVar

from policies.model import MAINS_FEED, Device, Role, Site


@dataclass(frozen=True, slots=True)
class Graph:
    """The site's graph, closed transitively; every value holds device names only.

    Attributes:
        uses: device -> what it needs, is fed by or is reached through; these stop after it.
        users: device -> what needs it, is fed by it or is reached through it; these stop before.
        touched_by: device -> what loses its feed or its path when that device stops.
        units: device -> the units that its power comes from in the end, itself excluded.
        on_mains: devices with a socket at the end of some feed that no battery stands behind.
        stoppable: devices that an order may ever reach; see `may_be_stopped`.
        boxes: the boxes that the agent runs on: once they are off, nobody is told anything.
        fed_by: unit -> the devices whose power comes from it and nothing else, in the file's order.
    """

    uses: Mapping[str, frozenset[str]]
    users: Mapping[str, frozenset[str]]
    touched_by: Mapping[str, frozenset[str]]
    units: Mapping[str, frozenset[str]]
    on_mains: frozenset[str]
    stoppable: frozenset[str]
    boxes: tuple[str, ...]
    fed_by: Mapping[str, tuple[str, ...]]


class SiteKey:
    """A site by identity: its mappings do not hash, and it never changes."""

    def __init__(self, site: Site) -> None:
        """Take it as a key of what is reckoned once for each site and something else."""
        self.site = site

    def __hash__(self) -> int:
        return id(self.site)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SiteKey) and other.site is self.site


_KEPT = 8

Made = TypeVar("Made")


def made_once(make: Callable[[Site], Made]) -> Callable[[Site], Made]:
    """Have what *make* reckons from a site's file reckoned once for each site; a few are kept.

    Asked for many thousand times a second, so it takes no key but the site's identity.
    """
    kept: dict[int, tuple[Site, Made]] = {}

    @wraps(make)
    def made(site: Site) -> Made:
        found = kept.get(id(site))
        if found is not None and found[0] is site:
            return found[1]
        fresh = make(site)
        while len(kept) >= _KEPT:
            kept.pop(next(iter(kept)), None)
        kept[id(site)] = (site, fresh)
        return fresh

    return made


@made_once
def graph_of(site: Site) -> Graph:
    """Return the graph of *site*, made once for each site.

    A device that appears in its own closure is left out of it: the file's check refuses cycles.
    """
    devices = site.devices

    def directly(device: Device) -> Iterable[str]:
        return (*device.needs, *device.feeds, *device.path)

    def physically(device: Device) -> Iterable[str]:
        return (*device.feeds, *device.path)

    uses = _closure(devices, directly)
    touches = _closure(devices, physically)
    feeds = _closure(devices, lambda device: device.feeds)
    ends = {
        name: {feed for via in (name, *feeds[name]) for feed in devices[via].feeds}
        for name in devices
    }
    touched_by = _reversed(devices, touches)
    units = {name: frozenset(found & site.units.keys()) for name, found in ends.items()}
    on_mains = frozenset(name for name, found in ends.items() if MAINS_FEED in found)
    return Graph(
        uses=uses,
        users=_reversed(devices, uses),
        touched_by=touched_by,
        units=units,
        on_mains=on_mains,
        stoppable=frozenset(n for n in devices if _is_stoppable(devices, n, touched_by[n])),
        boxes=tuple(name for name, d in devices.items() if d.role is Role.AGENT_BOX),
        fed_by={
            unit: tuple(n for n in devices if units[n] == {unit} and n not in on_mains)
            for unit in site.units
        },
    )


def _closure(
    devices: Mapping[str, Device], step: Callable[[Device], Iterable[str]]
) -> dict[str, frozenset[str]]:
    closed: dict[str, frozenset[str]] = {}
    for name in devices:
        found: set[str] = set()
        waiting = [name]
        while waiting:
            for following in step(devices[waiting.pop()]):
                if following in devices and following not in found:
                    found.add(following)
                    waiting.append(following)
        closed[name] = frozenset(found - {name})
    return closed


def _reversed(
    devices: Mapping[str, Device], forward: Mapping[str, frozenset[str]]
) -> dict[str, frozenset[str]]:
    back: dict[str, set[str]] = {name: set() for name in devices}
    for name, reached in forward.items():
        for other in reached:
            back[other].add(name)
    return {name: frozenset(found) for name, found in back.items()}


def may_be_stopped(site: Site, name: str) -> bool:
    """Whether an order may ever reach the device: not on the no-touch list, nor carrying one.

    The agent's own box is never stopped by an order: it is what tells the others.
    """
    return name in graph_of(site).stoppable


def writers_of(site: Site, name: str) -> tuple[str, ...]:
    """Return what writes to a recorder: the devices that need it, as the file lists them."""
    return tuple(n for n, device in site.devices.items() if name in device.needs)


def _is_stoppable(devices: Mapping[str, Device], name: str, carried: frozenset[str]) -> bool:
    return not (
        devices[name].no_touch
        or devices[name].is_passive
        or any(
            devices[other].no_touch or devices[other].role is Role.AGENT_BOX
            for other in (name, *carried)
        )
    )
