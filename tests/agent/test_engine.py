"""The agent's loop: what comes in is folded, decided on, journalled and carried out."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from agent.conduct.lookout import LOOK_EVERY_S
from agent.conduct.taking_up import EXPIRED_AFTER_S
from agent.engine import Engine, Settings
from agent.news import READING_EVERY_S
from drivers.base import Act
from policies.decide import Decision
from policies.decide import decide as decide_really
from policies.events import (
    AgentEnded,
    AgentStarted,
    DeviceSeen,
    Ending,
    OrderClosed,
    OrderGiven,
    PollMissed,
    ReadingTaken,
    StepBegan,
    SupplyJudged,
)
from policies.model import Alarm, Order, Starts, Task
from policies.state import DeviceState, OpenOrder, Phase, SiteState, initial
from policies.supply import Supply, UnitState
from tests.agent import machines
from tests.agent.benches import WHY, ScriptedKeeper, begun, no_task_left, notices
from tests.agent.machines import REST_ACTS, TALK_S
from tests.agent.yards import CABINET, DESK, RECORDER, SWITCH, Yard
from tests.fakes import FakeClock


async def in_outage(yard: Yard, *, after_s: float = 25.0) -> Yard:
    """Start the agent on mains; then mains fails."""
    yard.start()
    await yard.clock.advance(after_s)
    yard.fail_mains()
    return yard


async def at_rest(yard: Yard, *, within_s: float = 400.0) -> None:
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=within_s)


# A ride-through


async def test_site_rides_through_an_outage_and_comes_back() -> None:
    """The whole job, on machines that obey."""
    yard = await in_outage(Yard())
    await at_rest(yard)
    stopped = {name: yard.stopped_at(name) for name in yard.phases}
    assert stopped["yard switch"] > max(stopped["gate recorder"], stopped["desk"]) + 20.0

    yard.return_mains()
    await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=400.0)
    assert all(yard.machines[name].is_on for name in yard.phases)
    await yard.stop()


async def test_switch_is_told_the_moment_that_the_last_behind_it_is_at_rest() -> None:
    """No poll has to come by first: seconds count at the end of a battery."""
    yard = await in_outage(Yard())
    await at_rest(yard)
    closed = {e.device: e.at for e in yard.keeper.events if isinstance(e, OrderClosed)}
    began = next(
        e.at for e in yard.keeper.events if isinstance(e, StepBegan) and e.device == "yard switch"
    )

    assert began == max(closed["gate recorder"], closed["desk"])
    await yard.stop()


async def test_end_of_an_order_that_comes_while_it_decides_is_not_slept_over() -> None:
    """A disk that takes its time must not cost the switch half a minute."""
    yard = Yard(replace(DESK, path=()))
    yard.keeper.takes_s = 3.0
    asked: list[float] = []

    def decide(site: Any, state: SiteState, beliefs: Any, now: float, _plan: Any) -> Decision:
        asked.append(now)
        first = (Order("desk", Task.REST, now + 500.0, WHY),) if len(asked) == 1 else ()
        plan = decide_really(site, state, beliefs, now)
        return replace(plan, orders=first, wake_at=now + 1000.0)

    engine = Engine(
        yard.site, yard.drivers, clock=yard.clock, journal=yard.keeper, state=yard.state,
        settings=Settings("test"), decide=decide,
    )  # fmt: skip
    running = asyncio.create_task(engine.run())
    await yard.clock.advance(4.0)
    assert asked == [1003.0], "and its order is being journalled until 1006"
    over = OrderClosed(1004.0, "another", "desk", Task.REST, Ending.AT_REST, "gone")
    recording = asyncio.create_task(engine.record(over))
    await yard.clock.advance(4.0)

    assert asked == [1003.0, 1006.0]
    assert recording.done()
    running.cancel()
    ending = asyncio.create_task(engine.end("the test is over"))
    await yard.clock.advance(5.0)
    assert ending.done()


async def test_each_order_is_given_once_however_often_it_is_decided() -> None:
    """Orders are folded before they are flushed: a second reading meanwhile orders nothing new."""
    yard = Yard()
    yard.keeper.takes_s = 5.0
    engine = (await in_outage(yard)).engine
    await yard.until(lambda: bool(yard.keeper.of(OrderGiven)), within_s=90.0)
    pending = [asyncio.create_task(engine.consider()) for _ in range(5)]
    await yard.clock.advance(200.0)

    given = Counter(e.order.device for e in yard.keeper.events if isinstance(e, OrderGiven))
    assert given == {"gate recorder": 1, "desk": 1, "yard switch": 1} or set(given.values()) == {1}
    assert all(task.done() for task in pending)
    yard.keeper.takes_s = 0.0
    await yard.stop()


async def test_order_is_durable_before_anything_goes_out() -> None:
    """After a crash the agent knows what it had decided."""
    yard = Yard()
    yard.keeper.takes_s = 0.4
    await in_outage(yard)
    await yard.until(lambda: bool(yard.machines["gate recorder"].asked), within_s=90.0)

    given = next(e for e in yard.keeper.events if isinstance(e, OrderGiven))
    assert yard.machines["gate recorder"].asked[0][0] == pytest.approx(given.at + 0.8)
    await yard.stop()


async def test_low_battery_hurries_an_order_under_way_under_its_own_id() -> None:
    """Its quiescing hangs and the battery dips: the stop goes out at once, and is closed."""
    yard = Yard()
    yard.scripted["gate recorder"].always[Act.QUIESCE] = machines.hang
    await in_outage(yard)
    await yard.until(lambda: bool(yard.machines["gate recorder"].asked), within_s=90.0)
    yard.low.add("cabinet")
    low_at = yard.clock.monotonic()
    await yard.until(lambda: bool(yard.machines["gate recorder"].told(Act.STOP)), within_s=15.0)
    await at_rest(yard)

    orders = [
        e
        for e in yard.keeper.events
        if isinstance(e, OrderGiven) and e.order.device == "gate recorder"
    ]
    assert [e.order.in_short for e in orders] == [False, True]
    assert len({e.order_id for e in orders}) == 1
    assert yard.stopped_at("gate recorder") - low_at < 10.0
    await yard.stop()


async def test_short_order_that_overtakes_the_first_in_the_journal_is_still_closed() -> None:
    """The first commit is stuck, the second is answered at once: one order, one conversation."""
    yard = Yard()

    class Overtaken(ScriptedKeeper):
        async def commit(self, *events: Any) -> bool:
            self.events += events
            if any(isinstance(e, OrderGiven) and not e.order.in_short for e in events):
                await self.clock.sleep(8.0)
            return True

    yard.keeper = Overtaken(yard.clock)
    await in_outage(yard)
    await yard.until(lambda: bool(yard.keeper.of(OrderGiven)), within_s=90.0)
    yard.low.add("cabinet")
    await at_rest(yard)

    assert begun(yard.keeper.events, "gate recorder").count("stop") == 1
    await yard.stop()


async def test_watched_start_gives_way_to_a_rest_and_is_closed_as_withdrawn() -> None:
    """Mains fails again while a PC is awaited that starts by itself."""
    awaited = replace(DESK, starts=Starts.BY_ITSELF, path=(), stop_when=None)
    yard = Yard(
        awaited,
        acts={"desk": {a: REST_ACTS[a] for a in (Act.STOP, Act.CONFIRM_GONE, Act.CONFIRM_RUNNING)}},
    )
    await in_outage(yard)
    yard.low.add("cabinet")
    await at_rest(yard)
    yard.return_mains()
    await yard.until(lambda: yard.are_all(Phase.STARTING), within_s=200.0)
    yard.fail_mains()
    yard.low.add("cabinet")
    await yard.until(lambda: yard.are_all(Phase.RESTING), within_s=60.0)
    await at_rest(yard)

    closed = [e for e in yard.keeper.events if isinstance(e, OrderClosed)]
    assert [(e.task, e.ending) for e in closed] == [
        (Task.REST, Ending.AT_REST),
        (Task.START, Ending.WITHDRAWN),
        (Task.REST, Ending.AT_REST),
    ]
    given = {e.order_id for e in yard.keeper.events if isinstance(e, OrderGiven)}
    assert given == {e.order_id for e in closed}
    await yard.stop()


# The journal


@pytest.mark.parametrize("trouble", ["full", "slow", "raising"])
async def test_no_trouble_of_the_journal_stops_a_stop(trouble: str) -> None:
    """A full, slow or broken disk costs the record, not the recording."""
    yard = Yard()
    yard.keeper.works = trouble != "full"
    yard.keeper.takes_s = 0.5 if trouble == "slow" else 0.0
    yard.keeper.raises = trouble == "raising"
    await in_outage(yard)
    await at_rest(yard)

    assert all(not yard.machines[name].is_on for name in yard.phases)
    assert not yard.running.done()
    await yard.stop()


async def test_reading_is_decided_on_before_the_disk_has_said_anything() -> None:
    """A disk that takes half a second is no reason to tell a recorder half a second later."""
    yard = Yard()
    yard.keeper.takes_s = 0.5
    yard.start()
    await yard.clock.advance(5.0)
    yard.fail_mains()
    await yard.until(lambda: yard.engine.state.outage_at is not None, within_s=30.0, step_s=0.1)

    judged = [e for e in yard.keeper.events if isinstance(e, SupplyJudged)][-1]
    assert judged.supply is Supply.BATTERY
    assert judged.at == yard.engine.state.units["cabinet"].heard_at
    assert yard.engine.decision is not None
    assert "cabinet" in yard.engine.decision.timeline.unit_lower_s
    await yard.stop()


async def test_readings_are_thinned_on_steady_mains_and_kept_whole_on_battery() -> None:
    """A year of mains must fit on the disk, and an outage must be there to the second."""
    yard = Yard(RECORDER.__class__("gate recorder"))
    yard.start()
    await yard.clock.advance(600.0)
    on_mains = [e.at for e in yard.keeper.events if isinstance(e, ReadingTaken)]
    assert on_mains == [1000.0 + READING_EVERY_S * n for n in range(len(on_mains))]
    assert len(on_mains) == 11

    yard.fail_mains()
    await yard.clock.advance(100.0)
    on_battery = [e.at for e in yard.keeper.events if isinstance(e, ReadingTaken)][11:]
    assert on_battery == [1610.0 + 4.0 * n for n in range(23)]
    await yard.stop()


@pytest.mark.parametrize(
    "change",
    [{"alarms": frozenset({Alarm.OUTPUT_OVERLOAD})}, {"doubts": {"charge": "stuck"}}],
    ids=lambda c: next(iter(c)),
)
async def test_reading_that_says_something_new_is_kept(change: dict[str, Any]) -> None:
    """What an alarm began with must be found in the journal."""
    yard = Yard(RECORDER.__class__("gate recorder"))
    yard.start()
    await yard.clock.advance(15.0)
    yard.more = change
    await yard.clock.advance(30.0)

    kept = [e.at for e in yard.keeper.events if isinstance(e, ReadingTaken)]
    assert kept == [1000.0, 1020.0]
    await yard.stop()


# Telling people


async def test_each_change_is_told_once() -> None:
    """A phone that buzzes for every reading is soon switched off."""
    yard = await in_outage(Yard(RECORDER.__class__("gate recorder")))
    await yard.clock.advance(120.0)
    yard.return_mains()
    await yard.clock.advance(120.0)
    yard.more = {"alarms": frozenset({Alarm.BATTERY_BAD})}
    await yard.clock.advance(60.0)
    yard.more = {}
    await yard.clock.advance(60.0)
    yard.silent.add("cabinet")
    await yard.clock.advance(120.0)
    yard.silent.clear()
    await yard.clock.advance(60.0)

    assert notices(yard.keeper.events) == [
        "mains has failed: cabinet runs on its battery",
        "mains is back at cabinet",
        "cabinet gives no protection: its battery needs replacing (upsAlarmBatteryBad); "
        "the next outage is not carried",
        "cabinet protects again",
        "cabinet is not heard from: it does not answer",
        "cabinet is heard from again",
    ]
    assert notices(yard.heard) == notices(yard.keeper.events)
    await yard.stop()


async def test_silence_is_journalled_when_it_begins_and_when_the_unit_is_lost() -> None:
    """What the state folds to after a crash must know that the unit was lost."""
    yard = Yard(RECORDER.__class__("gate recorder"))
    yard.start()
    await yard.clock.advance(15.0)
    yard.silent.add("cabinet")
    await yard.clock.advance(120.0)

    missed = [e.at for e in yard.keeper.events if isinstance(e, PollMissed)]
    lost_at = yard.engine.state.units["cabinet"].lost_at
    assert missed == [1020.0, lost_at]
    await yard.stop()


async def test_listener_that_raises_disturbs_nothing() -> None:
    """A webhook's bug is not the recorder's."""
    yard = Yard()

    def fail(event: object) -> None:
        raise RuntimeError("no")

    yard.heard = type("Failing", (list,), {"append": staticmethod(fail)})()
    await in_outage(yard)
    await at_rest(yard)
    await yard.stop()


# Devices that come back


async def test_device_that_comes_back_by_itself_is_seen_after_two_looks_and_told_again() -> None:
    """A PC set to start on network traffic wakes up amid the outage: it is in danger again."""
    yard = await in_outage(Yard())
    await at_rest(yard)
    desk = yard.machines["desk"]
    yard.machines["yard switch"].start_s = desk.start_s = 0.0
    yard.machines["yard switch"].power_on()
    desk.power_on()
    on_at = yard.clock.monotonic()
    await yard.until(lambda: bool(yard.keeper.of(DeviceSeen)), within_s=100.0)
    seen = [e for e in yard.keeper.events if isinstance(e, DeviceSeen)]
    assert all(LOOK_EVERY_S <= e.at - on_at <= 2 * LOOK_EVERY_S + 4.0 for e in seen)

    await yard.until(lambda: desk.told(Act.STOP) == 2, within_s=60.0)
    await at_rest(yard)
    await yard.stop()


async def test_two_looks_count_only_one_after_the_other() -> None:
    """A machine on its way down may answer once, and a neighbour at its address once more."""
    yard = await in_outage(Yard(replace(DESK, path=())))
    await at_rest(yard)
    desk = yard.machines["desk"]
    desk.start_s = 0.0
    for _ in range(3):
        desk.power_on()
        await yard.clock.advance(LOOK_EVERY_S + 4.0)
        desk.off_at = yard.clock.monotonic()
        await yard.clock.advance(2 * LOOK_EVERY_S)

    assert not yard.keeper.of(DeviceSeen)
    assert yard.phases["desk"] is Phase.AT_REST
    await yard.stop()


# Taking up


def left(
    device: DeviceState,
    *,
    yard: Yard | None = None,
    heard_at: float = 995.0,
    supply: Supply = Supply.BATTERY,
    **unit: Any,
) -> SiteState:
    """Return the state that an agent left behind: the recorder's, and an outage."""
    state = initial((yard or Yard()).site)
    since_at = heard_at - 100.0
    cabinet = UnitState(
        supply, "left so", since_at, heard_at=heard_at, load_w=100.0,
        **{"on_battery_at": since_at if supply is Supply.BATTERY else None, **unit},
    )  # fmt: skip
    return replace(
        state,
        units={"cabinet": cabinet},
        devices={**state.devices, "gate recorder": device},
        outage_at=cabinet.on_battery_at,
        orders=1,
    )


def opened(*steps: tuple[str, str | None], deadline_at: float = 1100.0) -> DeviceState:
    order = Order("gate recorder", Task.REST, deadline_at, WHY)
    return DeviceState(
        Phase.RESTING,
        990.0,
        order=OpenOrder("gate recorder#1", order, 990.0, steps),
        is_ours=bool(steps),
    )


async def test_order_that_was_only_decided_is_withdrawn_at_the_next_start() -> None:
    """Nothing was sent, and things may have changed."""
    yard = Yard()
    yard.start(left(opened(), supply=Supply.MAINS, mains_at=900.0))
    await yard.clock.advance(60.0)

    (closed,) = [e for e in yard.keeper.events if isinstance(e, OrderClosed)]
    assert closed.ending is Ending.WITHDRAWN
    assert yard.phases["gate recorder"] is Phase.RUNNING
    assert yard.machines["gate recorder"].asked == []
    await yard.stop()


async def test_stop_once_begun_is_carried_through_though_mains_is_back() -> None:
    """Half a stop is the worst of both."""
    yard = Yard()
    yard.start(
        left(
            opened(("quiesce", "done"), ("confirm_quiesced", None)),
            supply=Supply.MAINS,
            mains_at=900.0,
        )
    )
    await yard.until(lambda: not yard.machines["gate recorder"].is_on, within_s=60.0)
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RUNNING, within_s=400.0)

    assert yard.machines["gate recorder"].is_on
    await yard.stop()


async def test_stop_in_doubt_is_looked_at_before_it_is_sent_again() -> None:
    """It may be on its way down already."""
    yard = Yard()
    yard.fail_mains()
    yard.start(left(opened(("quiesce", "done"), ("stop", None))))
    await at_rest(yard)

    acts = begun(yard.keeper.events, "gate recorder")
    assert acts[:2] == ["confirm_running", "stop"]
    await yard.stop()


async def test_order_left_long_past_its_deadline_is_closed_and_decided_anew() -> None:
    """The box was without power for an hour: what it wanted then is not what is wanted now."""
    yard = Yard()
    late = opened(("quiesce", "done"), deadline_at=1000.0 - EXPIRED_AFTER_S - 1.0)
    yard.start(left(late, heard_at=900.0, supply=Supply.MAINS, mains_at=800.0))
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.RUNNING, within_s=300.0)

    closed = [e for e in yard.keeper.events if isinstance(e, OrderClosed)]
    assert [(e.task, e.ending) for e in closed] == [
        (Task.REST, Ending.FAILED), (Task.START, Ending.RUNNING),
    ]  # fmt: skip
    assert closed[0].evidence == "the agent was away when its time ran out"
    assert [act for _, act in yard.machines["gate recorder"].received] == [Act.START]
    await yard.stop()


async def test_order_that_ran_out_while_nobody_was_there_is_given_anew_at_once() -> None:
    """The outage goes on: the agent's hour of absence is pause enough."""
    yard = Yard()
    yard.mains_failed_at["cabinet"] = 800.0
    late = opened(("quiesce", "done"), deadline_at=1000.0 - EXPIRED_AFTER_S - 1.0)
    yard.start(left(late, heard_at=938.0))
    await yard.clock.advance(5.0)

    given = [e for e in yard.keeper.events if isinstance(e, OrderGiven)]
    assert {e.order.device: e.at <= 1004.0 for e in given}["gate recorder"]
    await at_rest(yard)
    await yard.stop()


async def test_order_for_what_may_no_longer_be_touched_is_not_taken_up() -> None:
    """The owner put it on the no-touch list and restarted the agent."""
    yard = Yard(SWITCH, replace(RECORDER, no_touch=True), DESK)
    yard.start(left(opened(("quiesce", None)), yard=yard))
    await yard.clock.advance(300.0)

    assert yard.machines["gate recorder"].asked == []
    assert yard.phases["gate recorder"] is Phase.GIVEN_UP
    await yard.stop()


async def test_order_that_cannot_be_taken_up_keeps_nothing_else_from_being() -> None:
    """Our own fault in one device's order: the agent runs, and its short form goes out."""
    yard = Yard()
    yard.fail_mains()
    state = left(opened(("quiesce", "done")))
    odd = replace(state.devices["gate recorder"], told=None)  # type: ignore[arg-type]  # the fault
    yard.start(replace(state, devices={**state.devices, "gate recorder": odd}))
    await yard.until(lambda: yard.phases["desk"] is Phase.AT_REST, within_s=300.0)

    assert not yard.running.done()
    assert yard.phases["gate recorder"] is Phase.RESTING
    await yard.stop()


async def test_old_news_of_a_battery_stops_nothing_before_the_unit_is_heard() -> None:
    """Mains is back, the agent's box boots: its journal ends with an empty battery, an hour ago."""
    yard = Yard()
    yard.silent.add("cabinet")
    old = left(DeviceState(), heard_at=1000.0 - 3600.0, is_low=True, low_sign_at=0.0)
    yard.start(old)
    await yard.clock.advance(60.0)
    yard.silent.clear()
    await yard.clock.advance(300.0)

    assert not yard.keeper.of(OrderGiven)
    await yard.stop()


async def test_old_news_of_mains_starts_nothing_before_the_unit_is_heard() -> None:
    """The journal ends with mains; the box comes up in the next outage."""
    yard = Yard()
    yard.fail_mains()
    state = left(
        DeviceState(Phase.AT_REST, 0.0, is_ours=True),
        heard_at=500.0,
        supply=Supply.MAINS,
        mains_at=0.0,
    )
    yard.start(state)
    await yard.clock.advance(40.0)

    assert not [
        e for e in yard.keeper.events if isinstance(e, OrderGiven) and e.order.task is Task.START
    ]
    await yard.stop()


async def test_unit_that_stays_silent_after_a_restart_is_carried_on_with_in_the_end() -> None:
    """Not hearing from it is no reason to forget an outage."""
    yard = Yard()
    yard.silent.add("cabinet")
    yard.start(left(DeviceState(), heard_at=1000.0 - 3600.0))
    await yard.clock.advance(115.0)
    assert not yard.keeper.of(OrderGiven)

    await at_rest(yard)
    await yard.stop()


async def test_short_gap_costs_no_time() -> None:
    """Restarted within seconds on a low battery, it goes on at once."""
    yard = Yard()
    yard.silent.add("cabinet")
    yard.start(left(DeviceState(), is_low=True, low_sign_at=900.0))
    await yard.clock.advance(1.0)

    assert {e.order.device for e in yard.keeper.events if isinstance(e, OrderGiven)} == {
        "gate recorder",
        "desk",
    }
    await yard.stop()


async def test_nothing_is_decided_before_what_was_left_open_is_taken_up() -> None:
    """A reading that comes first must not have an order given twice."""
    yard = Yard()
    yard.keeper.takes_s = 0.5
    yard.fail_mains()
    yard.start(left(opened(("quiesce", "done"), ("stop", "done")), is_low=True, low_sign_at=900.0))
    await at_rest(yard)

    closed = [
        e for e in yard.keeper.events if isinstance(e, OrderClosed) and e.device == "gate recorder"
    ]
    assert [(e.order_id, e.ending) for e in closed] == [("gate recorder#1", Ending.AT_REST)]
    await yard.stop()


# Running and ending


@pytest.mark.parametrize("after_s", [0.0, 66.0, 66.3, 75.0, 96.0, 110.0])
async def test_ending_in_an_outage_stops_no_device_and_leaves_no_task(after_s: float) -> None:
    """Restarting the service is harmless at any moment."""
    yard = Yard()
    with no_task_left():
        await in_outage(yard)
        await yard.clock.advance(after_s)
        told = {name: len(machine.received) for name, machine in yard.machines.items()}
        await yard.stop()

    assert {name: len(machine.received) for name, machine in yard.machines.items()} == told
    assert isinstance(yard.keeper.events[-1], AgentEnded)
    assert yard.keeper.snapshots[-1] == yard.engine.state
    assert all(driver.closed == 1 for driver in yard.scripted.values() if driver.acts)


async def test_run_begins_and_end_ends_the_journal() -> None:
    """Between the two, the agent was there."""
    yard = Yard()
    yard.start()
    await yard.clock.advance(5.0)
    await yard.stop()

    assert yard.keeper.events[0] == AgentStarted(1000.0, "test", False)
    assert yard.keeper.events[-1] == AgentEnded(1005.0, "the test is over")


async def test_state_is_snapshotted_now_and_then() -> None:
    """A start after a year folds minutes, not a year."""
    yard = Yard(RECORDER.__class__("gate recorder"))
    yard.start()
    await yard.clock.advance(901.0)

    assert len(yard.keeper.snapshots) == 3
    await yard.stop()


async def test_two_units_are_judged_apart() -> None:
    """What hangs on the other cabinet goes on."""
    shed = replace(CABINET, name="shed")
    apart = replace(DESK, path=(), feeds=("shed",))
    yard = Yard(SWITCH, RECORDER, apart, units=(CABINET, shed))
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains("cabinet")
    await yard.until(lambda: yard.phases["yard switch"] is Phase.AT_REST, within_s=400.0)

    assert yard.phases["desk"] is Phase.RUNNING
    assert yard.machines["desk"].received == []
    await yard.stop()


async def test_hanging_device_delays_no_decision() -> None:
    """The desk hangs for good; recorder and readings go on to the second."""
    yard = Yard()
    yard.scripted["desk"].always = dict.fromkeys(Act, machines.hang_deaf)
    await in_outage(yard)
    await yard.until(lambda: yard.phases["gate recorder"] is Phase.AT_REST, within_s=200.0)

    stop_at = yard.stopped_at("gate recorder")
    given = next(e.at for e in yard.keeper.events if isinstance(e, OrderGiven))
    assert stop_at - given <= 3 * TALK_S
    assert yard.phases["desk"] is Phase.RESTING
    await yard.stop()
    await yard.clock.advance(7200.0)


async def test_engine_needs_no_journal_of_ours() -> None:
    """Whatever keeps events the way of `Keeper` will do."""
    clock = FakeClock(at=5.0)
    yard = Yard(SWITCH)
    keeper = ScriptedKeeper(clock)
    engine = Engine(
        yard.site, {"yard switch": {}}, clock=clock, journal=keeper,
        state=initial(yard.site), settings=Settings("test"),
    )  # fmt: skip
    await engine.notice("info", "yard switch", "hello")
    await engine.end("at once")
    assert notices(keeper.events) == ["hello"]
