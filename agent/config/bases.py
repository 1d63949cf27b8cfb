"""A site's file that begins where another ends: `base = "../base.toml"`.

Tables are laid over those of the base key by key, units and devices by their names; what the site's
own file says wins, and each value keeps the file and line that it came from. What a base names
(secrets, measured runs) is counted from the site's folder, so that every site has its own; its
recipes may lie beside the base as well.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from agent.config.document import Document, Route, Spot, read_document
from agent.config.faults import Fault, did_you_mean
from agent.config.merge import merged, spots_below
from agent.errors import ConfigError

_KINDS = ("unit", "device")
_OWN = frozenset({"base", "without"})
"""Keys that a file says of itself, and that nothing inherits."""

_MOST_BASES = 5


def with_bases(document: Document) -> tuple[Document, tuple[Fault, ...]]:
    """Return a site's document laid over its base, over that one's base, and so on.

    Returns:
        The whole, and what is wrong with the bases themselves; with a fault the site's own tables
        are given as they are.
    """
    whole, at = document, document
    seen = [document.path.resolve()]
    while isinstance(at.value.get("base"), str):
        try:
            low = _base_of(at, seen)
        except ConfigError as error:
            message, _, fix = str(error).partition("; ")
            fault = at.fault(("base",), "bad-base", message, fix or "name another base")
            return document, (fault,)
        wrong = tuple(_without_faults(at, low))
        if wrong:
            return document, wrong
        whole = _Laying(low, whole).laid(_without(at))
        at = low
    if "without" in at.value:
        fault = at.fault(("without",), "bad-base", "nothing is inherited here", "remove it")
        return document, (fault,)
    return whole, ()


def _base_of(document: Document, seen: list[Path]) -> Document:
    """Return the base that a document names, and enter it into *seen*.

    Raises:
        ConfigError: it is not there, is no TOML, or one of those that led here.
    """
    name = document.value["base"]
    path = Path(os.path.normpath(document.path.parent / name))
    if path.resolve() in seen:
        raise ConfigError(
            f'the bases go round in a circle: "{name}" is based on this file; remove one of them'
        )
    if len(seen) > _MOST_BASES:
        raise ConfigError(f"more than {_MOST_BASES} bases lie beneath each other; join some")
    seen.append(path.resolve())
    return read_document(path)


def _without(document: Document) -> frozenset[str]:
    found = document.value.get("without")
    return frozenset(found if isinstance(found, list) else [found])


def _without_faults(document: Document, low: Document) -> Iterator[Fault]:
    """Find names that are to be left out and that the base has not."""
    known = {name for kind in _KINDS for _, _, name in _named(low, kind) if name is not None}
    if low.value.get("base") is not None:
        return  # a base further down may have it
    for name in _without(document):
        if name is not None and name not in known:
            message = f"the base {low.path} has no such unit or device"
            yield document.fault(("without",), "unknown-name", message, did_you_mean(name, known))


def _named(document: Document, kind: str) -> Iterator[tuple[int, Any, str | None]]:
    """Give place, table and name of each of a kind; no name where it has none that is text."""
    found = document.value.get(kind)
    for place, table in enumerate(found if isinstance(found, list) else ()):
        name = table.get("name") if isinstance(table, Mapping) else None
        yield place, table, name if isinstance(name, str) else None


@dataclass(slots=True)
class _Laying:
    """One document while it is laid over another."""

    low: Document
    high: Document
    spots: dict[Route, Spot] = field(default_factory=dict)
    moved: dict[Route, Route] = field(default_factory=dict)

    def laid(self, without: frozenset[str]) -> Document:
        """Return the whole; of *low* without the units and devices of these names."""
        low = {key: value for key, value in self.low.value.items() if key not in _OWN}
        value: dict[str, Any] = merged(low, self.high.value, partial(self._note, (), ()))
        for kind in _KINDS:
            if isinstance(self.low.value.get(kind), list) and self._is_listed(kind):
                value[kind] = self._list(kind, without)
        lines = {self._moved(route): line for route, line in self.high.lines.items()}
        places = {self._moved(route): spot for route, spot in self.high.places.items()}
        bases = (*self.high.bases, self.low.path)
        whole = replace(self.high, value=value, lines=lines, bases=bases)
        return replace(whole, places={**self.spots, **places})

    def _is_listed(self, kind: str) -> bool:
        return isinstance(self.high.value.get(kind, []), list)

    def _list(self, kind: str, without: frozenset[str]) -> list[Any]:
        """Return the base's units or devices, each with its own table above, then the new ones."""
        self.spots = {route: spot for route, spot in self.spots.items() if route[:1] != (kind,)}
        above: dict[str, tuple[int, Any]] = {}
        for place, table, name in _named(self.high, kind):
            if name is not None:
                above.setdefault(name, (place, table))
        out: list[Any] = []
        for place, table, name in _named(self.low, kind):
            if name in without:
                continue
            at: Route = (kind, len(out))
            note = partial(self._note, (kind, place), at)
            if name is not None and name in above:
                over, high = above.pop(name)
                self.moved[kind, over] = at
                out.append(merged(_beneath(table, high), high, note))
            else:
                note(())
                out.append(table)
        for place, table, _ in _named(self.high, kind):
            if (kind, place) not in self.moved:
                self.moved[kind, place] = (kind, len(out))
                out.append(table)
        return out

    def _note(self, old: Route, new: Route, route: Route) -> None:
        """Enter what is taken from *low*: at *old*/*route* there, *new*/*route* here."""
        for found, spot in spots_below(self.low, (*old, *route)):
            self.spots[*new, *found[len(old) :]] = spot

    def _moved(self, route: Route) -> Route:
        return (*self.moved.get(route[:2], route[:2]), *route[2:])


def _beneath(low: Mapping[str, Any], high: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the table of a base's device; variables of another recipe do not fit this one."""
    if "recipe" in high and high["recipe"] != low.get("recipe"):
        return {key: value for key, value in low.items() if key not in ("recipe", "vars")}
    return low
