"""One sentence on how the site is, with its reason: are we all right, and for how long.

The worst comes first. Names and reasons are those of the journal and of `lastwatt status`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from agent.page.view_seen import Seen, about
from policies.belief import full_energy_wh
from policies.graph import may_be_stopped
from policies.model import HOLDS_DATA, Alarm, Role
from policies.plan import Plan, PlannedStop, Why
from policies.reasons import names_text, sureness_text
from policies.state import Phase
from policies.supply import Supply
from policies.telling import silenced_text

_SAID_ANYHOW = frozenset({Alarm.ON_BATTERY.value, Alarm.INPUT_BAD.value})
"""What the sentence says already: that mains is away."""


_MUCH = 0.25


class Tone(StrEnum):
    """How much a sentence should worry its reader."""

    WELL = "well"
    HEED = "heed"
    ALARM = "alarm"


@dataclass(frozen=True, slots=True)
class Said:
    """What is said of the site.

    Attributes:
        head: how it is; why: the reason, with the numbers.
        notes: what else a reader must know, a sentence each.
    """

    tone: Tone
    head: str
    why: str
    notes: tuple[str, ...] = ()


def said_of(seen: Seen) -> Said:
    """Return how the site is."""
    tone, head, why = _judged(seen)
    return Said(tone, head, why, tuple(_notes(seen)))


def _judged(seen: Seen) -> tuple[Tone, str, str]:
    if all(unit["heard_s"] is None for unit in seen.shown["units"]):
        return Tone.HEED, "Nothing is known yet.", _silent_text(seen)
    stuck = _names(seen, Phase.NEEDS_HAND, Phase.GIVEN_UP)
    if seen.state.outage_at is not None:
        return _outage(seen, stuck)
    if stuck:
        need = "needs a hand" if len(stuck) == 1 else "need a hand"
        return Tone.ALARM, f"{names_text(stuck)} {need}.", _evidence(seen, stuck[0])
    blind = [unit for unit in seen.shown["units"] if unit["supply"] == Supply.UNKNOWN.value]
    if blind:
        name = blind[0]["name"]
        return (
            Tone.ALARM,
            f"Nobody knows whether mains is there: {name} is not heard.",
            _unit_why(blind[0]),
        )
    bare = [unit for unit in seen.shown["units"] if unit["supply"] == Supply.UNPROTECTED.value]
    if bare:
        head = "Mains is there, but no battery stands behind it."
        return Tone.ALARM, head, f"{bare[0]['name']}: {_unit_why(bare[0])}"
    away = _names(seen, Phase.RESTING, Phase.AT_REST, Phase.STARTING)
    if away:
        return _coming_back(seen, away)
    return _on_mains(seen)


# In an outage


def _outage(seen: Seen, stuck: Sequence[str]) -> tuple[Tone, str, str]:
    why = f"{_failed_text(seen)} {_lasts_text(seen)}"
    at_risk = _at_risk(seen, seen.plan)
    silent = [name for name, unit in seen.state.units.items() if unit.lost_at is not None]
    if silent:
        return _unheard(seen, silent, why)
    if stuck:
        return (
            Tone.ALARM,
            f"On battery, and {names_text(stuck)} did not come to rest.",
            (f"{_evidence(seen, stuck[0])} {why}"),
        )
    if seen.shown["paused_s"] is not None:
        at_all = _lasts_text(replace(seen, plan=None))  # with nothing given up
        why = f"Nothing is brought to rest by itself. {_failed_text(seen)} {at_all}"
        return Tone.ALARM, "On battery, and automatic orders are paused.", why
    if at_risk:
        return Tone.ALARM, f"On battery, and {names_text(at_risk)} may not be at rest in time.", why
    data = [n for n, device in seen.site.devices.items() if device.role in HOLDS_DATA]
    waiting = [name for name in data if seen.state.devices[name].phase is not Phase.AT_REST]
    if data and not waiting:
        head = "On battery, and all that holds data is at rest."
        return Tone.HEED, head, f"{why} It comes back by itself after mains does."
    until = " ".join(filter(None, [why, _recording_text(seen, waiting)]))
    return Tone.HEED, "On battery, and all is well so far.", until


def _unheard(seen: Seen, silent: Sequence[str], why: str) -> tuple[Tone, str, str]:
    """A unit fell silent on battery: what is known of it is carried forward, on its bound."""
    heard_at = seen.state.units[silent[0]].heard_at
    since = "" if heard_at is None else f" since {seen.since(heard_at)}"
    head = f"On battery, and {names_text(silent)} is not heard any more."
    return Tone.ALARM, head, f"No word from it{since}; it is reckoned on from there. {why}"


def _failed_text(seen: Seen) -> str:
    assert seen.state.outage_at is not None
    return f"Mains failed at {seen.since(seen.state.outage_at)}."


def _lasts_text(seen: Seen) -> str:
    """How long it goes on, by the battery that ends first."""
    bound = [unit for unit in seen.shown["units"] if unit["lower_s"] is not None]
    if not bound:
        return "How long the battery lasts is not known yet."
    unit = min(bound, key=lambda unit: float(unit["lower_s"]))
    lower_s, likely_s = float(unit["lower_s"]), unit["median_s"]
    course = None if seen.plan is None else seen.plan.units.get(unit["name"])
    if seen.plan is not None and course is not None:
        # With what the plan gives up; without one, at the load there is.
        age_s = seen.now - seen.plan.made_at
        lower_s, likely_s = max(0.0, course.lower_s - age_s), max(0.0, course.median_s - age_s)
    whose = f"The battery of {unit['name']}" if len(seen.shown["units"]) > 1 else "The battery"
    return f"{whose} lasts {_until(seen, unit['name'], lower_s, likely_s)}."


def _until(seen: Seen, unit: str, lower_s: float, likely_s: float | None) -> str:
    quantile = seen.quantiles.get(unit)
    sure = "" if quantile is None else f", {sureness_text(quantile)}"
    text = f"until {seen.clock(lower_s)} at least ({about(lower_s)}{sure})"
    if likely_s is not None and math.isfinite(likely_s):
        text += f", until {seen.clock(likely_s)} likely"
    return text


def _recording_text(seen: Seen, waiting: Sequence[str]) -> str:
    """Until when the recorders go on."""
    ends = {
        device["name"]: _ends_in_s(device)
        for device in seen.shown["devices"]
        if device["name"] in waiting and device["role"] == Role.RECORDER.value
    }
    known = {name: end_s for name, end_s in ends.items() if end_s is not None}
    if not known:
        return ""
    first = min(known, key=known.__getitem__)
    return f"{first} goes on until {seen.clock(known[first])}, and is then stopped in order."


def _ends_in_s(device: Mapping[str, Any]) -> float | None:
    """When its stop begins: by the plan where there is one, else when it must at the latest."""
    planned_s, latest_s = device["planned_stop_in_s"], device["stop_latest_in_s"]
    end_s = latest_s if planned_s is None else planned_s
    return None if end_s is None else float(end_s)


# On mains


def _coming_back(seen: Seen, away: Sequence[str]) -> tuple[Tone, str, str]:
    by_hand = [d["name"] for d in seen.shown["devices"] if d["by_hand"] and d["name"] in away]
    if set(by_hand) == set(away):
        told = "was" if len(away) == 1 else "were"
        head = f"Mains is there; {names_text(away)} {told} stopped by hand."
        stays = (
            "It stays off until somebody starts it."
            if len(away) == 1
            else ("They stay off until somebody starts them.")
        )
        return Tone.HEED, head, stays
    many = "device is" if len(away) == 1 else "devices are"
    head = f"Mains is there; {len(away)} {many} not back yet."
    first = next(d for d in seen.shown["devices"] if d["name"] == away[0])
    why = first["reason"] or first["evidence"] or first["phase"]
    return Tone.HEED, head, f"{names_text(away)}: {why}"


def _on_mains(seen: Seen) -> tuple[Tone, str, str]:
    paused_s = seen.shown["paused_s"]
    if paused_s is not None:
        why = (
            f"Should mains fail before {seen.clock(paused_s)}, nothing is brought to rest by "
            "itself, and the battery ends earlier than planned."
        )
        return Tone.HEED, "Mains is there, and automatic orders are paused.", why
    if seen.ahead is None:
        return Tone.WELL, "All is well: mains is there.", _mains_why(seen)
    at_risk = _at_risk(seen, seen.ahead)
    text = _would_last(seen, seen.ahead)
    if at_risk:
        but = "the battery is not full again, and" if _is_low(seen, seen.ahead) else "in an outage"
        head = f"Mains is there, but {but} {names_text(at_risk)} would not be at rest in time."
        return Tone.ALARM, head, text
    return Tone.WELL, "All is well: mains is there.", text


def _mains_why(seen: Seen) -> str:
    unit = seen.shown["units"][0]
    return f"{unit['name']}: {_unit_why(unit)}"


def _would_last(seen: Seen, plan: Plan) -> str:
    if not plan.units:
        return _mains_why(seen)
    course = min(plan.units.values(), key=lambda course: course.lower_s)
    whose = f"the battery of {course.unit}" if len(plan.units) > 1 else "the battery"
    text = (
        f"Should it fail now, {whose} would last {about(course.lower_s)} at least "
        f"({sureness_text(course.quantile)}), {about(course.median_s)} likely"
    )
    recorders = [
        stop
        for name, stop in plan.stops.items()
        if seen.site.devices[name].role is Role.RECORDER and math.isfinite(stop.on_until_at)
    ]
    if recorders:
        first = min(recorders, key=lambda stop: stop.on_until_at)
        text += f"; {first.device} would go on for {about(first.on_until_at - plan.made_at)}"
    unmet = _unmet(seen, plan)
    if recorders and unmet == [first.device]:
        text += ", which is less than its hold time"
    elif unmet:
        text += f"; {names_text(unmet, most=2)} would not stay on for the hold time"
    return f"{text}."


def _is_low(seen: Seen, plan: Plan) -> bool:
    """Whether much is missing from a battery by our own account: an outage was not long ago."""
    return any(
        seen.state.units[name].drawn.total_wh > _MUCH * full_energy_wh(seen.site.units[name])
        for name in plan.units
    )


def _unmet(seen: Seen, plan: Plan) -> list[str]:
    return [stop.device for stop in plan.unmet if seen.site.devices[stop.device].hold_s > 0.0]


# Both


def _at_risk(seen: Seen, plan: Plan | None) -> list[str]:
    """What may lose power unprepared, of that which has something to lose."""
    if plan is None:
        return []
    return [stop.device for stop in plan.unsaved if _counts(seen, stop)]


def _counts(seen: Seen, stop: PlannedStop) -> bool:
    device = seen.site.devices[stop.device]
    return (
        device.role in HOLDS_DATA
        and stop.why not in (Why.NO_TOUCH, Why.OTHER_POWER)
        and may_be_stopped(seen.site, stop.device)
    )


def _names(seen: Seen, *phases: Phase) -> list[str]:
    return [name for name, device in seen.state.devices.items() if device.phase in phases]


def _evidence(seen: Seen, name: str) -> str:
    device = next(d for d in seen.shown["devices"] if d["name"] == name)
    said = device["evidence"] or device["reason"] or device["phase"]
    return f"{name}: {said.rstrip('.')}."


def _silent_text(seen: Seen) -> str:
    names = names_text([unit["name"] for unit in seen.shown["units"]])
    return f"No word from {names} since lastwatt started."


def _unit_why(unit: Mapping[str, Any]) -> str:
    supply, why = str(unit["supply"]), str(unit["why"]).rstrip(".")
    return f"{why}." if why.startswith(supply) else f"{supply}, {why}."


def _notes(seen: Seen) -> Iterator[str]:
    shown = seen.shown
    if shown["dry_run"]:
        yield "Dry run: nothing is sent to any device."
    if shown["paused_s"] is not None:
        by = f" by {shown['paused_by']}" if shown["paused_by"] else ""
        yield f"Paused until {seen.clock(shown['paused_s'])}{by}: no automatic orders."
    for silence in seen.state.silences:
        if silence.until_at > seen.now:
            what = silenced_text(silence.topic, silence.about)
            what = f"{what[0].upper()}{what[1:]}"
            yield f"{what} are silenced until {seen.since(silence.until_at)}, by {silence.who}."
    for unit in shown["units"]:
        alarms = [alarm for alarm in unit["alarms"] if alarm not in _SAID_ANYHOW]
        if alarms:
            yield f"{unit['name']} reports {', '.join(alarms)}."
        yield from (
            f"{unit['name']}: its {field} is doubtful: {why}."
            for field, why in unit["doubts"].items()
        )
        yield from unit.get("unexplained", ()) if seen.state.outage_at is None else ()
    unseen = [one["device"] for one in shown.get("owed", ()) if one["running"]]
    if unseen:
        yield (
            f"{names_text(unseen)} came back without lastwatt: see that it records, then say so by "
            "`lastwatt start`."
        )
    if not shown.get("journal_healthy", True):
        yield "The journal cannot be written: look after the disk of the state directory."
    for one in shown.get("receivers", ()):
        if one["why"]:
            yield f"Notices do not reach {one['name']} ({one['waiting']} wait): {one['why']}."
        if one.get("given_up"):
            told = f"{one['name']} was not told of {one['given_up']} and will not be"
            yield f"Notices: {told}, the last since {one['given_up_why']}."
