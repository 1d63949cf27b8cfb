"""The power budget of a site as a table: watts and volt-amperes line by line, feed by feed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from policies.load import (
    BOOT_FACTOR,
    CORRECTED_POWER_FACTOR,
    SMALL_POWER_FACTOR,
    SMALL_SUPPLY_W,
    Draw,
    Tree,
    own_draw,
    power_factor_of,
    total,
    tree_of,
)
from policies.model import CABLE_M, MAINS_FEED, Device, Site, Unit
from policies.night import Light
from policies.poe import MOST_PORT_W


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table of a feed; figures to a tenth.

    Attributes:
        device: whose draw it is, or whose ports and their cables lose it.
        is_loss: which of the two.
        depth: 0 for what is plugged into the feed itself, 1 for what that feeds, and so on.
        watts, va: at the device's own plug, without what it feeds; VA by its plug's power factor.
        also_on: the other feeds of the site that count it whole too.
    """

    device: str
    is_loss: bool
    depth: int
    watts: Draw
    va: Draw
    also_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FeedBudget:
    """What one backup unit, or the sockets on mains, carry.

    Attributes:
        unit: None for the sockets on mains, which have no rating here.
        watts, va: the sums of the lines.
    """

    name: str
    unit: Unit | None
    lines: tuple[Line, ...]
    watts: Draw
    va: Draw


@dataclass(frozen=True, slots=True)
class Overload:
    """Something that is asked for more than it can give.

    Attributes:
        code: stable word for machines.
        about: the unit or device.
        message, fix: what is wrong, and what to do.
    """

    code: str
    about: str
    message: str
    fix: str


@dataclass(frozen=True, slots=True)
class Budget:
    """The power budget of a site.

    Attributes:
        feeds: the units in the file's order, then mains sockets if anything is on them.
        watts, va: of everything, each device once.
        twice_watts, twice_va: what the feeds' sums have too much of, for devices with several.
        assumptions: sentences on figures that the file does not give.
    """

    feeds: tuple[FeedBudget, ...]
    watts: Draw
    va: Draw
    twice_watts: Draw
    twice_va: Draw
    overloads: tuple[Overload, ...]
    assumptions: tuple[str, ...]


def budget_of(site: Site) -> Budget:
    """Return the power budget of a site with everything on."""
    names = [*site.units, *([MAINS_FEED] if tree_of(site, {MAINS_FEED}).children else [])]
    trees = {name: tree_of(site, {name}) for name in names}
    counted = {name: _names_in(tree) for name, tree in trees.items()}
    feeds = tuple(_feed_budget(site, name, trees[name], counted) for name in names)
    whole = tree_of(site, set(names))
    lines = [line for name in names for line in _lines(whole, name, name, counted)]
    watts, va = _totals(lines)
    both_watts = total(feed.watts for feed in feeds).rounded()
    both_va = total(feed.va for feed in feeds).rounded()
    return Budget(
        feeds=feeds,
        watts=watts,
        va=va,
        twice_watts=(both_watts - watts).rounded(),
        twice_va=(both_va - va).rounded(),
        overloads=(*(o for feed in feeds for o in _overloads(feed)), *_port_overloads(site, whole)),
        assumptions=tuple(_assumptions(site, whole)),
    )


def _names_in(tree: Tree) -> frozenset[str]:
    return frozenset(d.name for devices in tree.children.values() for d in devices)


def _feed_budget(
    site: Site, name: str, tree: Tree, counted: Mapping[str, frozenset[str]]
) -> FeedBudget:
    lines = tuple(_lines(tree, name, name, counted))
    watts, va = _totals(lines)
    return FeedBudget(name, site.units.get(name), lines, watts, va)


def _totals(lines: Sequence[Line]) -> tuple[Draw, Draw]:
    return total(line.watts for line in lines).rounded(), total(line.va for line in lines).rounded()


def _lines(
    tree: Tree,
    root: str,
    parent: str,
    counted: Mapping[str, frozenset[str]],
    *,
    depth: int = 0,
    per_watt: float = 1.0,
) -> Iterator[Line]:
    """Give the lines of what *parent* feeds; *per_watt* are the VA of each W at the plug above."""
    for device in tree.children.get(parent, ()):
        if depth == 0:
            per_watt = 1.0 / power_factor_of(device, tree.draw(device).most)
        watts = own_draw(device)
        also_on = tuple(n for n, names in counted.items() if n != root and device.name in names)
        va = watts.times(per_watt).rounded()
        yield Line(device.name, False, depth, watts.rounded(), va, also_on)
        if device.name in tree.children:
            loss = tree.loss(device)
            va = loss.times(per_watt).rounded()
            yield Line(device.name, True, depth + 1, loss.rounded(), va, also_on)
            yield from _lines(tree, root, device.name, counted, depth=depth + 1, per_watt=per_watt)


def _overloads(feed: FeedBudget) -> Iterator[Overload]:
    if feed.unit is None:
        return
    for letters, draw, rating in (
        ("W", feed.watts, feed.unit.rating_w),
        ("VA", feed.va, feed.unit.rating_va),
    ):
        times = [
            f"{draw.at(light):g} {letters} by {light}"
            for light in (Light.DAY, Light.NIGHT)
            if draw.at(light) > rating
        ]
        code = letters.lower()
        if times:
            yield Overload(
                f"overload-{code}",
                feed.name,
                f"it is to carry {' and '.join(times)}, and is rated at {rating:g} {letters}",
                "move something to another unit, or fit a larger one",
            )
        elif draw.boot > rating:
            yield Overload(
                f"overload-{code}-boot",
                feed.name,
                f"when power returns and everything starts at once it is to carry {draw.boot:g} "
                f"{letters}, and is rated at {rating:g} {letters}",
                "start devices one after another, measure boot_watts, or move something",
            )


def _port_overloads(site: Site, tree: Tree) -> Iterator[Overload]:
    for name, children in tree.children.items():
        device = site.devices.get(name)
        if device is None:
            continue
        ports = tree.ports(device).rounded()
        if device.poe_watts is not None and max(ports.most, ports.boot) > device.poe_watts:
            when = "at most" if ports.most > device.poe_watts else "while all start at once"
            asked_w = ports.most if ports.most > device.poe_watts else ports.boot
            yield Overload(
                "overload-poe",
                name,
                f"its ports are to give {asked_w:g} W {when}, and give {device.poe_watts:g} W "
                "together",
                "feed something from elsewhere",
            )
        for child in children:
            port_w = tree.port(child).most
            if port_w > MOST_PORT_W and child.cable_m > 0.0:
                yield Overload(
                    "overload-port",
                    child.name,
                    f"the port that feeds it is to give {port_w:.1f} W, and IEEE 802.3 ends at "
                    f"{MOST_PORT_W:g} W",
                    "write what really feeds it; cable_m = 0 where that is a plug",
                )


def _assumptions(site: Site, tree: Tree) -> Iterator[str]:
    """Say what was assumed, with how many devices it concerns."""
    devices = [d for children in tree.children.values() for d in children]
    drawing = [d for d in devices if own_draw(d).most > 0.0]
    unsaid = [d for d in devices if own_draw(d).most == 0.0]
    if unsaid:
        yield f"counted as 0 W, since the file gives no watts: {_listed(unsaid)}"
    booting = [d for d in drawing if d.boot_watts is None]
    if booting:
        yield (
            f"no boot_watts given for {len(booting)} of {len(drawing)} devices: "
            f"{BOOT_FACTOR:g} times the most that they draw"
        )
    plugs = [d for d in devices if not any(feed in site.devices for feed in d.feeds)]
    unknown = [d for d in plugs if d.power_factor is None]
    if unknown:
        yield (
            f"no power_factor given for {len(unknown)} of {len(plugs)} plugs: "
            f"{SMALL_POWER_FACTOR:g} below {SMALL_SUPPLY_W:g} W (IEC 61000-3-2 has hardly any "
            f"limits there), {CORRECTED_POWER_FACTOR:g} from there on"
        )
    feeding = [site.devices[name] for name in tree.children if name in site.devices]
    for device in feeding:
        yield (
            f"{device.name}: {100 * device.poe_efficiency:.0f} % of what it takes for its ports "
            "reaches them (poe_efficiency)"
        )
    fed = [d for device in feeding for d in tree.children[device.name]]
    longest = [d for d in fed if d.cable_m == CABLE_M]
    if longest:
        yield (
            f"{len(longest)} of {len(fed)} cables to fed devices reckoned at {CABLE_M:g} m, the "
            "longest of IEEE 802.3 (cable_m)"
        )


def _listed(devices: Sequence[Device], most: int = 5) -> str:
    more = f" and {len(devices) - most} more" if len(devices) > most else ""
    return ", ".join(device.name for device in devices[:most]) + more
