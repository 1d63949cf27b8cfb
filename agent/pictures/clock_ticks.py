"""Round moments of a site's clock on a time axis, also in a night in which it is changed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from agent.moment import shown

_LOOK_S = 3600.0
_ROOM_PX = 6.0


@dataclass(frozen=True, slots=True)
class Change:
    """The clock is put forward or back.

    Attributes:
        at_s: when, in s after the axis begins; by_s: by how much, less than 0 = back.
    """

    at_s: float
    by_s: float

    @property
    def words(self) -> str:
        """What is said of it."""
        return "clocks go back" if self.by_s < 0.0 else "clocks go forward"


def moment_on(begins: datetime, at_s: float) -> datetime:
    """Return the local moment so long after an axis begins."""
    return (begins.astimezone(UTC) + timedelta(seconds=at_s)).astimezone(begins.tzinfo)


def changes(begins: datetime, until_s: float) -> list[Change]:
    """Return where the clock is changed between the two ends of an axis.

    Args:
        begins: its left end, in the zone whose clock it shows.
        until_s: its length, s.
    """
    found = []
    low_s, low_off_s = 0.0, _offset_s(begins, 0.0)
    while low_s < until_s:
        high_s = min(low_s + _LOOK_S, until_s)
        high_off_s = _offset_s(begins, high_s)
        if high_off_s != low_off_s:
            at_s = _changed_at_s(begins, low_s, high_s)
            found.append(Change(at_s, high_off_s - low_off_s))
        low_s, low_off_s = high_s, high_off_s
    return found


def round_moments(begins: datetime, until_s: float, step_s: float) -> Iterator[float]:
    """Yield where the clock shows a whole multiple of a step since midnight, in s, in order.

    In an hour that comes twice each is there twice, and none in an hour that is left out.

    Args:
        begins: the left end of the axis, in the zone whose clock it shows.
        until_s: its length, s.
        step_s: the step, s.
    """
    clock_s = (begins.hour * 60 + begins.minute) * 60 + begins.second + begins.microsecond / 1e6
    starts_s = 0.0
    for change in (*changes(begins, until_s), None):
        ends_s = until_s if change is None else change.at_s
        first = math.ceil((clock_s + starts_s) / step_s - 1e-9)
        at_s = first * step_s - clock_s
        while at_s < ends_s or (change is None and at_s <= ends_s):
            yield at_s
            at_s += step_s
        if change is not None:
            clock_s, starts_s = clock_s + change.by_s, change.at_s


def labelled(
    begins: datetime, moments: Sequence[float], *, form: str, px: Sequence[float], per_char: float
) -> list[str]:
    """Return what stands at each of these moments; "" where there is no room beside the last one.

    Args:
        begins: the left end of the axis.
        moments: on it, in s, in order.
        form: as of `strftime`; in an hour that comes twice the zone's name follows.
        px: where each is, as long as *moments*.
        per_char: about how wide a character is, in px.
    """
    found, taken_px = [], -math.inf
    for at_s, at_px in zip(moments, px, strict=True):
        text = shown(moment_on(begins, at_s), form)
        half_px = 0.5 * per_char * len(text)
        if at_px - half_px < taken_px:
            found.append("")
            continue
        taken_px = at_px + half_px + _ROOM_PX
        found.append(text)
    return found


def _offset_s(begins: datetime, at_s: float) -> float:
    offset = moment_on(begins, at_s).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def _changed_at_s(begins: datetime, low_s: float, high_s: float) -> float:
    """Return the first moment after a change, to the second."""
    before = _offset_s(begins, low_s)
    while high_s - low_s > 1e-3:
        middle_s = 0.5 * (low_s + high_s)
        if _offset_s(begins, middle_s) == before:
            low_s = middle_s
        else:
            high_s = middle_s
    return round(high_s, 2)
