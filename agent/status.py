"""The state of a site as a document for `lastwatt status`, and as lines for people."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from types import MappingProxyType
from typing import Any

from agent.battery import view as battery_view
from agent.conduct.learnt_durations import as_fields
from agent.grades.standings import Standings
from agent.grades.standings import as_fields as grade_fields
from policies.battery import as_fitted
from policies.decide import Decision
from policies.learnt import Learnt
from policies.model import Role, Site
from policies.output import stays_on
from policies.output_state import OutputPhase
from policies.owed import Owed, owed_changes
from policies.plan import Plan, Why
from policies.plan_use import is_fresh
from policies.reasons import duration_text, names_text
from policies.scene import Scene
from policies.state import DeviceState, Phase, SiteState
from policies.supply import Supply, UnitState
from policies.unexplained import Measured, gap_of

OWED_LIST = "owed.txt"
"""Name of the list, in the state directory, of what is to be undone yet; see `agent.owed.owed`."""

_STALE_S = 60.0


def document(
    site: Site,
    state: SiteState,
    decision: Decision | None,
    *,
    now: float,
    dry_run: bool,
    today: date | None = None,
    learnt: Mapping[str, Sequence[Learnt]] = MappingProxyType({}),
    plan: Plan | None = None,
    grades: Standings = MappingProxyType({}),
) -> dict[str, Any]:
    """Return the status as JSON-ready values; seconds are relative to now, None = not known.

    Args:
        site: what there is.
        state: what is known of it.
        decision: the last one, or None before the first.
        now: site time, s.
        dry_run: whether nothing is sent.
        today: the site's day, for the age of batteries; None = nothing is said of it.
        learnt: what is planned otherwise than the site's file says, by device.
        plan: the last one that was made of what to give up when, or None.
        grades: how well the order of each device is known to work.
    """
    if plan is not None and not is_fresh(plan, state, now):
        plan = None
    return {
        "site": site.name,
        "dry_run": dry_run,
        "outage_s": None if state.outage_at is None else round(now - state.outage_at, 1),
        "paused_s": _left(state.paused_until_at, now),
        "paused_by": state.paused_by,
        "watches_only": list(state.watches_only.values()),
        "units": [
            {
                **_unit(name, unit, decision, now),
                **_learnt(site, name, unit, now, today),
                "output": _output(site, state, name, decision, now),
            }
            for name, unit in state.units.items()
        ],
        "devices": [
            {
                **_device(site, name, device, decision, now),
                **_planned(plan, name, device, now),
                "learnt": [as_fields(one) for one in learnt.get(name, ())],
                "grade": grade_fields(grades[name]) if name in grades else None,
            }
            for name, device in state.devices.items()
        ],
        "plan_age_s": None if plan is None else round(now - plan.made_at, 1),
        "owed": [_owed(one, now) for one in owed_changes(site, state)],
    }


def _unit(name: str, unit: UnitState, decision: Decision | None, now: float) -> dict[str, Any]:
    course = None if decision is None else decision.timeline
    reading = unit.reading
    return {
        "name": name,
        "supply": unit.supply.value,
        "why": unit.why,
        "since_s": round(now - unit.since_at, 1),
        "heard_s": None if unit.heard_at is None else round(now - unit.heard_at, 1),
        "load_w": round(unit.load_w, 1) if reading is not None else None,
        "charge": None if reading is None else reading.charge,
        "lower_s": None if course is None else _finite(course.unit_lower_s.get(name, math.inf)),
        "median_s": None if course is None else _finite(course.unit_median_s.get(name, math.inf)),
        "alarms": [] if reading is None else sorted(a.value for a in reading.alarms),
        "doubts": {} if reading is None else dict(reading.doubts),
    }


def _output(
    site: Site, state: SiteState, name: str, decision: Decision | None, now: float
) -> dict[str, Any] | None:
    """Where a unit's own output is; None where the file does not let it be switched."""
    if site.units[name].output is None:
        return None
    output = state.units[name].output
    drops_at = None if output.drops_at is None else output.drops_at - now
    returns_at = None if output.returns_at is None else output.returns_at - now
    stays: tuple[str, ...] = ()
    if decision is not None:
        stays = stays_on(Scene(site, state, {}, now, decision.timeline), name)
    return {
        "phase": output.phase.value,
        "since_s": round(now - output.since_at, 1),
        "drops_in_s": None if drops_at is None else round(drops_at, 1),
        "returns_in_s": None if returns_at is None else round(returns_at, 1),
        "why": output.why,
        "stays_on": list(stays),
    }


def _learnt(
    site: Site, name: str, unit: UnitState, now: float, today: date | None
) -> dict[str, Any]:
    """What was learnt of a unit over its time: its battery, and what it carries."""
    known = as_fitted(site.units[name], unit.battery, now)
    return {
        "battery": None if today is None else battery_view.brief(known, unit.battery, today),
        "unexplained": [
            gap_of(site, name, Measured(found.watts, found.step_w, found.is_share), light).sentence
            for light, found in sorted(unit.loads.items())
            if found.said_w != 0.0
        ],
    }


def _device(
    site: Site, name: str, device: DeviceState, decision: Decision | None, now: float
) -> dict[str, Any]:
    slot = None if decision is None else decision.timeline.planned.get(name)
    # What nobody tells anything has no stop that could begin.
    is_passive = site.devices[name].is_passive
    stop_at = math.inf if slot is None or is_passive else slot.start_latest_at
    order = None if device.order is None else device.order.order
    return {
        "name": name,
        "role": site.devices[name].role.value,
        "no_touch": site.devices[name].no_touch,
        "dry_run": site.devices[name].dry_run,
        "phase": device.phase.value,
        "assumed": device.is_assumed,
        "by_hand": device.by_hand,
        "since_s": round(now - device.since_at, 1),
        "evidence": device.evidence,
        "gap_s": round(device.gap.lasting_s(now), 1) if device.gap.began_at is not None else None,
        "gap_open": device.gap.is_open,
        "stop_latest_in_s": _finite(stop_at - now),
        "task": None if order is None else order.task.value,
        "reason": _why_off(name, decision) if order is None else order.reason.sentence,
    }


def _why_off(name: str, decision: Decision | None) -> str | None:
    """Why a device stays off though mains is back; None where it does not, or nobody knows."""
    off = () if decision is None else decision.left_off
    return next((each.text for each in off if each.device == name), None)


def _planned(plan: Plan | None, name: str, device: DeviceState, now: float) -> dict[str, Any]:
    """What the plan has in store for a device that runs; None and "" where that is nothing."""
    stop = None if plan is None else plan.stops.get(name)
    if stop is None or device.phase is not Phase.RUNNING or math.isinf(stop.on_until_at):
        return {"planned_stop_in_s": None, "planned": "", "planned_sake": ""}
    return {
        "planned_stop_in_s": round(max(0.0, stop.on_until_at - now), 1),
        "planned": stop.why.value,
        "planned_sake": stop.sake,
    }


def _owed(one: Owed, now: float) -> dict[str, Any]:
    return {
        "device": one.device,
        "acts": list(one.acts),
        "since_s": round(now - one.since_at, 1),
        "running": one.is_running,
        "by_hand": one.by_hand,
    }


def _finite(seconds: float) -> float | None:
    return round(seconds, 1) if math.isfinite(seconds) else None


def _left(until_at: float | None, now: float) -> float | None:
    return None if until_at is None or until_at <= now else round(until_at - now, 1)


def in_brief(state: SiteState, *, dry_run: bool) -> str:
    """Return how the units and the devices are, on one short line."""
    told = [f"{name}: {unit.supply.value}" for name, unit in state.units.items()]
    resting = sum(device.phase is not Phase.RUNNING for device in state.devices.values())
    if resting:
        told.append(f"{resting} of {len(state.devices)} devices not running")
    return "; ".join([*(["dry run"] if dry_run else []), *told])


def lines(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield the status in words, a line each.

    Args:
        document: what `document` gave, and what the agent said of itself beside it.

    Raises:
        LookupError, TypeError, ValueError: it is not such a document.
    """
    dry = " (dry run: nothing is sent)" if document["dry_run"] else ""
    outage_s, paused_s = document["outage_s"], document["paused_s"]
    known = {unit["supply"] for unit in document["units"]} - {Supply.UNKNOWN.value}
    state = "mains is there" if known else "nothing is known of mains yet"
    if outage_s is not None:
        state = f"outage for {duration_text(outage_s)}"
    yield f"{document['site']}: {state}{dry}"
    for why in document.get("watches_only", ()):
        yield f"  ONLY WATCHES, and gives no order: {why}"
    if paused_s is not None:
        by, more = document.get("paused_by", ""), duration_text(paused_s)
        yield f"  paused for {more} more{f' by {by}' if by else ''}: no automatic orders"
    for unit in document["units"]:
        yield _unit_line(unit)
        yield from _output_lines(unit.get("output"))
        yield from _learnt_lines(unit, is_outage=outage_s is not None)
    yield from (_device_line(device) for device in document["devices"])
    yield from _owed_lines(document.get("owed", ()))
    if not document.get("journal_healthy", True):
        yield "  the journal cannot be written: look after the disk of the state directory"
    for one in document.get("receivers", ()):
        if one["why"]:
            yield f"  notices do not reach {one['name']} ({one['waiting']} wait): {one['why']}"
        if one.get("given_up"):
            told = f"{one['name']} was not told of {one['given_up']} and will not be"
            yield f"  notices: {told}, the last since {one['given_up_why']}"


def _unit_line(unit: Mapping[str, Any]) -> str:
    supply, why = unit["supply"], unit["why"]
    parts = [f"  {unit['name']}: {why if why.startswith(supply) else f'{supply}, {why}'}"]
    if unit["load_w"] is not None:
        parts.append(f"{unit['load_w']:.0f} W")
    if unit["charge"] is not None:
        parts.append(f"charge {unit['charge']:.0%}")
    if unit["lower_s"] is not None:
        likely_s = math.inf if unit["median_s"] is None else unit["median_s"]
        parts.append(
            f"lasts at least {duration_text(unit['lower_s'])}, {duration_text(likely_s)} likely"
        )
    if unit["heard_s"] is not None and unit["heard_s"] > _STALE_S:
        parts.append(f"last heard {duration_text(unit['heard_s'])} ago")
    parts += unit["alarms"]
    parts += [f"its {field} is doubtful: {why}" for field, why in unit["doubts"].items()]
    return "; ".join(parts)


def _output_lines(output: Mapping[str, Any] | None) -> Iterator[str]:
    """Yield where a unit's own output is, if there is anything to say of it."""
    if output is None:
        return
    if output["phase"] != OutputPhase.ON.value:
        parts = [f"its output is {output['phase']}"]
        if output["drops_in_s"] is not None and output["drops_in_s"] > 0.0:
            parts.append(f"it drops in {duration_text(output['drops_in_s'])}")
        if output["returns_in_s"] is not None and output["returns_in_s"] > 0.0:
            returns = duration_text(output["returns_in_s"])
            parts.append(f"and returns with mains, in {returns} at the earliest")
        yield f"    {', '.join(parts)}: {output['why']}"
    for why in output["stays_on"][:3]:
        yield f"    its output stays on: {why}"


def _learnt_lines(unit: Mapping[str, Any], *, is_outage: bool) -> Iterator[str]:
    """Yield what was learnt over time; what is plugged in and not listed waits for mains."""
    if unit.get("battery") is not None:
        yield f"    {battery_view.brief_text(unit['battery'])}"
    if not is_outage:
        yield from (f"    {text}" for text in unit.get("unexplained", ()))


def _owed_lines(owed: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Yield what is to be undone yet, in one line: in an outage that is nearly every device."""
    unseen = [one["device"] for one in owed if one["running"]]
    if unseen:
        yield (
            f"  came back without lastwatt: {names_text(unseen)}; see that it records, then say so "
            "by `lastwatt start`"
        )
    done = [f"{one['device']} ({', '.join(one['acts'])})" for one in owed if not one["running"]]
    if done:
        yield f"  owed: {names_text(done)}; {OWED_LIST} in the state directory says what undoes it"


_PLANNED = {
    Why.KEPT: "kept on for {left}",
    Why.GIVES_WAY: "gives way{sake} in {left}",
    Why.OWNER: "stops in {left}, as its owner wishes",
    Why.UNTOLD: "on for {left}, then loses power untold",
}


def _planned_parts(device: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is planned, and say that it is no more than that."""
    left_s, why = device.get("planned_stop_in_s"), device.get("planned")
    if left_s is not None and why in _PLANNED:
        sake = f" to {device['planned_sake']}" if device["planned_sake"] else ""
        told = _PLANNED[Why(why)].format(left=duration_text(left_s), sake=sake)
        yield f"planned: {told}"


def _device_line(device: Mapping[str, Any]) -> str:
    parts = [f"  {device['name']} ({device['role']}): {device['phase']}"]
    if device["assumed"]:
        parts[0] += ", assumed"
    if device.get("by_hand"):
        parts.append("stopped by hand: it stays so until `lastwatt start`")
    stop_s = device["stop_latest_in_s"]
    if device.get("no_touch"):
        parts.append("no-touch")
    elif device["phase"] == Phase.RUNNING.value and stop_s is not None:
        when = f"in {duration_text(stop_s)} at the latest" if stop_s > 0 else "now"
        parts.append(f"its stop begins {when}")
    parts += _planned_parts(device)
    if device.get("dry_run"):
        parts.append("dry run")
    gap_s = device.get("gap_s")
    if gap_s is not None and device["role"] == Role.RECORDER.value:
        ended = "it has recorded nothing" if device["gap_open"] else "at last it recorded nothing"
        parts.append(f"{ended} for {duration_text(gap_s)}")
    parts += [
        f"its {one['stage']} is planned with {duration_text(one['learnt_s'])}, as learnt; the file "
        f"says {duration_text(one['file_s'])}"
        for one in device.get("learnt", ())
    ]
    if device.get("grade") is not None:
        parts.append(device["grade"]["sentence"])
    said = device["reason"] or device["evidence"]
    return "; ".join(parts + ([said] if said else []))
