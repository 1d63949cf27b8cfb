"""Beneath everything a floor: when the policies fail, the site is brought to rest all the same."""

from __future__ import annotations

import asyncio
import functools
import random
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from agent.conduct.result import Result
from agent.falling import SAY_AGAIN_S
from agent.floor import AGAIN_AFTER_S, ROUNDS, Floor
from drivers.base import Act, Repeat
from policies.events import Ending, FloorTaken, OrderClosed, OrderGiven, ReadingTaken
from policies.graph import graph_of, may_be_stopped
from policies.model import Device, Order, OutputSource, Reading, Reason, Role
from policies.state import Phase, fold, initial
from tests.agent import machines
from tests.agent.benches import begun, endings, notices
from tests.agent.yards import ACTS, CABINET, CAMERA, DESK, RECORDER, SWITCH, Yard
from tests.fakes import FakeClock
from tests.policies.sites import on_battery, on_mains, site_of


def broken(*args: object) -> Any:
    """A policy with a bug."""
    raise ZeroDivisionError("division by zero")


def failing_yard(*devices: Device, what: str = "decide", **more: Any) -> Yard:
    yard = Yard(*devices, **{"floor_after_s": 120.0, **more})
    setattr(yard, what, broken)
    return yard


async def fallen(yard: Yard) -> Yard:
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    return yard


def are_off(yard: Yard, *names: str) -> bool:
    return not any(yard.machines[name].is_on for name in names)


ALL = ("gate recorder", "desk", "yard switch")


# When


@pytest.mark.parametrize("what", ["decide", "fold"])
async def test_broken_policy_leaves_the_floor_which_stops_all_in_dependency_order(
    what: str,
) -> None:
    """A bug in the cleverest part must not cost the recordings."""
    yard = await fallen(failing_yard(what=what))
    await yard.until(lambda: are_off(yard, *ALL), within_s=300.0)

    assert 120.0 <= yard.stopped_at("gate recorder") - 1025.0 <= 127.0
    for name in ("gate recorder", "desk"):
        assert yard.stopped_at("yard switch") > yard.stopped_at(name) + yard.machines[name].stop_s
    await yard.stop()


@pytest.mark.parametrize("what", ["decide", "fold"])
async def test_low_battery_takes_the_floor_before_its_time(what: str) -> None:
    """The unit knows that its battery ends; nothing waits for a clock then."""
    yard = await fallen(failing_yard(what=what, floor_after_s=3600.0))
    await yard.clock.advance(30.0)
    yard.low.add("cabinet")
    low_at = yard.clock.monotonic()
    await yard.until(lambda: are_off(yard, *ALL), within_s=150.0)

    assert yard.stopped_at("gate recorder") - low_at < 10.0
    await yard.stop()


@pytest.mark.parametrize("what", ["decide", "fold"])
async def test_fall_is_journalled_and_said_once(what: str) -> None:
    """It must be heard of, and not every second."""
    yard = failing_yard(what=what)
    yard.start()
    await yard.clock.advance(3 * SAY_AGAIN_S)

    (taken,) = [e for e in yard.keeper.events if isinstance(e, FloorTaken)]
    assert taken.at == 1000.0
    assert "ZeroDivisionError" in taken.why
    said = [text for text in notices(yard.keeper.events) if "planning code failed" in text]
    assert len(said) == 1
    await yard.stop()


async def test_policy_that_fails_now_and_then_is_spoken_of_now_and_then() -> None:
    """A bug that comes and goes must not fill a phone."""
    yard = Yard()
    chance = random.Random(3)
    really = yard.decide

    def flaky(*args: Any) -> Any:
        return broken() if chance.random() < 0.5 else really(*args)

    yard.decide = flaky
    yard.start()
    await yard.clock.advance(SAY_AGAIN_S - 10.0)
    assert len(yard.keeper.of(FloorTaken)) == 1

    await yard.clock.advance(SAY_AGAIN_S)
    assert len(yard.keeper.of(FloorTaken)) == 2
    await yard.stop()


async def test_nothing_is_stopped_on_mains_however_broken_the_policy() -> None:
    """The floor is for outages."""
    yard = failing_yard()
    yard.start()
    await yard.clock.advance(3600.0)

    assert all(machine.received == [] for machine in yard.machines.values())
    await yard.stop()


async def test_floor_leaves_a_paused_site_alone_until_the_pause_is_over() -> None:
    """The electrician works at the cabinet; what is automatic waits, also when it is broken."""
    yard = failing_yard()
    paused = replace(initial(yard.site), paused_until_at=1400.0)
    yard.start(paused)
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.until(lambda: are_off(yard, *ALL), within_s=700.0)

    assert 1400.0 <= yard.stopped_at("gate recorder") <= 1405.0
    await yard.stop()


async def test_policy_that_recovers_takes_over_again() -> None:
    """One bad moment is not the end of planning."""
    yard = failing_yard(floor_after_s=3600.0)
    really = Yard().decide
    await fallen(yard)
    await yard.clock.advance(30.0)
    yard.decide = really
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=300.0)

    assert begun(yard.keeper.events, "gate recorder")[0] == "quiesce"
    await yard.stop()


async def test_fold_that_failed_on_one_reading_is_over_with_the_next_good_one() -> None:
    """Nonsense of one poll does not throw the plan away."""
    yard = Yard()

    def fold_but_one(site: Any, state: Any, event: Any) -> Any:
        if isinstance(event, ReadingTaken) and event.at == 1010.0:
            broken()
        return fold(site, state, event)

    yard.fold = fold_but_one
    yard.start()
    await yard.clock.advance(11.0)
    assert len(yard.keeper.of(FloorTaken)) == 1
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=400.0)

    assert begun(yard.keeper.events, "gate recorder")[0] == "quiesce"
    await yard.stop()


async def test_fold_that_fails_on_an_order_gives_it_to_the_floor_and_not_twice() -> None:
    """An order that the state does not know of would be given with every reading."""
    yard = Yard(floor_after_s=90.0)

    def fold_no_order(site: Any, state: Any, event: Any) -> Any:
        if isinstance(event, OrderGiven):
            broken()
        return fold(site, state, event)

    yard.fold = fold_no_order
    await fallen(yard)
    await yard.until(lambda: are_off(yard, *ALL), within_s=300.0)

    assert all(yard.machines[name].told(Act.STOP) == 1 for name in ALL)
    await yard.stop()


# Whom


async def test_what_must_not_be_touched_and_what_carries_it_is_spared() -> None:
    """The alarm dialler, the switch that carries it, and the agent's own box stay on."""
    dialler = Device("alarm dialler", Role.OTHER, 3, 3, ("yard switch",), no_touch=True, stop_s=5.0)
    box = Device("box", Role.AGENT_BOX, 4, 4, ("shelf",), stop_s=5.0)
    shelf = replace(SWITCH, name="shelf")
    yard = await fallen(failing_yard(SWITCH, RECORDER, DESK, dialler, box, shelf))
    await yard.until(lambda: are_off(yard, "gate recorder", "desk"), within_s=300.0)
    await yard.clock.advance(300.0)

    for name in ("alarm dialler", "yard switch", "box", "shelf"):
        assert yard.machines[name].received == []
    await yard.stop()


def drawn(chance: random.Random, names: list[str]) -> tuple[str, ...]:
    """Draw two names at most."""
    return tuple(chance.sample(names, min(len(names), chance.randint(0, 2))))


@pytest.mark.parametrize("seed", range(30))
def test_the_floor_stops_only_what_may_be_and_users_before_what_they_use(seed: int) -> None:
    """Drawn sites: by another way of reckoning than the policies', and to the same end."""
    chance = random.Random(seed)
    devices: list[Device] = []
    for number in range(chance.randint(3, 12)):
        names = [d.name for d in devices]
        some = functools.partial(drawn, chance, names)
        devices.append(
            Device(
                f"d{number}", chance.choice([*Role]), feeds=some() or ("cabinet",), path=some(),
                needs=some(), no_touch=chance.random() < 0.1,
                stop_s=chance.choice([None, 5.0]), quiesce_s=chance.choice([None, 5.0]),
            )
        )  # fmt: skip
    site = site_of(*devices, floor_after_s=10.0)
    told = asked_by_floor(site)

    assert set(told) == {name for name in site.devices if may_be_stopped(site, name)}
    for name in told:
        for user in graph_of(site).users[name]:
            assert user not in told or told.index(user) < told.index(name)


def asked_by_floor(site: Any) -> list[str]:
    """Let a floor take a site that obeys at once; return who was told, in order."""
    told: list[str] = []

    async def give(order: Order) -> Result:
        told.append(order.device)
        await asyncio.sleep(0)
        return Result(Ending.AT_REST, "gone")

    async def is_off(name: str) -> bool:
        return False

    async def run() -> None:
        clock = FakeClock(at=100.0)
        floor = Floor(site, clock=clock, give=give, is_off=is_off)
        floor.hear(on_battery(98.0, 10.0))
        floor.hear(on_battery(99.0, 10.0))
        floor.take_if_due(Reason("floor", "because"))
        await clock.advance(1.0)
        assert not floor.is_at_work

    asyncio.run(run())
    return told


async def test_only_what_hangs_on_the_failing_unit_goes_down_with_it() -> None:
    """Two cabinets: one is low; what the other carries, and alone, goes on."""
    shed = replace(CABINET, name="shed")
    apart = replace(DESK, path=(), feeds=("shed",))
    both = replace(DESK, name="twin", path=(), feeds=("cabinet", "shed"))
    behind = replace(DESK, name="pump pc", feeds=("shed",))
    yard = failing_yard(
        SWITCH, RECORDER, apart, both, behind, units=(CABINET, shed), floor_after_s=3600.0
    )
    await fallen(yard)
    yard.low.add("cabinet")
    await yard.until(lambda: are_off(yard, "yard switch"), within_s=300.0)
    assert are_off(yard, "gate recorder", "pump pc")
    assert yard.stopped_at("pump pc") < yard.stopped_at("yard switch")
    assert yard.machines["desk"].received == yard.machines["twin"].received == []

    yard.low.add("shed")
    await yard.until(lambda: are_off(yard, "desk", "twin"), within_s=200.0)
    await yard.stop()


async def test_everything_on_battery_is_told_before_the_agent_s_own_box_goes() -> None:
    """Afterwards nobody could be told anything."""
    shed = replace(CABINET, name="shed")
    apart = replace(DESK, path=(), feeds=("shed",))
    box = Device("box", Role.AGENT_BOX, 4, 4, ("cabinet",))
    yard = failing_yard(apart, box, units=(CABINET, shed), floor_after_s=3600.0)
    await fallen(yard)
    yard.low.add("cabinet")
    await yard.until(lambda: are_off(yard, "desk"), within_s=100.0)
    await yard.stop()


# How


async def test_device_that_cannot_be_stopped_is_quiesced() -> None:
    """Its files are closed at least."""
    yard = failing_yard(
        replace(RECORDER, path=(), stop_s=None), acts={"gate recorder": {Act.QUIESCE: Repeat.SAFE}}
    )
    await fallen(yard)
    await yard.until(lambda: bool(yard.machines["gate recorder"].received), within_s=200.0)
    await yard.clock.advance(15.0)  # nothing confirms it, so it is given its time

    assert endings(yard.keeper.events)["gate recorder"][0] is Ending.AT_REST
    await yard.stop()


@pytest.mark.parametrize(
    "behaviour", [machines.hang_deaf, machines.fail, machines.refuse, machines.give_up],
    ids=lambda b: b.__name__,
)  # fmt: skip
async def test_device_that_misbehaves_costs_no_other_its_stop(behaviour: Any) -> None:
    """The desk's driver is broken: the recorder beside it goes down in time, the switch after."""
    yard = await fallen(failing_yard())
    yard.scripted["desk"].always = dict.fromkeys(Act, behaviour)
    await yard.until(lambda: are_off(yard, "gate recorder", "yard switch"), within_s=400.0)

    assert yard.stopped_at("gate recorder") - 1025.0 <= 127.0
    await yard.stop()
    await yard.clock.advance(7200.0)


async def test_device_that_would_not_stop_is_told_again_and_not_for_ever() -> None:
    """The floor's first try failed; it does not leave it at that, nor lock the account."""
    yard = failing_yard(replace(RECORDER, path=()))
    yard.scripted["gate recorder"].always[Act.STOP] = machines.refuse
    await fallen(yard)
    await yard.clock.advance(1200.0)
    closed = [e.at for e in yard.keeper.events if isinstance(e, OrderClosed)]
    assert len(closed) == ROUNDS
    assert all(b - a >= AGAIN_AFTER_S for a, b in pairwise(closed))

    yard.return_mains()
    await yard.clock.advance(60.0)
    del yard.scripted["gate recorder"].always[Act.STOP]
    yard.fail_mains()
    await yard.until(lambda: are_off(yard, "gate recorder"), within_s=200.0)
    await yard.stop()


async def test_what_is_at_rest_already_is_left_alone_and_what_came_back_is_not() -> None:
    """A button pressed again would start what is off."""
    yard = Yard(
        replace(DESK, path=()),
        replace(DESK, name="pump pc", path=()),
        acts={**ACTS, "pump pc": ACTS["desk"]},
        floor_after_s=120.0,
    )
    await fallen(yard)
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=200.0)
    yard.machines["pump pc"].start_s = 0.0
    yard.machines["pump pc"].power_on()
    yard.decide = broken
    await yard.until(lambda: are_off(yard, "pump pc"), within_s=100.0)

    assert yard.machines["desk"].told(Act.STOP) == 1
    assert yard.machines["pump pc"].told(Act.STOP) == 2
    assert (
        sum(isinstance(e, OrderGiven) and e.order.device == "desk" for e in yard.keeper.events) == 1
    )
    await yard.stop()


async def test_order_under_way_is_hurried_and_not_doubled() -> None:
    """The plan breaks while a recorder is quiesced: one conversation, and it is the stop."""
    yard = Yard(floor_after_s=90.0)
    yard.scripted["gate recorder"].always[Act.QUIESCE] = machines.hang
    await fallen(yard)
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RESTING, within_s=100.0)
    yard.decide = broken
    await yard.until(lambda: are_off(yard, *ALL), within_s=200.0)

    assert begun(yard.keeper.events, "gate recorder").count("stop") == 1
    assert (
        len(
            {
                e.order_id
                for e in yard.keeper.events
                if isinstance(e, OrderGiven) and e.order.device == "gate recorder"
            }
        )
        == 1
    )
    await yard.stop()


async def test_what_the_floor_stopped_is_owed_its_return() -> None:
    """The journal knows of its stops, so that a mended agent brings all back."""
    yard = await fallen(failing_yard())
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=300.0)
    yard.return_mains()
    await yard.clock.advance(60.0)
    await yard.kill()
    yard.decide = Yard().decide
    state = yard.engine.state
    yard.start(state)
    await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=400.0)

    assert all(yard.machines[name].is_on for name in ALL)
    await yard.stop()


@pytest.mark.parametrize("trouble", ["full", "slow", "raising"])
async def test_floor_holds_on_a_broken_disk_too(trouble: str) -> None:
    """Two things are broken at once, and the recordings are whole."""
    yard = failing_yard()
    yard.keeper.works = trouble != "full"
    yard.keeper.takes_s = 0.5 if trouble == "slow" else 0.0
    yard.keeper.raises = trouble == "raising"
    await fallen(yard)
    await yard.until(lambda: are_off(yard, *ALL), within_s=300.0)
    assert not yard.running.done()
    await yard.stop()


async def test_dry_run_of_the_floor_sends_nothing() -> None:
    """Also when everything fails, a rehearsal is one."""
    dry = [replace(device, dry_run=True) for device in (SWITCH, CAMERA, RECORDER, DESK)]
    yard = await fallen(failing_yard(*dry))
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=300.0)

    assert all(machine.received == [] for machine in yard.machines.values())
    assert all(yard.engine.state.devices[name].is_assumed for name in ALL)
    await yard.stop()


async def test_ending_while_the_floor_is_at_work_stops_no_more() -> None:
    """Also then the service restarts within a second, and goes on where it was."""
    yard = await fallen(failing_yard())
    await yard.until(lambda: bool(yard.machines["gate recorder"].received), within_s=300.0)
    await yard.stop()
    await yard.clock.advance(600.0)

    assert yard.machines["yard switch"].received == []


async def test_fault_of_our_own_at_one_device_leaves_the_floor_standing() -> None:
    """Beneath it there is nothing."""
    told: list[str] = []

    async def give(order: Order) -> Result:
        told.append(order.device)
        if order.device == "desk":
            broken()
        return Result(Ending.AT_REST, "gone")

    async def is_off(name: str) -> bool:
        return False

    clock = FakeClock(at=100.0)
    floor = Floor(site_of(floor_after_s=10.0), clock=clock, give=give, is_off=is_off)
    for at in (98.0, 99.0):
        floor.hear(on_battery(at, 10.0))
    floor.take_if_due(Reason("floor", "because"))
    await clock.advance(1.0)

    assert told == ["desk", "gate recorder", "yard switch"]
    assert not floor.is_at_work


# Hearing


def floor_at(at: float = 100.0) -> Floor:
    async def give(order: Order) -> Result:
        raise AssertionError("nothing is due")

    async def is_off(name: str) -> bool:
        return False

    site = site_of(floor_after_s=60.0)
    return Floor(site, clock=FakeClock(at=at), give=give, is_off=is_off)


@pytest.mark.parametrize(
    "odd",
    [
        on_battery(99.0, 10.0),
        on_battery(99.0, 10.0, battery_status=3),
        on_mains(99.0, on_battery_s=5000.0),
        replace(on_battery(99.0, 10.0), output_source=OutputSource.NORMAL),
    ],
    ids=["battery", "low", "seconds alone", "alarm and seconds"],
)
def test_one_reading_never_takes_the_floor(odd: Reading) -> None:
    """Whatever one poll says; the floor is no hastier than the plan."""
    floor = floor_at()
    floor.hear(on_mains(98.0))
    floor.hear(odd)

    assert floor.due_units() == frozenset()


def test_seconds_in_doubt_do_not_hasten_the_floor() -> None:
    """A counter that jumps to 65535 is no eighteen hours on battery."""
    floor = floor_at()
    doubt = {"on_battery_s": "65535 for ever"}
    for at in (97.0, 99.0):
        floor.hear(on_battery(at, at - 65535.0, doubts=doubt))

    assert floor.due_units() == frozenset()


def test_silence_on_battery_does_not_stop_the_floor_s_clock() -> None:
    """The unit is lost amid the outage: its battery ends all the same."""
    floor = floor_at(at=161.0)
    for at in (101.0, 103.0):
        floor.hear(on_battery(at, 100.0))

    assert floor.due_units() == {"cabinet"}


def test_mains_resets_the_floor() -> None:
    """Two short outages are not one long one."""
    floor = floor_at(at=170.0)
    floor.hear(on_battery(101.0, 100.0))
    floor.hear(on_battery(103.0, 100.0))
    floor.hear(on_mains(105.0))
    floor.hear(on_battery(165.0, 164.0))
    floor.hear(on_battery(167.0, 164.0))

    assert floor.due_units() == frozenset()
