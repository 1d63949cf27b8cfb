"""What an order by hand may do, whom it takes along, and in which order; refusals as sentences.

The same hands are tied as those of `decide`: nothing reaches what must not be touched, and nothing
stops while something that is not at rest hangs on it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from policies.belief import Belief
from policies.due import due_now
from policies.graph import graph_of, may_be_stopped
from policies.identity import why_it_only_watches
from policies.model import HOLDS_DATA, Reason, Role, Site, Starts
from policies.reasons import names_text
from policies.scene import Scene
from policies.state import DeviceState, Phase, SiteState
from policies.timeline import MARGIN_S, Timeline, timeline

PAUSE_S = 3600.0
"""Length of a pause unless somebody says otherwise."""

PAUSE_MOST_S = 24 * 3600.0
"""No pause is longer: one that is forgotten must not cost the next outage's recordings."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Who is told, or why nobody is.

    Attributes:
        devices: in an order in which each may be told once those before it are done.
        dark: what has nothing to be told, and loses its power or its path with them.
        refusal: a sentence; "" = it may be done.
    """

    devices: tuple[str, ...] = ()
    dark: tuple[str, ...] = ()
    refusal: str = ""


def stop_plan(site: Site, state: SiteState, name: str, *, with_users: bool = False) -> Plan:
    """Return whom a stop by hand tells.

    Args:
        site: what there is.
        state: what is known of it.
        name: a device of *site*.
        with_users: what hangs on it and is not at rest is brought to rest first.
    """
    refusal = why_it_only_watches(state.watches_only) or untouchable(site, name)
    if not refusal and site.devices[name].is_passive:
        refusal = f"nothing in the site's file says how to bring {name} to rest"
    users = [] if refusal else not_at_rest(site, state, name)
    if not refusal:
        refusal = _users_refuse(site, name, users, with_users=with_users)
    if not refusal:
        starting = [n for n in (*users, name) if _is_being_started(site, state, n)]
        if starting:
            refusal = f"{names_text(starting)} is being started just now; stop it once that is done"
    if refusal:
        return Plan(refusal=refusal)
    devices = _before(users, graph_of(site).users)
    dark = {n for each in (*devices, name) for n in graph_of(site).touched_by[each]}
    return Plan(
        devices=(*devices, name), dark=tuple(n for n in site.devices if n in _passive(site, dark))
    )


def start_plan(site: Site, state: SiteState, name: str, *, with_users: bool = False) -> Plan:
    """Return whom a start by hand tells.

    Args:
        site: what there is.
        state: what is known of it.
        name: a device of *site*.
        with_users: what uses it and was stopped by hand is started after it.
    """
    refusal = why_it_only_watches(state.watches_only) or untouchable(site, name)
    if not refusal and state.devices[name].phase is Phase.RESTING:
        refusal = (
            f"{name} is coming to rest just now, and a stop once begun is carried through; start "
            "it once that is done"
        )
    graph = graph_of(site)
    off = [n for n in site.devices if n in graph.uses[name] and not _runs(state.devices[n])]
    if not refusal and off:
        first = _before(off, graph.uses)[0]
        refusal = f"{name} uses {first}, which does not run; start {first} before it"
    if refusal:
        return Plan(refusal=refusal)
    users: list[str] = []
    if with_users:
        users = [
            n
            for n in site.devices
            if n in graph.users[name]
            and state.devices[n].by_hand
            and not untouchable(site, n)
            and state.devices[n].phase is not Phase.RESTING
        ]
    users = [n for n in users if _uses_run(state, graph.uses[n], {name, *users})]
    return Plan(devices=(name, *_before(users, graph.uses)))


def stopped_again(
    site: Site, state: SiteState, name: str, beliefs: Mapping[str, Belief], now: float
) -> Reason | None:
    """Return why a device would be stopped again as soon as it ran; None where it would not.

    Args:
        site: what there is.
        state: what is known of it.
        name: a device of *site*.
        beliefs: as `decide` has them.
        now: site time, s.
    """
    if state.paused_until_at is not None and now < state.paused_until_at:
        return None
    running = replace(state.devices[name], phase=Phase.RUNNING, since_at=now, order=None)
    state = replace(state, devices=MappingProxyType({**state.devices, name: running}))
    course = timeline(site, state, beliefs, now, margin_s=MARGIN_S)
    return due_now(Scene(site, state, beliefs, now, course)).get(name)


def rest_deadline_at(site: Site, name: str, course: Timeline | None, now: float) -> float:
    """Return by when a rest by hand is to have ended: with patience, and before its power goes.

    Args:
        site: what there is.
        name: a device of *site*.
        course: what was decided by last, or None.
        now: site time, s.
    """
    device = site.devices[name]
    patience_at = now + 3.0 * device.rest_s + 60.0
    if course is not None:
        patience_at = min(patience_at, course.bare[name].stop_latest_at)
    return max(now + device.rest_s + MARGIN_S, patience_at)


def start_deadline_at(site: Site, name: str, now: float) -> float:
    """Return by when a start by hand is to have ended; one by somebody's finger takes longer."""
    device = site.devices[name]
    wait_s = device.start_s if device.starts is Starts.BY_ORDER else max(device.start_s, 300.0)
    return now + wait_s + 60.0


def missed_starts(site: Site, state: SiteState, course: Timeline, now: float) -> tuple[str, ...]:
    """Return the devices that run on though the latest safe start of their stop has passed."""
    return tuple(
        name
        for name, slot in course.planned.items()
        if slot.start_latest_at <= now
        and may_be_stopped(site, name)
        and state.devices[name].phase in (Phase.RUNNING, Phase.GIVEN_UP, Phase.NEEDS_HAND)
    )


def untouchable(site: Site, name: str) -> str:
    """Why no order may reach the device, by its file; "" where one may."""
    graph = graph_of(site)
    if site.devices[name].no_touch:
        return f"{name} is on the no-touch list of the site's file: no order may reach it"
    if site.devices[name].role is Role.AGENT_BOX:
        return f"{name} is the box that lastwatt runs on: no order may reach it"
    for other in site.devices:
        if other not in graph.touched_by[name]:
            continue
        if site.devices[other].no_touch:
            return (
                f"{other} is fed or reached through {name}, and is on the no-touch list of the "
                f"site's file: no order may reach {name}"
            )
        if site.devices[other].role is Role.AGENT_BOX:
            return (
                f"lastwatt's own box ({other}) is fed or reached through {name}: no order may "
                f"reach {name}"
            )
    return ""


def not_at_rest(site: Site, state: SiteState, name: str) -> list[str]:
    """What hangs on a device and is not at rest in its eyes, as the file lists it.

    What has nothing to be told and holds no data may lose its power at any time.
    """

    def counts(user: str) -> bool:
        device, known = site.devices[user], state.devices[user]
        if device.is_passive and device.role not in HOLDS_DATA and not device.no_touch:
            return False
        is_dry = known.is_assumed and not site.devices[name].dry_run
        return known.phase is not Phase.AT_REST or is_dry

    return [n for n in site.devices if n in graph_of(site).users[name] and counts(n)]


def _users_refuse(site: Site, name: str, users: Sequence[str], *, with_users: bool) -> str:
    for user in users:
        if not may_be_stopped(site, user):
            why = untouchable(site, user)
            if not why:
                why = f"nothing in the site's file says how to bring {user} to rest"
            return f"{user} hangs on {name}, and {why}"
    if users and not with_users:
        hang, are = ("hangs", "is") if len(users) == 1 else ("hang", "are")
        return (
            f"{names_text(users)} {hang} on {name} and {are} not at rest; bring that to rest "
            "first, or all of it with --with-users"
        )
    return ""


def _is_being_started(site: Site, state: SiteState, name: str) -> bool:
    """Whether a start was sent, which is carried through; one only watched for gives way."""
    is_sent = site.devices[name].starts is Starts.BY_ORDER
    return state.devices[name].phase is Phase.STARTING and is_sent


def _runs(device: DeviceState) -> bool:
    return device.phase is Phase.RUNNING


def _uses_run(state: SiteState, uses: Iterable[str], will_run: Collection[str]) -> bool:
    return all(n in will_run or _runs(state.devices[n]) for n in uses)


def _passive(site: Site, names: Collection[str]) -> set[str]:
    return {n for n in names if site.devices[n].is_passive}


def _before(names: Sequence[str], earlier: Mapping[str, frozenset[str]]) -> list[str]:
    """Return *names* so that each comes after those of them that *earlier* gives for it."""
    return sorted(names, key=lambda name: len(earlier[name].intersection(names)))
