"""Thresholds that can never be met, measured against what the batteries could give at best."""

from __future__ import annotations

from collections.abc import Iterator

from agent.config.document import Document, Route
from agent.config.faults import Fault
from policies.belief import full_runtime_s
from policies.graph import graph_of
from policies.model import Device, Site
from policies.reasons import duration_text

BEST_QUANTILE = 0.99
"""The best that is believed of a battery: one in a hundred does better."""


def threshold_faults(document: Document, site: Site, routes: dict[str, Route]) -> Iterator[Fault]:
    """Find thresholds of `stop_when` that nothing can ever reach.

    *site* holds units and devices as far as they are without faults of their own; *routes* says
    where each device's table stands.
    """
    for name, device in site.devices.items():
        if device.stop_when is not None:
            yield from _faults(document, site, device, (*routes[name], "stop_when"))


def _faults(document: Document, site: Site, device: Device, route: Route) -> Iterator[Fault]:
    wish = device.stop_when
    assert wish is not None
    if device.is_passive:
        yield document.fault(
            route,
            "threshold-never-met",
            "nothing says how to quiesce or stop this device, so no threshold can stop it",
            "add stop = { driver = … }, or remove stop_when",
        )
    if not graph_of(site).units[device.name]:
        if all(feed in site.devices or feed == "mains" for feed in device.feeds):
            yield document.fault(
                route,
                "threshold-never-met",
                "no backup unit stands behind this device, so it is never on battery",
                "feed it from a unit, or remove stop_when",
            )
        return
    best_s = best_runtime_s(site, device)
    for key, wanted_s in (
        ("runtime_below", wish.runtime_below_s),
        ("on_battery_for", wish.on_battery_for_s),
    ):
        if wanted_s is not None and wanted_s > best_s:
            yield document.fault(
                (*route, key),
                "threshold-never-met",
                f"the battery never lasts that long: {duration_text(best_s)} at best, with this "
                "device alone",
                "write a shorter time, or remove it and leave it to the latest safe start",
            )


def best_runtime_s(site: Site, device: Device) -> float:
    """Return the longest that the device could be carried, in s, with all else switched off.

    What feeds it stays on; where several units feed it, one follows the other.
    """
    chain = {device.name}
    waiting = [device]
    while waiting:
        for feed in waiting.pop().feeds:
            if feed in site.devices and feed not in chain:
                chain.add(feed)
                waiting.append(site.devices[feed])
    load_w = sum(min(site.devices[n].watts, site.devices[n].night_watts) for n in chain)
    return sum(
        full_runtime_s(site.units[unit], load_w=load_w, quantile=BEST_QUANTILE)
        for unit in graph_of(site).units[device.name]
    )
