"""What a terminal shows of the agent at one moment: the page's sentence and picture, as values."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from agent.pictures.ride_view import RideView


@dataclass(frozen=True, slots=True)
class Glance:
    """The site at one moment.

    Attributes:
        at: that moment, in the site's time zone.
        tone: "well", "heed" or "alarm"; head, why: how the site is, and the reason.
        notes: what else a reader must know, a sentence each.
        ride: the ride-through under way, or that of an outage that begins now; None = nothing is
            known to draw.
        is_imagined: it is the latter.
        rehearsal: what is to be told of the one under way, or of the last; "" = of none.
        is_rehearsed: the ride-through is that of the rehearsal under way.
        time_zone: the site's, by its IANA name; "" = that of the times as they are.
    """

    site: str
    at: datetime
    tone: str
    head: str
    why: str
    notes: tuple[str, ...]
    ride: RideView | None
    is_imagined: bool
    rehearsal: str = ""
    is_rehearsed: bool = False
    time_zone: str = ""


@cache
def _adapter() -> TypeAdapter[Glance]:
    return TypeAdapter(Glance)


def as_fields(glance: Glance) -> dict[str, Any]:
    """Return it JSON-ready."""
    fields: dict[str, Any] = json.loads(_adapter().dump_json(glance))
    return fields


def from_fields(said: Mapping[str, Any]) -> Glance:
    """Return what `as_fields` gave.

    Raises:
        ValueError: *said* is none; the agent may be of another release.
    """
    try:
        return _adapter().validate_python(dict(said), strict=False)
    except ValidationError as error:
        raise ValueError(f"{error.error_count()} fields are not as they should be") from None
