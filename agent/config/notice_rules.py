"""What is wrong between `[notices]` and the rest of the file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from agent.config.document import Document, Route
from agent.config.faults import Fault, did_you_mean
from agent.config.rules import tables

WAYS = ("webhooks", "mail", "syslog", "services")


def notice_faults(document: Document) -> Iterator[Fault]:
    """Find names on the path that no device has, and receivers of the same name."""
    table = document.value.get("notices")
    if not isinstance(table, Mapping):
        return
    yield from _path_faults(document, table)
    seen: set[str] = set()
    for way in WAYS:
        found = table.get(way)
        for place, one in enumerate(found if isinstance(found, list) else ()):
            name = one.get("name") if isinstance(one, Mapping) else None
            if not isinstance(name, str):
                continue
            if name in seen:
                yield document.fault(
                    ("notices", way, place, "name"),
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
