"""A site in numbers, for what walks over all of it at each decision; made once for each site.

What follows from the file alone is worked out here: who uses whom directly, by whom power is
shared, and which devices end together. What is left to each decision is one pass over lists.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from policies.graph import graph_of, made_once
from policies.model import HOLDS_DATA, Role, Site

Feed = frozenset[str] | None
"""The units of which the last to end takes a device with it; None = it does not end."""


@dataclass(frozen=True, slots=True)
class End:
    """What ends a device: several devices have the same.

    Attributes:
        own: its own power.
        used: the power of what it uses, whatever that is.
        holds_data: the reserve is kept back for it.
    """

    own: Feed
    used: frozenset[Feed]
    holds_data: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """A site's devices by number, in the order of their names: equal numbers break ties alike.

    Attributes:
        in_order: the numbers of the devices in the order of the file.
        names: number -> name.
        users: number -> who needs it, is fed by it or is reached through it without going between.
        counts: number -> how many devices it uses so.
        ends: the different ends; end_of: number -> the place of its end among these.
        boxes: what ends the boxes that the agent runs on.
        rest_s: number -> seconds that its stop takes; 0 where no order may ever reach it.
        stoppable: the numbers of those that an order may reach.
        shared: unit that ends, unit that stays -> who has both, and the watts that move over.
    """

    in_order: tuple[int, ...]
    names: tuple[str, ...]
    users: Sequence[tuple[int, ...]]
    counts: tuple[int, ...]
    ends: tuple[End, ...]
    end_of: tuple[int, ...]
    boxes: tuple[Feed, ...]
    rest_s: tuple[float, ...]
    stoppable: tuple[int, ...]
    shared: Mapping[tuple[str, str], tuple[tuple[str, float], ...]]


@made_once
def layout_of(site: Site) -> Layout:
    """Return the layout of *site*, made once for each site."""
    graph, devices = graph_of(site), site.devices
    names = tuple(sorted(devices))
    number = {name: i for i, name in enumerate(names)}
    users: list[list[int]] = [[] for _ in names]
    counts = []
    for i, name in enumerate(names):
        device = devices[name]
        used = {*device.needs, *device.feeds, *device.path} & devices.keys() - {name}
        counts.append(len(used))
        for other in used:
            users[number[other]].append(i)
    feeds: dict[str, Feed] = {
        name: None if name in graph.on_mains or not graph.units[name] else graph.units[name]
        for name in names
    }
    ends: dict[End, int] = {}
    end_of = tuple(
        ends.setdefault(
            End(
                feeds[name],
                frozenset(feeds[other] for other in graph.uses[name]),
                devices[name].role in HOLDS_DATA,
            ),
            len(ends),
        )
        for name in names
    )
    return Layout(
        in_order=tuple(number[name] for name in devices),
        names=names,
        users=[tuple(sorted(found)) for found in users],
        counts=tuple(counts),
        ends=tuple(ends),
        end_of=end_of,
        boxes=tuple({feeds[n] for n in names if devices[n].role is Role.AGENT_BOX}),
        rest_s=tuple(devices[n].rest_s if n in graph.stoppable else 0.0 for n in names),
        stoppable=tuple(number[n] for n in devices if n in graph.stoppable),
        shared=_shared(site),
    )


def _shared(site: Site) -> dict[tuple[str, str], tuple[tuple[str, float], ...]]:
    """Who has both of two units, and the part that each of all its units carries, in W."""
    found: dict[tuple[str, str], list[tuple[str, float]]] = {}
    fed = graph_of(site).units
    for name, device in site.devices.items():
        if len(fed[name]) < 2:
            continue
        part_w = max(device.watts, device.night_watts) / len(fed[name])
        for ending in fed[name]:
            for staying in fed[name] - {ending}:
                found.setdefault((ending, staying), []).append((name, part_w))
    return {pair: tuple(parts) for pair, parts in found.items()}
