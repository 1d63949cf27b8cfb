"""Folds the entries of a journal, oldest first, to the story of its outages."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TypeVar

from agent.journal.codec import decode, kind_of
from agent.journal.file import Row
from agent.story.course import OutageCourse
from agent.story.devices import Followed, device_of
from agent.story.model import Interruption, Outage, SiteFacts, Story, Window
from agent.story.units import MainsWatch
from agent.story.wall import Wall
from policies.events import (
    AgentEnded,
    AgentStarted,
    BatteryFitted,
    BatteryJudged,
    BatteryMeasured,
    BoxLeft,
    Event,
    GradeEarned,
    NoticeRaised,
    OutputDropped,
    ReadingTaken,
    SupplyJudged,
)
from policies.model import Role
from policies.supply import SILENT_ON_BATTERY

ABSENT_S = 60.0
"""An agent that was away for less is not missed: it polls no more often on mains."""

_READING = kind_of(ReadingTaken)
_BEFORE = 40
"""Readings kept from before an outage: on mains one a minute and unit is journalled."""

_KEPT: tuple[type[Event], ...] = (
    NoticeRaised, BatteryFitted, BatteryMeasured, BatteryJudged, GradeEarned,
)  # fmt: skip
_E = TypeVar("_E", NoticeRaised, BatteryFitted, BatteryMeasured, BatteryJudged, GradeEarned)


@dataclass(slots=True)
class _Told:
    """What one kind of run, live or dry, has told so far."""

    facts: SiteFacts
    is_dry: bool
    followed: Followed = field(default_factory=Followed)
    mains: dict[str, MainsWatch] = field(default_factory=dict)
    outages: list[Outage] = field(default_factory=list)
    moments: list[Interruption] = field(default_factory=list)
    course: OutageCourse | None = None
    before: deque[Row] = field(default_factory=lambda: deque(maxlen=_BEFORE))

    def take(self, row: Row) -> Event | None:
        """Take one more entry; return its event, None where it was not worth reading."""
        if row.kind == _READING and self.course is None:
            self.before.append(row)  # read only if something comes of it: most never are
            return None
        event = _event(row)
        if event is None:
            return None
        self._unit(event)
        self._close(event.at)
        name = device_of(event) or ""
        before = self.followed.now(name)
        self.followed.take(event)
        if self.course is not None:
            self.course.take(event, before, self.followed.now(name))
        return event

    def _close(self, at: float) -> None:
        """Close the outage if nothing of it is left to come."""
        closed_at = None if self.course is None else self.course.closed_at(at)
        if self.course is not None and closed_at is not None:
            self.outages.append(self.course.told(until_at=closed_at, closed_at=closed_at, open_=()))
            self.course = None

    def present(self, at: float) -> list[Outage]:
        """Return all outages, the one that goes on as it stands at *at*."""
        if self.course is None:
            return self.outages
        closed_at = self.course.closed_at(at)
        away = [(name, watch.away) for name, watch in self.mains.items()]
        going_on = tuple(one.so_far(name, None) for name, one in away if one is not None)
        until_at = at if closed_at is None else closed_at
        told = self.course.told(until_at=until_at, closed_at=closed_at, open_=going_on)
        return [*self.outages, told]

    def gone(self, window: Window, *, lost_power: bool) -> None:
        """The agent was not there; it lost its power if nobody had asked it to end."""
        if self.course is None:
            return
        self.course.absences.append(window)
        if lost_power:
            for device in self.facts.devices.values():
                if device.role is Role.AGENT_BOX:
                    for name in set(device.units) & self.course.away:
                        how = "the box that lastwatt runs on lost its power with it"
                        self.course.unit(name).end(window[0], how)

    # Units

    def _watch(self, unit: str) -> MainsWatch:
        if unit not in self.mains:
            self.mains[unit] = MainsWatch(unit)
        return self.mains[unit]

    def _unit(self, event: Event) -> None:
        match event:
            case ReadingTaken(reading=reading):
                watch = self._watch(reading.unit)
                watch.read(reading)
                if self.course is not None:
                    self.course.unit(reading.unit).add(reading)
                    if watch.away is not None and watch.away.ended_at is not None:
                        how = "its management card started anew when power came back"
                        self.course.unit(reading.unit).end(watch.away.ended_at, how)
            case SupplyJudged():
                self._judged(event)
            case OutputDropped(unit=unit, at=at) if self.course is not None:
                self.course.unit(unit).end(at, "it switched its output off as it was told to")

    def _judged(self, event: SupplyJudged) -> None:
        watch = self._watch(event.unit)
        if self.course is None:
            for row in self.before:
                reading = _event(row)
                if isinstance(reading, ReadingTaken) and reading.reading.unit == event.unit:
                    watch.read(reading.reading)
        over = watch.judged(event)
        if watch.away is not None:
            course = self.course or self._begun(event, watch.away.failed_at)
            if event.unit not in course.away:
                course.failed(event.unit, watch.away.failed_at)
            if event.why == SILENT_ON_BATTERY and watch.away.was_low:
                how = "it said that its battery is low, and then fell silent"
                course.unit(event.unit).end(watch.away.last_on_battery_at, how)
        elif over is not None and self.course is not None and event.unit in self.course.away:
            self.course.returned(over)
        elif over is not None:
            self.moments.append(over)

    def _begun(self, event: SupplyJudged, failed_at: float) -> OutageCourse:
        course = OutageCourse(
            len(self.outages) + 1, self.facts, failed_at, event.at, self.is_dry,
            changed_at=event.at,
        )  # fmt: skip
        course.know(self.followed)
        for row in self.before:
            reading = _event(row)
            if isinstance(reading, ReadingTaken):
                course.unit(reading.reading.unit).add(reading.reading)
        self.before.clear()
        self.course = course
        return course


class Teller:
    """Takes the entries of a journal, in order, and tells their story at any time."""

    def __init__(self, facts: SiteFacts) -> None:
        """Begin with what is known of the site."""
        self._facts = facts
        self._wall = Wall()
        self._told = {dry: _Told(facts, dry) for dry in (False, True)}
        self._since_at: float | None = None
        self._until_at = 0.0
        self._boot = ""
        self._has_ended = True
        self._absences: list[Window] = []
        self._kept: dict[type[Event], list[Event]] = {kind: [] for kind in _KEPT}

    def take(self, rows: Iterable[Row]) -> None:
        """Take more entries; what is damaged is passed over, as `lastwatt journal` names it."""
        for row in rows:
            self._wall.take(row)
            event = self._told[row.dry].take(row)
            if self._since_at is None:
                self._since_at = row.at
            if isinstance(event, AgentStarted):
                self._started(row)
            if event is not None and not isinstance(event, ReadingTaken):
                self._has_ended = isinstance(event, AgentEnded | BoxLeft)
            if type(event) in self._kept and event is not None:
                self._kept[type(event)].append(event)
            self._boot = row.boot
            self._until_at = max(self._until_at, row.at)

    def _started(self, row: Row) -> None:
        """An agent begins: where the last one left off longer ago, nobody was there."""
        window = (self._until_at, row.at)
        if self._boot and row.at - self._until_at > ABSENT_S:
            self._absences.append(window)
            lost_power = row.boot != self._boot and not self._has_ended
            for told in self._told.values():
                told.gone(window, lost_power=lost_power)

    def story(self, now: float | None = None) -> Story:
        """Return the story so far.

        Args:
            now: the present site time, where an agent is at work; None = the last entry.
        """
        until_at = self._until_at if now is None else max(now, self._until_at)
        outages = [one for told in self._told.values() for one in told.present(until_at)]
        outages.sort(key=lambda one: one.began_at)
        moments = [one for told in self._told.values() for one in told.moments]
        return Story(
            facts=self._facts,
            since_at=until_at if self._since_at is None else self._since_at,
            until_at=until_at,
            outages=tuple(_numbered(outages)),
            moments=tuple(sorted(moments, key=lambda one: one.failed_at)),
            absences=tuple(self._absences),
            heard=self._of(NoticeRaised),
            fitted=self._of(BatteryFitted),
            measured=self._of(BatteryMeasured),
            judged=self._of(BatteryJudged),
            grades=self._of(GradeEarned),
            moment=self._wall.moment,
            at_of=self._wall.at_of,
        )

    def _of(self, kind: type[_E]) -> tuple[_E, ...]:
        return tuple(event for event in self._kept[kind] if isinstance(event, kind))


def _event(row: Row) -> Event | None:
    try:
        return decode(row.kind, row.version, row.body)
    except ValueError:
        return None


def _numbered(outages: list[Outage]) -> Iterable[Outage]:
    return (replace(one, number=number) for number, one in enumerate(outages, start=1))
