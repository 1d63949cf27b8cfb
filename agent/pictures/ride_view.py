"""What a ride-through is, as its picture needs it: what has happened, and apart from it the plan.

Plain values only, so that the past can come from the journal and the plan from whoever has one.
All times are seconds after mains failed, `RideView.begins`; what lies before that is negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Doing(StrEnum):
    """What a device does over a span; the words stand in the picture's key and its titles."""

    ON = "on"
    STOPPING = "stopping"
    AT_REST = "at rest"
    STARTING = "starting"
    FAILED = "did not do as told"
    LOST = "lost power unprepared"
    DARK = "without power"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Span:
    """What a device does from one moment to another, in s after mains failed.

    Attributes:
        ends_s: None = it still does; only the last of the past may be open.
        why: what a reader is told of it, such as the evidence or the reason; "" = nothing.
    """

    begins_s: float
    ends_s: float | None
    doing: Doing
    why: str = ""


@dataclass(frozen=True, slots=True)
class Left:
    """What is left in a battery at a moment, as shares (0..1) of what is likely when it is full."""

    at_s: float
    lower: float
    likely: float


@dataclass(frozen=True, slots=True)
class Load:
    """What a unit carries from a moment on, in W."""

    at_s: float
    watts: float


@dataclass(frozen=True, slots=True)
class UnitRide:
    """One backup unit; each sequence is in order of time.

    Attributes:
        left, left_planned: the battery as it was believed to be, and as it is believed to become.
        load, load_planned: the same for its load; each holds until the next.
        charge: what the unit itself said of its charge, (s, share).
        sure_end_s: until when the battery lasts at least, None = not known or not asked.
        likely_end_s: until when it is likely to last.
        sureness: how sure the former is, such as "95 % sure".
        ended_s: when its output really ended, None = it did not.
    """

    name: str
    left: tuple[Left, ...] = ()
    left_planned: tuple[Left, ...] = ()
    load: tuple[Load, ...] = ()
    load_planned: tuple[Load, ...] = ()
    charge: tuple[tuple[float, float], ...] = ()
    sure_end_s: float | None = None
    likely_end_s: float | None = None
    sureness: str = ""
    ended_s: float | None = None


@dataclass(frozen=True, slots=True)
class DeviceRide:
    """One device's bar.

    Attributes:
        past: what it did, in order; planned: what it is to do from now on, in order.
        hold_until_s: how long its owner wishes it to stay on; None = no wish.
        is_held: whether it does, or did, stay on for that long.
        latest_s: its latest safe start; None = there is none.
        note: a word or a time to stand at the bar's end; "" = none.
        is_at_risk: it may lose, or lost, power unprepared.
    """

    name: str
    past: tuple[Span, ...] = ()
    planned: tuple[Span, ...] = ()
    hold_until_s: float | None = None
    is_held: bool = True
    latest_s: float | None = None
    note: str = ""
    is_at_risk: bool = False


@dataclass(frozen=True, slots=True)
class RideView:
    """A whole ride-through.

    Attributes:
        title: a short heading; description: the same as the picture, in a sentence.
        begins: when mains failed, or would, in the site's time zone (aware).
        now_s: where "now" is; None = the outage is over, and there is no now in it.
        until_s: where the time axis ends; None = where the last thing drawn does.
        mains_back_s: when mains returned, None = not yet.
        dark: from when to when it is night, (s, s).
    """

    title: str
    description: str
    begins: datetime
    now_s: float | None
    units: tuple[UnitRide, ...]
    devices: tuple[DeviceRide, ...]
    until_s: float | None = None
    mains_back_s: float | None = None
    dark: tuple[tuple[float, float], ...] = ()

    @property
    def ends_s(self) -> float:
        """Where the time axis ends, at least a minute after it began."""
        if self.until_s is not None:
            return max(60.0, self.until_s)
        ends = [self.now_s or 0.0, self.mains_back_s or 0.0]
        for unit in self.units:
            ends += [e for e in (unit.sure_end_s, unit.likely_end_s, unit.ended_s) if e is not None]
            ends += [point.at_s for point in (*unit.left, *unit.left_planned)]
        for device in self.devices:
            ends += [
                span.begins_s if span.ends_s is None else span.ends_s
                for span in (*device.past, *device.planned)
            ]
        return max(60.0, 1.03 * max(ends))
