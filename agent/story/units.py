"""Follows the mains of each unit through a journal: since when it was away, and back."""

from __future__ import annotations

from dataclasses import dataclass, field

from agent.story.model import Interruption, Point
from policies.events import SupplyJudged
from policies.model import Alarm, BatteryStatus, Reading
from policies.supply import (
    FOR_A_MOMENT,
    ONE_SAYS_MAINS,
    SELF_TEST,
    SILENT_ON_BATTERY,
    Supply,
    shows_battery,
)

_RESTARTED_S = 5.0
"""A card that is silent for less was restarted by somebody, and its unit was on all the while."""

_LOW = {Alarm.LOW_BATTERY, Alarm.DEPLETED_BATTERY}


@dataclass(slots=True)
class Away:
    """Mains is away from a unit, or seems to be.

    Attributes:
        returns_at: when a reading first said that it is back, which a second must confirm.
        was_low: it said that its battery is low.
        ended_at: when it was last heard before its card started anew, since its output had ended.
    """

    failed_at: float
    last_on_battery_at: float
    returns_at: float | None = None
    was_low: bool = False
    ended_at: float | None = None

    def so_far(self, unit: str, returned_at: float | None) -> Interruption:
        """Return it as it is told."""
        last_at = self.last_on_battery_at
        if returned_at is not None:
            last_at = min(last_at, returned_at)
        return Interruption(unit, self.failed_at, returned_at, max(self.failed_at, last_at))


@dataclass(slots=True)
class MainsWatch:
    """One unit's mains.

    Attributes:
        away: while it is away and that is taken for an outage.
        moment: while it is on battery for a moment, which may yet be none.
        latest: the last reading.
    """

    unit: str
    away: Away | None = None
    moment: Away | None = None
    latest: Reading | None = None

    def read(self, reading: Reading) -> None:
        """Take one more reading."""
        self._look_for_end(reading)
        self.latest = reading
        for course in (self.away, self.moment):
            if course is not None and shows_battery(reading):
                course.last_on_battery_at = max(course.last_on_battery_at, reading.at)
                course.was_low |= is_low(reading)

    def _look_for_end(self, reading: Reading) -> None:
        """A card that started anew, and finds mains there, had lost its power with the output.

        Mains was there by then at the latest: with an empty battery nothing else starts the unit.
        """
        before, away = self.latest, self.away
        if away is None or before is None or shows_battery(reading):
            return
        uptimes = before.uptime_s, reading.uptime_s
        if uptimes[0] is None or uptimes[1] is None or not shows_battery(before):
            return
        began_at = reading.at - uptimes[1]
        if uptimes[1] < uptimes[0] and began_at > before.at + _RESTARTED_S:
            away.ended_at = before.at
            away.returns_at = began_at

    def judged(self, event: SupplyJudged) -> Interruption | None:
        """Take what its readings came to mean; return the interruption that is over by it."""
        if event.why == FOR_A_MOMENT:
            self.moment = self.moment or self._begun(event)
            return None
        if event.supply is Supply.BATTERY:
            self.away = self.away or self.moment or self._begun(event)
            self.moment = None
            if event.why == ONE_SAYS_MAINS:
                self.away.returns_at = self.away.returns_at or event.at
            elif event.why != SILENT_ON_BATTERY:
                self.away.returns_at = None
            return None
        if not event.supply.has_mains:
            return None
        course, self.away, moment, self.moment = self.away, None, self.moment, None
        over = course or moment
        if over is None or (course is None and event.why == SELF_TEST):
            return None
        return over.so_far(self.unit, event.at if over.returns_at is None else over.returns_at)

    def _begun(self, event: SupplyJudged) -> Away:
        """Mains failed when the unit says so, at the latest when its reading was taken."""
        at, latest = event.at, self.latest
        if latest is None or latest.at > event.at or not shows_battery(latest):
            return Away(at, at)
        began_at = latest.at - (latest.trusted("on_battery_s") or 0.0)
        return Away(began_at, latest.at, was_low=is_low(latest))


def is_low(reading: Reading) -> bool:
    """Whether a reading says that the battery is low, or empty."""
    low = reading.battery_status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
    return low or bool(_LOW & reading.alarms)


@dataclass(slots=True)
class UnitCourse:
    """What is gathered of one unit in an outage.

    Attributes:
        rating_w: None = not known.
    """

    name: str
    rating_w: float | None
    interruptions: list[Interruption] = field(default_factory=list)
    points: list[Point] = field(default_factory=list)
    ended_at: float | None = None
    ended_how: str = ""

    def add(self, reading: Reading) -> None:
        """Take one more reading."""
        load_w = reading.trusted("output_w")
        share = reading.trusted("load_share")
        if load_w is None and share is not None and self.rating_w is not None:
            load_w = share * self.rating_w
        self.points.append(
            Point(
                reading.at,
                shows_battery(reading),
                load_w,
                reading.trusted("charge"),
                reading.trusted("runtime_s"),
                reading.trusted("battery_v"),
            )
        )

    def end(self, at: float, how: str) -> None:
        """Its output ended; the first word on it stands."""
        if self.ended_at is None:
            self.ended_at, self.ended_how = at, how
