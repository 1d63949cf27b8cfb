"""The measure of a ride-through: somebody who knows the true battery and the true durations.

He rides a copy of the site at the moment at which mains fails, and begins ten seconds later. To
see what can be saved at all he stops everything at once; to see how long it can go on recording he
begins as late as he can while saving just as much. His conversations succeed where the device
answers and does not refuse; he is never killed, and needs no journal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from agent.simulation.scenario import Manners, is_in
from agent.simulation.truth import Machine, SiteTruth
from policies.graph import graph_of, may_be_stopped, writers_of
from policies.model import HOLDS_DATA, Role

HEAD_START_S = 10.0
"""He begins this long after mains fails."""

_STEP_S = 2.0
"""How often he looks whether somebody can be told who could not be."""

_LATER_TRIES = 4

_FOR_GOOD_S = 1e8
"""What is refused until then is refused for good."""


@dataclass(frozen=True, slots=True)
class Foresight:
    """What he makes of one outage.

    Attributes:
        writing: what held data and was at it when mains failed.
        hurt_idle: what is hurt if nobody does anything.
        saved: what is hurt if nobody does anything, and he brings to rest in time.
        impossible: what he cannot save either.
        recorded_s: for how long each recorder that he saves records in the outage; where nobody has
            to act, each that was at it.
    """

    writing: frozenset[str] = frozenset()
    hurt_idle: frozenset[str] = frozenset()
    saved: frozenset[str] = frozenset()
    impossible: frozenset[str] = frozenset()
    recorded_s: Mapping[str, float] = field(default_factory=dict)


def foresee(
    truth: SiteTruth, manners: Mapping[str, Manners], *, starts_at: float, until: float
) -> Foresight:
    """Return what he makes of an outage.

    Args:
        truth: the site as mains fails; not changed.
        manners: how its devices behave.
        starts_at: when he begins, in loop seconds.
        until: when mains is back everywhere.
    """
    writing = frozenset(name for name, machine in truth.machines.items() if machine.is_writing)
    idle = _Ride(truth, manners, starts_at=math.inf, until=until)
    if not idle.hurt:
        through_s = {name: s for name, s in idle.recorded_s.items() if name in writing}
        return Foresight(writing, recorded_s=through_s)
    best = _Ride(truth, manners, starts_at=starts_at, until=until)
    saved = (idle.hurt.keys() & best.told) - best.hurt.keys()
    impossible = idle.hurt.keys() - saved
    late = best
    end_at = min((idle.hurt[name] for name in saved), default=starts_at)
    latest_at = end_at - max((_chain_s(truth, name) for name in saved), default=0.0) - _STEP_S
    for _ in range(_LATER_TRIES):
        if latest_at <= starts_at:
            break
        ride = _Ride(truth, manners, starts_at=latest_at, until=until)
        if saved.isdisjoint(ride.hurt):
            late = max(late, ride, key=lambda each: sum(each.recorded_s.values()))
            break
        latest_at = starts_at + 0.7 * (latest_at - starts_at)
    recorded_s = {name: late.recorded_s[name] for name in saved if name in late.recorded_s}
    return Foresight(
        writing, frozenset(idle.hurt), frozenset(saved), frozenset(impossible), recorded_s
    )


def recorded_s(truth: SiteTruth, at: float) -> dict[str, float]:
    """Return for how long each recorder has recorded by then, in s."""
    return {
        name: machine.recorded_until(at)
        for name, machine in truth.machines.items()
        if machine.device.role is Role.RECORDER
    }


def _chain_s(truth: SiteTruth, name: str) -> float:
    """How long it takes from the first stop until a device and all that it writes to are off."""
    graph, machines = graph_of(truth.site), truth.machines

    def own_s(machine: Machine) -> float:
        device, build = machine.device, machine.build
        if device.stop_s is None or device.is_cut:
            return build.quiesce_s
        return build.stop_s

    def chain_s(at: str) -> float:
        users = [user for user in graph.users[at] if _is_told(truth, user)]
        return own_s(machines[at]) + max((chain_s(user) for user in users), default=0.0)

    return chain_s(name)


def _is_told(truth: SiteTruth, name: str) -> bool:
    return truth.site.devices[name].role in HOLDS_DATA and may_be_stopped(truth.site, name)


class _Ride:
    """One course of an outage.

    Attributes:
        hurt: what was hurt, and when.
        told: whom he told to stop.
        recorded_s: what each recorder recorded from its beginning on.
    """

    def __init__(
        self, truth: SiteTruth, manners: Mapping[str, Manners], *, starts_at: float, until: float
    ) -> None:
        self._truth = truth.copy()
        self._manners = manners
        self._names = [name for name in truth.site.devices if self._can_be_told(name)]
        self._users = {
            name: [u for u in graph_of(truth.site).users[name] if u in self._names]
            for name in self._names
        }
        self._told: set[str] = set()
        began_at = truth.now
        before_s = recorded_s(self._truth, began_at)
        self.told: set[str] = set()
        at = min(starts_at, until)
        self._truth.advance(at)
        while at < until:
            self._tell(at)
            # Between two events nothing changes but what somebody answers.
            step_at = at + _STEP_S if self._is_owed_anything() else until
            at = min(until, max(self._truth.next_at, at + 1e-3), step_at)
            self._truth.advance(at)
        self.hurt = {
            name: machine.hurt_at
            for name, machine in self._truth.machines.items()
            if machine.hurt_at is not None and machine.hurt_at >= began_at
        }
        self.recorded_s = {
            name: at_end_s - before_s[name]
            for name, at_end_s in recorded_s(self._truth, until).items()
        }

    def _can_be_told(self, name: str) -> bool:
        """Whether anybody ever gets through to it."""
        machine = self._truth.machines[name]
        if machine.device.by_writers:
            site, writers = self._truth.site, writers_of(self._truth.site, name)
            are_cut = all(site.devices[w].is_cut and may_be_stopped(site, w) for w in writers)
            return (
                are_cut
                and bool(writers)
                and _is_told(self._truth, name)
                and not any(self._is_deaf(writer) for writer in writers)
            )
        return _is_told(self._truth, name) and not self._is_deaf(name) and not machine.vanished

    def _is_deaf(self, name: str) -> bool:
        manners = self._manners[name]
        is_deaf = manners.lies or any(end > _FOR_GOOD_S for _, end in manners.refuses)
        return is_deaf

    def _is_owed_anything(self) -> bool:
        machines = self._truth.machines
        return any(name not in self._told and machines[name].is_writing for name in self._names)

    def _tell(self, now: float) -> None:
        """Tell whoever can be told, users first; again whoever came back by itself."""
        for name in self._names:
            machine = self._truth.machines[name]
            if not machine.is_writing or not machine.has_power:
                self._told.discard(name)
                continue
            if name in self._told or any(self._is_waited_for(user) for user in self._users[name]):
                continue
            if machine.device.by_writers:
                self._cut_writers(name)
                continue
            manners = self._manners[name]
            if not self._truth.answers(name) or any(
                is_in(windows, now)
                for windows in (manners.refuses, manners.puts_off, manners.is_mute)
            ):
                continue
            self._told.add(name)
            self.told.add(name)
            if machine.device.stop_s is None or machine.device.is_cut:
                self._truth.quiesce(name)
            else:
                self._truth.stop(name)

    def _cut_writers(self, name: str) -> None:
        """Have no picture come any more to a recorder that nothing can be told."""
        writers = writers_of(self._truth.site, name)
        if not all(any(map(self._truth.answers, self._feeds(each))) for each in writers):
            return
        self._told.add(name)
        self.told.add(name)
        for each in writers:
            self._truth.cut(each)

    def _feeds(self, name: str) -> tuple[str, ...]:
        return tuple(f for f in self._truth.site.devices[name].feeds if f in self._truth.machines)

    def _is_waited_for(self, user: str) -> bool:
        """Whether somebody still writes who can be brought to rest."""
        machine = self._truth.machines[user]
        return machine.is_writing and machine.has_power and not machine.vanished
