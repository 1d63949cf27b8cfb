"""What changed from one rehearsal to another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from agent.rehearsal.result import DeviceResult, Result, UnitResult
from policies.reasons import duration_text, names_text

MOVED_S = 60.0
MOVED_SHARE = 0.10
"""A moment has moved, or a runtime changed, if it did by more than both."""


@dataclass(frozen=True, slots=True)
class Moved:
    """Seconds of one device or unit before and now; None = there was, or is, no such moment."""

    name: str
    before_s: float | None
    now_s: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """What is otherwise than in the rehearsal called *before*.

    Attributes:
        added, gone: devices that the file lists newly, or no longer.
        stops: devices whose stop moved; runtimes: units whose lower bound at the beginning did.
        newly_unsaved, saved_again, newly_unmet: by the same names in both.
        is_other_file: the site's file was changed in between.
        is_other_hour: both begin at another time of day, by which the light and so the load differ.
        strengths: of the batteries, before and now, where that is not the same; else empty.
        away: for how long mains is away in each, where that is not about the same.
    """

    before: str
    now: str
    added: tuple[str, ...]
    gone: tuple[str, ...]
    stops: tuple[Moved, ...]
    runtimes: tuple[Moved, ...]
    newly_unsaved: tuple[str, ...]
    saved_again: tuple[str, ...]
    newly_unmet: tuple[str, ...]
    is_other_file: bool
    is_other_hour: bool
    strengths: tuple[str, ...] = ()
    away: tuple[float, ...] = ()

    @property
    def is_same(self) -> bool:
        """Whether nothing that counts has changed."""
        return not any(
            (self.added, self.gone, self.stops, self.runtimes, self.newly_unsaved,
             self.saved_again, self.newly_unmet)
        )  # fmt: skip


def compare(before: Result, now: Result) -> Comparison:
    """Return what changed from *before* to *now*."""
    was = {each.name: each for each in before.devices}
    has = {each.name: each for each in now.devices}
    both = [name for name in has if name in was]
    units = {each.name: each for each in before.units}
    hours = abs((before.begins.hour * 60 + before.begins.minute)
                - (now.begins.hour * 60 + now.begins.minute))  # fmt: skip
    return Comparison(
        before.name,
        now.name,
        added=tuple(name for name in has if name not in was),
        gone=tuple(name for name in was if name not in has),
        stops=tuple(_stops(was[name], has[name]) for name in both
                    if _has_moved(was[name].stopped_s, has[name].stopped_s)),
        runtimes=tuple(_runtimes(units[each.name], each) for each in now.units
                       if each.name in units
                       and _has_moved(units[each.name].lower_s, each.lower_s)),
        newly_unsaved=tuple(n for n in now.unsaved if n not in before.unsaved),
        saved_again=tuple(n for n in before.unsaved if n in has and n not in now.unsaved),
        newly_unmet=tuple(n for n in now.unmet if n not in before.unmet),
        is_other_file=before.file != now.file,
        is_other_hour=min(hours, 24 * 60 - hours) > 60,
        strengths=() if before.strength == now.strength else (before.strength, now.strength),
        away=(before.mains_back_s, now.mains_back_s)
        if _has_moved(before.mains_back_s, now.mains_back_s) else (),
    )  # fmt: skip


def _stops(before: DeviceResult, now: DeviceResult) -> Moved:
    return Moved(now.name, before.stopped_s, now.stopped_s)


def _runtimes(before: UnitResult, now: UnitResult) -> Moved:
    return Moved(now.name, before.lower_s, now.lower_s)


def _has_moved(before_s: float | None, now_s: float | None) -> bool:
    if before_s is None or now_s is None:
        return before_s is not now_s
    return abs(now_s - before_s) > max(MOVED_S, MOVED_SHARE * before_s)


def as_fields(found: Comparison) -> dict[str, Any]:
    """Return it JSON-ready, with its sentences."""
    return {**asdict(found), "is_same": found.is_same, "sentences": list(sentences(found))}


def sentences(found: Comparison) -> Iterator[str]:
    """Yield what changed, the gravest first."""
    if found.newly_unsaved:
        yield f"{names_text(found.newly_unsaved)} would now lose power in mid-writing"
    if found.newly_unmet:
        yield f"{names_text(found.newly_unmet)} would now go before its hold time"
    if found.saved_again:
        yield f"{names_text(found.saved_again)} would now be saved"
    for unit in found.runtimes:
        yield f"the battery of {unit.name} lasts at least {_change(unit, 'no known time')}"
    for device in found.stops:
        yield f"{device.name} {_stop_change(device)}"
    if found.added:
        yield f"new in the file: {names_text(found.added)}"
    if found.gone:
        yield f"no longer in the file: {names_text(found.gone)}"
    if found.is_same:
        yield "nothing that counts has changed"
    if found.is_other_hour:
        yield "the two begin at another time of day, so that light and load may differ"
    if found.strengths:
        before, now = (_STRENGTHS.get(word, word) for word in found.strengths)
        yield f"batteries are taken {now} in this one, and {before} in the one before"
    if found.away:
        before, now = (duration_text(away_s) for away_s in found.away)
        yield f"mains is away for {now} in this one, and for {before} in the one before"


_STRENGTHS = {"likely": "as they likely are", "weak": "as weak as has to be reckoned with"}


def _stop_change(moved: Moved) -> str:
    if moved.now_s is None:
        assert moved.before_s is not None
        return f"is not stopped; before it was, after {duration_text(moved.before_s)}"
    if moved.before_s is None:
        return f"is stopped after {duration_text(moved.now_s)}; before it was not"
    return f"is stopped after {_change(moved, '')}"


def _change(moved: Moved, never: str) -> str:
    before = never if moved.before_s is None else duration_text(moved.before_s)
    now = never if moved.now_s is None else duration_text(moved.now_s)
    return f"{now}, and it was {before}"
