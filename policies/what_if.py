"""A site as it would be with something more, or without something."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from policies.graph import graph_of
from policies.model import MAINS_FEED, Device, Role, Site


@dataclass(frozen=True, slots=True)
class Addition:
    """Some devices more.

    Attributes:
        watts, night_watts: of each, at its own plug.
        feed: what powers them; None = whatever feeds the first of that role, else the unit.
    """

    role: Role
    count: int
    watts: float
    night_watts: float
    feed: str | None = None


def feed_for(site: Site, addition: Addition, *, unit: str) -> str:
    """Return what powers the devices of an addition that is made for the sake of *unit*.

    Raises:
        ValueError: the feed that it names is neither a unit nor a device of the site.
    """
    if addition.feed is not None:
        if addition.feed not in {*site.units, *site.devices, MAINS_FEED}:
            raise ValueError(f'nothing is called "{addition.feed}"')
        return addition.feed
    fed = graph_of(site).units
    for device in site.devices.values():
        if device.role is addition.role and unit in fed[device.name]:
            return next(
                feed
                for feed in device.feeds
                if feed == unit or (feed in site.devices and unit in fed[feed])
            )
    return unit


def with_added(site: Site, addition: Addition, *, unit: str) -> Site:
    """Return the site with some devices more, named by role and number; see `feed_for`."""
    feed = feed_for(site, addition, unit=unit)
    devices = dict(site.devices)
    number = 0
    for _ in range(addition.count):
        number += 1
        while (name := f"more {addition.role} {number}") in devices or name in site.units:
            number += 1
        devices[name] = Device(
            name, addition.role, addition.watts, addition.night_watts, feeds=(feed,)
        )
    return replace(site, devices=devices)


def without(site: Site, names: Collection[str]) -> tuple[Site, tuple[str, ...]]:
    """Return the site without some devices, and the names of all that go: what only they feed too.

    Raises:
        ValueError: one of *names* is no device of the site.
    """
    for name in names:
        if name not in site.devices:
            raise ValueError(f'no device is called "{name}"')
    gone = set(names)
    while orphans := [
        d.name
        for d in site.devices.values()
        if d.name not in gone and d.feeds and gone.issuperset(d.feeds)
    ]:
        gone.update(orphans)
    kept = {
        name: replace(
            device,
            feeds=tuple(feed for feed in device.feeds if feed not in gone),
            path=tuple(via for via in device.path if via not in gone),
            needs=tuple(other for other in device.needs if other not in gone),
        )
        for name, device in site.devices.items()
        if name not in gone
    }
    return replace(site, devices=kept), tuple(name for name in site.devices if name in gone)
