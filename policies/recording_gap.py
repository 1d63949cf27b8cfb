"""For how long a device did not do its work in an outage: from its first stop to its return.

For a recorder this is the stretch that its recordings lack. It begins with the first act that may
have ended its recording, not with the proof of it, and ends when it is confirmed to run again: so
it is never said to be shorter than it was. What lost its power unprepared told nobody when.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from policies.events import DeviceSeen, Ending, Event, OrderClosed, StepBegan, StepEnded
from policies.model import Task

_ENDS_WORK = frozenset({"quiesce", "stop", "cut"})
_WITHOUT_EFFECT = frozenset({"refused", "no answer", "not yet", "assumed"})


@dataclass(frozen=True, slots=True)
class RecordingGap:
    """One gap; site times in s.

    Attributes:
        began_at: None while nothing may have ended its work yet.
        ended_at: None while it lasts.
        asked_at: when the act under way began, which may begin it.
    """

    began_at: float | None = None
    ended_at: float | None = None
    asked_at: float | None = None

    @property
    def is_open(self) -> bool:
        """Whether it has begun and not ended."""
        return self.began_at is not None and self.ended_at is None

    def lasting_s(self, now: float) -> float:
        """Return how long it lasted, or has lasted by *now*, in s; 0 where there is none."""
        if self.began_at is None:
            return 0.0
        return max(0.0, (now if self.ended_at is None else self.ended_at) - self.began_at)


NO_GAP = RecordingGap()


def gap_after(gap: RecordingGap, event: Event) -> RecordingGap:
    """Return a device's gap after one more event of that device; a new one replaces the last."""
    match event:
        case StepBegan(at=at, act=act) if act in _ENDS_WORK:
            return replace(gap, asked_at=at)
        case StepEnded(act=act, verdict=verdict) if act in _ENDS_WORK:
            began_at = event.at if gap.asked_at is None else gap.asked_at
            if verdict in _WITHOUT_EFFECT or gap.is_open:
                return replace(gap, asked_at=None)
            return RecordingGap(began_at)
        case OrderClosed(task=Task.START, ending=Ending.RUNNING) | DeviceSeen() if gap.is_open:
            return RecordingGap(gap.began_at, event.at)
        case _:
            return gap


def gaps_of(events: Iterable[Event]) -> Mapping[str, tuple[RecordingGap, ...]]:
    """Return all gaps by device, in order, the last one perhaps still open.

    Args:
        events: of a stretch of the journal, oldest first; dry runs left out.
    """
    present: dict[str, RecordingGap] = {}
    done: dict[str, tuple[RecordingGap, ...]] = {}
    for event in events:
        if not isinstance(event, StepBegan | StepEnded | OrderClosed | DeviceSeen):
            continue
        before = present.get(event.device, NO_GAP)
        after = gap_after(before, event)
        present[event.device] = after
        if before.is_open and not after.is_open:
            done[event.device] = (*done.get(event.device, ()), after)
    still = {name: gap for name, gap in present.items() if gap.is_open}
    return {
        name: (*done.get(name, ()), *([still[name]] if name in still else []))
        for name in present
        if name in done or name in still
    }
