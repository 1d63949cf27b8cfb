"""Tables laid over tables: key by key, what lies above wins; each value keeps its place."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from agent.config.document import Document, Route, Spot

_SOURCES = frozenset({"file", "env", "credential"})
_INSTEAD = (frozenset({"json", "form", "xml", "body"}), frozenset({"run", "dialogue"}))
"""Keys of which a table has one: the one above stands instead of the others below."""

_SAYS_WHICH = ("driver", "version")
"""Keys that say what the rest of their table means."""

_WHOLE = frozenset({"json", "form", "token"})
"""Keys whose tables are one thing: what is sent, what is expected, where a token stands."""


def merged(low: Any, high: Any, note: Callable[[Route], None], at: Route = ()) -> Any:
    """Return *low* with *high* laid over it; *note* is told each route that is taken from *low*.

    A table with another `driver` or another SNMP `version`, and a secret's place, replaces what is
    below as a whole: half of the one and half of the other would be neither. So does a list, and
    what a request carries.
    """
    if not (isinstance(low, Mapping) and isinstance(high, Mapping)) or _replaces(low, high):
        return high
    out = dict(high)
    for key, value in low.items():
        if key in _WHOLE and key in high:
            continue
        if key in high:
            out[key] = merged(value, high[key], note, (*at, key))
        elif not any(key in group and group & set(high) for group in _INSTEAD):
            out[key] = value
            note((*at, key))
    return out


def _replaces(low: Mapping[str, Any], high: Mapping[str, Any]) -> bool:
    is_other = any(key in high and high[key] != low.get(key, high[key]) for key in _SAYS_WHICH)
    return is_other or (len(high) == 1 and set(high) <= _SOURCES)


def spots_below(
    document: Document, route: Route, *, onto: Route = ()
) -> Iterator[tuple[Route, Spot]]:
    """Give where the value at *route* of a document stands, and all within it.

    Each comes with its route as it is in another document, beneath *onto*.
    """
    yield (*onto, *route), document.spot(route)
    value = document.at(route)
    keys: list[Any] = []
    if isinstance(value, Mapping):
        keys = list(value)
    elif isinstance(value, list):
        keys = list(range(len(value)))
    for key in keys:
        yield from spots_below(document, (*route, key), onto=onto)
