"""What stays off though mains is back: its unit gives no power, or its battery does not fill.

A unit whose battery ran empty may keep its output off when mains returns, or never answer again;
nothing is told to start behind it then, and nothing would ever be heard of what it feeds. That it
is not merely the outage that goes on is known by another unit, which had lost mains too and has had
it back for long, or by its own battery, which fills again. And a battery that does not come to hold
what one more orderly stop takes would keep everything off for ever.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from policies.comeback import battery_is_ready, unit_steady_s
from policies.graph import graph_of
from policies.model import Alarm, OutputSource, Starts
from policies.reasons import duration_text, names_text
from policies.scene import Scene, charge_of
from policies.seen import believable_charge
from policies.state import Phase, SiteState
from policies.supply import Supply, UnitState

AFTER_S = 600.0
"""Mains must have been steady for so long elsewhere: many a unit charges for a while before it puts
its output on, or takes minutes to start."""

FILLED = 0.25
"""A battery that holds so much more than when it was last on battery is being charged: what a gauge
regains when the load goes is less (from memory; 0.05 to 0.20 for one that goes by volts)."""

FILLS_WITHIN_S = 3 * 3600.0
"""On mains for so long, a battery that still holds too little wants to be looked at: chargers of
such units take 4 to 8 h for nearly all of it (from memory)."""

_OFF = frozenset({Alarm.UPS_OUTPUT_OFF, Alarm.UPS_SYSTEM_OFF})


@dataclass(frozen=True, slots=True)
class LeftOff:
    """A device that was told to rest, is to be brought back, and is not started for long.

    Attributes:
        text: the sentence that a person is told.
    """

    device: str
    text: str


def left_off(scene: Scene) -> tuple[LeftOff, ...]:
    """Return what stays off though mains is back, in the order of the site's file."""
    state, now = scene.state, scene.now
    if state.paused_until_at is not None and now < state.paused_until_at:
        return ()
    if state.watches_only:
        return ()
    away = [
        name
        for name, device in state.devices.items()
        if device.is_ours
        and not device.by_hand
        and not device.is_assumed
        and device.phase in (Phase.AT_REST, Phase.GIVEN_UP)
    ]
    if not away:
        return ()
    dark = dict(_dark_units(scene))
    found = {each.device: each for each in _left_off(scene, away, dark)} if dark else {}
    found |= {each.device: each for each in _waiting(scene, away) if each.device not in found}
    return tuple(found[name] for name in away if name in found)


def _waiting(scene: Scene, away: list[str]) -> Iterator[LeftOff]:
    """Yield what waits for a battery that has had the time to fill, and did not."""
    fed_by, ready = graph_of(scene.site).units, dict[frozenset[str], bool]()
    for name in away:
        fed = fed_by[name]
        steady_s = max((unit_steady_s(scene.state.units[unit]) for unit in fed), default=0.0)
        if steady_s < FILLS_WITHIN_S:
            continue
        if fed not in ready:
            ready[fed] = battery_is_ready(scene, fed)
        if not ready[fed]:
            yield LeftOff(name, _too_empty(scene, name, fed, steady_s))


def _too_empty(scene: Scene, name: str, fed: frozenset[str], steady_s: float) -> str:
    charge, wanted = charge_of(scene.state, fed), scene.site.return_charge
    holds = "does not hold enough for one more orderly stop"
    if charge is not None:
        holds = f"holds {charge:.0%}, and {wanted:.0%} are wanted before it is started"
    is_ordered = scene.site.devices[name].starts is Starts.BY_ORDER
    by_hand = f'; lastwatt start "{name}" starts it all the same' if is_ordered else ""
    return (
        f"{stays_text(scene.state, name)}: after {duration_text(steady_s)} on mains the battery of "
        f"{names_text(sorted(fed))} {holds}. See whether it is charged, and how old it is{by_hand}"
    )


def stays_text(state: SiteState, name: str) -> str:
    """Return what becomes of a device for now; one that was given up may run, or be off."""
    if state.devices[name].phase is Phase.GIVEN_UP:
        return f"{name}, which did not come to rest in order, is not started again"
    return f"{name} stays off"


def _then(scene: Scene, name: str) -> str:
    if scene.site.devices[name].starts is Starts.BY_HAND:
        return f"{name} is to be started by hand once all has power"
    return f"{name} is brought back once all has power"


@dataclass(frozen=True, slots=True)
class _Dark:
    """A unit that gives no power: what it does, how it is known that mains is back, what to do."""

    what: str
    known_by: str
    advice: str


def _left_off(scene: Scene, away: list[str], dark: Mapping[str, _Dark]) -> Iterator[LeftOff]:
    graph = graph_of(scene.site)
    for name in away:
        for at in (name, *sorted(graph.uses[name])):
            fed = graph.units[at]
            if not fed or at in graph.on_mains or not fed <= dark.keys():
                continue
            unit = min(fed)
            feeds = "which feeds it" if at == name else f"which feeds {at}, and that it needs"
            text = (
                f"{stays_text(scene.state, name)}: {unit}, {feeds}, {dark[unit].what}, though "
                f"{dark[unit].known_by}. {dark[unit].advice}; {_then(scene, name)}"
            )
            yield LeftOff(name, text)
            break


def _dark_units(scene: Scene) -> Iterator[tuple[str, _Dark]]:
    for name, unit in scene.state.units.items():
        wrong = _what_is_wrong(name, unit)
        known_by = "" if wrong is None else _why_mains_is_back(scene, unit)
        if wrong is not None and known_by:
            what, advice = wrong
            yield name, _Dark(what, known_by, advice)


def _what_is_wrong(name: str, unit: UnitState) -> tuple[str, str] | None:
    """What keeps a unit from giving power, and what to do; None where nothing does, or nothing new.

    One that says that it runs on its battery has told of its outage already. An output that is off
    as lastwatt armed it is looked after elsewhere.
    """
    if unit.supply.has_mains or unit.sign_at is not None or unit.output.is_pending:
        return None
    if unit.lost_at is not None:
        return "does not answer", f"See whether {name} is on, and has mains"
    if unit.reading is None:
        return None
    if unit.reading.output_source is OutputSource.NONE or _OFF & unit.reading.alarms:
        restart = "see that its automatic restart (upsAutoRestart) is on for the next time"
        return "keeps its output off", f"Put the output of {name} on, and {restart}"
    if unit.supply is Supply.UNKNOWN:
        return f"cannot be judged ({unit.why})", f"See whether the output of {name} is on"
    return None


def _why_mains_is_back(scene: Scene, unit: UnitState) -> str:
    """By what it is known that mains is back, as a half sentence; "" where it is not."""
    away_at = unit.on_battery_at if unit.on_battery_at is not None else unit.since_at
    for name, other in scene.state.units.items():
        steady_s = unit_steady_s(other)
        if other.mains_at is None or other.mains_at < away_at:
            continue  # it never went there: this is one circuit's own outage
        if steady_s >= max(AFTER_S, scene.site.mains_steady_s):
            return f"mains has been back at {name} for {duration_text(steady_s)}"
    return _why_it_fills(unit)


def _why_it_fills(unit: UnitState) -> str:
    course, reading = unit.battery.discharge, unit.reading
    if course is None or reading is None or unit.lost_at is not None:
        return ""
    charge, was = believable_charge(reading), course.last.charge
    if charge is None or was is None or charge - was < FILLED:
        return ""
    return f"its battery fills again, from {was:.0%} to {charge:.0%}"
