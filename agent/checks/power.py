"""What bites in an outage because of how a site is fed: mains sockets, watts, the battery's end."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from agent.config.document import Document, Route
from agent.config.faults import Fault
from agent.config.rules import tables
from agent.config.site import LoadedSite
from agent.config.thresholds import best_runtime_s
from policies.belief import Drawn, full_runtime_s, simple_belief
from policies.budget import budget_of
from policies.graph import Graph, graph_of, may_be_stopped
from policies.model import Device, Role, Site
from policies.reasons import duration_text
from policies.state import initial, listed_load_w
from policies.timeline import MARGIN_S, timeline

_MUST_RECORD = frozenset({Role.RECORDER, Role.STORAGE})
_TO_INTERNET = frozenset({Role.ROUTER, Role.MODEM})


@dataclass(frozen=True)
class Scene:
    """A loaded site while it is looked at, and where its tables stand."""

    loaded: LoadedSite
    routes: Mapping[str, Route] = field(init=False)

    def __post_init__(self) -> None:
        routes: dict[str, Route] = {
            str(table.get("name")): (kind, place)
            for kind in ("unit", "device")
            for place, table in tables(self.loaded.document, kind)
        }
        object.__setattr__(self, "routes", routes)

    @property
    def site(self) -> Site:
        """The site in the policies' words."""
        return self.loaded.site

    @property
    def graph(self) -> Graph:
        """What hangs on what."""
        return graph_of(self.loaded.site)

    @property
    def document(self) -> Document:
        """The file."""
        return self.loaded.document

    def route(self, name: str) -> Route:
        """Return where the unit or device stands."""
        return self.routes[name]

    def warning(self, name: str, keys: Route, code: str, message: str, fix: str) -> Fault:
        """Return a warning about a unit or device."""
        return self.document.warning((*self.route(name), *keys), code, message, fix)


def power_warnings(scene: Scene) -> Iterator[Fault]:
    """Find everything that the feeds, the watts and the battery hold in store."""
    yield from _on_mains(scene)
    yield from _watts(scene)
    yield from _agent_host(scene)
    yield from _no_touch(scene)
    yield from _stops_against_battery(scene)
    yield from _wishes(scene)


def _on_mains(scene: Scene) -> Iterator[Fault]:
    """Find what goes dark with mains though others count on it."""
    counting = _counting_on(scene)
    for name, device in scene.site.devices.items():
        if scene.graph.units[name]:
            continue
        fix = "move its plug to a backup unit, and write that unit as its feed"
        if device.role in _MUST_RECORD:
            message = f"a {device.role} on a mains socket stops unprepared when mains fails"
            yield scene.warning(name, ("feed",), "recorder-on-mains", message, fix)
        if name == scene.loaded.agent.box:
            message = "the agent's own box goes dark with mains, and nothing is told to stop"
            yield scene.warning(name, ("feed",), "agent-box-on-mains", message, fix)
        elif counting.get(name):
            users = ", ".join(f'"{user}"' for user in counting[name][:5])
            more = f" and {len(counting[name]) - 5} more" if len(counting[name]) > 5 else ""
            message = f"it goes dark with mains, and the agent reaches {users}{more} through it"
            yield scene.warning(name, ("feed",), "path-on-mains", message, fix)
        elif device.role in _TO_INTERNET:
            message = "it goes dark with mains, and no notice leaves the site in an outage"
            yield scene.warning(name, ("feed",), "internet-on-mains", message, fix)


def _counting_on(scene: Scene) -> dict[str, list[str]]:
    """Device -> units, and devices on battery that are spoken with, that are reached through it."""
    reached: dict[str, tuple[str, ...]] = {
        name: access.path for name, access in scene.loaded.units.items()
    }
    for name, device in scene.site.devices.items():
        if scene.loaded.stage_drivers[name] and scene.graph.units[name] and not device.no_touch:
            reached[name] = device.path
    counting: dict[str, list[str]] = {}
    for user, path in reached.items():
        seen: set[str] = set()
        waiting = list(path)
        while waiting:
            via = waiting.pop()
            if via not in seen:
                seen.add(via)
                counting.setdefault(via, []).append(user)
                waiting += scene.site.devices[via].path
    return counting


def _watts(scene: Scene) -> Iterator[Fault]:
    for name in scene.site.devices:
        if scene.document.at((*scene.route(name), "watts")) is None:
            yield scene.warning(
                name,
                ("watts",),
                "watts-unknown",
                "its draw is not given, and is counted as nothing",
                "measure it at its plug, or read its plate, and add watts = …",
            )
    for overload in budget_of(scene.site).overloads:
        key = ("rating",) if overload.about in scene.site.units else ("watts",)
        yield scene.warning(overload.about, key, overload.code, overload.message, overload.fix)


def _agent_host(scene: Scene) -> Iterator[Fault]:
    """Find the machine that the agent's box runs on, where the file says to stop it."""
    box = scene.loaded.agent.box
    if box is None:
        return
    guest_of: dict[str, str] = {}
    waiting = [box]
    while waiting:
        user = waiting.pop()
        device = scene.site.devices[user]
        for other in (*device.needs, *device.feeds):
            if other in scene.site.devices and other not in guest_of:
                guest_of[other] = user
                waiting.append(other)
    for name in guest_of:
        device = scene.site.devices[name]
        if device.stop_s is not None and not device.no_touch:
            yield scene.warning(
                name,
                ("stop",),
                "agent-stops-its-host",
                f'the agent\'s box, "{box}", lives by this device: stopping it ends the agent '
                "before its work is done",
                "run the agent on a box of its own, or remove this stop",
            )


def _no_touch(scene: Scene) -> Iterator[Fault]:
    for name, device in scene.site.devices.items():
        carried = sorted(
            other for other in scene.graph.touched_by[name] if scene.site.devices[other].no_touch
        )
        if carried and device.stop_s is not None:
            yield scene.warning(
                name,
                ("stop",),
                "no-touch-carried",
                f'it feeds or reaches "{carried[0]}", which no order may touch: this stop is '
                "never sent",
                "remove this stop, or feed the other from elsewhere",
            )


@dataclass(frozen=True, slots=True)
class Misfit:
    """A stop that does not fit into the battery.

    Attributes:
        takes_s: what the stop takes, with all that must follow it.
        lower_s: how long its power lasts at least, at full load from a full battery.
    """

    device: str
    takes_s: float
    lower_s: float


def misfits(site: Site) -> list[Misfit]:
    """Return the stops that do not fit, if everything runs and all units go on battery at once.

    The reserve is kept back, as the live agent does; batteries are full, and night watts count.
    """
    state = initial(site)
    loads = {name: listed_load_w(site, state, name) for name in site.units}
    units = {name: replace(unit, load_w=loads[name]) for name, unit in state.units.items()}
    state = replace(state, units=MappingProxyType(units))
    beliefs = {
        name: simple_belief(unit, Drawn(), load_w=loads[name]) for name, unit in site.units.items()
    }
    course = timeline(site, state, beliefs, 0.0, margin_s=MARGIN_S)
    return [
        Misfit(
            name,
            course.bare[name].ends_at - course.bare[name].start_latest_at,
            course.bare[name].ends_at,
        )
        for name in site.devices
        if may_be_stopped(site, name) and course.planned[name].start_latest_at < 0.0
    ]


def _stops_against_battery(scene: Scene) -> Iterator[Fault]:
    kept = f", {100 * scene.site.reserve:.0f} % of it kept in reserve" if scene.site.reserve else ""
    for misfit in misfits(scene.site):
        yield scene.warning(
            misfit.device,
            ("stop",),
            "stops-exceed-battery",
            f"this stop and what follows it take {duration_text(misfit.takes_s)}, and the full "
            f"battery lasts only {duration_text(misfit.lower_s)} at least{kept}",
            "feed less from this unit, fit a larger battery, or shorten the stops",
        )


def _wishes(scene: Scene) -> Iterator[Fault]:
    """Find hold times and thresholds that the battery makes pointless."""
    for name, device in scene.site.devices.items():
        if not scene.graph.units[name]:
            continue
        if device.hold_s > 0.0 and name not in scene.graph.on_mains:
            best_s = best_runtime_s(scene.site, device)
            if device.hold_s > best_s:
                yield scene.warning(
                    name,
                    ("hold",),
                    "hold-exceeds-battery",
                    f"the battery never lasts that long: {duration_text(best_s)} at best, with "
                    "this device alone",
                    "write a shorter time, or fit a larger battery",
                )
        yield from _runtime_wish(scene, device)


def _runtime_wish(scene: Scene, device: Device) -> Iterator[Fault]:
    wanted_s = None if device.stop_when is None else device.stop_when.runtime_below_s
    if wanted_s is None:
        return
    route: Route = ("stop_when", "runtime_below")
    if wanted_s < device.rest_s:
        yield scene.warning(
            device.name,
            route,
            "threshold-moot",
            f"its stop takes {duration_text(device.rest_s)}, so the latest safe start always "
            "comes first",
            "write a longer time, or remove it",
        )
    likely_s = max(
        (_likely_s(scene, unit) for unit in scene.graph.units[device.name]), default=math.inf
    )
    if wanted_s > likely_s:
        yield scene.warning(
            device.name,
            route,
            "threshold-met-at-once",
            f"at full load the battery likely lasts {duration_text(likely_s)}, so this stops the "
            "device as soon as mains fails",
            "write a shorter time, unless that is what you want",
        )


def _likely_s(scene: Scene, unit: str) -> float:
    load_w = listed_load_w(scene.site, initial(scene.site), unit)
    return full_runtime_s(scene.site.units[unit], load_w=load_w, quantile=0.5)
