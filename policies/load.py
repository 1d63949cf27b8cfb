"""What the file says that a backup unit carries, by day, by night and while everything starts.

A device that feeds others draws their watts too, and more than theirs: its own supply and the
cables lose a part. What has several feeds counts whole at each of them, since its load may move to
any. Volt-amperes are added as plain numbers, which is never less than the truth.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

from policies.model import Device, Site
from policies.night import Light, LightStep
from policies.poe import at_port_w
from policies.runtime import LoadStep

BOOT_FACTOR = 1.5
"""Assumed of a device while it starts, against the most that it draws otherwise."""

SMALL_SUPPLY_W = 75.0
"""Below this IEC 61000-3-2 sets most supplies no limit of harmonics, so none is corrected."""

SMALL_POWER_FACTOR = 0.6
CORRECTED_POWER_FACTOR = 0.95
"""Assumed of supplies below SMALL_SUPPLY_W, and from there on (both from memory)."""


@dataclass(frozen=True, slots=True)
class Draw:
    """What is drawn by day, by night, at most of both, and while everything starts at once.

    `most` takes the greater of day and night device by device.
    """

    day: float = 0.0
    night: float = 0.0
    most: float = 0.0
    boot: float = 0.0

    def __add__(self, other: Draw) -> Draw:
        """Return the sum."""
        return Draw(
            self.day + other.day,
            self.night + other.night,
            self.most + other.most,
            self.boot + other.boot,
        )

    def __sub__(self, other: Draw) -> Draw:
        """Return the difference."""
        return self + other.times(-1.0)

    def times(self, factor: float) -> Draw:
        """Return so many times as much."""
        return Draw(self.day * factor, self.night * factor, self.most * factor, self.boot * factor)

    def greater(self, other: Draw) -> Draw:
        """Return the greater of both, figure by figure."""
        return Draw(
            max(self.day, other.day),
            max(self.night, other.night),
            max(self.most, other.most),
            max(self.boot, other.boot),
        )

    def rounded(self) -> Draw:
        """Return it to a tenth, so that a printed table adds up."""
        # Adding zero turns -0.0 into 0.0.
        return Draw(
            round(self.day, 1) + 0.0,
            round(self.night, 1) + 0.0,
            round(self.most, 1) + 0.0,
            round(self.boot, 1) + 0.0,
        )

    def at(self, light: Light) -> float:
        """Return what is drawn in that light."""
        match light:
            case Light.DAY:
                return self.day
            case Light.NIGHT:
                return self.night
            case Light.UNKNOWN:
                return self.most


def own_draw(device: Device) -> Draw:
    """Return what a device draws itself, in W, without what it feeds."""
    most_w = max(device.watts, device.night_watts)
    boot_w = BOOT_FACTOR * most_w if device.boot_watts is None else device.boot_watts
    return Draw(device.watts, device.night_watts, most_w, max(boot_w, most_w))


@dataclass(frozen=True, slots=True)
class Tree:
    """What hangs on some feeds: each device once, at the first of its feeds that leads there.

    Attributes:
        children: feed or device -> the devices that it feeds, in the file's order.
    """

    site: Site
    children: Mapping[str, tuple[Device, ...]]

    def draw(self, device: Device) -> Draw:
        """Return what a device takes at its own plug, with all that it feeds, in W."""
        own = own_draw(device)
        if device.name not in self.children:
            return own
        return own + self.ports(device).times(1.0 / device.poe_efficiency)

    def ports(self, device: Device) -> Draw:
        """Return what leaves the ports of a device, in W."""
        return total(self.port(child) for child in self.children.get(device.name, ()))

    def port(self, child: Device) -> Draw:
        """Return what the port of a device that is fed by another gives, in W."""
        at_plug = self.draw(child)
        most_w = at_plug.most if child.boot_watts is None else max(at_plug.most, at_plug.boot)

        def at_port(device_w: float) -> float:
            return at_port_w(device_w, most_w=most_w, cable_m=child.cable_m)

        return Draw(
            at_port(at_plug.day),
            at_port(at_plug.night),
            at_port(at_plug.most),
            at_port(at_plug.boot),
        )

    def loss(self, device: Device) -> Draw:
        """Return what its supply and the cables to what it feeds lose, in W."""
        fed = total(self.draw(child) for child in self.children.get(device.name, ()))
        return self.draw(device) - own_draw(device) - fed


def tree_of(site: Site, roots: Collection[str], on: Collection[str] | None = None) -> Tree:
    """Return what hangs on the feeds *roots*; *on* as in `listed_draw`."""
    powered = set(roots)
    waiting = [d for d in site.devices.values() if on is None or d.name in on]
    while found := [d for d in waiting if not powered.isdisjoint(d.feeds)]:
        powered.update(d.name for d in found)
        waiting = [d for d in waiting if d.name not in powered]
    children: dict[str, list[Device]] = {}
    for device in site.devices.values():
        if device.name in powered:
            feed = next(feed for feed in device.feeds if feed in powered)
            children.setdefault(feed, []).append(device)
    return Tree(site, {feed: tuple(devices) for feed, devices in children.items()})


def total(draws: Iterable[Draw]) -> Draw:
    """Return the sum."""
    return reduce(Draw.__add__, draws, Draw())


# The load of a unit


def listed_draw(site: Site, feed: str, *, on: Collection[str] | None = None) -> Draw:
    """Return what a unit (or MAINS_FEED) carries by the file, losses included, in W.

    Args:
        site: what there is.
        feed: the unit's name.
        on: names of the devices that are on; None = all. What is fed only by one that is off is
            off too.
    """
    tree = tree_of(site, {feed}, on)
    return total(tree.draw(device) for device in tree.children.get(feed, ()))


def listed_va(site: Site, feed: str, *, on: Collection[str] | None = None) -> Draw:
    """Return what a unit carries by the file in VA; see `listed_draw`."""
    tree = tree_of(site, {feed}, on)
    plugs = tree.children.get(feed, ())
    return total(tree.draw(d).times(1.0 / power_factor_of(d, tree.draw(d).most)) for d in plugs)


def load_steps(
    site: Site, feed: str, lights: Sequence[LightStep], *, on: Collection[str] | None = None
) -> tuple[LoadStep, ...]:
    """Return how the load of a unit changes as it grows dark and light; see `listed_draw`.

    Args:
        site: what there is.
        feed: the unit's name.
        lights: at least one, as `night.light_steps` gives them.
        on: names of the devices that are on; None = all.
    """
    load = listed_draw(site, feed, on=on)
    steps: list[LoadStep] = []
    for step in lights:
        load_w = load.at(step.light)
        if not steps or steps[-1].load_w != load_w:
            steps.append(LoadStep(step.after_s, load_w))
    return tuple(steps)


def power_factor_of(device: Device, plug_w: float) -> float:
    """Return W / VA of a device's plug that takes up to *plug_w*, the assumption where unknown."""
    if device.power_factor is not None:
        return device.power_factor
    return SMALL_POWER_FACTOR if plug_w < SMALL_SUPPLY_W else CORRECTED_POWER_FACTOR
