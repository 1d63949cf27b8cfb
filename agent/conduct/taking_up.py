"""What an agent makes of the state that an earlier run of it left behind."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from types import MappingProxyType

import structlog

from agent.conduct.conduct import failure_notice
from policies.events import Ending, Event, OrderClosed
from policies.graph import may_be_stopped
from policies.identity import why_it_only_watches
from policies.model import Site, Task
from policies.state import OpenOrder, SiteState
from policies.supply import Supply, UnitState

log = structlog.get_logger()

EXPIRED_AFTER_S = 60.0
"""A rest order is not taken up this long after its deadline: what it was given for has passed."""

HEARD_WITHIN_S = 120.0
"""How long old news of a unit waits for fresh at most: its card may have lost power as well."""


def closing_of(site: Site, opened: OpenOrder, now: float) -> OrderClosed | None:
    """Return how an order that was left open ends; None = it is to be carried on.

    What failed while nobody was there failed at its deadline, so that it may be tried again now.
    """
    order, at = opened.order, now
    device = site.devices[order.device]
    may = may_be_stopped(site, order.device) if order.task is Task.REST else not device.no_touch
    if not opened.steps:
        ending, why = Ending.WITHDRAWN, "the agent was restarted before its first step"
    elif not may:
        ending, why = Ending.FAILED, "the site's file no longer lets it be told anything"
    elif order.task is Task.REST and now > order.deadline_at + EXPIRED_AFTER_S:
        ending, why = Ending.FAILED, "the agent was away when its time ran out"
        at = order.deadline_at
    else:
        return None
    return OrderClosed(at, opened.order_id, order.device, order.task, ending, why)


def taken_up(
    site: Site,
    state: SiteState,
    opened: OpenOrder,
    now: float,
    *,
    go_on: Callable[[OpenOrder], None],
) -> list[Event]:
    """Go on with an order that was left open; or return how it ended, and what people are told.

    Args:
        site: what there is.
        state: as it was left.
        opened: the order.
        now: site time, s.
        go_on: carries it on.
    """
    ended = closing_of(site, opened, now)
    if ended is None and state.watches_only:
        # On a copy of the box this conversation is the original's.
        why = f"it was not gone on with: {why_it_only_watches(state.watches_only)}"
        name, task = opened.order.device, opened.order.task
        return [OrderClosed(now, opened.order_id, name, task, Ending.FAILED, why)]
    if ended is None:
        log.info("resumed_order", device=opened.order.device, order=opened.order_id)
        go_on(opened)
        return []
    if ended.ending is not Ending.FAILED:
        return [ended]
    return [ended, replace(failure_notice(ended), at=now)]


def stale_units(site: Site, state: SiteState, now: float) -> dict[str, float]:
    """Return the units whose last reading is too old to act on, and until when to wait for news.

    An agent that starts after a long outage remembers a battery that was nearly empty then; it
    must not stop a site for that whose mains has long been back.
    """
    return {
        name: now + min(HEARD_WITHIN_S, now - unit.heard_at)
        for name, unit in state.units.items()
        if unit.heard_at is not None and now - unit.heard_at >= site.units[name].lost_after_s
    }


def without_stale(state: SiteState, stale: Collection[str]) -> SiteState:
    """Return the state to decide by while nothing fresh is known of the *stale* units."""
    if not stale:
        return state
    units: Mapping[str, UnitState] = {
        name: replace(
            unit,
            supply=Supply.UNKNOWN,
            sign_at=None,
            signs=0,
            mains_at=None,
            is_low=False,
            countdown_signs=0,
            overload_at=None,
            lost_at=None,
        )
        if name in stale
        else unit
        for name, unit in state.units.items()
    }
    return replace(state, units=MappingProxyType(units))
