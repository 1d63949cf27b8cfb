"""Orders of which nothing came are withdrawn when mains returns; a stop once begun is not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers.base import Act, Repeat
from policies.decide import Decision, decide
from policies.events import Ending, NoticeRaised, OrderClosed, OrderGiven
from policies.model import Order, Reason, Starts, Task
from policies.reasons import BY_HAND
from policies.state import DeviceState, OpenOrder, Phase, SiteState, initial
from policies.supply import Supply, UnitState
from policies.withdraw import unwanted
from tests.agent import machines
from tests.agent.machines import REST_ACTS
from tests.agent.yards import CAMERA, RECORDER, SWITCH, Yard


async def test_stop_that_nobody_heard_is_withdrawn_when_mains_is_back() -> None:
    """A recorder whose path was away used to be stopped on mains, minutes after the outage."""
    yard = Yard()
    for act in (Act.QUIESCE, Act.STOP):
        yard.scripted["gate recorder"].always[act] = machines.silent
    yard.start()
    yard.fail_mains()
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RESTING, within_s=120.0)
    await yard.clock.advance(5.0)
    yard.return_mains()
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RUNNING, within_s=60.0)
    yard.scripted["gate recorder"].always.clear()
    await yard.clock.advance(300.0)

    closed = [e for e in yard.heard if isinstance(e, OrderClosed) and e.device == "gate recorder"]
    assert [e.ending for e in closed] == [Ending.WITHDRAWN]
    assert yard.machines["gate recorder"].told(Act.STOP) == 0
    assert not any(isinstance(e, NoticeRaised) and e.about == "gate recorder" for e in yard.heard)
    await yard.stop()


async def test_stop_that_was_heard_is_carried_through() -> None:
    """A recorder that closed its files must not be left half way."""
    yard = Yard()
    yard.scripted["gate recorder"].always[Act.STOP] = machines.silent
    yard.start()
    yard.fail_mains()
    recorder = yard.machines["gate recorder"]
    await yard.until(lambda: recorder.told(Act.QUIESCE) == 1, within_s=120.0)
    yard.return_mains()
    await yard.clock.advance(30.0)
    yard.scripted["gate recorder"].always.clear()
    await yard.until(lambda: recorder.told(Act.STOP) == 1, within_s=60.0)

    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RUNNING, within_s=600.0)
    await yard.stop()


async def test_order_that_would_be_given_again_is_not_withdrawn() -> None:
    """Withdrawn and given in turns, in no time, it would have hung the agent."""
    yard = Yard()
    yard.scripted["desk"].always[Act.STOP] = machines.silent

    def on_mains(*args: Any) -> Decision:
        decision = decide(*args)
        state, now = args[1], args[3]
        wants = state.devices["desk"].phase is Phase.RUNNING
        order = Order("desk", Task.REST, now + 100.0, Reason("latest_safe_start", "why"))
        return replace(decision, orders=(order,) if wants else (), due=frozenset({"desk"}))

    yard.decide = on_mains
    yard.start()
    await yard.clock.advance(60.0)

    given = [e for e in yard.heard if isinstance(e, OrderGiven) and e.order.device == "desk"]
    assert len(given) == 1
    await yard.stop()


async def returning(yard: Yard) -> None:
    """Ride an outage through until the recorder is to start again."""
    yard.start()
    yard.fail_mains()
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.AT_REST, within_s=400.0)
    yard.return_mains()
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.STARTING, within_s=400.0)


async def fail_again(yard: Yard) -> None:
    yard.fail_mains()
    await yard.until(
        lambda: yard.engine.state.units["cabinet"].supply is Supply.BATTERY, within_s=60.0
    )


ALONE = replace(RECORDER, path=(), stop_when=None)
LOOKED_AT = {"gate recorder": {**REST_ACTS, Act.START: Repeat.LOOK_FIRST}}


def lone_yard() -> Yard:
    yard = Yard(ALONE, acts=LOOKED_AT)
    yard.low.add("cabinet")  # so that it is told to rest at once
    return yard


async def test_start_that_nobody_heard_is_withdrawn_when_mains_fails_again() -> None:
    """It used to be sent until it was heard, which then was amid the next outage."""
    yard = lone_yard()
    yard.scripted["gate recorder"].always[Act.START] = machines.silent
    await returning(yard)
    await fail_again(yard)
    yard.scripted["gate recorder"].always.clear()
    await yard.clock.advance(120.0)

    closed = [e for e in yard.heard if isinstance(e, OrderClosed) and e.task is Task.START]
    assert [e.ending for e in closed] == [Ending.WITHDRAWN]
    assert yard.phases["gate recorder"] is Phase.AT_REST
    assert yard.machines["gate recorder"].told(Act.START) == 0
    yard.return_mains()
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RUNNING, within_s=600.0)
    await yard.stop()


async def test_start_in_doubt_is_not_sent_again_into_the_next_outage() -> None:
    """It hung, the agent was started anew, and mains had failed: booted onto half a battery."""
    yard = lone_yard()
    recorder = yard.scripted["gate recorder"]
    recorder.script[Act.START].append(machines.hang)
    await returning(yard)
    await yard.clock.advance(5.0)
    await fail_again(yard)
    state = yard.engine.state
    await yard.kill()
    yard.start(state)
    await yard.clock.advance(200.0)

    assert yard.machines["gate recorder"].told(Act.START) == 0
    yard.return_mains()
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RUNNING, within_s=900.0)
    assert yard.machines["gate recorder"].told(Act.START) == 1
    await yard.stop()


async def resumed_after(yard: Yard, away_s: float) -> None:
    """Kill the agent in mid-start, and have another one hear of the unit five seconds late."""
    yard.scripted["gate recorder"].script[Act.START].append(machines.hang)
    await returning(yard)
    await yard.clock.advance(5.0)
    state = yard.engine.state
    await yard.kill()
    await yard.clock.advance(away_s)
    yard.silent.add("cabinet")
    yard.start(state)
    await yard.clock.advance(5.0)
    yard.silent.discard("cabinet")


def blind_yard() -> Yard:
    """A recorder of which nothing can tell whether it runs."""
    acts: dict[Act, Repeat] = {**REST_ACTS}
    del acts[Act.CONFIRM_RUNNING]
    yard = Yard(ALONE, acts={"gate recorder": acts})
    yard.low.add("cabinet")
    return yard


async def test_resumed_start_waits_for_news_of_its_unit() -> None:
    """After a restart, mains steady: it was called failed, and not started into another outage."""
    yard = blind_yard()
    await resumed_after(yard, 70.0)
    await yard.until(lambda: yard.phases["gate recorder"] is not Phase.STARTING, within_s=10.0)

    closed = [e for e in yard.heard if isinstance(e, OrderClosed) and e.task is Task.START]
    assert [e.ending for e in closed] == [Ending.RUNNING]
    assert yard.machines["gate recorder"].told(Act.START) == 1
    await yard.stop()


async def test_resumed_start_is_not_sent_into_an_outage_that_began_meanwhile() -> None:
    """What was last heard of the unit, mains, is old: the news decides."""
    yard = blind_yard()
    yard.scripted["gate recorder"].script[Act.START].append(machines.hang)
    await returning(yard)
    await yard.clock.advance(5.0)
    state = yard.engine.state
    await yard.kill()
    yard.fail_mains()
    await yard.clock.advance(70.0)
    yard.start(state)
    await yard.clock.advance(200.0)

    assert yard.machines["gate recorder"].told(Act.START) == 0
    await yard.stop()


async def test_start_that_was_heard_is_seen_through_the_next_outage() -> None:
    """It hung, and the recorder starts all the same: that is seen, and no second one is sent."""
    yard = lone_yard()
    yard.scripted["gate recorder"].script[Act.START].append(machines.hang_after_sending)
    await returning(yard)
    await yard.clock.advance(5.0)
    await fail_again(yard)
    state = yard.engine.state
    await yard.kill()
    yard.start(state)
    await yard.until(lambda: yard.phases["gate recorder"] is not Phase.STARTING, within_s=200.0)

    assert yard.phases["gate recorder"] is Phase.RUNNING
    assert yard.machines["gate recorder"].told(Act.START) == 1
    await yard.stop()


def opened(code: str = "latest_safe_start", *, by_hand: bool = False) -> OpenOrder:
    order = Order("gate recorder", Task.REST, 500.0, Reason(code, "why"))
    return OpenOrder("gate recorder#1", order, 0.0, by_hand=by_hand)


def unit(**changes: object) -> UnitState:
    known: dict[str, object] = {"supply": Supply.MAINS, "mains_at": 10.0, "heard_at": 20.0}
    return UnitState(**{**known, **changes})  # type: ignore[arg-type]  # fields by name


def state_of(**changes: object) -> SiteState:
    site = Yard(SWITCH, RECORDER).site
    return SiteState(units={"cabinet": unit(**changes)}, devices=initial(site).devices)


def test_order_is_unwanted_once_mains_is_behind_all_it_uses() -> None:
    """The plain case."""
    assert unwanted(Yard(SWITCH, RECORDER).site, state_of(), opened())


@pytest.mark.parametrize(
    "changes",
    [
        {"supply": Supply.BATTERY},
        {"supply": Supply.UNKNOWN},
        {"signs": 1},
        {"lost_at": 15.0},
        {"silent_at": 15.0},
    ],
)
def test_order_stays_while_mains_is_not_sure(changes: dict[str, object]) -> None:
    """Withdrawn on a wrong word, a recorder would lose the time that it has left."""
    assert not unwanted(Yard(SWITCH, RECORDER).site, state_of(**changes), opened())


@pytest.mark.parametrize("code", [BY_HAND, "overload", "countdown", "unit_lost", "floor"])
def test_order_that_mains_does_not_take_back_stays(code: str) -> None:
    """An overload is one on mains too, and what somebody asked for stays asked for."""
    assert not unwanted(Yard(SWITCH, RECORDER).site, state_of(), opened(code))
    assert not unwanted(Yard(SWITCH, RECORDER).site, state_of(), opened(by_hand=True))


@pytest.mark.parametrize(
    ("recorder", "code", "is_unwanted"),
    [
        (Phase.AT_REST, "goes_with", True),
        (Phase.RESTING, "goes_with", False),
        (Phase.GIVEN_UP, "goes_with", False),
        (Phase.AT_REST, "gives_way", False),
    ],
    ids=["it is at rest", "it is coming to rest", "it goes on writing", "the camera saves load"],
)
def test_port_is_not_cut_any_more_for_a_recorder_that_is_at_rest(
    recorder: Phase, code: str, is_unwanted: bool
) -> None:
    """In short they are told together: the camera went dark for a recorder that was off by then."""
    old = replace(RECORDER, path=(), stop_s=None, quiesce_s=30.0, by_writers=True)
    camera = replace(
        CAMERA, feeds=("cabinet",), needs=(old.name,), stop_s=5.0, is_cut=True,
        starts=Starts.BY_ORDER,
    )  # fmt: skip
    site = Yard(old, camera, acts={old.name: {}, camera.name: {}}).site
    devices = {**initial(site).devices, old.name: DeviceState(recorder)}
    state = SiteState({"cabinet": unit(supply=Supply.BATTERY)}, devices)
    order = Order(camera.name, Task.REST, 500.0, Reason(code, "why"))

    found = unwanted(site, state, OpenOrder("slipway camera#1", order, 0.0))
    assert bool(found) is is_unwanted
