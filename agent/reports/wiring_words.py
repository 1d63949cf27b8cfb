"""A site as wired, in words: what hangs on what, how each thing stops and starts, which battery."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from agent.config import LoadedSite
from agent.reports.pen import day_text
from drivers.base import Stage
from policies.graph import graph_of
from policies.model import MAINS_FEED, Battery, Device, Site, Starts, Unit
from policies.reasons import duration_text, names_text

_YEAR_DAYS = 365.25
_STAGES = {Stage.QUIESCE: "quiesced", Stage.STOP: "stopped", Stage.CUT: "cut"}


@dataclass(frozen=True, slots=True)
class Wired:
    """One device in its place.

    Attributes:
        depth: 0 for what is plugged into the feed itself, 1 for what that feeds, and so on.
        draws: watts by day, and by night where that is another figure.
        stops, starts: how, in words.
        remarks: other feeds, its path, what it needs, no-touch.
    """

    depth: int
    name: str
    role: str
    draws: str
    address: str
    stops: str
    starts: str
    remarks: str


@dataclass(frozen=True, slots=True)
class FeedWired:
    """A unit, or the sockets on mains, and what hangs there."""

    name: str
    rating: str
    battery: str
    devices: tuple[Wired, ...]


def wiring_of(loaded: LoadedSite, today: date) -> list[FeedWired]:
    """Return what hangs on each unit, then on mains alone; a device with two feeds at its first."""
    site = loaded.site
    found = []
    for name in (*site.units, MAINS_FEED):
        devices = tuple(_below(loaded, name, 0))
        unit = site.units.get(name)
        if unit is not None:
            rating = f"{unit.rating_va:g} VA, {unit.rating_w:g} W"
            found.append(FeedWired(name, rating, battery_text(unit.battery, today), devices))
        elif devices:
            found.append(FeedWired("mains, with no battery behind it", "", "", devices))
    return found


def _below(loaded: LoadedSite, feed: str, depth: int) -> Iterator[Wired]:
    for device in loaded.site.devices.values():
        if device.feeds[:1] == (feed,):
            yield _wired(loaded, device, depth)
            yield from _below(loaded, device.name, depth + 1)


def _wired(loaded: LoadedSite, device: Device, depth: int) -> Wired:
    night = "" if device.night_watts == device.watts else f", {device.night_watts:g} W by night"
    return Wired(
        depth,
        device.name,
        device.role.value,
        f"{device.watts:g} W{night}",
        loaded.addresses[device.name],
        stops_text(loaded, device),
        starts_text(device),
        _remarks(device),
    )


def stops_text(loaded: LoadedSite, device: Device) -> str:
    """Return how a device is stopped: "quiesced by onvif in 10 s, stopped by http in 50 s"."""
    if device.no_touch:
        return "never: no order may reach it"
    if device.by_writers:
        return "quiesced by stopping what writes to it"
    drivers, takes_s = loaded.stage_drivers[device.name], loaded.stage_takes[device.name]
    told = [
        f"{word} by {drivers[stage]}"
        + (f" in {duration_text(takes_s[stage])}" if stage in takes_s else "")
        for stage, word in _STAGES.items()
        if stage in drivers
    ]
    return ", ".join(told) or "told nothing"


def starts_text(device: Device) -> str:
    """Return how a device comes back."""
    if device.is_passive:
        return "with its power"
    after = f", running after {duration_text(device.start_s)}" if device.start_s else ""
    match device.starts:
        case Starts.BY_ORDER:
            return f"lastwatt starts it{after}"
        case Starts.BY_ITSELF:
            return f"by itself when its power comes{after}"
        case Starts.BY_HAND:
            return f"by hand{after}"


def _remarks(device: Device) -> str:
    said = []
    if len(device.feeds) > 1:
        said.append(f"also fed by {names_text(device.feeds[1:])}")
    if device.path:
        said.append(f"reached through {names_text(device.path)}")
    if device.needs:
        said.append(f"needs {names_text(device.needs)}")
    if device.hold_s:
        said.append(f"to stay on {duration_text(device.hold_s)}")
    if device.dry_run:
        said.append("dry run: nothing is sent to it")
    return "; ".join(said)


def battery_text(battery: Battery, today: date) -> str:
    """Return which battery it is: "lead-acid, 36 V 7 Ah, fitted 1 March 2025"."""
    said = [battery.chemistry.value]
    if battery.volts is not None and battery.amp_hours is not None:
        said.append(f"{battery.volts:g} V {battery.amp_hours:g} Ah")
    if battery.watt_hours is not None:
        said.append(f"{battery.watt_hours:g} Wh usable")
    fitted = fitted_on(battery, today)
    said.append("day of fitting not known" if fitted is None else f"fitted {day_text(fitted)}")
    return ", ".join(said)


def fitted_on(battery: Battery, today: date) -> date | None:
    """Return the day from which its age counts, None = unknown."""
    if battery.age_years is None:
        return None
    return date.fromordinal(today.toordinal() - round(battery.age_years * _YEAR_DAYS))


def start_order(site: Site) -> list[Device]:
    """Return all devices in an order in which each finds what it uses running."""
    uses = graph_of(site).uses
    places = {name: place for place, name in enumerate(site.devices)}
    # What a device uses is all used by whatever uses it: so the one with fewer comes first.
    ordered = sorted(site.devices, key=lambda name: (len(uses[name]), places[name]))
    return [site.devices[name] for name in ordered]


def by_hand_only(site: Site) -> list[str]:
    """Return what stays off until somebody starts it."""
    return [
        name
        for name, device in site.devices.items()
        if device.starts is Starts.BY_HAND and not device.is_passive and not device.no_touch
    ]


def rating_text(unit: Unit) -> str:
    """Return what its plate says."""
    return f"{unit.rating_va:g} VA, {unit.rating_w:g} W"
