"""Events and states as the journal keeps them: a kind, a version, a body of JSON.

What is written here is read by the next release, and by the one before: a field may be added with
a default, and is then simply ignored by older code; anything else raises VERSION, and older code
passes such an entry over. JSON has no infinity, so those floats stand as text, "Infinity".
"""

from __future__ import annotations

import json
import math
import re
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import date
from enum import Enum
from types import MappingProxyType
from typing import Any

from pydantic import TypeAdapter, ValidationError

from agent.errors import JournalError
from policies.events import Event
from policies.model import Site
from policies.state import SiteState, initial

_T = typing.TypeVar("_T")

VERSION = 1
"""Version of the bodies that this release writes."""

_PAST = {"given": "gave", "taken": "took", "seen": "saw"}
_CAMEL_WORD = re.compile(r"[A-Z][a-z0-9]*")


def kind_of(event_class: type[Event]) -> str:
    """Return the journal's word for an event: past-tense verb first, as in the logs.

    `OrderGiven` is "gave_order". The word is what files hold: a class once released keeps its name.
    """
    *nouns, verb = (word.lower() for word in _CAMEL_WORD.findall(event_class.__name__))
    return "_".join((_PAST.get(verb, verb), *nouns))


EVENT_CLASSES: Mapping[str, type[Event]] = MappingProxyType(
    {kind_of(event_class): event_class for event_class in typing.get_args(Event)}
)
"""Every event that this release knows, by its kind."""


def encode(value: Event | SiteState) -> str:
    """Return *value* as one line of strict JSON.

    Raises:
        TypeError: a field holds something that the journal has no form for (a fault of ours).
    """
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def decode(kind: str, version: int, body: str) -> Event | None:
    """Return the event that *body* holds, or None where a newer release wrote it.

    Raises:
        ValueError: the kind is known, and the body is not one of it.
    """
    event_class = EVENT_CLASSES.get(kind)
    if event_class is None or version > VERSION:
        return None
    event: Event = _read(event_class, body)
    return event


def decode_state(site: Site, body: str) -> SiteState:
    """Return the state that *body* holds, fitted to what *site* lists now.

    What the file no longer lists is dropped, what it newly lists is as in `initial`.

    Raises:
        ValueError: the body is not a state.
    """
    held: SiteState = _read(SiteState, body)
    fresh = initial(site)
    return replace(
        held,
        units=_fitted(held.units, fresh.units),
        devices=_fitted(held.devices, fresh.devices),
    )


def _fitted(held: Mapping[str, _T], fresh: Mapping[str, _T]) -> Mapping[str, _T]:
    return MappingProxyType({name: held.get(name, new) for name, new in fresh.items()})


def damaged(entry: int, kind: str, error: ValueError) -> JournalError:
    """Return the error that names a damaged entry."""
    return JournalError(
        f"journal entry {entry} ({kind}) is damaged: {error}; keep a copy of the journal, "
        "and check the disk"
    )


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}
"""Made when first needed: each takes a millisecond or two, and a short command reads few kinds."""


def _read(of: type[Any], body: str) -> Any:
    if of not in _ADAPTERS:
        _ADAPTERS[of] = TypeAdapter(of)
    try:
        return _ADAPTERS[of].validate_json(body)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{where}: {first['msg']}" if where else first["msg"]) from None


def _plain(value: object) -> Any:
    match value:
        case Enum():
            return value.value
        case str():
            # A device may have sent half a character; JSON and SQLite hold whole ones only.
            return value if value.isascii() else value.encode("utf-8", "replace").decode("utf-8")
        case None | bool() | int():
            return value
        case date():
            return value.isoformat()
        case float():
            return value if math.isfinite(value) else _NOT_FINITE[str(value)]
        case Mapping():
            return {_plain(key): _plain(held) for key, held in value.items()}
        case tuple() | list():
            return [_plain(held) for held in value]
        case frozenset() | set():
            return sorted((_plain(held) for held in value), key=str)
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    raise TypeError(f"the journal has no form for a {type(value).__name__}")


_NOT_FINITE = {"inf": "Infinity", "-inf": "-Infinity", "nan": "NaN"}
