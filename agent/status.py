"""The state of a site as a document for `lastwatt status`, and as lines for people."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from policies.decide import Decision
from policies.model import Site
from policies.reasons import duration_text
from policies.state import DeviceState, SiteState
from policies.supply import UnitState


def document(
    site: Site, state: SiteState, decision: Decision | None, *, now: float, dry_run: bool
) -> dict[str, Any]:
    """Return the status as JSON-ready values; seconds are relative to now, None = not known.

    Args:
        site: what there is.
        state: what is known of it.
        decision: the last one, or None before the first.
        now: site time, s.
        dry_run: whether nothing is sent.
    """
    return {
        "site": site.name,
        "dry_run": dry_run,
        "outage_s": None if state.outage_at is None else round(now - state.outage_at, 1),
        "paused_s": None if state.paused_until_at is None else state.paused_until_at - now,
        "units": [_unit(name, unit, decision, now) for name, unit in state.units.items()],
        "devices": [
            _device(site, name, device, decision, now) for name, device in state.devices.items()
        ],
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


def _device(
    site: Site, name: str, device: DeviceState, decision: Decision | None, now: float
) -> dict[str, Any]:
    slot = None if decision is None else decision.timeline.planned.get(name)
    stop_at = math.inf if slot is None else slot.start_latest_at
    order = None if device.order is None else device.order.order
    return {
        "name": name,
        "role": site.devices[name].role.value,
        "phase": device.phase.value,
        "assumed": device.is_assumed,
        "since_s": round(now - device.since_at, 1),
        "evidence": device.evidence,
        "stop_latest_in_s": _finite(stop_at - now),
        "task": None if order is None else order.task.value,
        "reason": None if order is None else order.reason.sentence,
    }


def _finite(seconds: float) -> float | None:
    return round(seconds, 1) if math.isfinite(seconds) else None


def lines(document: dict[str, Any]) -> Iterator[str]:
    """Yield the status in words, a line each."""
    dry = " (dry run: nothing is sent)" if document["dry_run"] else ""
    outage_s = document["outage_s"]
    state = "mains is there" if outage_s is None else f"outage for {duration_text(outage_s)}"
    yield f"{document['site']}: {state}{dry}"
    for unit in document["units"]:
        lasts = ""
        if unit["lower_s"] is not None:
            likely_s = math.inf if unit["median_s"] is None else unit["median_s"]
            lasts = (
                f"; lasts at least {duration_text(unit['lower_s'])}, "
                f"{duration_text(likely_s)} likely"
            )
        load = "" if unit["load_w"] is None else f"; {unit['load_w']:.0f} W"
        yield f"  {unit['name']}: {unit['supply']}, {unit['why']}{load}{lasts}"
    for device in document["devices"]:
        stop_s = device["stop_latest_in_s"]
        plan = ""
        if device["phase"] == "running" and stop_s is not None:
            plan = f"; its stop begins in {duration_text(stop_s)} at the latest"
        said = device["reason"] or device["evidence"]
        yield f"  {device['name']} ({device['role']}): {device['phase']}{plan}" + (
            f"; {said}" if said else ""
        )
