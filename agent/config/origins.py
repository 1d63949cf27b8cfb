"""Where each value of a site's file comes from: the file itself, a base, or a recipe."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from agent.config.document import Document, Route, Spot


def origins(document: Document) -> Iterator[tuple[str, Spot]]:
    """Give each value's key, as people read it, and where it stands, in the order of the whole.

    The values stay out of it: a web address may hold somebody's key.
    """
    for route in _leaves(document.value, ()):
        yield document.key(route), document.spot(route)


def _leaves(value: Any, route: Route) -> Iterator[Route]:
    """Give the way to each value that is no table; a list of plain values is one."""
    if isinstance(value, Mapping) and value:
        for key, inner in value.items():
            yield from _leaves(inner, (*route, key))
    elif isinstance(value, list) and any(isinstance(inner, Mapping) for inner in value):
        for place, inner in enumerate(value):
            yield from _leaves(inner, (*route, place))
    else:
        yield route
