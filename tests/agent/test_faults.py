"""Drawn outages with drawn faults: whatever devices, disk and agent do, these things hold."""

from __future__ import annotations

import functools
import random
from collections.abc import Callable
from typing import Any

import pytest

from drivers.base import Act, Repeat
from policies.events import DeviceSeen, Ending, Event, OrderClosed, StepBegan, StepEnded
from policies.state import Phase, fold, initial
from tests.agent import machines
from tests.agent.benches import ScriptedKeeper
from tests.agent.machines import REST_ACTS, Machine
from tests.agent.yards import ACTS, Yard

NAMES = ("yard switch", "gate recorder", "desk")
LOOKING = [machines.silent, machines.refuse, machines.garble, machines.hang, machines.fail]
TELLING = [
    *LOOKING, machines.busy, machines.drop_after, machines.drop_before, machines.lie,
    machines.hang_after_sending, machines.give_up, machines.return_nothing,
]  # fmt: skip
"""What may go wrong; those who look may fail to see, but do not lie about what they see."""


class Witness(list[Event]):
    """Hears every event as it is folded, and checks it against the truth."""

    def __init__(self, yard: Yard) -> None:
        super().__init__()
        self.yard = yard
        self.faults: list[str] = []

    def append(self, event: Event) -> None:
        super().append(event)
        on = {name for name, machine in self.yard.machines.items() if machine.is_on}
        match event:
            case OrderClosed(device=name, ending=Ending.AT_REST) if name in on - {"yard switch"}:
                # The switch may reboot while it is watched go, which looks the same.
                self.faults.append(f"{name} is called at rest at {event.at} and is on")
            case StepBegan(device="yard switch", act="stop") if on & {"gate recorder", "desk"}:
                self.faults.append(f"the switch is told at {event.at}, and {on} are on")


def drawn(seed: int) -> tuple[Yard, random.Random]:
    """Draw what each device does at each of its acts, and whether the journal works."""
    chance = random.Random(seed)
    yard = Yard(acts={**ACTS, "gate recorder": {**REST_ACTS, Act.STOP: chance.choice([*Repeat])}})
    for name in NAMES:
        driver = yard.scripted[name]
        for act in driver.acts:
            pool = LOOKING if act.value.startswith("confirm") else TELLING
            if act is Act.CONFIRM_RUNNING:
                pool = [machines.refuse, machines.garble]  # no silence of what is there
            for _ in range(chance.choice([0, 0, 1, 3])):
                driver.script[act].append(chance.choice([machines.honest, *pool]))
    yard.keeper.takes_s = chance.choice([0.0, 0.0, 0.5])
    yard.keeper.works = chance.random() < 0.8
    yard.heard = Witness(yard)
    return yard, chance


async def restart(yard: Yard, *, away_s: float) -> None:
    """Kill the agent, and start it from what it had written."""
    durable = yard.keeper
    await yard.kill()
    await yard.clock.advance(away_s)
    state: Any = initial(yard.site)
    yard.start(functools.reduce(lambda s, e: fold(yard.site, s, e), durable.events, state))
    after: ScriptedKeeper = yard.keeper
    after.events += durable.events


def reboot(switch: Machine) -> None:
    """The switch has a bad moment of its own, if it is on at all."""
    if switch.is_on:
        switch.power_on()


async def ride(yard: Yard, chance: random.Random) -> None:
    """An outage of a drawn length, a low battery perhaps, a crash or three."""
    moments: list[tuple[float, Callable[[], object] | None]] = [
        (25.0, yard.fail_mains),
        (25.0 + chance.uniform(60, 900), yard.return_mains),
    ]
    if chance.random() < 0.5:
        moments.append((chance.uniform(40, 400), lambda: yard.low.add("cabinet")))
    switch = yard.machines["yard switch"]
    if chance.random() < 0.5:
        switch.start_s = chance.uniform(5.0, 90.0)
        moments.append((chance.uniform(60, 200), functools.partial(reboot, switch)))
    moments += [(chance.uniform(10, 1500), None) for _ in range(chance.choice([0, 1, 3]))]
    yard.start()
    for at, happen in sorted(moments, key=lambda moment: moment[0]):
        await yard.clock.advance(max(0.0, 1000.0 + at - yard.clock.monotonic()))
        if happen is None:
            await restart(yard, away_s=chance.choice([0.0, 3.0, 50.0, 700.0]))
        else:
            happen()
    await yard.clock.advance(2500.0)


@pytest.mark.parametrize("seed", range(60))
async def test_whatever_fails_nothing_worse_comes_of_it(seed: int) -> None:
    """No false rest, no switch stopped too soon, no order left open, nothing sent twice."""
    yard, chance = drawn(seed)
    await ride(yard, chance)
    events = yard.keeper.events
    witness = yard.heard
    assert isinstance(witness, Witness)

    assert not witness.faults, witness.faults
    assert not yard.running.done()
    opened = {n for n, d in yard.engine.state.devices.items() if d.order is not None}
    assert opened == yard.engine.conductor.busy == frozenset()
    settled = {Phase.RUNNING, Phase.NEEDS_HAND, Phase.AT_REST, Phase.GIVEN_UP}
    assert set(yard.phases.values()) <= settled
    for name in NAMES:
        check_never(yard, events, name)
    await yard.stop()
    await yard.clock.advance(7200.0)


def check_never(yard: Yard, events: list[Event], name: str) -> None:
    """What must never be repeated is not sent again before it is known what came of it."""
    doubtful: set[str] = set()
    acts = yard.scripted[name].acts
    for event in events:
        match event:
            case OrderClosed(device=device, ending=ending) if device == name:
                if ending in (Ending.AT_REST, Ending.RUNNING):
                    doubtful.clear()
            case StepBegan(device=device, act=act) if device == name:
                if acts[Act(act)] is Repeat.NEVER:
                    assert act not in doubtful, f"{name}: {act} again at {event.at}"
                    doubtful.add(act)
            case StepEnded(device=device, act=act, verdict=verdict) if device == name:
                if verdict in ("refused", "no answer", "not yet"):
                    doubtful.discard(act)
            case DeviceSeen(device=device) if device == name:
                doubtful.clear()
