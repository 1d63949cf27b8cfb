"""Using a plan that was made a while ago: what it still speaks for, and what gives way by it.

A plan is made beside the decisions, and meets a later state: it is used while it is fresh, of this
outage, and made for about the load that there is. What it does not speak for goes by the plain rule
(`shed`), and beneath both the latest safe start holds.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Collection
from dataclasses import replace

from policies.graph import graph_of, may_be_stopped
from policies.plan import Plan, PlannedStop, UnitCourse, Why
from policies.scene import Scene
from policies.state import SiteState

PLAN_LASTS_S = 300.0
"""A plan is acted on for so long; where all is well a newer one comes before."""

LOAD_NEAR_W = 10.0
LOAD_NEAR_SHARE = 0.15
"""A load that differs by no more than the greater of these from the planned one is near it."""

LOAD_SLACK_S = 90.0
"""By so much falls of the load may come earlier or later than planned."""

SECOND_LOOK_S = 10.0
"""What is to give way at once, and did not by the plan before, waits so long for another plan."""

PUT_OFF_S = 30.0
"""That far it is put off; if no other plan is made meanwhile, it gives way then."""

_ABOUT_S = 60.0


def speaks_for(
    plan: Plan | None, state: SiteState, on_battery: Collection[str], now: float
) -> frozenset[str]:
    """Return the units that a plan still speaks for.

    Args:
        plan: the last one, or None.
        state: what is known now.
        on_battery: units that run on battery now; a plan made for others is of no use.
        now: site time, s.
    """
    if plan is None or not is_fresh(plan, state, now) or plan.units.keys() != set(on_battery):
        return frozenset()
    age_s = now - plan.made_at
    return frozenset(
        name
        for name, course in plan.units.items()
        if is_load_near(course, state.units[name].load_w, age_s)
    )


def is_fresh(plan: Plan, state: SiteState, now: float) -> bool:
    """Whether a plan is of this outage, and not too old."""
    is_young = plan.made_at <= now <= plan.made_at + PLAN_LASTS_S
    return is_young and plan.outage_at == state.outage_at


def is_load_near(course: UnitCourse, load_w: float, age_s: float) -> bool:
    """Whether a unit carries about what its plan has it carry by now."""
    times = [step.after_s for step in course.steps]
    first = max(0, bisect.bisect_right(times, age_s - LOAD_SLACK_S) - 1)
    last = max(first + 1, bisect.bisect_right(times, age_s + LOAD_SLACK_S))
    # A unit that measures nothing carries what is listed, which the plan counts in its own way.
    changes_w = [step.load_w - course.steps[0].load_w for step in course.steps[first:last]]
    near_w = max(LOAD_NEAR_W, LOAD_NEAR_SHARE * course.made_w)
    low_w, high_w = course.made_w + min(changes_w), course.made_w + max(changes_w)
    return low_w - near_w <= load_w <= high_w + near_w


def way_givers(scene: Scene) -> list[PlannedStop]:
    """Return what gives way by the plan, now or later; none of units that it does not speak for."""
    plan = scene.plan
    units = speaks_for(plan, scene.state, scene.beliefs.keys(), scene.now)
    if plan is None or not units:
        return []
    fed = graph_of(scene.site).units
    return [
        stop
        for name, stop in plan.stops.items()
        if stop.why is Why.GIVES_WAY
        and name in scene.site.devices
        and fed[name] <= units
        and may_be_stopped(scene.site, name)
    ]


def steadied(before: Plan | None, after: Plan) -> Plan:
    """Return a plan that gives nothing up on its own word alone.

    A single odd reading makes an odd plan, and what was given up stays so until mains returns. What
    is to give way at once, and did not about now by the plan before, is therefore put off until
    another plan agrees.
    """
    if before is not None and before.outage_at != after.outage_at:
        before = None
    stops = {name: _steadied(before, stop, after.made_at) for name, stop in after.stops.items()}
    return replace(after, stops=stops)


def _steadied(before: Plan | None, stop: PlannedStop, made_at: float) -> PlannedStop:
    if stop.why is not Why.GIVES_WAY or stop.on_until_at > made_at + PUT_OFF_S:
        return stop
    earlier = None if before is None else before.stops.get(stop.device)
    if (
        earlier is not None
        and earlier.why is Why.GIVES_WAY
        and earlier.on_until_at <= made_at + _ABOUT_S
    ):
        return stop
    by_s = made_at + PUT_OFF_S - stop.on_until_at
    at_rest_at = stop.at_rest_at + by_s
    return replace(
        stop, on_until_at=made_at + PUT_OFF_S, at_rest_at=at_rest_at, waits_for_second=True
    )


def wants_second(plan: Plan) -> bool:
    """Whether something waits for another plan to agree; see `steadied`."""
    return any(stop.waits_for_second for stop in plan.stops.values())


def lower_left_s(plan: Plan, units: Collection[str], now: float) -> tuple[float, float]:
    """Return how long the last of *units* lasts at least by the plan, s from now, and how sure."""
    courses = [plan.units[unit] for unit in units]
    last = max(courses, key=lambda course: course.lower_s)
    return max(0.0, last.lower_s - (now - plan.made_at)), last.quantile


def stays_until_s(plan: Plan, device: str, now: float) -> float:
    """Return for how long a device stays on by the plan, s from now; inf without end."""
    stop = plan.stops.get(device)
    return math.inf if stop is None else max(0.0, stop.on_until_at - now)
