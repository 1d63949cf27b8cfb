"""The battery of a unit as its history goes: since when it is there, and what discharges showed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache

from policies.belief import Drawn
from policies.model import Unit

POINTS_KEPT = 100
"""Of one battery: five years of a deep discharge every three weeks."""

SAME_BATTERY_DAYS = 7
"""Two days that are no further apart are one battery's: who fits it writes it down later."""

_YEAR_S = 365.25 * 86400.0
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class BatteryPoint:
    """What the full battery held on one day, in Wh; see `events.BatteryMeasured`."""

    on: date
    energy_wh: float
    low_wh: float
    high_wh: float
    how: str


@dataclass(frozen=True, slots=True)
class Mark:
    """How a battery was at a moment.

    Attributes:
        charge: what the unit said of it, as a share; None where it did not.
        drawn: what was missing by our own account.
    """

    at: float
    charge: float | None
    drawn: Drawn


@dataclass(frozen=True, slots=True)
class Discharge:
    """A discharge under way: how it was as it began, and by the last reading on battery."""

    began: Mark
    last: Mark


@dataclass(frozen=True, slots=True)
class BatteryHistory:
    """What is known of the battery that is in a unit now.

    Attributes:
        fitted_on: the day it was put in; None = nobody told.
        fitted_at: that day as site time, s; None as above.
        since_at: when that was told, site time; rises with each new battery. None = never.
        points: what discharges showed, from old to new.
        judged: grades of ageing that somebody was told of already.
        discharge: the one under way, None while there is none.
    """

    fitted_on: date | None = None
    fitted_at: float | None = None
    since_at: float | None = None
    points: tuple[BatteryPoint, ...] = ()
    judged: frozenset[str] = frozenset()
    discharge: Discharge | None = None

    def renewed(self, *, on: date, fitted_at: float, at: float, is_first: bool) -> BatteryHistory:
        """Return the history of a new battery: of the old one only later points are kept.

        A discharge of that same day may still have been the old one's.
        """
        points = self.points if is_first else tuple(p for p in self.points if p.on > on)
        judged = self.judged if is_first else frozenset()
        return BatteryHistory(on, fitted_at, at, points, judged, self.discharge)

    def with_point(self, point: BatteryPoint) -> BatteryHistory:
        """Return it with one more point; its discharge is done with."""
        points = (*self.points, point)[-POINTS_KEPT:]
        return replace(self, points=points, discharge=None)


def as_fitted(unit: Unit, history: BatteryHistory, now: float) -> Unit:
    """Return the unit with its battery's age as the history has it at site time *now*.

    An agent runs for years, and its file is read once.
    """
    if history.fitted_at is None:
        return unit
    return _aged(unit, int(max(0.0, now - history.fitted_at) / _DAY_S))


@lru_cache(maxsize=64)
def _aged(unit: Unit, days: int) -> Unit:
    """A step of a day: what is reckoned from a battery's table is kept by its battery."""
    return replace(unit, battery=replace(unit.battery, age_years=days * _DAY_S / _YEAR_S))
