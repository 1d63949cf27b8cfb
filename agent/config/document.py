"""A TOML file, and the line on which each of its values stands.

The standard library reads the file; toml-rs, which is young and known to this module alone, adds
the lines. Where it is missing, or stumbles, faults carry no line.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from agent.config.faults import Fault, Severity
from agent.errors import ConfigError

Route = tuple[str | int, ...]
"""The way to a value: table names, and places in a list counted from 0."""

Spot = tuple[Path, int | None]
"""A file, and the line in it, where that is known."""

_LARGEST_BYTES = 4_000_000
_DEEPEST = 20
_PLACE = re.compile(r" \(at line (\d+), column (\d+)\)")


@dataclass(frozen=True, slots=True)
class Document:
    """A parsed file.

    Attributes:
        path: as given.
        value: its tables; never shown, since a fault may have put anything there.
        lines: route -> line, of every value and of every table; empty where lines are not known.
        places: route -> where a value stands that came from elsewhere, such as a recipe.
        bases: the files beneath it, the nearest first.
    """

    path: Path
    value: Mapping[str, Any] = field(repr=False)
    lines: Mapping[Route, int] = field(repr=False)
    places: Mapping[Route, Spot] = field(repr=False, default_factory=dict)
    bases: tuple[Path, ...] = ()

    def spot(self, route: Route) -> Spot:
        """Return where the value at *route* stands, or the nearest table around it."""
        for end in range(len(route), -1, -1):
            if route[:end] in self.places:
                return self.places[route[:end]]
            if route[:end] in self.lines:
                return self.path, self.lines[route[:end]]
        return self.path, None

    def line(self, route: Route) -> int | None:
        """Return the line of the value at *route*, or of the nearest table around it."""
        for end in range(len(route), -1, -1):
            if route[:end] in self.lines:
                return self.lines[route[:end]]
        return None

    def at(self, route: Route) -> Any:
        """Return the value at *route*, or None."""
        found: Any = self.value
        for step in route:
            try:
                found = found[step]
            except (KeyError, IndexError, TypeError):
                return None
        return found

    def key(self, route: Route) -> str:
        """Return *route* as people read it, list places replaced by the names that stand there."""
        parts: list[str] = []
        for depth, step in enumerate(route, start=1):
            if isinstance(step, str):
                parts.append(step)
                continue
            here = self.at(route[:depth])
            name = here.get("name") if isinstance(here, Mapping) else None
            if isinstance(name, str) and name.isprintable() and depth == 2:
                parts.append(name)
            elif parts:
                parts[-1] += f"[{step + 1}]"
        return ".".join(parts)

    def fault(
        self,
        route: Route,
        code: str,
        message: str,
        fix: str,
        *,
        severity: Severity = Severity.ERROR,
    ) -> Fault:
        """Return a fault at *route*."""
        path, line = self.spot(route)
        return Fault(str(path), line, self.key(route), code, message, fix, severity)

    def warning(self, route: Route, code: str, message: str, fix: str) -> Fault:
        """Return a fault at *route* for which the file is not refused."""
        return self.fault(route, code, message, fix, severity=Severity.WARNING)


def read_document(path: Path, *, with_lines: bool = True) -> Document:
    """Return the file at *path*, parsed; without lines it takes a third of the time.

    Raises:
        ConfigError: it cannot be read, is not text, or is not TOML.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_BYTES + 1)
        if len(data) > _LARGEST_BYTES:
            raise ConfigError(f"{path}: larger than 4 MB; name the site's own file")
        text = data.decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or "no reason given").lower()
        raise ConfigError(f"{path}: cannot be read: {reason}; check its name and mode") from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        # The bytes stay out of the message, and so does the error that carries them.
        raise ConfigError(f"{path}:{line}: is not UTF-8 text; save it as UTF-8") from None
    value, lines = parse(text, path=path, with_lines=with_lines)
    return Document(path, value, lines)


def parse(
    text: str, *, path: Path, with_lines: bool = True
) -> tuple[dict[str, Any], dict[Route, int]]:
    """Return the tables of a TOML text, and the line of each value; no lines if toml-rs is absent.

    Raises:
        ConfigError: it is not TOML, or nested deeper than any site's file.
    """
    try:
        value = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        # The chained error would carry the whole text, and a secret that was mistyped into it.
        place = _PLACE.search(str(error))
        at = f"{path}:{place[1]}:{place[2]}" if place else str(path)
        reason = _PLACE.sub("", str(error)).lower()
        raise ConfigError(f"{at}: is not TOML: {reason}; mend this line or the one above") from None
    except RecursionError:
        raise ConfigError(f"{path}: is nested too deeply; a site's file is flat") from None
    if _depth(value) > _DEEPEST:
        raise ConfigError(f"{path}: is nested too deeply; a site's file is flat")
    return value, _lines_of(text) if with_lines else {}


def _depth(value: Any) -> int:
    depth, layer = 0, [value]
    while layer:
        depth += 1
        inner: list[Any] = []
        for item in layer:
            if isinstance(item, dict):
                inner += item.values()
            elif isinstance(item, list):
                inner += item
        layer = inner
    return depth


def _lines_of(text: str) -> dict[Route, int]:
    """Return the line of each value of a text that is TOML and not deep: toml-rs has no guard."""
    try:
        import toml_rs

        nodes: Mapping[str, Any] = toml_rs.load_with_metadata(text, toml_version="1.0.0").meta[
            "nodes"
        ]
    except (ImportError, ValueError):
        return {}
    headers = _headers(text)
    lines: dict[Route, int] = {}
    for key, node in nodes.items():
        _note_lines(node, (key,), headers, lines)
    return lines


_Headers = Mapping[tuple[str, ...], Sequence[int]]
"""The names in a table header -> the lines where it stands, rising."""


def _headers(text: str) -> _Headers:
    """Find each table header by its look, since the parser gives no place to a table."""
    headers: dict[tuple[str, ...], list[int]] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.lstrip().startswith("["):
            continue
        try:
            found: Any = tomllib.loads(line.rstrip("\r"))
        except tomllib.TOMLDecodeError:
            continue  # a line of a list
        names: list[str] = []
        while found:
            found = found[0] if isinstance(found, list) else found
            for name, inner in found.items():
                names.append(name)
                found = inner
        headers.setdefault(tuple(names), []).append(number)
    return headers


def _note_lines(node: Any, route: Route, headers: _Headers, lines: dict[Route, int]) -> None:
    """Enter *node* of the parser's metadata, and all below it, into *lines*.

    A node with an own place has "value_line"; any other mapping is a table with its keys.
    """
    value, own_line = node, None
    if isinstance(node, Mapping) and not isinstance(node.get("value_line", {}), Mapping):
        value, own_line = node["value"], _first(node["value_line"])
    elif isinstance(node, Mapping) and not isinstance(node.get("key_line", {}), Mapping):
        value, own_line = node["value"], _first(node["key_line"])
    if own_line is not None:
        lines[route] = own_line
    children: list[Route] = []
    if isinstance(value, Mapping):
        children = [(*route, key) for key in value]
    elif isinstance(value, list):
        children = [(*route, place) for place in range(len(value))]
    for child in children:
        inner = value[child[-1]]
        if isinstance(inner, Mapping):
            _note_lines(inner, child, headers, lines)
    if own_line is None:
        _note_header(route, children, headers, lines)


def _note_header(
    route: Route, children: Sequence[Route], headers: _Headers, lines: dict[Route, int]
) -> None:
    """Enter the line of a table that the parser gives no place: its header's, or its first key's.

    Called after its children, before whatever is around it; a list's place is known already.
    """
    names = tuple(step for step in route if isinstance(step, str))
    around = max((lines.get(route[:end], 0) for end in range(len(route))), default=0)
    first = min((lines[child] for child in children if child in lines), default=None)
    found = headers.get(names, ())
    place = bisect_right(found, around)
    if place < len(found) and (first is None or found[place] <= first):
        lines[route] = found[place]
    elif first is not None:
        lines[route] = first


def _first(line: Any) -> int:
    return int(line[0] if isinstance(line, tuple) else line)
