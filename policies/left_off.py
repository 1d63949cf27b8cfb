"""What stays off though mains is back, since what feeds it gives no power; and what to see to.

A unit whose battery ran empty may keep its output off when mains returns, or never answer again;
nothing is told to start behind it then, and nothing would ever be heard of what it feeds. That it
is not merely the outage that goes on is known by another unit, which had lost mains too and has had
it back for long, or by its own battery, which fills again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from policies.comeback import unit_steady_s
from policies.graph import graph_of
from policies.model import Alarm, OutputSource
from policies.reasons import duration_text
from policies.scene import Scene
from policies.seen import believable_charge
from policies.state import Phase
from policies.supply import Supply, UnitState

AFTER_S = 600.0
"""Mains must have been steady for so long elsewhere: many a unit charges for a while before it puts
its output on, or takes minutes to start."""

FILLED = 0.25
"""A battery that holds so much more than when it was last on battery is being charged: what a gauge
regains when the load goes is less (from memory; 0.05 to 0.20 for one that goes by volts)."""

_OFF = frozenset({Alarm.UPS_OUTPUT_OFF, Alarm.UPS_SYSTEM_OFF})


@dataclass(frozen=True, slots=True)
class LeftOff:
    """A device that was brought to rest, is to be brought back, and has no power to come back with.

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
    return tuple(_left_off(scene, away, dark)) if dark else ()


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
                f"{name} stays off: {unit}, {feeds}, {dark[unit].what}, though "
                f"{dark[unit].known_by}. {dark[unit].advice}; {name} is brought back once all has "
                "power"
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
