"""What is wrong between `[notices]` and the rest of the file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from agent.config.document import Document, Route
from agent.config.faults import Fault, did_you_mean
from agent.config.rules import tables

WAYS = {"webhooks": "webhook", "mail": "mail", "syslog": "syslog", "services": "service"}
"""The lists of receivers, and how one without a name is called there, before its number."""


def notice_faults(document: Document) -> Iterator[Fault]:
    """Find names on the path that no device has, and receivers of the same name."""
    table = document.value.get("notices")
    if not isinstance(table, Mapping):
        return
    yield from _path_faults(document, table)
    yield from _name_faults(document, table)


def _name_faults(document: Document, table: Mapping[str, object]) -> Iterator[Fault]:
    """Find receivers of the same name, be it one that was given or not: it is what they keep by."""
    named: list[tuple[str, Route]] = []
    seen: set[str] = set()
    for way, word in WAYS.items():
        found = table.get(way)
        for place, one in enumerate(found if isinstance(found, list) else ()):
            name = one.get("name") if isinstance(one, Mapping) else None
            if isinstance(name, str):
                named.append((name, ("notices", way, place, "name")))
            elif name is None:
                seen.add(f"{word} {place + 1}")
    for name, route in named:
        if name in seen:
            yield document.fault(
                route,
                "duplicate-name",
                f'"{name}" is the name of another receiver',
                "give each receiver its own name",
            )
        seen.add(name)


def _path_faults(document: Document, table: Mapping[str, object]) -> Iterator[Fault]:
    names = [each.get("name") for _, each in tables(document, "device")]
    known = {name for name in names if isinstance(name, str)}
    path = table.get("path")
    places: list[tuple[object, Route]] = []
    if isinstance(path, str):
        places = [(path, ("notices", "path"))]
    elif isinstance(path, list):
        places = [(one, ("notices", "path", spot)) for spot, one in enumerate(path)]
    for name, route in places:
        if isinstance(name, str) and name not in known:
            yield document.fault(
                route,
                "unknown-name",
                f'no device is called "{name}"',
                did_you_mean(name, known),
            )
