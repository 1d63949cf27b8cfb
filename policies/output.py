"""Whether, when and why a unit's own output is switched: last of all, and only over what rests.

RFC 1628 knows one output a unit, no outlets. It is armed once everything that it feeds is at rest,
the agent's own box and its path aside, so that what was halted starts with its power. Nothing in
the standard withdraws a countdown when mains returns; that is decided here too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain

from policies import reasons
from policies.comeback import battery_is_ready, unit_steady_s
from policies.graph import graph_of
from policies.model import HOLDS_DATA, Alarm, Device, OutputControl, Reason, Role, Site, Starts
from policies.output_state import OutputPhase, OutputTask
from policies.reasons import duration_text, names_text
from policies.runtime import LoadStep
from policies.scene import Scene
from policies.state import DeviceState, Phase, SiteState, listed_load_w
from policies.supply import UnitState, belief_of
from policies.timeline import MARGIN_S
from policies.unexplained import measured_of, noise_w

ATTEMPTS = 3
"""How often arming is tried in one outage."""

AGAIN_AFTER_S = 60.0
"""Nothing is armed this soon after it failed, or was withdrawn."""

STARTUP_MARGIN_S = 20.0
"""By so much the startup countdown must be the longer one, when it is read back."""

LOOKED_S = 60.0
"""What is off is looked at every 20 s; two looks make it believed to run again."""

ENDING_S = 120.0
"""A battery whose lower bound is less is at its end."""

_SURE = 0.05
STANDBY_W = 2.0
"""What a stopped machine may go on drawing, for its network card (from memory)."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a unit's output is not to drop now.

    Attributes:
        code: stable word for machines.
        sentence: for the site's owner.
    """

    code: str
    sentence: str


@dataclass(frozen=True, slots=True)
class OutputOrder:
    """What to do to a unit's output, and why."""

    unit: str
    task: OutputTask
    reason: Reason


def output_orders(scene: Scene) -> tuple[OutputOrder, ...]:
    """Return what is to be done now to the outputs that may be switched."""
    orders = []
    for name, unit in scene.site.units.items():
        if unit.output is not None:
            order = _order(scene, name, unit.output)
            if order is not None:
                orders.append(order)
    return tuple(orders)


def _order(scene: Scene, unit: str, control: OutputControl) -> OutputOrder | None:
    match scene.state.units[unit].output.phase:
        case OutputPhase.ON:
            reason = _why_arm(scene, unit, control)
            return None if reason is None else OutputOrder(unit, OutputTask.ARM, reason)
        case OutputPhase.ARMING | OutputPhase.ARMED | OutputPhase.STUCK:
            reason = why_withdraw(scene, unit)
            return None if reason is None else OutputOrder(unit, OutputTask.WITHDRAW, reason)
        case OutputPhase.WITHDRAWING:
            again = reasons.output_withdrawn(scene.state.units[unit].output.why)
            return OutputOrder(unit, OutputTask.WITHDRAW, again)
        case OutputPhase.DROPPED:
            return None


# Arming


def _why_arm(scene: Scene, unit: str, control: OutputControl) -> Reason | None:
    known = scene.state.units[unit]
    halted = _halted(scene.site, scene.state, unit)
    if not halted or known.output.attempts >= ATTEMPTS:
        return None
    if known.output.why and scene.now < known.output.since_at + AGAIN_AFTER_S:
        return None
    if known.is_on_battery:
        if not _holds_are_over(scene, unit, control) or refusals(scene, unit):
            return None
        return reasons.output_armed(
            unit, len(halted), control.drops_after_s, control.drops_after_s + control.off_for_s
        )
    if is_to_cycle(scene, unit):
        return reasons.output_cycled(unit, names_text(_without_means(scene.site, halted)))
    return None


def is_to_cycle(scene: Scene, unit: str) -> bool:
    """Whether mains is back for good, and something stays off unless the output drops once.

    Only where nobody doubts that the output has been on ever since those devices came to rest: one
    that has its power back may be writing by now.
    """
    known = scene.state.units[unit]
    if scene.site.units[unit].output is None or known.output.attempts >= ATTEMPTS:
        return False
    halted = _halted(scene.site, scene.state, unit)
    devices = scene.state.devices
    return (
        bool(_without_means(scene.site, halted))
        and known.supply.has_mains
        and unit_steady_s(known) >= scene.site.mains_steady_s
        and battery_is_ready(scene, [unit])
        and all(devices[name].since_at > known.output.unsure_at for name in halted)
        and not any(devices[name].by_hand for name in halted)
        and not refusals(scene, unit)
    )


def _halted(site: Site, state: SiteState, unit: str) -> list[str]:
    """What the unit feeds, was brought to rest by lastwatt, and is owed its return."""
    fed = graph_of(site).units
    return [
        name
        for name, device in state.devices.items()
        if unit in fed[name] and device.phase is Phase.AT_REST and device.is_ours
    ]


def _without_means(site: Site, names: Iterable[str]) -> list[str]:
    """Those that were powered down, and come back with their power only."""
    devices = site.devices
    return [
        name
        for name in names
        if devices[name].starts is not Starts.BY_ORDER and devices[name].stop_s is not None
    ]


def _holds_are_over(scene: Scene, unit: str, control: OutputControl) -> bool:
    """Whether what is still on has been on as long as its owner wishes, or the battery ends."""
    known, began_at = scene.state.units[unit], scene.state.outage_at
    lower_s = scene.timeline.unit_lower_s.get(unit, 0.0)
    if known.is_low or lower_s <= control.drops_after_s + AGAIN_AFTER_S or began_at is None:
        return True
    fed = graph_of(scene.site).units
    return all(
        scene.now - began_at >= device.hold_s
        for name, device in scene.site.devices.items()
        if unit in fed[name] and scene.state.devices[name].phase is not Phase.AT_REST
    )


# Withdrawing


def why_withdraw(scene: Scene, unit: str) -> Reason | None:
    """Return why an output that is armed must not drop, or None where it may."""
    known = scene.state.units[unit]
    if known.output.is_final:
        return None
    hindering = [r for r in refusals(scene, unit) if r.code not in _PASSING]
    if hindering:
        return reasons.output_withdrawn(hindering[0].sentence)
    halted = _halted(scene.site, scene.state, unit)
    stranded = _without_means(scene.site, halted)
    if known.supply.has_mains and not stranded:
        return reasons.output_withdrawn(
            "mains is back, and everything it feeds can be started without that"
        )
    return None


_PASSING = frozenset({"unit-silent", "unmetered", "not-looked-at", "load-not-read"})
"""What keeps from arming, and is no reason to withdraw: it is not known to be worse than before."""


# Refusing


def refusals(scene: Scene, unit: str) -> tuple[Refusal, ...]:
    """Return every reason that the output of *unit* must not drop now; none = it may."""
    return tuple(
        chain(
            _by_the_site(scene.site, scene.state, unit, scene.now),
            _by_devices(scene.site, scene.state, unit),
            _by_doubt(scene, unit),
            _by_load(scene, unit),
        )
    )


def stays_on(scene: Scene, unit: str) -> tuple[str, ...]:
    """Return why an output that waits for it does not drop yet, in sentences; () = nothing waits.

    It waits once lastwatt has brought something to rest there.
    """
    is_on = scene.state.units[unit].output.phase is OutputPhase.ON
    if scene.site.units[unit].output is None or not is_on:
        return ()
    if not _halted(scene.site, scene.state, unit):
        return ()
    return tuple(dict.fromkeys(refusal.sentence for refusal in refusals(scene, unit)))


def _by_the_site(site: Site, state: SiteState, unit: str, now: float) -> Iterable[Refusal]:
    known = state.units[unit]
    if state.paused_until_at is not None and now < state.paused_until_at:
        yield Refusal("paused", "automatic orders are paused")
    if not _boxes(site):
        yield Refusal("box-unlisted", "the file does not list the box that lastwatt runs on")
    reading = known.reading
    if reading is None or known.silent_at is not None or known.lost_at is not None:
        yield Refusal("unit-silent", f"{unit} does not answer")
    elif Alarm.COMMUNICATIONS_LOST in reading.alarms:
        yield Refusal("unit-silent", f"the card of {unit} has lost touch with the unit itself")
    if known.countdown_signs and known.output.phase is not OutputPhase.STUCK:
        yield Refusal("other-countdown", f"{unit} counts down to something that is not ours")


def _by_devices(site: Site, state: SiteState, unit: str) -> Iterable[Refusal]:
    aside = _aside(site, unit)
    for name in _affected(site, unit):
        device, known = site.devices[name], state.devices[name]
        if device.no_touch:
            yield Refusal("no-touch", f"{name} is on the no-touch list, and would go dark with it")
        elif name in aside or _may_go_dark(device):
            continue
        elif known.phase is Phase.AT_REST and known.is_assumed:
            yield Refusal("dry-run", f"{name} came to rest in a dry run only")
        elif device.dry_run:
            yield Refusal("dry-run", f"{name} is in dry run, and so never at rest")
        elif known.phase is not Phase.AT_REST or known.order is not None:
            yield Refusal("not-at-rest", f"{name} is not at rest ({known.phase.value})")


def _by_doubt(scene: Scene, unit: str) -> Iterable[Refusal]:
    """What came to rest before nobody looked for a while may run again by now."""
    unsure_at = scene.state.units[unit].output.unsure_at
    graph = graph_of(scene.site)
    for name, device in scene.site.devices.items():
        known = scene.state.devices[name]
        if unit not in graph.units[name] or not _could_run_unseen(device, known, unsure_at):
            continue
        if scene.now < unsure_at + device.start_s + LOOKED_S:
            yield Refusal("not-looked-at", f"whether {name} runs again is being looked at")


def _could_run_unseen(device: Device, known: DeviceState, unsure_at: float) -> bool:
    is_down = known.phase is Phase.AT_REST and device.stop_s is not None
    return is_down and known.since_at <= unsure_at


def _by_load(scene: Scene, unit: str) -> Iterable[Refusal]:
    control, known = scene.site.units[unit].output, scene.state.units[unit]
    if known.reading is None or control is None:
        return
    measured = measured_of(scene.site.units[unit], known.reading)
    if measured is None:
        if not control.unmetered:
            yield Refusal("unmetered", f"{unit} does not measure what hangs on it")
        return
    rested = _rested(scene.site, scene.state, unit)
    if known.reading.at <= max((d.since_at for d in rested.values()), default=0.0):
        yield Refusal("load-not-read", f"{unit} has not measured its load since the last one rests")
        return
    listed_w = listed_load_w(scene.site, scene.state, unit)
    spare_w = noise_w(listed_w, measured.step_w) + STANDBY_W * len(rested)
    if measured.watts > listed_w + spare_w:
        yield Refusal(
            "unlisted-load",
            f"{unit} carries {measured.watts:.0f} W, and what the file lists and is still on takes "
            f"{listed_w:.0f} W: something else hangs on it, or something still runs",
        )


def _rested(site: Site, state: SiteState, unit: str) -> dict[str, DeviceState]:
    fed = graph_of(site).units
    return {
        name: device
        for name, device in state.devices.items()
        if unit in fed[name] and device.phase is Phase.AT_REST
    }


def _boxes(site: Site) -> list[str]:
    return [name for name, device in site.devices.items() if device.role is Role.AGENT_BOX]


def _aside(site: Site, unit: str) -> frozenset[str]:
    """The agent's own box, and what leads from it to the unit: needed until the very end."""
    graph = graph_of(site)
    ways = {via for name in site.units for via in site.units[name].path if via in site.devices}
    aside = {*_boxes(site), *ways}
    for name in tuple(aside):
        aside |= graph.uses[name]
    return frozenset(n for n in aside if site.devices[n].role not in HOLDS_DATA)


def _affected(site: Site, unit: str) -> list[str]:
    """What loses its feed or its path with the output, or the agent that looks after it."""
    graph = graph_of(site)
    fed = {name for name in site.devices if unit in graph.units[name]}
    reached = fed.union(*(graph.users[name] for name in fed))
    if fed & _aside(site, unit):
        reached |= graph.stoppable
    return [name for name in site.devices if name in reached]


def _may_go_dark(device: Device) -> bool:
    """Whether there is nothing to tell the device, and nothing to lose."""
    return device.is_passive and device.role not in HOLDS_DATA


# The agent's own box


@dataclass(frozen=True, slots=True)
class Leaving:
    """When the agent's own box is to power itself off, and why.

    Attributes:
        at: site time; the outputs that feed it are to be read back then once more.
        drops_at: when the first of them drops.
        takes_s: what its own power-off takes.
        units: those outputs.
        in_haste: the battery may end before it is off; it goes all the same.
    """

    device: str
    at: float
    drops_at: float
    takes_s: float
    units: tuple[str, ...]
    reason: Reason
    in_haste: bool = False


def box_leaving(site: Site, state: SiteState, now: float) -> Leaving | None:
    """Return when the box powers itself off; None while its power is not known to come back.

    It does so only if every output that feeds it is armed, since a box that is off starts when its
    power comes, and only then. It goes as late as it can: until then all can be withdrawn.
    """
    graph = graph_of(site)
    for name in _boxes(site):
        device, units = site.devices[name], tuple(sorted(graph.units[name]))
        outputs = [state.units[unit].output for unit in units]
        if device.stop_s is None or name in graph.on_mains or not outputs:
            continue
        drops = [o.drops_at for o in outputs if o.drops_at is not None]
        if len(drops) < len(outputs) or any(o.phase is not OutputPhase.ARMED for o in outputs):
            continue
        drops_at, takes_s = min(drops), device.stop_s
        is_low = any(state.units[unit].is_low for unit in units)
        at = now if is_low else drops_at - takes_s - MARGIN_S
        reason = reasons.box_leaves(names_text(units), takes_s)
        return Leaving(name, at, drops_at, takes_s, units, reason, in_haste=is_low)
    return None


def box_waits(site: Site, state: SiteState, now: float) -> bool:
    """Return whether the agent's own box may lose its power any moment, and stays on for it.

    So it is on battery, its battery is at its end or not heard of, and all that could be told is.
    """
    graph = graph_of(site)
    for name in _boxes(site):
        units = [state.units[unit] for unit in graph.units[name]]
        if not units or name in graph.on_mains or not all(u.is_on_battery for u in units):
            continue
        is_ending = all(
            u.is_low
            or (u.lost_at is not None)
            or belief_of(site.units[n], u, now).end_after_s(
                [LoadStep(0.0, listed_load_w(site, state, n))], _SURE
            )
            <= ENDING_S
            for n, u in zip(graph.units[name], units, strict=True)
        )
        at_work = (Phase.RESTING, Phase.RUNNING)
        is_told = not any(
            device.phase in at_work and other in graph.stoppable
            for other, device in state.devices.items()
        )
        if is_ending and is_told:
            return True
    return False


# What a reading says of it


@dataclass(frozen=True, slots=True)
class Seen:
    """What became of an output that was armed, and how that is known."""

    is_on: bool
    evidence: str


def what_became(unit: UnitState, control: OutputControl, now: float) -> Seen | None:
    """Return whether an armed output has dropped (False), or is on beyond its time (True).

    None while that is not known, or not due.
    """
    output, reading = unit.output, unit.reading
    if output.drops_at is None or reading is None or now < output.drops_at:
        return None
    if output.unsure_at > output.drops_at - MARGIN_S and output.unsure_at > output.since_at:
        late = now - output.drops_at
        return Seen(False, f"it was to drop {duration_text(late)} ago, and nobody could look then")
    if reading.at >= output.drops_at + min(20.0, control.off_for_s - MARGIN_S):
        return Seen(True, "its output was to drop by now, and is still on")
    return None
