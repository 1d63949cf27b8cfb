"""The words of a story: outages, what became of units and devices in them; all of it frozen.

Times named `_at` are site times in s, which are monotonic; `Story.moment` puts them on the wall.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from itertools import pairwise

from agent.story.wall import Moment
from policies.events import (
    BatteryFitted,
    BatteryJudged,
    BatteryMeasured,
    BeliefHeld,
    Ending,
    GradeEarned,
    NoticeRaised,
    PlanHeld,
    StopForetold,
)
from policies.model import Role, Task
from policies.recording_gap import RecordingGap
from policies.state import Phase

Window = tuple[float, float]
"""From when until when, in site time."""


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """What the site's file says of a device, as far as the agent wrote it down for its readers.

    Attributes:
        role: None = not known.
        units: the backup units behind it; none where a socket on mains feeds it too.
        is_passive: nothing is ever told it.
    """

    role: Role | None = None
    units: tuple[str, ...] = ()
    is_passive: bool = False
    no_touch: bool = False


@dataclass(frozen=True, slots=True)
class SiteFacts:
    """What the agent wrote down of its site: of the file that it last ran with.

    Attributes:
        steady_s: how long mains must be back before devices are started.
        devices: in the file's order; empty where nothing was written down.
        rating_w: of each unit.
        new_per_wh: by unit, the share of a new battery that each Wh of a measured one is.
    """

    name: str = ""
    time_zone: str = "UTC"
    steady_s: float = 120.0
    devices: Mapping[str, DeviceFacts] = field(default_factory=dict)
    rating_w: Mapping[str, float] = field(default_factory=dict)
    new_per_wh: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Point:
    """What one reading said; None = absent or in doubt.

    Attributes:
        load_w: true power, or reckoned from the share of its rating where it tells only that.
        runtime_s: the unit's own estimate.
    """

    at: float
    on_battery: bool
    load_w: float | None
    charge: float | None
    runtime_s: float | None
    battery_v: float | None


@dataclass(frozen=True, slots=True)
class Interruption:
    """Mains was away from one unit.

    Attributes:
        returned_at: None = it has not come back yet.
        last_on_battery_at: until then it is sure that it was away; where the agent was not there,
            it may have come back at any time from then on.
    """

    unit: str
    failed_at: float
    returned_at: float | None
    last_on_battery_at: float

    def lasting_s(self, now: float) -> float:
        """Return how long it lasted, or has lasted by *now*, in s."""
        return max(0.0, (now if self.returned_at is None else self.returned_at) - self.failed_at)


@dataclass(frozen=True, slots=True)
class UnitStory:
    """What became of one unit in an outage.

    Attributes:
        interruptions: of its mains, in order; none where its mains stayed.
        points: its readings from shortly before the outage on.
        beliefs: how long its battery was believed to last, as it went.
        ended_at: when its output is taken to have ended; None = it did not, as far as is known.
        ended_how: how that is known, "" where it did not end.
        measured: what the discharge taught of the battery; judged: that it ages.
    """

    name: str
    interruptions: tuple[Interruption, ...] = ()
    points: tuple[Point, ...] = ()
    beliefs: tuple[BeliefHeld, ...] = ()
    ended_at: float | None = None
    ended_how: str = ""
    measured: tuple[BatteryMeasured, ...] = ()
    judged: tuple[BatteryJudged, ...] = ()

    @property
    def on_battery(self) -> tuple[Point, ...]:
        """The readings on battery."""
        return tuple(point for point in self.points if point.on_battery)

    @property
    def used_wh(self) -> float | None:
        """Energy that its output gave from the battery, in Wh; None = it told no load.

        Each load holds until the next reading; what fell between two outages is left out.
        """
        found = None
        for before, after in pairwise(self.points):
            if before.on_battery and before.load_w is not None:
                until_at = after.at if self.ended_at is None else min(after.at, self.ended_at)
                lasts_s = max(0.0, until_at - before.at)
                found = (found or 0.0) + before.load_w * lasts_s / 3600.0
        return found

    @property
    def charges(self) -> tuple[float, float] | None:
        """The charge before the outage and the least in it, as shares; None = it told none."""
        first = next((n for n, point in enumerate(self.points) if point.on_battery), None)
        if first is None:
            return None
        before = [p.charge for p in self.points[:first] if p.charge is not None]
        told = [p.charge for p in self.points[first:] if p.charge is not None]
        return (before[-1] if before else told[0], min(told)) if told else None


@dataclass(frozen=True, slots=True)
class StepStory:
    """One act at a device; ended_at None and verdict "" = nothing is known of its end."""

    act: str
    began_at: float
    ended_at: float | None = None
    verdict: str = ""
    evidence: str = ""
    advice: str = ""


@dataclass(frozen=True, slots=True)
class OrderStory:
    """One order, why it was given, and what came of it.

    Attributes:
        reasons: sentences, in the order in which they were given: an order may be given anew, in
            short; codes: their words for machines.
        ending: None = it is still open.
    """

    order_id: str
    task: Task
    given_at: float
    reasons: tuple[str, ...]
    codes: tuple[str, ...]
    deadline_at: float
    in_short: bool = False
    steps: tuple[StepStory, ...] = ()
    closed_at: float | None = None
    ending: Ending | None = None
    evidence: str = ""


@dataclass(frozen=True, slots=True)
class PhaseSpan:
    """Where a device was from one moment to another; ended_at None = it still is there.

    Attributes:
        why: the order's reason, or the evidence of what is so.
        is_assumed: at rest in dry run only.
    """

    phase: Phase
    began_at: float
    ended_at: float | None
    why: str = ""
    is_assumed: bool = False


@dataclass(frozen=True, slots=True)
class DeviceStory:
    """What became of one device in an outage.

    Attributes:
        spans: where it was, in order, from the outage's begin on.
        orders: in order; gaps: stretches in which it did not do its work.
        dark_at: when the last unit behind it ended while it was not known to be at rest; None =
            not so, as far as is known.
        owed: what was done to it and is not undone yet: "quiesced", "stopped".
        foretold: what the first plan had in store for it.
        by_hand: it was stopped by hand and stays so.
    """

    name: str
    facts: DeviceFacts
    spans: tuple[PhaseSpan, ...]
    orders: tuple[OrderStory, ...] = ()
    gaps: tuple[RecordingGap, ...] = ()
    dark_at: float | None = None
    owed: tuple[str, ...] = ()
    foretold: StopForetold | None = None
    by_hand: bool = False

    @property
    def phase(self) -> Phase:
        """Where it is at the end."""
        return self.spans[-1].phase

    @property
    def was_touched(self) -> bool:
        """Whether an order was given to it."""
        return bool(self.orders)

    def gap_s(self, now: float) -> float:
        """Return for how long in all it did not do its work, by *now*, in s."""
        return sum(gap.lasting_s(now) for gap in self.gaps)


@dataclass(frozen=True, slots=True)
class Outage:
    """One ride-through: from mains failing until all is settled again.

    Attributes:
        number: counts from 1, oldest first, over what the journal still holds.
        began_at: when mains failed first; judged_at: when that was taken for an outage.
        returned_at: when mains had come back everywhere, for good; None = not yet.
        steady_at: when it had been back for as long as the site's file wants; None = not yet.
        closed_at: when nothing was left to come; None = it goes on, or nobody saw its end.
        until_at: the last that is known.
        heard: notices, in order; plan: the first, if one was made.
        absences: when the agent was not there.
        is_dry: the agent was in dry run, and sent nothing.
    """

    number: int
    began_at: float
    judged_at: float
    returned_at: float | None
    steady_at: float | None
    closed_at: float | None
    until_at: float
    units: Mapping[str, UnitStory]
    devices: Mapping[str, DeviceStory]
    heard: tuple[NoticeRaised, ...] = ()
    plan: PlanHeld | None = None
    absences: tuple[Window, ...] = ()
    is_dry: bool = False

    @property
    def is_over(self) -> bool:
        """Whether nothing of it is left to come."""
        return self.closed_at is not None

    @property
    def interruptions(self) -> tuple[Interruption, ...]:
        """Of all units, by their begin."""
        found = [one for unit in self.units.values() for one in unit.interruptions]
        return tuple(sorted(found, key=lambda one: one.failed_at))

    @property
    def lasting_s(self) -> float:
        """How long mains was away until it was back for good, or has been so far, in s."""
        ends_at = self.until_at if self.returned_at is None else self.returned_at
        return max(0.0, ends_at - self.began_at)


@dataclass(frozen=True, slots=True)
class Story:
    """Everything that a journal tells of a site's outages, and of what concerns them.

    Attributes:
        since_at, until_at: what the journal holds, first and last entry.
        outages: in order; the last may still be going on.
        moments: interruptions too short to be taken for an outage, in order.
        absences: when no agent was there, more than a minute each.
        heard: all notices; fitted, measured, judged: of batteries; grades: what was shown to work.
        on_day: the site's day of each grade is in it; other days by `moment`.
    """

    facts: SiteFacts
    since_at: float
    until_at: float
    outages: tuple[Outage, ...]
    moments: tuple[Interruption, ...]
    absences: tuple[Window, ...]
    heard: tuple[NoticeRaised, ...]
    fitted: tuple[BatteryFitted, ...]
    measured: tuple[BatteryMeasured, ...]
    judged: tuple[BatteryJudged, ...]
    grades: tuple[GradeEarned, ...]
    moment: Callable[[float], Moment]
    at_of: Callable[[datetime], float]

    @property
    def present(self) -> Outage | None:
        """The outage that is going on, if one is."""
        last = self.outages[-1] if self.outages else None
        return None if last is None or last.is_over else last

    def local(self, at: float, outage: Outage, zone: tzinfo) -> datetime:
        """Return a site time of an outage on the site's clock.

        Reckoned from one synchronised moment of the outage, so that what lies between two times of
        day is how long it took, also where somebody set the clock meanwhile.
        """
        begun, last = self.moment(outage.began_at), self.moment(outage.until_at)
        base = last if last.is_synced and not begun.is_synced else begun
        return (base.utc + timedelta(seconds=at - base.at)).astimezone(zone)

    def outage(self, number: int) -> Outage | None:
        """Return an outage by its number."""
        return next((one for one in self.outages if one.number == number), None)

    def fitted_on(self, unit: str) -> date | None:
        """Return the day on which the battery of a unit was put in, as the journal has it."""
        return next((one.on for one in reversed(self.fitted) if one.unit == unit), None)
