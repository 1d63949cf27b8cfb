"""What each device itself must be set to, so that it goes and comes back as its file says."""

from __future__ import annotations

from collections.abc import Iterator

from agent.config import LoadedSite
from drivers.base import Stage
from policies.graph import graph_of, may_be_stopped
from policies.model import MAINS_FEED, Device, Role, Starts

_LAST_STATE = (
    '"last state" is not enough: it keeps off what was shut down in order (DSP0268, '
    "PowerRestorePolicy, says the same of servers)"
)


def needs_of(loaded: LoadedSite, name: str) -> tuple[str, ...]:
    """Return what a person has to see to at a device, a sentence each; () = nothing."""
    device = loaded.site.devices[name]
    if device.no_touch:
        return ("it is on the no-touch list: see that nothing else switches it, either",)
    return tuple((*_return(loaded, device), *_order(loaded, device), *_power(loaded, device)))


def _return(loaded: LoadedSite, device: Device) -> Iterator[str]:
    stages = loaded.stage_drivers[device.name]
    is_told = may_be_stopped(loaded.site, device.name) or device.role is Role.AGENT_BOX
    if device.starts is Starts.BY_ITSELF and is_told:
        yield f"its firmware starts it when AC power comes back; {_LAST_STATE}"
    elif stages.get(Stage.START) == "wake":
        yield "Wake-on-LAN is on, in its firmware and in its system, and stays on after a shutdown"
    elif stages.get(Stage.START) == "redfish":
        yield "PowerRestorePolicy of its management controller is AlwaysOn"
    elif device.starts is Starts.BY_HAND and is_told and device.stop_s is not None:
        yield "nothing starts it: whoever is called after an outage knows where its button is"


def _order(loaded: LoadedSite, device: Device) -> Iterator[str]:
    stages = loaded.stage_drivers[device.name]
    if not may_be_stopped(loaded.site, device.name):
        return
    languages = {stages[stage] for stage in (Stage.QUIESCE, Stage.STOP) if stage in stages}
    if "ssh" in languages:
        yield "the account that lastwatt logs in with may stop it, and little else"
    if languages & {"http", "onvif"}:
        yield "the account that lastwatt logs in with is its own, and not the administrator's"
    if languages & {"poe", "snmp-write"}:
        yield "its port keeps its state over a restart of the switch: it is put back by lastwatt"
    if device.role is Role.RECORDER:
        yield "it records by itself once it is on, and its clock is right then"


def _power(loaded: LoadedSite, device: Device) -> Iterator[str]:
    units = sorted(graph_of(loaded.site).units[device.name])
    if MAINS_FEED in device.feeds and not units:
        return
    fed = " and ".join(feed for feed in device.feeds if feed != MAINS_FEED)
    if device.feeds and set(device.feeds) & set(loaded.site.units):
        yield f"its plug is in a battery-backed socket of {fed}, not in one that only filters"
