"""Full runs that the journal saw: real outages and drills, offered as input of a fit.

A discharge counts where it went to the end (the unit said that its battery is depleted, or fell
silent after it had said that it is low) at one load. The others are told with what is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date

from agent.journal.codec import decode, kind_of
from agent.journal.file import Row
from policies.events import Event, PollMissed, ReadingTaken
from policies.model import BatteryStatus, OutputSource, Reading

_KINDS = (kind_of(ReadingTaken), kind_of(PollMissed))

_STEADY = 0.15
"""The load of a run lies within so much of its mean."""

_SHORTEST_S = 120.0
_GAP_S = 600.0


@dataclass(frozen=True, slots=True)
class Discharge:
    """A stretch on battery.

    Attributes:
        on: the day it began, by the journal's wall clock.
        watts: mean load, None where the unit does not tell it.
        hours: from the first reading on battery to the last.
        charge_percent: at its start, None where the unit does not tell it.
        missing: why it is no full run, "" where it is one.
    """

    on: date
    watts: float | None
    hours: float
    charge_percent: float | None
    missing: str = ""


@dataclass(slots=True)
class _Course:
    """A stretch on battery while it is read."""

    on: date
    began_at: float
    last_at: float
    charge: float | None
    was_low: bool = False
    loads: list[tuple[float, float]] = field(default_factory=list)

    def add(self, reading: Reading) -> None:
        """Take one more reading on battery."""
        self.last_at = reading.at
        self.was_low |= reading.battery_status is BatteryStatus.LOW
        watts = reading.trusted("output_w")
        if watts is not None:
            self.loads.append((reading.at, watts))


@dataclass(slots=True)
class _Watch:
    """Follows one unit through its journal.

    Attributes:
        is_spent: the end was seen, and mains is not back yet.
    """

    course: _Course | None = None
    is_spent: bool = False

    def take(self, on: date, reading: Reading) -> Discharge | None:
        """Take a reading; return the discharge that it ends."""
        ended = None
        if self.course is not None and reading.at - self.course.last_at > _GAP_S:
            ended = self.end("nobody saw its end")
        if reading.output_source is not OutputSource.BATTERY:
            self.is_spent = False
            return ended or self.end("mains came back before its end")
        if self.is_spent:
            return ended
        if self.course is None:
            self.course = _Course(on, reading.at, reading.at, reading.trusted("charge"))
        self.course.add(reading)
        if reading.battery_status is BatteryStatus.DEPLETED:
            self.is_spent = True
            return ended or self.end("")
        return ended

    def miss(self) -> Discharge | None:
        """Take a poll that was not answered: behind a low battery it is the end."""
        if self.course is None or not self.course.was_low:
            return None
        return self.end("")

    def end(self, missing: str) -> Discharge | None:
        """Return the discharge so far, if it is one."""
        course, self.course = self.course, None
        return None if course is None else _discharge(course, missing)


def discharges(rows: Iterable[Row], unit: str) -> Iterator[Discharge]:
    """Give the discharges of *unit* in *rows*, which are in the order of the journal.

    Flickers and self-tests, shorter than two minutes, are none.
    """
    watch = _Watch()
    for row, event in _events(rows):
        ended = None
        if isinstance(event, ReadingTaken) and event.reading.unit == unit:
            ended = watch.take(date.fromisoformat(row.utc[:10]), event.reading)
        elif isinstance(event, PollMissed) and event.unit == unit:
            ended = watch.miss()
        if ended is not None:
            yield ended
    last = watch.end("nobody saw its end")
    if last is not None:
        yield last


def _events(rows: Iterable[Row]) -> Iterator[tuple[Row, Event | None]]:
    for row in rows:
        if row.kind in _KINDS:
            # What is damaged is shown as such by `lastwatt journal`.
            with suppress(ValueError):
                yield row, decode(row.kind, row.version, row.body)


def _discharge(course: _Course, missing: str) -> Discharge | None:
    lasts_s = course.last_at - course.began_at
    if lasts_s < _SHORTEST_S:
        return None
    mean_w = _mean(course)
    loads = [watts for _, watts in course.loads]
    if not missing and mean_w is None:
        missing = "the unit did not tell its load"
    elif not missing and mean_w is not None and not _is_steady(loads, mean_w):
        missing = f"its load went from {min(loads):g} to {max(loads):g} W"
    charge = None if course.charge is None else 100.0 * course.charge
    return Discharge(course.on, mean_w, lasts_s / 3600.0, charge, missing)


def _is_steady(loads: list[float], mean_w: float) -> bool:
    return max(max(loads) - mean_w, mean_w - min(loads)) <= _STEADY * mean_w


def _mean(course: _Course) -> float | None:
    """Mean of the load over time: each reading holds until the next."""
    if not course.loads:
        return None
    ends_at = [at for at, _ in course.loads[1:]] + [course.last_at]
    weights = [end - at for (at, _), end in zip(course.loads, ends_at, strict=True)]
    if sum(weights) <= 0.0:
        return course.loads[0][1]
    return sum(w * x for w, (_, x) in zip(weights, course.loads, strict=True)) / sum(weights)


def csv_lines(found: Iterable[Discharge]) -> Iterator[str]:
    """Give a file of runs: what counts as lines of it, what does not as remarks."""
    yield "watts,hours,charge,date,note"
    for one in found:
        if one.missing:
            load = "an unknown load" if one.watts is None else f"{one.watts:.1f} W"
            yield f"# {one.on}: {load} for {one.hours:.2f} h is no full run: {one.missing}"
        else:
            charge = "" if one.charge_percent is None else f"{one.charge_percent:g}"
            yield f"{one.watts:.1f},{one.hours:.4g},{charge},{one.on},from the journal"
