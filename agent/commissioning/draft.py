"""A site's file as it was asked together, and its text with comments."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from agent.config.toml_text import toml_value

_ALONE = frozenset({"snmp", "battery", "vars"})
"""Tables that stand under a header of their own, so that a person finds each key."""


@dataclass(slots=True)
class Part:
    """One table of the file, and what is said above it."""

    table: dict[str, Any]
    said: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Draft:
    """What the file is to hold."""

    site: dict[str, Any] = field(default_factory=dict)
    box: str = ""
    units: list[Part] = field(default_factory=list)
    devices: list[Part] = field(default_factory=list)

    @property
    def unit_names(self) -> list[str]:
        """The units, in order."""
        return [str(part.table["name"]) for part in self.units]

    def names_of(self, *roles: str) -> list[str]:
        """Return the devices of these roles, in order; of any, where none is named."""
        tables = [part.table for part in self.devices]
        return [str(t["name"]) for t in tables if not roles or t.get("role") in roles]


_HEAD = """\
# {name}, asked together by `lastwatt new` on {day}.
#
#   lastwatt check FILE        judges it: after each change
#   lastwatt probe FILE        reaches everything, and changes nothing
#   lastwatt commission FILE   pins the unit and the box, and guides the first drill
#
# Every key is explained in config.example.toml. Secrets never stand here, only where they lie.
# CAUTION: what keeps people safe (fire alarm, door release, emergency call, life support) has no
# place behind a load that software sheds; where it cannot be moved, write no_touch = true.
# Local codes and licensed people decide.

format = 1
"""


def text_of(draft: Draft, *, today: date) -> str:
    """Return the site's file."""
    lines = [_HEAD.format(name=draft.site["name"], day=today)]
    lines += _table("[site]", draft.site)
    lines += ["", "[agent]", f"box = {toml_value(draft.box)}  # lastwatt runs on this device", ""]
    lines += ["", "# Backup units " + "-" * 82]
    for part in draft.units:
        lines += ["", *_part("unit", part)]
    lines += ["", "", "# Devices " + "-" * 87]
    for part in draft.devices:
        lines += ["", *_part("device", part)]
    return "\n".join(lines) + "\n"


def _part(kind: str, part: Part) -> Iterator[str]:
    yield from (f"# {line}" for line in part.said)
    yield from _table(f"[[{kind}]]", {k: v for k, v in part.table.items() if k not in _ALONE})
    yield from part.below
    for key in part.table:
        if key in _ALONE:
            yield from _table(f"[{kind}.{key}]", part.table[key])


def _table(header: str, table: Mapping[str, Any]) -> Iterator[str]:
    yield header
    yield from (f"{key} = {toml_value(value)}" for key, value in table.items())
