"""What to tell which device now: the same orders for the same input, always.

An order goes out when it is due and its device is free. It is due by the owner's own thresholds,
by the latest safe start that holds beneath them, by a battery that says it is low, or because it
has to give way; it is free when everything that needs it, is fed by it or is reached through it is
at rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from policies.belief import Belief
from policies.comeback import START_RETRY_AFTER_S, starts_now
from policies.cut_unproven import is_cut_wanted
from policies.due import due_now
from policies.graph import graph_of, may_be_stopped
from policies.left_off import LeftOff, left_off
from policies.model import HOLDS_DATA, Order, Reason, Site, Starts, Task
from policies.output import OutputOrder, is_to_cycle, output_orders
from policies.plan import Plan
from policies.plan_use import way_givers
from policies.scene import RETRY_AFTER_S, Scene
from policies.short import IN_SHORT, Short, goes_unverified
from policies.state import Phase, SiteState
from policies.supply import belief_of
from policies.timeline import MARGIN_S, Timeline, timeline

RETRIES = 5
_LONGEST_WAIT_S = 30.0


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do now.

    Attributes:
        orders: what holds data first, by falling worth; the rest after.
        wake_at: when to decide again at the latest, even if nothing is heard; site time, s.
        timeline: what it was decided by.
        outputs: what to do to the units' own outputs.
        due: devices that are to be brought to rest, told already or not.
        left_off: devices that stay off though mains is back, and what to see to.
    """

    orders: tuple[Order, ...]
    wake_at: float
    timeline: Timeline
    outputs: tuple[OutputOrder, ...] = ()
    due: frozenset[str] = frozenset()
    left_off: tuple[LeftOff, ...] = ()


def beliefs_of(site: Site, state: SiteState, now: float) -> dict[str, Belief]:
    """Return the simple belief of every unit that runs on battery."""
    return {
        name: belief_of(site.units[name], unit, now)
        for name, unit in state.units.items()
        if unit.is_on_battery
    }


def decide(
    site: Site,
    state: SiteState,
    beliefs: Mapping[str, Belief],
    now: float,
    plan: Plan | None = None,
) -> Decision:
    """Return the orders of this moment.

    Args:
        site: the site's file; with every device in dry run, this is a rehearsal.
        state: the fold of the journal.
        beliefs: one for each unit on battery, and for no other.
        now: site time, s.
        plan: the last one that was made, if any. What it is too old for, or does not speak for,
            goes by the plain rule; beneath both the latest safe start holds.
    """
    course = timeline(site, state, beliefs, now, margin_s=MARGIN_S)
    scene = Scene(site, state, beliefs, now, course, plan)
    orders: list[Order] = []
    due: Mapping[str, Reason] = {}
    is_paused = state.paused_until_at is not None and now < state.paused_until_at
    if not is_paused and not state.watches_only:
        due = due_now(scene)
        orders = [*_rests(scene, due), *starts_now(scene, held=_held(scene), due=due)]
    assert all(order.deadline_at > now for order in orders), "no deadline lies before now"
    assert all(may_be_stopped(site, o.device) for o in orders if o.task is Task.REST)
    # A countdown is withdrawn in a pause too: that undoes an automatic order. On a copy of the
    # box it would be the original's.
    outputs = () if state.watches_only else output_orders(scene)
    return Decision(
        tuple(orders), _wake_at(scene), scene.timeline, outputs, frozenset(due), left_off(scene)
    )


def _held(scene: Scene) -> frozenset[str]:
    """The units whose outputs are about to drop, or are off: nothing is started behind them."""
    return frozenset(
        name
        for name, unit in scene.state.units.items()
        if unit.output.is_pending or is_to_cycle(scene, name)
    )


def _rests(scene: Scene, due: Mapping[str, Reason]) -> list[Order]:
    orders = [
        _rest(scene, name, reason)
        for name, reason in due.items()
        if _wants_order(scene, name, reason) and _is_free(scene, name, reason)
    ]

    def rank(order: Order) -> tuple[bool, float, str]:
        device = scene.site.devices[order.device]
        return device.role not in HOLDS_DATA, -device.worth, order.device

    return sorted(orders, key=rank)


def _rest(scene: Scene, name: str, reason: Reason) -> Order:
    device = scene.site.devices[name]
    needed_s = device.rest_s + MARGIN_S
    patience_at = scene.now + 3.0 * device.rest_s + 60.0
    deadline_at = max(
        scene.now + needed_s, min(scene.timeline.bare[name].stop_latest_at, patience_at)
    )
    return Order(name, Task.REST, deadline_at, reason, in_short=reason.code in IN_SHORT)


def _wants_order(scene: Scene, name: str, reason: Reason) -> bool:
    """Whether an order is to be given, or a running one hurried; not what is under way already."""
    state = scene.state.devices[name]
    match state.phase:
        case Phase.RUNNING | Phase.NEEDS_HAND:
            return True
        case Phase.RESTING:
            return reason.code in IN_SHORT and not state.in_short
        case Phase.STARTING:
            # A start that was sent is carried through first; one only watched for gives way.
            return scene.site.devices[name].starts is not Starts.BY_ORDER
        case Phase.AT_REST:
            # Rehearsed only: it is still on, and a device that runs live wants the order.
            return state.is_assumed and not scene.site.devices[name].dry_run
        case Phase.GIVEN_UP:
            rested_s = scene.now - state.since_at
            # One try is kept for the last moment, when a refused one is tried again, too.
            is_last = scene.now >= scene.timeline.bare[name].start_latest_at
            most = RETRIES + 1 if is_last or reason.code in IN_SHORT else RETRIES
            if rested_s < RETRY_AFTER_S:
                return False
            return state.attempts < most or is_cut_wanted(scene, name)


def _is_free(scene: Scene, name: str, reason: Reason) -> bool:
    """Whether nothing that still has to be told or written hangs on the device.

    At its own last moment a device that holds data no longer waits for one that was given up, that
    is still coming to rest, or that no order may ever reach: waiting would lose both. A switch
    waits for ever, since stopping it saves nothing.
    """
    device = scene.site.devices[name]
    short = _short(scene, name, reason)
    is_last = short >= Short.IN_SHORT
    for other in graph_of(scene.site).users[name]:
        user, state = scene.device(other)
        if scene.is_at_rest_for(other, name):
            continue
        if user.is_passive and user.role not in HOLDS_DATA and not user.no_touch:
            continue
        if not user.no_touch and not scene.goes_with(other, name):
            continue
        if state.phase is Phase.RESTING and goes_unverified(user, device, short):
            continue
        is_past_telling = state.phase is Phase.GIVEN_UP or not may_be_stopped(scene.site, other)
        if not (is_past_telling and is_last and device.role in HOLDS_DATA):
            return False
    return True


def _short(scene: Scene, name: str, reason: Reason) -> Short:
    if scene.now >= scene.timeline.bare[name].start_latest_at:
        return Short.LAST
    return Short.IN_SHORT if reason.code in IN_SHORT else Short.AMPLE


def _wake_at(scene: Scene) -> float:
    """The next moment at which waiting alone can make something due."""
    at = [scene.now + _LONGEST_WAIT_S]
    at += [slot.start_latest_at for slot in scene.timeline.planned.values()]
    for name, device in scene.site.devices.items():
        wish = device.stop_when
        if wish is not None and wish.on_battery_for_s is not None:
            at += [
                unit.on_battery_at + wish.on_battery_for_s
                for unit in (scene.state.units[u] for u in graph_of(scene.site).units[name])
                if unit.on_battery_at is not None
            ]
        state = scene.state.devices[name]
        if state.phase in (Phase.GIVEN_UP, Phase.NEEDS_HAND):
            at += [state.since_at + RETRY_AFTER_S, state.since_at + START_RETRY_AFTER_S]
    for unit in scene.state.units.values():
        if unit.mains_at is not None:
            at.append(unit.mains_at + scene.site.mains_steady_s)
    at += [stop.on_until_at for stop in way_givers(scene)]
    return min(moment for moment in at if moment > scene.now)
