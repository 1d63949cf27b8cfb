"""How often and for how long mains was away, in the trade's own terms.

IEEE 1366 ("Guide for Electric Power Distribution Reliability Indices") calls an interruption of up
to five minutes momentary, a longer one sustained. Its indices SAIDI and SAIFI are means over all
customers of a network and mean nothing for one of them; of one customer only the number, the
minutes and the availability can be told (its ASAI is such a share, over all customers).

IEEE 1159 ("Recommended Practice for Monitoring Electric Power Quality") sorts interruptions of one
point of connection by their length: momentary from half a cycle to 3 s, temporary up to 1 min,
sustained beyond. EN 50160 draws the line between short and long at 3 min. All limits from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

IEEE_1366_MOMENTARY_S = 300.0
IEEE_1159_MOMENTARY_S = 3.0
IEEE_1159_TEMPORARY_S = 60.0
EN_50160_SHORT_S = 180.0

Window = tuple[float, float]
"""From when until when, in s."""


class By1366(StrEnum):
    """The words of IEEE 1366."""

    MOMENTARY = "momentary"
    SUSTAINED = "sustained"


class By1159(StrEnum):
    """The words of IEEE 1159."""

    MOMENTARY = "momentary"
    TEMPORARY = "temporary"
    SUSTAINED = "sustained"


def by_1366(lasting_s: float) -> By1366:
    """Return what IEEE 1366 calls an interruption so long; five minutes are momentary yet."""
    return By1366.MOMENTARY if lasting_s <= IEEE_1366_MOMENTARY_S else By1366.SUSTAINED


def by_1159(lasting_s: float) -> By1159:
    """Return what IEEE 1159 calls an interruption so long."""
    if lasting_s <= IEEE_1159_MOMENTARY_S:
        return By1159.MOMENTARY
    return By1159.TEMPORARY if lasting_s <= IEEE_1159_TEMPORARY_S else By1159.SUSTAINED


@dataclass(frozen=True, slots=True)
class Tally:
    """Some interruptions: how many, and how long together and at most, in s."""

    count: int = 0
    total_s: float = 0.0
    longest_s: float = 0.0

    def with_one(self, lasting_s: float) -> Tally:
        """Return it with one more."""
        return Tally(self.count + 1, self.total_s + lasting_s, max(self.longest_s, lasting_s))


@dataclass(frozen=True, slots=True)
class Reliability:
    """What mains was like over a period.

    Attributes:
        momentary, sustained: by IEEE 1366.
        momentary_1159, temporary_1159, sustained_1159: the same ones by IEEE 1159.
        long_50160: how many of them EN 50160 calls long.
        away_s: without mains in all, within the period.
        watched_s: how long somebody watched, within the period; what nobody watched counts neither
            as mains nor as none.
    """

    momentary: Tally
    sustained: Tally
    momentary_1159: int
    temporary_1159: int
    sustained_1159: int
    long_50160: int
    away_s: float
    watched_s: float

    @property
    def count(self) -> int:
        """All interruptions."""
        return self.momentary.count + self.sustained.count

    @property
    def availability(self) -> float | None:
        """Share of the watched time in which mains was there; None = nobody watched."""
        return None if self.watched_s <= 0.0 else max(0.0, 1.0 - self.away_s / self.watched_s)


def reliability(
    interruptions: Iterable[Window], period: Window, *, unwatched: Sequence[Window] = ()
) -> Reliability:
    """Return what mains was like at one point of connection.

    An interruption counts in the period in which it began, with its whole length; of the time
    without mains only what lies in the period counts.

    Args:
        interruptions: in any order; those that overlap are one, since two units behind the same
            mains see the same one.
        period: of the whole count.
        unwatched: when nobody watched; an interruption that goes on meanwhile is known to.
    """
    begin, end = period
    merged = _merged(interruptions)
    tallies = {word: Tally() for word in By1366}
    counts = dict.fromkeys(By1159, 0)
    long_50160 = 0
    for began, ended in merged:
        if not begin <= began < end:
            continue
        lasting_s = ended - began
        tallies[by_1366(lasting_s)] = tallies[by_1366(lasting_s)].with_one(lasting_s)
        counts[by_1159(lasting_s)] += 1
        long_50160 += lasting_s > EN_50160_SHORT_S
    away_s = _length_within(merged, period)
    missed = _merged(unwatched)
    both_s = sum(_length_within(missed, _within(window, period)) for window in merged)
    watched_s = max(0.0, end - begin) - _length_within(missed, period) + both_s
    return Reliability(
        tallies[By1366.MOMENTARY],
        tallies[By1366.SUSTAINED],
        counts[By1159.MOMENTARY],
        counts[By1159.TEMPORARY],
        counts[By1159.SUSTAINED],
        long_50160,
        away_s,
        watched_s,
    )


def _merged(windows: Iterable[Window]) -> list[Window]:
    found: list[Window] = []
    for began, ended in sorted(windows):
        if found and began <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], ended))
        else:
            found.append((began, ended))
    return found


def _within(window: Window, period: Window) -> Window:
    begin = max(window[0], period[0])
    return begin, max(begin, min(window[1], period[1]))


def _length_within(windows: Iterable[Window], period: Window) -> float:
    parts = (_within(window, period) for window in windows)
    return sum(max(0.0, end - begin) for begin, end in parts)
