"""The plan of an outage: what is given up when, so that the worth of what stays on is greatest.

Only its words are here; `planning` makes one. They import nothing heavy, since `decide` reads them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from policies.runtime import LoadStep


class Why(StrEnum):
    """Why a device stops when it does."""

    KEPT = "kept as long as the battery carries it"
    GIVES_WAY = "gives way"
    OWNER = "as its owner wishes"  # stop_when
    UNTOLD = "loses power untold"  # nothing is sent to it
    NO_TOUCH = "never touched"
    UNDER_WAY = "already stopping"
    OFF = "already off"
    DARK = "dark as soon as mains fails"
    OTHER_POWER = "not on this battery alone"


@dataclass(frozen=True, slots=True)
class PlannedStop:
    """What the plan has in store for one device; site times in s, inf = not at all.

    Attributes:
        on_until_at: until when it does its work: its stop begins, or it loses what it lives by.
        at_rest_at: by when it is at rest; inf where nothing brings it to rest.
        latest_at: its latest safe start, backwards from the lower bound of the battery's end.
        dark_at: when it loses power at the latest, by the lower bound.
        hold_until_at: until when its owner wants it on; the outage's begin where there is no wish.
        sake: what gains most by its giving way, "" where nothing does.
        is_in_time: it is at rest before its power ends, or there is nothing to be lost.
        waits_for_second: it was put off until another plan agrees; see `plan_use`.
    """

    device: str
    why: Why
    on_until_at: float
    at_rest_at: float = math.inf
    latest_at: float = math.inf
    dark_at: float = math.inf
    hold_until_at: float = -math.inf
    sake: str = ""
    is_in_time: bool = True
    waits_for_second: bool = False

    @property
    def is_held(self) -> bool:
        """Whether it stays on for as long as its owner wishes; within a second."""
        return self.on_until_at >= self.hold_until_at - 1.0


@dataclass(frozen=True, slots=True)
class Fall:
    """One fall of the load: a stop, s from the making of the plan."""

    device: str
    begins_s: float
    takes_s: float
    watts: float
    holds_data: bool


@dataclass(frozen=True, slots=True)
class UnitCourse:
    """What is planned for one unit; spans from the making of the plan on, in s.

    Attributes:
        lower_s, median_s: how long its output lasts along the planned course of load, if what is on
            at the last stop were never stopped: what is stopped late then loses nothing.
        dark_s: when its output ends at the earliest, with all stops as planned.
        stops_end_s: when the last stop has ended.
        steps: the course of load; carried: the same, with what is kept on never stopped.
        falls: the stops in it; changes: by how many W it grows or falls besides, with the light.
        short_wh: what the battery lacks, by its lower bound, to meet all hold times; 0 = nothing.
        short_share: how many times its energy it would need for that; 1 = it has enough.
        light_load_s: how long, before all that holds data is at rest, the load is below what the
            unit needs to stay on by itself.
        made_w: what the unit carried when the plan was made, as it was known then.
    """

    unit: str
    quantile: float
    lower_s: float
    median_s: float
    dark_s: float
    stops_end_s: float
    steps: tuple[LoadStep, ...]
    carried: tuple[LoadStep, ...]
    falls: tuple[Fall, ...] = ()
    changes: tuple[tuple[float, float], ...] = ()
    short_wh: float = 0.0
    short_share: float = 1.0
    light_load_s: float = 0.0
    made_w: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What to give up when.

    Attributes:
        made_at: site time of its making, s; outage_at: when mains failed.
        horizon_s: how long, from its making, was planned for.
        stops: by device, in the file's order.
        units: by unit; those on battery.
        worth: hours times worth up to the horizon.
    """

    made_at: float
    outage_at: float
    horizon_s: float
    stops: Mapping[str, PlannedStop]
    units: Mapping[str, UnitCourse] = field(default_factory=dict)
    worth: float = 0.0

    @property
    def unmet(self) -> tuple[PlannedStop, ...]:
        """Devices that do not stay on for as long as their owners wish."""
        return tuple(
            stop for stop in self.stops.values() if not stop.is_held and stop.why is not Why.DARK
        )

    @property
    def unsaved(self) -> tuple[PlannedStop, ...]:
        """Devices that may lose power unprepared."""
        return tuple(stop for stop in self.stops.values() if not stop.is_in_time)
