"""Site time on people's clocks: what a clock that was not synchronised said is put right later.

Durations are differences of site time, which is monotonic; wall time is only for people. A box
without a battery-backed clock may begin a boot years off, and have its clock set within it: what
lies before that is then reckoned back from the first synchronised moment of the same boot.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass, field
from datetime import UTC, datetime

from agent.journal.file import Row

_MOVED_S = 1.0
"""Clocks that are disciplined move by less; entries are some milliseconds late besides."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment, in the order of the journal and on people's clocks.

    Attributes:
        at: site time, s; goes on across restarts, and orders all moments of a journal.
        utc: wall time.
        boot: the boot that it fell into; monotonic: that boot's own clock, in s.
        is_synced: whether the wall clock was synchronised, then or later in the same boot; None =
            nobody knows.
    """

    at: float
    utc: datetime
    boot: str
    monotonic: float
    is_synced: bool | None


@dataclass(frozen=True, slots=True)
class _Anchor:
    """From `at` on: what is to be added to site time."""

    at: float
    utc_s: float
    monotonic_s: float
    boot: str
    synced: bool | None


@dataclass(slots=True)
class Wall:
    """What entries showed of how site time and wall time lie to each other."""

    _anchors: list[_Anchor] = field(default_factory=list)

    def take(self, row: Row) -> None:
        """Learn from one more entry; one whose wall time cannot be read teaches nothing."""
        try:
            unix_s = datetime.fromisoformat(row.utc).timestamp()
        except (ValueError, OverflowError, OSError):
            return
        last = self._anchors[-1] if self._anchors else None
        offset_s = unix_s - row.at
        if (
            last is None
            or (last.boot, last.synced) != (row.boot, row.synced)
            or abs(last.utc_s - offset_s) > _MOVED_S
        ):
            # An event may be older than its entry; anchors rise all the same.
            at = row.at if last is None else max(row.at, last.at)
            self._anchors.append(
                _Anchor(at, offset_s, row.monotonic - row.at, row.boot, row.synced)
            )

    def moment(self, at: float) -> Moment:
        """Return the moment of a site time; before the first entry it is reckoned from that.

        Raises:
            ValueError: there was no entry at all.
        """
        if not self._anchors:
            raise ValueError("without an entry nobody knows what time it was")
        place = bisect.bisect_right(self._anchors, at, key=lambda anchor: anchor.at)
        here = self._anchors[max(0, place - 1)]
        true = here if here.synced else self._synced_beside(max(0, place - 1))
        utc = datetime.fromtimestamp(at + true.utc_s, UTC)
        return Moment(at, utc, here.boot, at + here.monotonic_s, true.synced)

    def at_of(self, utc: datetime) -> float:
        """Return the site time of a moment on the wall, by the last entry that is not after it.

        Raises:
            ValueError: there was no entry at all.
        """
        if not self._anchors:
            raise ValueError("without an entry nobody knows what time it was")
        begins = [self.moment(anchor.at) for anchor in self._anchors]
        before = [moment for moment in begins if moment.utc <= utc]
        base = before[-1] if before else begins[0]
        return base.at + (utc - base.utc).total_seconds()

    def _synced_beside(self, place: int) -> _Anchor:
        """The nearest synchronised anchor of the same boot, later ones first; else that one."""
        here = self._anchors[place]
        for step in (1, -1):
            beside = place + step
            while 0 <= beside < len(self._anchors) and self._anchors[beside].boot == here.boot:
                if self._anchors[beside].synced:
                    return self._anchors[beside]
                beside += step
        return here
