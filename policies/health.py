"""What a battery holds against a new one, how that falls, and when it is at its end.

A trend is the median of the slopes between all pairs of points (Theil 1950, Sen 1968), with Sen's
band of that slope by Kendall's rank statistic: a third of the points may be wrong and hardly move
it. A battery is at the end of its life at 80 % of its rated capacity: IEEE 450 (vented) and IEEE
1188 (sealed lead-acid) recommend to replace it there, since from then on it falls ever faster
(from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import combinations
from statistics import NormalDist, median

from policies.battery import BatteryPoint
from policies.belief import full_energy_wh
from policies.model import Unit
from policies.runtime import nominal_energy_wh, temperature_factor

END_OF_LIFE = 0.80
"""Share of the rated capacity at which the trade replaces a battery: IEEE 450, IEEE 1188."""

SOON_DAYS = 183
LEAST_POINTS = 4
"""With three, Sen's band of the slope is without end."""

LEAST_SPAN_DAYS = 120

WIDEST = 2.0
"""A point whose upper end is more than so many times its lower end is no part of a trend."""

_YEAR_DAYS = 365.25
_AHEAD_DAYS = 15 * _YEAR_DAYS
_Z = NormalDist().inv_cdf(0.95)
_SD_OF_MAD = 1.4826  # of a normal distribution
_SD_OF_MEDIAN = math.sqrt(math.pi / 2.0)  # against the mean's, of a normal distribution


@dataclass(frozen=True, slots=True)
class Band:
    """A figure with the ends between which it lies with 90 %."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class HealthPoint:
    """What a battery held on one day, as a share of what a new one holds."""

    on: date
    share: Band
    how: str = ""

    @property
    def counts(self) -> bool:
        """Whether it is sure enough to be part of a trend."""
        return self.share.low > 0.0 and self.share.high <= WIDEST * self.share.low


@dataclass(frozen=True, slots=True)
class Passing:
    """When the end of life is passed; None = not within fifteen years by that end of the band."""

    likely: date | None
    early: date | None
    late: date | None


@dataclass(frozen=True, slots=True)
class Trend:
    """What points say together.

    Attributes:
        now: the share on the day it was asked for, None where nothing was measured.
        per_year: change of the share in a year; passing: when the end of life is passed. None
            where the points are too few.
        points: how many count.
        why_none: why there is no forecast, "" where there is one.
    """

    now: Band | None
    per_year: Band | None
    passing: Passing | None
    points: int
    why_none: str = ""


class Ageing(StrEnum):
    """How near the end of its life a battery is."""

    FINE = "fine"
    SOON = "soon"  # it likely passes it within half a year
    WORN = "worn"


def new_energy_wh(unit: Unit) -> float:
    """Return what the battery of a unit held when it was new, at 25 °C, in Wh."""
    nominal_wh = nominal_energy_wh(unit.battery)
    return full_energy_wh(unit) if nominal_wh is None else nominal_wh


def health_point(unit: Unit, point: BatteryPoint) -> HealthPoint:
    """Return a measured energy as a share of the new battery's; a cold room is allowed for."""
    times = 1.0 / new_energy_wh(unit)
    if nominal_energy_wh(unit.battery) is not None:
        times *= temperature_factor(unit.battery.temperature_c)
    share = Band(times * point.energy_wh, times * point.low_wh, times * point.high_wh)
    return HealthPoint(point.on, share, point.how)


def trend_of(points: Sequence[HealthPoint], today: date) -> Trend:
    """Return what *points*, in any order, say of a battery on *today*."""
    counting = sorted((p for p in points if p.counts), key=lambda p: p.on)
    if not counting:
        why = "nothing was measured yet" if not points else "no discharge was deep enough to tell"
        return Trend(None, None, None, 0, why)
    span_days = (counting[-1].on - counting[0].on).days
    if len(counting) < LEAST_POINTS or span_days < LEAST_SPAN_DAYS:
        return Trend(_latest(counting), None, None, len(counting), _too_few(counting, span_days))
    days = [float((p.on - counting[0].on).days) for p in counting]
    shares = [p.share.middle for p in counting]
    slope = sen_slope(days, shares)
    line = _Line(median(days), median(shares), _level_error(counting, days, slope.middle), slope)
    today_days = float((today - counting[0].on).days)
    passing = Passing(*(_day(counting[0].on, after) for after in line.passes_days()))
    per_year = Band(*(_YEAR_DAYS * one for one in (slope.middle, slope.low, slope.high)))
    return Trend(line.at(today_days), per_year, passing, len(counting))


def _too_few(counting: Sequence[HealthPoint], span_days: int) -> str:
    if len(counting) < LEAST_POINTS:
        number = "one measurement" if len(counting) == 1 else f"{len(counting)} measurements"
        return f"{number} so far; a forecast needs {LEAST_POINTS}, over {LEAST_SPAN_DAYS} days"
    return f"the measurements lie within {span_days} days; a forecast needs {LEAST_SPAN_DAYS}"


def _latest(counting: Sequence[HealthPoint]) -> Band:
    """The middle of the last three at most, end by end."""
    last = [point.share for point in counting[-3:]]
    return Band(median(b.middle for b in last), median(b.low for b in last),
                median(b.high for b in last))  # fmt: skip


def sen_slope(xs: Sequence[float], ys: Sequence[float]) -> Band:
    """Return the median slope of *ys* over *xs*, and its band of 90 %.

    Source: Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the
    American Statistical Association 63 (1968). Pairs of the same x have no slope.

    Raises:
        ValueError: all *xs* are the same.
    """
    slopes = sorted(
        (y1 - y0) / (x1 - x0)
        for (x0, y0), (x1, y1) in combinations(zip(xs, ys, strict=True), 2)
        if x1 != x0
    )
    if not slopes:
        raise ValueError("a slope needs two different places")
    n, pairs = len(ys), len(slopes)
    reach = _Z * math.sqrt(_rank_variance(n, xs, ys))
    upper = min(round((pairs + reach) / 2.0), pairs - 1)
    lower = max(round((pairs - reach) / 2.0) - 1, 0)
    return Band(median(slopes), slopes[lower], slopes[upper])


def _rank_variance(n: int, *columns: Sequence[float]) -> float:
    """Variance of Kendall's statistic, less what ties take from it."""
    whole = n * (n - 1) * (2 * n + 5)
    for column in columns:
        for value in set(column):
            k = list(column).count(value)
            whole -= k * (k - 1) * (2 * k + 5)
    return max(0.0, whole / 18.0)


def _level_error(counting: Sequence[HealthPoint], days: Sequence[float], slope: float) -> float:
    """Half the band of the line at its middle: what the points scatter, and what each is unsure."""
    n = len(counting)
    bases = [p.share.middle - slope * day for p, day in zip(counting, days, strict=True)]
    middle = median(bases)
    scatter = _SD_OF_MAD * median(abs(base - middle) for base in bases)
    own = median(0.5 * (p.share.high - p.share.low) / _Z for p in counting)
    return _Z * _SD_OF_MEDIAN * max(scatter, own) / math.sqrt(n)


@dataclass(frozen=True, slots=True)
class _Line:
    """A line through the middle of the points; days count from the first of them."""

    middle_days: float
    share: float
    error: float
    slope: Band

    def at(self, days: float) -> Band:
        """Return the share on a day."""
        away = days - self.middle_days
        ends = [self.slope.low * away, self.slope.high * away]
        middle = self.share + self.slope.middle * away
        return Band(
            max(0.0, middle),
            max(0.0, self.share - self.error + min(ends)),
            max(0.0, self.share + self.error + max(ends)),
        )

    def passes_days(self) -> tuple[float, float, float]:
        """Return the day on which the end of life is passed: likely, early, late; inf = never."""
        return (
            self._passes(self.share, self.slope.middle),
            self._passes(self.share - self.error, self.slope.low),
            self._passes(self.share + self.error, self.slope.high),
        )

    def _passes(self, share: float, slope: float) -> float:
        if slope >= 0.0:
            return math.inf if share >= END_OF_LIFE else self.middle_days
        return self.middle_days + (END_OF_LIFE - share) / slope


def _day(first: date, days: float) -> date | None:
    return first + timedelta(days=round(days)) if abs(days) <= _AHEAD_DAYS else None


def ageing_of(trend: Trend, today: date) -> Ageing:
    """Return how near its end a battery is; with too few points only what is beyond doubt."""
    if trend.now is None:
        return Ageing.FINE
    if trend.passing is None:
        return Ageing.WORN if trend.now.high < END_OF_LIFE else Ageing.FINE
    if trend.now.middle < END_OF_LIFE:
        return Ageing.WORN
    likely = trend.passing.likely
    if likely is not None and (likely - today).days <= SOON_DAYS:
        return Ageing.SOON
    return Ageing.FINE
