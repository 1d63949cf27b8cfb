"""The agent killed at every point between two journal entries: the end is the same."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Mapping
from dataclasses import dataclass

import pytest

from drivers.base import Act, Repeat
from policies.events import AgentStarted, Event, ReadingTaken, StepBegan
from policies.state import Phase, SiteState, fold, initial
from tests.agent.benches import ScriptedKeeper, notices
from tests.agent.machines import REST_ACTS
from tests.agent.yards import ACTS, Yard
from tests.fakes import FakeClock

LOOKED_AT = {
    **ACTS,
    "desk": {act: repeat for act, repeat in REST_ACTS.items() if "quiesce" not in act},
    "gate recorder": {**REST_ACTS, Act.STOP: Repeat.SAFE, Act.QUIESCE: Repeat.LOOK_FIRST},
}
"""Nothing here must never be repeated, so that every crash can be healed."""

Acts = Mapping[str, Mapping[Act, Repeat]]

NAMES = ("yard switch", "gate recorder", "desk")
OUTAGE_AT, MAINS_BACK_AT, OVER_AT = 1030.0, 1700.0, 2300.0


class MortalKeeper(ScriptedKeeper):
    """A journal that dies, and its agent with it, at a given entry: before or after its answer."""

    def __init__(self, clock: FakeClock, *, entries: int, answers: bool) -> None:
        super().__init__(clock)
        self.entries = entries
        self.answers = answers

    @property
    def is_dead(self) -> bool:
        return len(self.events) == self.entries

    async def commit(self, *events: Event) -> bool:
        was_dead = self.is_dead
        self.note(*events)
        if was_dead or (self.is_dead and not self.answers):
            await asyncio.get_running_loop().create_future()
        return True

    def note(self, *events: Event) -> None:
        self.events += events[: self.entries - len(self.events)]


@dataclass
class Ending:
    """What a ride-through came to."""

    yard: Yard
    events: list[Event]
    phases: dict[str, Phase]


async def ride(yard: Yard) -> None:
    """Mains fails; it returns a little after everything is off, or late."""
    clock = yard.clock
    await clock.sleep(OUTAGE_AT - clock.monotonic())
    yard.fail_mains()
    while clock.monotonic() < MAINS_BACK_AT and any(yard.machines[n].is_on for n in NAMES):
        await clock.sleep(1.0)
    await clock.sleep(25.0)
    yard.return_mains()


async def ride_through(acts: Acts, *, entries: int, answers: bool, away_s: float) -> Ending:
    """Ride through an outage with an agent that dies at its nth entry, and is started again."""
    yard = Yard(acts=acts)
    mortal = yard.keeper = MortalKeeper(yard.clock, entries=entries, answers=answers)
    riding = asyncio.create_task(ride(yard))
    yard.start()
    while not mortal.is_dead and yard.clock.monotonic() < OVER_AT:
        await yard.clock.advance(1.0)
    await yard.kill()
    state = functools.reduce(
        lambda state, event: fold(yard.site, state, event), mortal.events, initial(yard.site)
    )
    assert isinstance(state, SiteState)
    await yard.clock.advance(away_s)
    yard.start(state)

    def is_over() -> bool:
        is_back = riding.done() and yard.are_all(Phase.RUNNING)
        return is_back or yard.clock.monotonic() >= OVER_AT

    await yard.until(is_over, within_s=OVER_AT, step_s=20.0)
    assert riding.done()
    assert not yard.running.done()
    await yard.stop()
    return Ending(yard, [*mortal.events, *yard.keeper.events], dict(yard.phases))


@functools.cache
def whole(kind: str) -> list[Event]:
    """Return the entries of a ride-through without a crash."""
    acts: Acts = {"looked at": LOOKED_AT, "never": ACTS}[kind]
    return asyncio.run(ride_through(acts, entries=10**6, answers=True, away_s=0.0)).events


def crashes(kind: str) -> list[int]:
    """Return at which entries to die: at each, but of the readings only at some."""
    return [
        number
        for number, event in enumerate(whole(kind), start=1)
        if not isinstance(event, ReadingTaken) or number % 20 == 0
    ]


CRASHES = [(False, 2.0), (True, 2.0)]
"""Whether the journal still answers for the entry that it dies at, and how long nobody is there."""


def check_order(ending: Ending) -> None:
    """Nothing was told out of order, and nothing that may be told once only twice."""
    machines = ending.yard.machines
    recorder = [act for _, act in machines["gate recorder"].received]
    if Act.STOP in recorder:
        assert recorder.index(Act.QUIESCE) < recorder.index(Act.STOP)
    for at, act in machines["yard switch"].received:
        if act is Act.STOP:
            for name in ("gate recorder", "desk"):
                heard = [t for t, heard in machines[name].received if heard is Act.STOP]
                assert heard, f"the switch was stopped before {name}"
                assert max(t for t in heard if t < at) < at - machines[name].stop_s


@pytest.mark.parametrize(("answers", "away_s"), [*CRASHES, (True, 300.0)])
def test_killed_at_any_entry_it_ends_the_same(answers: bool, away_s: float) -> None:
    """Power cuts, updates, crashes: the recorder is off in time, and on again after."""
    for entries in crashes("looked at"):
        ending = asyncio.run(
            ride_through(LOOKED_AT, entries=entries, answers=answers, away_s=away_s)
        )

        where = f"killed at entry {entries}"
        assert ending.phases == dict.fromkeys(NAMES, Phase.RUNNING), where
        assert all(ending.yard.machines[name].is_on for name in NAMES), where
        assert all(ending.yard.machines[name].told(Act.STOP) for name in NAMES), where
        failures = [text for text in notices(ending.events) if "could not" in text]
        assert all("the agent was away" in text for text in failures), where
        assert away_s > 60.0 or not failures, where
        check_order(ending)


@pytest.mark.parametrize(("answers", "away_s"), CRASHES)
def test_killed_at_any_entry_it_sends_nothing_twice_that_must_not(
    answers: bool, away_s: float
) -> None:
    """A toggling button pressed again would start the PC that it has just stopped."""
    for entries in crashes("never"):
        ending = asyncio.run(ride_through(ACTS, entries=entries, answers=answers, away_s=away_s))

        where = f"killed at entry {entries}"
        desk = ending.yard.machines["desk"]
        assert desk.told(Act.STOP) <= 1, where
        assert desk.told(Act.START) <= 1, where
        asked = [act for _, act in desk.asked if act in (Act.STOP, Act.START)]
        assert len(asked) == len(set(asked)), where
        began = [e for e in ending.events if isinstance(e, StepBegan) and e.device == "desk"]
        assert len(began) >= len(asked), where
        recorder = ending.yard.machines["gate recorder"]
        assert recorder.told(Act.STOP), where
        assert ending.phases["gate recorder"] is Phase.RUNNING, where
        if not desk.told(Act.STOP):
            assert any("desk could not be brought to rest" in t for t in notices(ending.events))
        check_order(ending)


def test_the_ride_through_is_worth_killing() -> None:
    """The other tests say nothing unless it holds every kind of step."""
    events = whole("looked at")
    acts = {e.act for e in events if isinstance(e, StepBegan)}

    assert {"quiesce", "confirm_quiesced", "stop", "confirm_gone", "start"} <= acts
    assert isinstance(events[0], AgentStarted)
    assert len(crashes("looked at")) > 40
