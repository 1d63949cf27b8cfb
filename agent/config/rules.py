"""Rules between tables: names, references, circles, delays; read from the file as it stands.

Most of them work on the raw tables, so that a fault in one device hides none in another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from agent.config.document import Document, Route
from agent.config.faults import Fault, did_you_mean
from agent.config.fittings import OWN
from agent.config.models import UnitTable
from drivers.base import Stage
from policies.model import MAINS_FEED, Role

_SAID = {"feed": "is fed by", "path": "is reached through", "needs": "needs"}
"""A key that names others -> how that reads."""


@dataclass(frozen=True, slots=True)
class Link:
    """One name in a device's feed, path or needs, and where it stands."""

    owner: str
    other: str
    key: str
    route: Route


def tables(document: Document, kind: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """Give each [[unit]] or [[device]] with its place in the file's list."""
    found = document.value.get(kind)
    for place, table in enumerate(found if isinstance(found, list) else ()):
        if isinstance(table, Mapping):
            yield place, table


def links(document: Document, kind: str, key: str) -> Iterator[Link]:
    """Give every name that stands under *key* of the tables of that kind."""
    for place, table in tables(document, kind):
        value, owner = table.get(key), table.get("name")
        if not isinstance(owner, str):
            owner = f"{kind} {place + 1}"
        if isinstance(value, str):
            yield Link(owner, value, key, (kind, place, key))
        elif isinstance(value, list):
            for spot, other in enumerate(value):
                if isinstance(other, str):
                    yield Link(owner, other, key, (kind, place, key, spot))


def name_faults(document: Document) -> Iterator[Fault]:
    """Find names that two units or devices share: a feed could mean either."""
    first: dict[str, Route] = {}
    for kind in ("unit", "device"):
        for place, table in tables(document, kind):
            name, route = table.get("name"), (kind, place, "name")
            if not isinstance(name, str):
                continue
            if name in first:
                path, line = document.spot(first[name])
                at = "" if line is None else f" on line {line}"
                at += "" if path == document.spot(route)[0] else f" of {path}"
                yield document.fault(
                    route,
                    "duplicate-name",
                    f'"{name}" is the name of another {first[name][0]}{at}',
                    "give each unit and each device its own name",
                )
            first.setdefault(name, route)


def reference_faults(document: Document) -> Iterator[Fault]:
    """Find names in feed, path, needs and box that nothing has, and devices fed by nothing."""
    units, devices = _names(document, "unit"), _names(document, "device")
    for link in links(document, "device", "feed"):
        if link.other not in units | devices | {MAINS_FEED}:
            yield _dangling(document, link, units | devices | {MAINS_FEED})
    for kind, key in (("device", "path"), ("device", "needs"), ("unit", "path")):
        for link in links(document, kind, key):
            if link.other in units:
                yield document.fault(
                    link.route,
                    "unknown-name",
                    f'"{link.other}" is a backup unit, and {key} names devices',
                    "name the devices in between, or remove it",
                )
            elif link.other not in devices:
                yield _dangling(document, link, devices)
    for place, table in tables(document, "device"):
        if table.get("feed") == []:
            yield document.fault(
                ("device", place, "feed"),
                "fed-by-nothing",
                "nothing powers this device",
                'name a unit, a device that feeds it, or "mains" where no battery stands behind it',
            )
    agent = document.value.get("agent")
    box = agent.get("box") if isinstance(agent, Mapping) else None
    if isinstance(box, str) and box not in devices:
        yield document.fault(
            ("agent", "box"),
            "unknown-name",
            f'no device is called "{box}"',
            did_you_mean(box, devices) + ', or add it with role = "agent box"',
        )


def box_faults(document: Document) -> Iterator[Fault]:
    """Find an agent's box of another role: orders would reach it, and it is what gives them."""
    agent = document.value.get("agent")
    box = agent.get("box") if isinstance(agent, Mapping) else None
    for place, table in tables(document, "device"):
        if box is not None and table.get("name") == box and table.get("role") != Role.AGENT_BOX:
            yield document.fault(
                ("device", place, "role"),
                "box-role",
                "the agent runs on this device, which no order may stop",
                'write role = "agent box"; what records on it can be a device of its own',
            )


def local_faults(document: Document) -> Iterator[Fault]:
    """Find a device that would be powered off by powering off the agent's own box."""
    for place, table in tables(document, "device"):
        for stage in Stage:
            found = table.get(stage.value)
            held = found if isinstance(found, list) else [found]
            drivers = [each.get("driver") for each in held if isinstance(each, Mapping)]
            if OWN in drivers and table.get("role") != Role.AGENT_BOX:
                yield document.fault(
                    ("device", place, stage.value),
                    "local-elsewhere",
                    'driver "local" powers off the box that lastwatt runs on, and no other',
                    'name the driver that this device understands, or write role = "agent box"',
                )


def _names(document: Document, kind: str) -> set[str]:
    named = (table.get("name") for _, table in tables(document, kind))
    return {name for name in named if isinstance(name, str)}


def _dangling(document: Document, link: Link, known: set[str]) -> Fault:
    return document.fault(
        link.route,
        "unknown-name",
        f'nothing is called "{link.other}"',
        did_you_mean(link.other, known - {link.owner}),
    )


def circle_faults(document: Document) -> Iterator[Fault]:
    """Find circles in feeds, paths and needs taken together: no order of stops satisfies one."""
    devices = _names(document, "device")
    out: dict[str, dict[str, Link]] = {name: {} for name in sorted(devices)}
    for key in _SAID:
        for link in links(document, "device", key):
            if link.owner in devices and link.other in devices:
                out[link.owner].setdefault(link.other, link)
    while True:
        _trim(out)
        start = next(iter(out), None)
        if start is None:
            return
        circle = _circle(out, start)
        shown = ", which ".join(f'{_SAID[link.key]} "{link.other}"' for link in circle)
        yield document.fault(
            circle[0].route,
            "circle",
            f'this goes round in a circle: "{circle[0].owner}" {shown}',
            "remove one of these, so that there is an order in which to stop them",
        )
        for link in circle:
            del out[link.owner]


def _trim(out: dict[str, dict[str, Link]]) -> None:
    """Drop what lies on no circle: again and again, what leads nowhere."""
    users: dict[str, set[str]] = {name: set() for name in out}
    for owner, following in out.items():
        for other in tuple(following):
            if other in out:
                users[other].add(owner)
            else:
                del following[other]
    waiting = [name for name, following in out.items() if not following]
    while waiting:
        name = waiting.pop()
        del out[name]
        for user in users[name]:
            if user in out and name in out[user]:
                del out[user][name]
                if not out[user]:
                    waiting.append(user)


def _circle(out: Mapping[str, Mapping[str, Link]], start: str) -> list[Link]:
    """Follow links from *start* until a name comes again; everything here leads to one."""
    walked: dict[str, Link] = {}
    name = start
    while name not in walked:
        walked[name] = next(iter(out[name].values()))
        name = walked[name].other
    names = list(walked)
    return [walked[other] for other in names[names.index(name) :]]


def _output_faults(document: Document, place: int, table: UnitTable) -> Iterator[Fault]:
    """Find an output that would be switched in clear text, or with nobody knowing for whom."""
    assert table.output is not None
    control = table.output.snmp or table.snmp
    is_sealed = control.version == "3" and control.privacy != "none"
    if not is_sealed and not table.output.clear_text:
        yield document.fault(
            ("unit", place, "output"),
            "output-in-clear",
            "without authentication and privacy anybody on the wire could switch the output off",
            'use version = "3" with auth and privacy here or in snmp = { … } under output; if the '
            "unit cannot, and you accept that, add clear_text = true",
        )
    if not any(device.get("role") == Role.AGENT_BOX for _, device in tables(document, "device")):
        yield document.fault(
            ("unit", place, "output"),
            "output-without-box",
            "the file does not list the box that lastwatt runs on, which may hang on this output",
            'add that device with role = "agent box"',
        )


def _self_test_faults(document: Document, place: int, table: UnitTable) -> Iterator[Fault]:
    """Find a test that anybody on the wire could begin, or that nobody would attend."""
    assert table.self_test is not None
    control = table.self_test.snmp or table.snmp
    if control.version != "3" or control.privacy == "none":
        yield document.fault(
            ("unit", place, "self_test"),
            "self-test-in-clear",
            "without authentication and privacy anybody on the wire could begin tests until the "
            "battery is empty",
            'use version = "3" with auth and privacy here or in snmp = { … } under self_test',
        )
    if document.at(("schedule", "attended")) is None:
        yield document.fault(
            ("unit", place, "self_test"),
            "self-test-unattended",
            "a tired battery can drop the load in its own test, and the file names no hours in "
            "which somebody is there",
            'add attended = { days = ["mon", "tue"], from = "09:00", to = "17:00" } to [schedule]',
        )


def unit_faults(document: Document, place: int, table: UnitTable, today: date) -> Iterator[Fault]:
    """Find what is wrong between the keys of one unit."""
    if table.output is not None:
        yield from _output_faults(document, place, table)
    if table.self_test is not None:
        yield from _self_test_faults(document, place, table)
    if table.battery.fitted is not None and table.battery.fitted > today:
        yield document.fault(
            ("unit", place, "battery", "fitted"),
            "date-in-future",
            "the battery cannot have been fitted in the future",
            "write the day that it was fitted, or set this box's clock",
        )
