"""What readings and events make of a unit's own output."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from policies.events import (
    AgentStarted,
    BoxLeft,
    BoxStayed,
    Event,
    OutputArmed,
    OutputBegan,
    OutputDropped,
    OutputFailed,
    OutputReturned,
    OutputWithdrawn,
)
from policies.graph import graph_of
from policies.model import Alarm, OutputSource, Reading, Site
from policies.output_state import OutputPhase, OutputState, OutputTask
from policies.supply import UnitState

UNHEARD_S = 25.0
"""A unit that was not heard for so long may have dropped its output, and put it on again."""

OutputEvent = (
    OutputBegan | OutputArmed | OutputWithdrawn | OutputFailed | OutputDropped | OutputReturned
)


def heard(before: UnitState, reading: Reading) -> OutputState:
    """Return what a reading says of whether the output has been on all the time."""
    is_off = reading.output_source is OutputSource.NONE or Alarm.UPS_OUTPUT_OFF in reading.alarms
    is_gap = before.heard_at is None or reading.at - before.heard_at > UNHEARD_S
    return replace(before.output, unsure_at=reading.at) if is_off or is_gap else before.output


def with_outputs(
    site: Site, units: Mapping[str, UnitState], event: Event
) -> Mapping[str, UnitState]:
    """Return the units after an event that says something of their outputs; else the same."""
    match event:
        case (
            OutputBegan(unit=name)
            | OutputArmed(unit=name)
            | OutputWithdrawn(unit=name)
            | OutputFailed(unit=name)
            | OutputDropped(unit=name)
            | OutputReturned(unit=name)
        ) if name in site.units:
            return _changed(units, {name: after(units[name].output, event)})
        case BoxLeft(device=name) | BoxStayed(device=name) if name in site.devices:
            is_final = isinstance(event, BoxLeft)
            fed = graph_of(site).units[name]
            return _changed(units, {n: replace(units[n].output, is_final=is_final) for n in fed})
        case AgentStarted(at=at):  # nobody looked while there was no agent
            return _changed(
                units, {n: replace(unit.output, unsure_at=at) for n, unit in units.items()}
            )
    return units


def _changed(
    units: Mapping[str, UnitState], outputs: Mapping[str, OutputState]
) -> Mapping[str, UnitState]:
    return MappingProxyType(
        {n: replace(u, output=outputs[n]) if n in outputs else u for n, u in units.items()}
    )


def after(before: OutputState, event: OutputEvent) -> OutputState:
    """Return what is known of an output after one of its own events."""
    match event:
        case OutputBegan(at=at, task=task, why=why):
            arms = task is OutputTask.ARM
            phase = OutputPhase.ARMING if arms else OutputPhase.WITHDRAWING
            if before.phase is OutputPhase.STUCK:
                phase = OutputPhase.STUCK  # until it is read back otherwise
            return replace(before, phase=phase, since_at=at, why=why)
        case OutputArmed(at=at, drops_at=drops_at, returns_at=returns_at):
            armed = OutputPhase.ARMED
            return replace(
                before, phase=armed, since_at=at, drops_at=drops_at, returns_at=returns_at
            )
        case OutputWithdrawn(at=at, evidence=evidence):
            return OutputState(
                since_at=at, attempts=before.attempts, why=evidence, unsure_at=before.unsure_at
            )
        case OutputFailed(at=at, evidence=evidence, drops_at=drops_at):
            phase = OutputPhase.ON if drops_at is None else OutputPhase.STUCK
            arms = event.task is OutputTask.ARM
            return replace(
                before,
                phase=phase,
                since_at=at,
                drops_at=drops_at,
                returns_at=None if drops_at is None else before.returns_at,
                attempts=before.attempts + arms,
                why=evidence,
            )
        case OutputDropped(at=at, evidence=evidence):
            return replace(
                before, phase=OutputPhase.DROPPED, since_at=at, why=evidence, unsure_at=at
            )
        case OutputReturned(at=at, evidence=evidence):
            return OutputState(since_at=at, why=evidence, unsure_at=at)
