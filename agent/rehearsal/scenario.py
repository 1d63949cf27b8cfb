"""A site's own file as something that can be ridden: devices that do as they are told, in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

from agent.config import LoadedSite
from agent.rehearsal.batteries import plant_of
from agent.rehearsal.known import Known
from agent.rehearsal.terms import Strength
from agent.simulation.scenario import Charge, Manners, Meter, Minutes, Quirks, Scenario
from agent.simulation.truth import DeviceBuild
from policies.learnt import with_learnt
from policies.load import listed_draw
from policies.model import Device, Reading, Role, Site, Starts
from policies.night import Light, light_at
from policies.state import took_of

LEAD_S = 60.0
"""So long before mains fails the rehearsal begins: the agent sees mains first."""

POLL_LEAST_S = 10.0
"""On battery units are asked no more often than that: many change what they say less often still,
and a small box is to be done with a long outage in a minute."""

TAKES_SHARE = 0.85
"""Of the time that is planned for a stage it takes so much: what is planned is the longest that it
may take, and whoever looks whether it is over looks a while later."""

TALK_S = 0.3
_LOW_MINUTES = 2


def in_order_of_feeds(site: Site) -> Site:
    """Return the site with each device after what feeds it."""
    ordered: dict[str, Device] = {}

    def put(name: str) -> None:
        if name in ordered:
            return
        for feed in site.devices[name].feeds:
            if feed in site.devices:
                put(feed)
        ordered[name] = site.devices[name]

    for name in site.devices:
        put(name)
    return replace(site, devices=MappingProxyType(ordered))


def scenario_of(
    loaded: LoadedSite, site: Site, known: Known, *, begins: datetime, strength: Strength
) -> Scenario:
    """Return the outage to be; mains comes back when the rehearsal has it.

    Args:
        loaded: the site's file.
        site: the same, in order of feeds.
        known: what the live run knows.
        begins: when mains fails.
        strength: of the batteries.
    """
    learnt = with_learnt(site, took_of(known.state))
    start = begins.astimezone(UTC) - timedelta(seconds=LEAD_S)
    light = light_at(loaded.place, begins)
    plants, unlisted_w, scale = {}, {}, {}
    for name in site.units:
        listed_w = listed_draw(site, name, on=frozenset(site.devices)).at(light)
        unlisted_w[name], scale[name] = _beyond_list(site, known, name)
        load_w = listed_w * scale[name] + unlisted_w[name]
        plants[name] = plant_of(
            loaded,
            known,
            name,
            begins_in_s=max(0.0, (start - known.utc).total_seconds()),
            today=begins.date(),
            load_w=load_w,
            strength=strength,
        )
    return Scenario(
        seed=0,
        site=site,
        plants=plants,
        builds={n: _build(site, device, light, scale) for n, device in learnt.devices.items()},
        manners={n: Manners({}, frozenset(), talk_s=TALK_S) for n in site.devices},
        quirks={n: _quirks(known.state.units[n].reading) for n in site.units},
        happenings=(),
        outages=(),
        starts_at=0.0,
        poll_on_mains_s=loaded.agent.poll_on_mains_s,
        poll_on_battery_s=max(POLL_LEAST_S, loaded.agent.poll_on_battery_s),
        start_utc=start,
        unlisted_w=unlisted_w,
    )


def watts_in(site: Site, light: Light, scale: Mapping[str, float]) -> dict[str, float]:
    """Return what each device draws in that light, in W, scaled as its unit measures."""
    return {name: _watts(site, device, light, scale) for name, device in site.devices.items()}


def scales_of(site: Site, known: Known) -> dict[str, float]:
    """Return, by unit, what share of the listed watts it measures where that is less."""
    return {name: _beyond_list(site, known, name)[1] for name in site.units}


def _beyond_list(site: Site, known: Known, unit: str) -> tuple[float, float]:
    """What the unit carries beyond its devices, in W, and the share of theirs that it measures."""
    state = known.state.units[unit]
    found = state.loads.get(known.state.light)
    if found is None:
        return 0.0, 1.0
    listed_w = listed_draw(site, unit, on=frozenset(site.devices)).at(known.state.light)
    if listed_w <= 0.0 or abs(found.watts - listed_w) <= found.step_w:
        return 0.0, 1.0
    return max(0.0, found.watts - listed_w), min(1.0, found.watts / listed_w)


def _watts(site: Site, device: Device, light: Light, scale: Mapping[str, float]) -> float:
    by_light = {Light.DAY: device.watts, Light.NIGHT: device.night_watts}
    watts = by_light.get(light, max(device.watts, device.night_watts))
    shares = [scale[feed] for feed in device.feeds if feed in scale]
    through = [site.devices[feed].poe_efficiency for feed in device.feeds if feed in site.devices]
    return watts * (min(shares) if shares else 1.0) / (min(through) if through else 1.0)


_NO_BUTTON = frozenset({Role.SWITCH, Role.ROUTER, Role.MODEM, Role.CAMERA})
"""They run whenever they have power; an order to start them puts back what was set, over their own
network."""


def _build(site: Site, device: Device, light: Light, scale: Mapping[str, float]) -> DeviceBuild:
    """What takes its time takes most of what is planned for it."""
    return DeviceBuild(
        watts=_watts(site, device, light, scale),
        quiesce_s=TAKES_SHARE * (device.quiesce_s or 0.0),
        stop_s=TAKES_SHARE * (device.stop_s or 0.0),
        boot_s=TAKES_SHARE * device.start_s,
        quiet_after=1.0,
        starts_with_power=device.is_passive
        or device.starts is Starts.BY_ITSELF
        or device.role in _NO_BUTTON,
    )


def _quirks(reading: Reading | None) -> Quirks:
    """A unit that says what the real one says, and leaves out what it leaves out."""
    if reading is None:
        return Quirks(low_minutes=_LOW_MINUTES)
    meter = Meter.NOTHING
    if reading.trusted("output_w") is not None:
        meter = Meter.WATTS
    elif reading.trusted("load_share") is not None:
        meter = Meter.SHARE
    return Quirks(
        low_minutes=_LOW_MINUTES,
        minutes=Minutes.ABSENT if reading.runtime_s is None else Minutes.GAUGED,
        charge=Charge.ABSENT if reading.charge is None else Charge.GAUGED,
        meter=meter,
        counts_seconds=reading.on_battery_s is not None,
    )
