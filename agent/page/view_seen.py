"""The agent at one moment, as the page tells it: everything a part of the page is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from agent.moment import shown
from agent.page.door import Door
from policies.graph import may_be_stopped
from policies.model import HOLDS_DATA, Site
from policies.plan import Plan
from policies.plan_use import is_fresh
from policies.reasons import duration_text
from policies.state import Phase, SiteState

_MINUTE_S = 60.0
_ROUGH_FROM_S = 120.0


@dataclass(frozen=True, slots=True)
class Seen:
    """The agent at one moment.

    Attributes:
        shown: the document of `lastwatt status`.
        plan: the plan that is acted on, None where there is none or it is too old.
        ahead: on mains, the plan of an outage that begins when it was made; else None.
        now: site time, s; utc: the same moment by the wall clock.
        zone: the site's.
        quantiles: unit -> how often its battery may end before its lower bound.
    """

    site: Site
    state: SiteState
    shown: Mapping[str, Any]
    plan: Plan | None
    ahead: Plan | None
    now: float
    utc: datetime
    zone: ZoneInfo
    dry_run: bool
    quantiles: Mapping[str, float]

    def local(self, in_s: float) -> datetime:
        """Return the site's local time so many seconds from now."""
        return (self.utc + timedelta(seconds=in_s)).astimezone(self.zone)

    def clock(self, in_s: float, *, with_seconds: bool = False) -> str:
        """Return that time for people: "17:54", with the day where it is another one."""
        at, today = self.local(in_s), self.local(0.0).date()
        text = shown(at, "%H:%M:%S" if with_seconds else "%H:%M")
        return text if at.date() == today else f"{at:%a} {at.day} {at:%b} {text}"

    def since(self, at: float) -> str:
        """Return a past or coming site time for people."""
        return self.clock(at - self.now)


def seen_of(door: Door, *, ahead: Plan | None) -> Seen:
    """Return the agent as it is now.

    Args:
        door: the agent.
        ahead: the plan of an outage that would begin about now, if one was made.
    """
    engine, now = door.engine, door.clock.monotonic()
    plan = door.plan()
    if plan is not None and not is_fresh(plan, engine.state, now):
        plan = None
    in_outage = engine.state.outage_at is not None
    beliefs = engine.beliefs(now) if in_outage else {}
    courses = {} if ahead is None else ahead.units
    return Seen(
        site=engine.site,
        state=engine.state,
        shown=door.status(),
        plan=plan,
        ahead=None if in_outage else ahead,
        now=now,
        utc=door.clock.utc(),
        zone=door.zone,
        dry_run=door.dry_run,
        quantiles={
            **{name: course.quantile for name, course in courses.items()},
            **{name: belief.bound_quantile for name, belief in beliefs.items()},
        },
    )


def in_order(seen: Seen) -> list[Mapping[str, Any]]:
    """Return the devices of `shown`: what needs somebody, what holds data, what obeys, the rest."""

    def rank(shown: Mapping[str, Any]) -> tuple[bool, bool, bool]:
        name, phase = shown["name"], shown["phase"]
        return (
            phase not in (Phase.NEEDS_HAND.value, Phase.GIVEN_UP.value),
            seen.site.devices[name].role not in HOLDS_DATA,
            not may_be_stopped(seen.site, name),
        )

    return sorted(seen.shown["devices"], key=rank)


def about(seconds: float) -> str:
    """Return a duration that does not change with every second: whole minutes, rounded down."""
    if seconds < _ROUGH_FROM_S or math.isinf(seconds):
        return duration_text(10.0 * math.floor(seconds / 10.0) if seconds < math.inf else seconds)
    return duration_text(_MINUTE_S * math.floor(seconds / _MINUTE_S))
