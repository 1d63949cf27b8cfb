"""What the parts of the page beneath the picture say: devices, power, batteries, journal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from agent.battery import view as battery_view
from agent.page.view_seen import Seen, about, in_order
from agent.pictures.health_picture import health_picture
from policies.budget import Budget, FeedBudget, budget_of
from policies.graph import SiteKey, may_be_stopped
from policies.load import Draw
from policies.model import Role
from policies.plan import PlannedStop, Why
from policies.reasons import duration_text
from policies.state import Phase

_AT_ONCE_S = 60.0

# Devices


@dataclass(frozen=True, slots=True)
class DeviceLine:
    """One device, in words.

    Attributes:
        state: where it is, and since when.
        order: what it is told next, or why nothing.
        proof: how its state is known; "" = nothing was said of it.
        grade: how well its order is known to work; "" = nothing is known.
        needs_hand: somebody has to look after it.
    """

    name: str
    role: str
    state: str
    order: str
    proof: str
    grade: str
    needs_hand: bool


def device_lines(seen: Seen) -> list[DeviceLine]:
    """Return the devices that can be told something, and any other that does not simply run."""
    return [_device_line(seen, shown) for shown in in_order(seen) if not _only_runs(seen, shown)]


def running_untold(seen: Seen) -> list[str]:
    """Return the names of those that run, and that nothing can be told."""
    return [shown["name"] for shown in in_order(seen) if _only_runs(seen, shown)]


def _only_runs(seen: Seen, shown: Mapping[str, Any]) -> bool:
    return (
        shown["phase"] == Phase.RUNNING.value
        and not may_be_stopped(seen.site, shown["name"])
        and not shown["reason"]
    )


def _device_line(seen: Seen, shown: Mapping[str, Any]) -> DeviceLine:
    phase = Phase(shown["phase"])
    parts = [phase.value]
    if shown["since_s"] < seen.now - 1.0 and phase is not Phase.RUNNING:
        parts.append(f"since {seen.clock(-shown['since_s'])}")
    if shown["assumed"]:
        parts.append("assumed only")
    if shown["by_hand"]:
        parts.append("stopped by hand")
    if shown["dry_run"]:
        parts.append("dry run")
    grade = shown["grade"]
    return DeviceLine(
        name=shown["name"],
        role=shown["role"],
        state=", ".join(parts),
        order=_order(seen, shown, phase),
        proof="; ".join(_proof(seen, shown)),
        grade="" if grade is None else grade["sentence"],
        needs_hand=phase in (Phase.NEEDS_HAND, Phase.GIVEN_UP),
    )


def _order(seen: Seen, shown: Mapping[str, Any], phase: Phase) -> str:
    name = shown["name"]
    if shown["reason"]:
        return f"under way: {shown['reason']}"
    if shown["by_hand"]:
        return "none until somebody starts it"
    if shown["no_touch"]:
        return "none: never touched"
    if not may_be_stopped(seen.site, name):
        return "none: nothing can be told it"
    if phase is Phase.AT_REST:
        return "start, once mains is steady"
    if phase is not Phase.RUNNING:
        return "none yet"
    plan = seen.plan if seen.ahead is None else seen.ahead
    stop = None if plan is None else plan.stops.get(name)
    if seen.state.outage_at is None:
        return (
            "none"
            if stop is None or seen.ahead is None
            else f"none; in an outage now: {_would(stop, seen)}"
        )
    if stop is None or shown["planned_stop_in_s"] is None:
        latest = _latest(seen, shown["stop_latest_in_s"])
        return f"stop, {latest}" if latest else "none"
    latest_in_s = stop.latest_at - seen.now if math.isfinite(stop.latest_at) else None
    return "; ".join(filter(None, [_planned(seen, stop), _latest(seen, latest_in_s)]))


def _planned(seen: Seen, stop: PlannedStop) -> str:
    at = seen.since(stop.on_until_at)
    match stop.why:
        case Why.GIVES_WAY:
            return f"stop at {at}: gives way{f' to {stop.sake}' if stop.sake else ''}"
        case Why.OWNER:
            return f"stop at {at}, as its owner wishes"
        case Why.UNTOLD:
            return f"none: on until {at}, then without power"
        case _:
            return f"stop at {at}, when the battery carries it no longer"


def _would(stop: PlannedStop, seen: Seen) -> str:
    assert seen.ahead is not None
    lasting_s = stop.on_until_at - seen.ahead.made_at
    when = "at once" if lasting_s < _AT_ONCE_S else f"after {about(lasting_s)}"
    match stop.why:
        case Why.GIVES_WAY:
            sake = f" to {stop.sake}" if stop.sake else ""
            return f"gives way{sake} {when}"
        case Why.KEPT | Why.OWNER:
            return f"stop {when}"
        case _:
            return stop.why.value


def _latest(seen: Seen, in_s: float | None) -> str:
    if in_s is None:
        return ""
    return f"by {seen.clock(in_s, with_seconds=True)} at the latest" if in_s > 0.0 else "now"


def _proof(seen: Seen, shown: Mapping[str, Any]) -> Iterator[str]:
    if shown["evidence"]:
        yield str(shown["evidence"])
    gap_s = shown["gap_s"]
    if gap_s is not None and shown["role"] == Role.RECORDER.value:
        ended = "it has recorded nothing" if shown["gap_open"] else "at last it recorded nothing"
        yield f"{ended} for {about(gap_s)}"
    for one in shown["learnt"]:
        yield (
            f"its {one['stage']} takes {duration_text(one['learnt_s'])}, as learnt; the file says "
            f"{duration_text(one['file_s'])}"
        )


# Power


@dataclass(frozen=True, slots=True)
class PowerRow:
    """One line of a unit's budget: W and VA, and what share of its rating each is."""

    name: str
    watts: float
    watts_share: float | None
    va: float | None
    va_share: float | None


@dataclass(frozen=True, slots=True)
class UnitPower:
    """What one unit carries."""

    name: str
    rating: str
    rows: tuple[PowerRow, ...]
    devices: tuple[tuple[str, float, float], ...]


def power_of(seen: Seen) -> list[UnitPower]:
    """Return what every unit carries, measured and by the file."""
    measured = {unit["name"]: unit["load_w"] for unit in seen.shown["units"]}
    return [_power(feed, measured.get(feed.name)) for feed in budget(seen).feeds]


def budget(seen: Seen) -> Budget:
    """Return the power budget of the site's file."""
    return _budget(SiteKey(seen.site))


@lru_cache(maxsize=4)
def _budget(key: SiteKey) -> Budget:
    return budget_of(key.site)


def _power(feed: FeedBudget, measured_w: float | None) -> UnitPower:
    unit = feed.unit
    rows = []
    if measured_w is not None:
        share = None if unit is None else measured_w / unit.rating_w
        rows.append(PowerRow("measured now", measured_w, share, None, None))
    watts, va = feed.watts, feed.va
    rows += [
        _row(feed, "by day, all on", watts.day, va.day),
        _row(feed, "by night, all on", watts.night, va.night),
        _row(feed, "all starting at once", watts.boot, va.boot),
    ]
    rating = "" if unit is None else f"{unit.rating_w:.0f} W, {unit.rating_va:.0f} VA"
    return UnitPower(
        feed.name if unit is not None else "on mains alone, no battery behind it",
        rating,
        tuple(rows),
        tuple(
            (_line_name(line.device, line.is_loss), *_day_night(line.watts)) for line in feed.lines
        ),
    )


def _row(feed: FeedBudget, name: str, watts: float, va: float) -> PowerRow:
    unit = feed.unit
    if unit is None:
        return PowerRow(name, watts, None, va, None)
    return PowerRow(name, watts, watts / unit.rating_w, va, va / unit.rating_va)


def _line_name(device: str, is_loss: bool) -> str:
    return f"{device}, lost in ports and cables" if is_loss else device


def _day_night(draw: Draw) -> tuple[float, float]:
    return draw.day, draw.night


# Batteries


@dataclass(frozen=True, slots=True)
class BatteryLines:
    """One unit's battery: how old, label with text for what is known of its health, its trend."""

    unit: str
    age: str
    facts: tuple[tuple[str, str], ...]
    picture: str


def batteries_of(seen: Seen, documents: Mapping[str, Mapping[str, Any]]) -> list[BatteryLines]:
    """Return what is known of the batteries.

    Args:
        seen: the agent now.
        documents: unit -> what `agent.battery.view.document` gave.
    """
    names = [name for name in seen.site.units if name in documents]
    return [_battery(name, number, documents[name]) for number, name in enumerate(names)]


_LABELS = {
    "CHANGE": "to change in the file",
    "full": "full run",
    "replace": "replace it",
    "order": "order another",
}


def _battery(name: str, number: int, document: Mapping[str, Any]) -> BatteryLines:
    head, *lines = battery_view.lines(document)
    facts = []
    picture = health_picture(document, name=f"battery-{number}")
    for line in lines:
        label, _, text = line.strip().partition(" ")
        facts.append((_LABELS.get(label, label), " ".join(text.split())))
    return BatteryLines(name, head.removeprefix(f"{name}: "), tuple(facts), picture)
