"""What truly happened at the virtual site: the measure of what the agent says of itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from agent.virtual.battery import Build
from agent.virtual.machine import Machine, RecordingMachine
from policies.model import HOLDS_DATA, Role
from policies.runtime import LoadStep, ends_after_s

CLAIRVOYANT_STARTS_S = 10.0
"""Who knows everything begins so long after mains failed: the measure of what was possible."""


@dataclass(frozen=True, slots=True)
class DeviceTruth:
    """One device in one outage; times in s from mains failing, None = it did not happen.

    Attributes:
        told_s: it was first told to power off.
        at_rest_s: it came to rest: off in order, or at least quiesced, before its power went.
        lost_s: its power went.
        damage: what was lost with it, "" for nothing.
        possible: whether a clairvoyant would have saved it; True for what has nothing to lose.
        is_running: whether it runs now.
    """

    name: str
    role: Role
    told_s: float | None
    at_rest_s: float | None
    lost_s: float | None
    damage: str
    possible: bool
    is_running: bool


@dataclass(frozen=True, slots=True)
class Truth:
    """One outage.

    Attributes:
        output_end_s: when the battery was empty, in s from mains failing; None = it never was.
        mains_back_s: when mains came back, in s from its failing; None = not yet.
        unattended_end_s: when the battery would have been empty had nobody switched anything off.
        energy_wh: what the battery truly holds when full.
    """

    output_end_s: float | None
    mains_back_s: float | None
    unattended_end_s: float
    energy_wh: float
    devices: tuple[DeviceTruth, ...]


def stop_takes_s(machine: Machine) -> float:
    """Return how long a machine truly takes from the order until it is off, in s."""
    closing_s = machine.files.closing_s if isinstance(machine, RecordingMachine) else 0.0
    return closing_s + machine.nature.stop_s


def unattended_end_s(build: Build, load_w: float) -> float:
    """Return when the full battery is empty under a load that nobody touches, in s."""
    return ends_after_s(build.cells, build.cells.full(), build.inverter, [LoadStep(0.0, load_w)])


def savable(build: Build, machines: Iterable[Machine]) -> frozenset[str]:
    """Return the names of the machines that a clairvoyant brings to rest from a full battery.

    He stops everything that has data to lose, at once, ten seconds after mains failed, and lets
    everything else run on.
    """
    machines = tuple(machines)
    holders = [machine for machine in machines if machine.nature.role in HOLDS_DATA]
    load_w = sum(machine.nature.watts for machine in machines)
    steps = [LoadStep(0.0, load_w)]
    for machine in sorted(holders, key=stop_takes_s):
        load_w += machine.nature.standby_w - machine.nature.watts
        at_s = CLAIRVOYANT_STARTS_S + stop_takes_s(machine)
        if steps[-1].after_s == at_s:
            steps.pop()
        steps.append(LoadStep(at_s, load_w))
    end_s = ends_after_s(build.cells, build.cells.full(), build.inverter, steps)
    lost = {m.nature.name for m in holders if CLAIRVOYANT_STARTS_S + stop_takes_s(m) > end_s}
    return frozenset(machine.nature.name for machine in machines) - lost


def truth_of(machine: Machine, *, failed_at: float, possible: bool) -> DeviceTruth:
    """Return what happened to *machine* in the outage that began at *failed_at*."""
    fate = machine.fate

    def since(at: float | None) -> float | None:
        return None if at is None else at - failed_at

    return DeviceTruth(
        name=machine.nature.name,
        role=machine.nature.role,
        told_s=since(fate.told_at),
        at_rest_s=since(fate.rest_at),
        lost_s=since(fate.lost_at),
        damage=fate.damage,
        possible=possible,
        is_running=machine.is_running,
    )
