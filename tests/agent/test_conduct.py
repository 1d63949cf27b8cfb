"""Orders carried out: in order, journalled before and after, and each by itself."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from itertools import pairwise

import pytest

from agent.conduct.conduct import Conductor
from agent.conduct.perform import LET_GO_S
from agent.conduct.steps import LEAST_S, PAUSES_S
from drivers.base import Act, Outcome, Repeat, Verdict
from policies.comeback import START_RETRIES
from policies.events import Ending, OrderClosed, StepBegan, StepEnded
from policies.model import Device, Order, Role, Starts, Task
from policies.reasons import mains_back
from policies.state import DeviceState, OpenOrder, Phase
from policies.supply import Supply, UnitState
from tests.agent import machines
from tests.agent.benches import LATEST, WHY, Bench, begun, ended, endings, no_task_left, notices
from tests.agent.machines import LOOK_EVERY_S, REST_ACTS, TALK_S, Scripted

GATE = Device(
    "gate recorder", Role.RECORDER, path=("yard switch",), quiesce_s=10.0, stop_s=20.0,
    settle_s=10.0, starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip
SLIP = replace(GATE, name="slip recorder", path=())
SWITCH = Device("yard switch", Role.SWITCH, stop_s=10.0)
WHOLE = ["quiesce", "confirm_quiesced", "stop", "confirm_gone"]


def bench(*devices: Device, seed: int = 0) -> tuple[Bench, Conductor]:
    stand = Bench(*(devices or (SLIP,)), seed=seed)
    return stand, stand()


async def rested(stand: Bench, name: str = "slip recorder", *, within_s: float = 400.0) -> str:
    """Wait until the device's order has ended; return the evidence."""
    await stand.until(lambda: name in endings(stand.keeper.events), within_s=within_s)
    return endings(stand.keeper.events)[name][1]


# In order, and journalled


async def test_recorder_is_quiesced_confirmed_stopped_and_seen_gone_in_that_order() -> None:
    """A recorder told to power off while it writes may lose its last file."""
    stand, conductor = bench()
    stand.give("slip recorder")
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == WHOLE
    assert endings(stand.keeper.events)["slip recorder"][0] is Ending.AT_REST
    assert not stand.machines["slip recorder"].is_on
    assert conductor.busy == frozenset()


async def test_intent_is_durable_before_the_driver_is_asked() -> None:
    """After a crash the journal knows of everything that may have been sent."""
    stand, _ = bench()
    stand.keeper.takes_s = 0.4
    stand.give("slip recorder")
    await rested(stand)

    began = [e for e in stand.keeper.events if isinstance(e, StepBegan)]
    asked = stand.machines["slip recorder"].asked
    assert [e.act for e in began] == [act.value for _, act in asked]
    for event, (at, _) in zip(began, asked, strict=True):
        assert at == pytest.approx(event.at + 0.4)


async def test_outcome_with_all_its_evidence_is_journalled() -> None:
    """The hand-over report shows what went over the wire."""
    stand, _ = bench()
    stand.give("slip recorder")
    await rested(stand)

    stop = next(e for e in stand.keeper.events if isinstance(e, StepEnded) and e.act == "stop")
    assert (stop.verdict, stop.evidence, stop.sent) == ("done", "stop accepted", ("stop it",))


async def test_device_that_can_only_be_quiesced_is_at_rest_then() -> None:
    """A recording job on a PC that stays on: its files are closed, power may go."""
    stand, conductor = bench(replace(SLIP, stop_s=None))
    stand.fit("slip recorder", {a: REST_ACTS[a] for a in (Act.QUIESCE, Act.CONFIRM_QUIESCED)})
    stand.give("slip recorder")
    evidence = await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == ["quiesce", "confirm_quiesced"]
    assert stand.phase("slip recorder") is Phase.AT_REST
    assert "may lose power now" in evidence
    assert conductor.busy == frozenset()


async def test_quiescing_that_nothing_can_confirm_is_given_its_time() -> None:
    """What it writes to would else be stopped while it still closes its files."""
    stand, _ = bench(replace(SLIP, stop_s=None))
    stand.fit("slip recorder", {Act.QUIESCE: Repeat.SAFE})
    began_at = stand.clock.monotonic()
    stand.give("slip recorder")
    evidence = await rested(stand)

    closed = next(e for e in stand.keeper.events if isinstance(e, OrderClosed))
    assert SLIP.quiesce_s is not None
    assert closed.at >= began_at + SLIP.quiesce_s
    assert "nothing can confirm it" in evidence


async def test_hurrying_a_device_that_is_only_quiesced_changes_nothing() -> None:
    """Its quiescing is all there is; to cut it short would save nothing."""
    stand, _ = bench(replace(SLIP, stop_s=None))
    driver = stand.fit("slip recorder", {Act.QUIESCE: Repeat.SAFE})
    driver.script[Act.QUIESCE].append(machines.refuse)
    stand.give("slip recorder", in_short=True)
    await rested(stand)

    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_device_without_drivers_fails_with_a_sentence() -> None:
    """A driver package that was removed must not leave its device coming to rest for ever."""
    stand, _ = bench()
    stand.drivers["slip recorder"] = {}
    stand.give("slip recorder")
    evidence = await rested(stand)

    assert stand.phase("slip recorder") is Phase.GIVEN_UP
    assert "site's file" in evidence


async def test_failed_order_is_said_to_people_once() -> None:
    """What could not be saved is said at once."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.STOP] = machines.refuse
    stand.give("slip recorder")
    await rested(stand)

    assert notices(stand.keeper.events) == [
        "slip recorder could not be brought to rest: it said no; check the password"
    ]


# Trying again


async def test_silence_is_tried_again_with_growing_jittered_pauses_until_the_deadline() -> None:
    """A switch that reboots takes a minute; the recorder behind it is told after that."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.STOP] = quick_silence
    stand.give("slip recorder", within_s=120.0, in_short=True)
    await rested(stand)

    tries = [at for at, act in stand.machines["slip recorder"].asked if act is Act.STOP]
    pauses = [later - earlier - TALK_S for earlier, later in pairwise(tries)]
    assert len(pauses) > 10
    for number, pause in enumerate(pauses[:-1]):
        longest_s = PAUSES_S[min(number, len(PAUSES_S) - 1)]
        assert 0.5 * longest_s <= pause <= longest_s
    assert tries[-1] == pytest.approx(1120.0 - LEAST_S), "the last comes right before the end"
    assert stand.phase("slip recorder") is Phase.GIVEN_UP


async def quick_silence(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
    await driver.sleep(TALK_S)
    return Outcome(act, Verdict.NO_ANSWER, "nothing was heard")


@pytest.mark.parametrize("other", [7, 8])
async def test_pauses_depend_on_the_seed_and_the_order_alone(other: int) -> None:
    """A run can be repeated to the moment, and two devices never knock in step."""

    async def tries(*names: str, seed: int) -> list[float]:
        stand, _ = bench(*(replace(SLIP, name=name) for name in names), seed=seed)
        for name in names:
            stand.scripted[name].always[Act.STOP] = quick_silence
            stand.give(name, in_short=True)
        await rested(stand, names[0])
        return [at for at, act in stand.machines[names[0]].asked if act is Act.STOP]

    alone = await tries("slip recorder", seed=7)
    assert (await tries("slip recorder", "desk", seed=other) == alone) is (other == 7)


async def test_busy_device_is_asked_until_it_takes_the_order() -> None:
    """HTTP status 503: it was not taken, and may be in a moment."""
    stand, _ = bench()
    stand.scripted["slip recorder"].script[Act.STOP].extend([machines.busy] * 4)
    stand.give("slip recorder")
    await rested(stand)

    assert stand.machines["slip recorder"].told(Act.STOP) == 1
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_failed_quiescing_does_not_keep_it_from_being_stopped() -> None:
    """A recorder powered off unquiesced may lose a minute; one that is not, a disk."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.QUIESCE] = machines.refuse
    stand.give("slip recorder", why=LATEST)
    evidence = await rested(stand)

    assert stand.phase("slip recorder") is Phase.AT_REST
    assert evidence.endswith("quiescing it: it said no; check the password")


async def test_hung_quiescing_leaves_time_for_another_try_and_for_the_stop() -> None:
    """One hung session must not cost the recording."""
    stand, _ = bench()
    stand.scripted["slip recorder"].script[Act.QUIESCE].append(machines.hang)
    stand.give("slip recorder", within_s=100.0)
    await rested(stand)

    assert stand.machines["slip recorder"].quiesced_at is not None
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_quiescing_that_is_not_confirmed_is_sent_again() -> None:
    """A recorder that says yes and goes on recording is told once more."""
    stand, _ = bench()
    stand.scripted["slip recorder"].script[Act.QUIESCE].append(machines.lie)
    stand.give("slip recorder")
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder").count("quiesce") == 2
    assert stand.machines["slip recorder"].told(Act.QUIESCE) == 1
    assert stand.machines["slip recorder"].told(Act.STOP) == 1


async def test_quiescing_never_takes_the_time_that_the_stop_needs() -> None:
    """Whatever hangs first, the stop still begins while it can end in time."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.QUIESCE] = machines.hang
    stand.give("slip recorder", within_s=90.0)
    await rested(stand)

    (stopped_at,) = [at for at, act in stand.machines["slip recorder"].received if act is Act.STOP]
    assert stopped_at <= 1090.0 - 20.0 - 10.0
    assert stand.phase("slip recorder") is Phase.AT_REST


# In doubt


async def test_dropped_stop_leads_to_looking_and_is_believed_only_when_gone() -> None:
    """A connection that breaks after "power off" is success only if the device is gone."""
    stand, _ = bench()
    stand.scripted["slip recorder"].script[Act.STOP].append(machines.drop_after)
    stand.give("slip recorder")
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == WHOLE
    assert stand.phase("slip recorder") is Phase.AT_REST
    assert stand.machines["slip recorder"].told(Act.STOP) == 1


async def test_dropped_stop_that_took_no_effect_is_sent_again_after_a_look() -> None:
    """The other half: it broke before the device heard it."""
    stand, _ = bench()
    stand.scripted["slip recorder"].script[Act.STOP].append(machines.drop_before)
    stand.give("slip recorder", within_s=200.0)
    await rested(stand)

    acts = begun(stand.keeper.events, "slip recorder")
    assert acts == [*WHOLE, "confirm_running", "stop", "confirm_gone"]
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_lying_device_is_not_believed() -> None:
    """It says "done" and stays: the owner must hear of it, and nothing be cut beneath it."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.STOP] = machines.lie
    stand.give("slip recorder", within_s=200.0)
    evidence = await rested(stand)

    assert stand.phase("slip recorder") is Phase.GIVEN_UP
    assert evidence == "confirm_gone: not seen"
    assert stand.keeper.events[-2].at <= 1200.0 + 1.0


@pytest.mark.parametrize(
    "behaviour",
    [machines.drop_before, machines.garble, machines.hang, machines.fail, machines.lie],
    ids=lambda b: b.__name__,
)
async def test_act_that_must_never_be_repeated_is_sent_once(behaviour: machines.Behaviour) -> None:
    """Such as a toggling relay: a second press would undo the first."""
    stand, _ = bench()
    driver = stand.fit("slip recorder", {**REST_ACTS, Act.STOP: Repeat.NEVER})
    driver.always[Act.STOP] = behaviour
    for within_s in (200.0, 200.0):
        stand.give("slip recorder", within_s=within_s)
        await stand.until(lambda: not stand.conductor.busy, within_s=300.0)

    assert begun(stand.keeper.events, "slip recorder").count("stop") == 1
    assert stand.phase("slip recorder") is Phase.GIVEN_UP


@pytest.mark.parametrize("behaviour", [machines.refuse, quick_silence, machines.busy])
async def test_act_known_to_have_had_no_effect_may_be_sent_again(
    behaviour: machines.Behaviour,
) -> None:
    """Even what must never be repeated, since it was never taken."""
    stand, _ = bench()
    driver = stand.fit("slip recorder", {**REST_ACTS, Act.STOP: Repeat.NEVER})
    driver.script[Act.STOP].append(behaviour)
    stand.give("slip recorder", why=LATEST)
    await rested(stand)

    assert stand.machines["slip recorder"].told(Act.STOP) == 1
    assert stand.phase("slip recorder") is Phase.AT_REST


@pytest.mark.parametrize(
    ("repeat", "told"), [(Repeat.SAFE, 2), (Repeat.LOOK_FIRST, 1)], ids=lambda x: str(x)
)
async def test_dropped_stop_that_nobody_can_look_at(repeat: Repeat, told: int) -> None:
    """Without any means to look, only what is harmless goes out again; in doubt is not at rest."""
    stand, _ = bench()
    driver = stand.fit("slip recorder", {Act.STOP: repeat})
    driver.script[Act.STOP].append(machines.drop_after)
    stand.machines["slip recorder"].stop_s = 30.0
    stand.give("slip recorder", within_s=100.0)
    evidence = await rested(stand)

    assert stand.machines["slip recorder"].told(Act.STOP) == told
    ending = Ending.AT_REST if repeat is Repeat.SAFE else Ending.FAILED
    assert endings(stand.keeper.events)["slip recorder"][0] is ending
    assert ("nothing can tell" in evidence) is (repeat is Repeat.LOOK_FIRST)


async def test_stop_that_nobody_can_verify_is_given_its_whole_time() -> None:
    """What cannot be seen to be gone is at least not cut while it writes."""
    stand, _ = bench()
    stand.fit("slip recorder", {Act.STOP: Repeat.SAFE})
    stand.give("slip recorder", within_s=40.0)
    evidence = await rested(stand)

    closed = next(e for e in stand.keeper.events if isinstance(e, OrderClosed))
    assert closed.at >= 1000.0 + TALK_S + SLIP.stop_s + SLIP.settle_s  # type: ignore[operator]  # it has a stop
    assert "nothing can verify it" in evidence


async def test_slowly_stopping_device_is_waited_for_and_not_told_twice() -> None:
    """A PC that installs updates on its way down goes silent late; another order is in vain."""
    stand, _ = bench()
    stand.machines["slip recorder"].stop_s = 60.0
    stand.machines["slip recorder"].reached = lambda: stand.clock.monotonic() < 1020.0
    stand.give("slip recorder", within_s=300.0)
    await rested(stand)

    assert stand.machines["slip recorder"].told(Act.STOP) == 1
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_device_that_went_after_its_deadline_is_found_gone_by_the_next_order() -> None:
    """It was told, it took too long, it is off: that is a success, if a late one."""
    stand, _ = bench()
    stand.machines["slip recorder"].stop_s = 60.0
    stand.give("slip recorder", within_s=40.0)
    await rested(stand)
    assert stand.phase("slip recorder") is Phase.GIVEN_UP

    await stand.clock.advance(30.0)
    told = begun(stand.keeper.events, "slip recorder").count("stop")
    stand.give("slip recorder", within_s=60.0)
    await stand.until(lambda: not stand.conductor.busy, within_s=70.0)
    assert stand.phase("slip recorder") is Phase.AT_REST
    assert begun(stand.keeper.events, "slip recorder").count("stop") == told


@pytest.mark.parametrize("repeat", list(Repeat))
async def test_device_that_is_still_off_is_at_rest_again(repeat: Repeat) -> None:
    """The next outage comes before it is back: its silence is no failure to stop it."""
    stand, _ = bench()
    stand.fit("slip recorder", {**REST_ACTS, Act.STOP: repeat})
    stand.give("slip recorder")
    await rested(stand)
    stand.keeper.events.clear()
    stand.give("slip recorder")
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == ["confirm_running", "confirm_gone"]
    assert stand.phase("slip recorder") is Phase.AT_REST


@pytest.mark.parametrize("repeat", list(Repeat))
async def test_device_that_came_back_unseen_is_stopped_again(repeat: Repeat) -> None:
    """It was off, somebody switched it on: that it was told an hour ago is no matter."""
    stand, _ = bench()
    stand.fit("slip recorder", {**REST_ACTS, Act.STOP: repeat})
    stand.give("slip recorder")
    await rested(stand)
    stand.machines["slip recorder"].power_on()
    await stand.clock.advance(40.0)
    stand.keeper.events.clear()
    stand.give("slip recorder")
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == ["confirm_running", *WHOLE]
    assert stand.machines["slip recorder"].told(Act.STOP) == 2
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_verification_that_answers_at_once_is_not_asked_without_pause() -> None:
    """A look that takes no time must not fill the journal, nor keep the loop from the others."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.CONFIRM_GONE] = machines.not_yet_at_once
    stand.give("slip recorder", within_s=120.0)
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder").count("confirm_gone") < 40
    assert stand.phase("slip recorder") is Phase.GIVEN_UP


@pytest.mark.parametrize(
    "behaviour", [machines.fail, machines.give_up, machines.return_nothing, machines.hang_deaf]
)
async def test_broken_driver_costs_its_own_device_only(behaviour: machines.Behaviour) -> None:
    """Other people's drivers run in the same process as the one that saves the recorder."""
    stand, _ = bench(SLIP, replace(SLIP, name="odd box"))
    stand.scripted["odd box"].always = dict.fromkeys(Act, behaviour)
    stand.give("odd box")
    stand.give("slip recorder")
    await rested(stand, "odd box")
    await rested(stand)

    assert stand.phase("odd box") is Phase.GIVEN_UP
    assert stand.phase("slip recorder") is Phase.AT_REST
    assert "hunter2" not in repr(stand.keeper.events)
    await stand.clock.advance(7200.0)


async def test_driver_that_cannot_even_say_what_it_can_do_fails_its_order() -> None:
    """Our own code meets it outside of any act: still no other device's trouble."""

    class Unsayable(Scripted):
        @property
        def acts(self) -> dict[Act, Repeat]:
            raise RuntimeError("no acts today")

    stand, _ = bench()
    driver = Unsayable(stand.machines["slip recorder"], {})
    stand.drivers["slip recorder"] = dict.fromkeys(stand.drivers["slip recorder"], driver)
    stand.give("slip recorder")
    evidence = await rested(stand)

    assert evidence == "lastwatt's own code failed (RuntimeError)"
    assert stand.phase("slip recorder") is Phase.GIVEN_UP


@pytest.mark.parametrize("repeat", [Repeat.LOOK_FIRST, Repeat.NEVER])
@pytest.mark.parametrize("verdict", ["done", None], ids=["done", "in doubt"])
async def test_quiescing_that_nobody_can_confirm_is_not_sent_blindly_again(
    repeat: Repeat, verdict: str | None
) -> None:
    """Taken up after a restart: what was acknowledged counts, what is in doubt does not."""
    stand, conductor = bench(replace(SLIP, stop_s=None))
    stand.fit("slip recorder", {Act.QUIESCE: repeat})
    order = Order("slip recorder", Task.REST, 1100.0, WHY)
    opened = OpenOrder("slip recorder#1", order, 990.0, (("quiesce", verdict),))
    left = DeviceState(Phase.RESTING, order=opened, is_ours=True)
    stand.state = replace(stand.state, devices={"slip recorder": left})
    conductor.resume(opened)
    evidence = await rested(stand)

    assert stand.machines["slip recorder"].asked == []
    assert stand.phase("slip recorder") is (Phase.AT_REST if verdict else Phase.GIVEN_UP)
    assert ("was quiesced before" if verdict else "nothing can confirm it") in evidence


async def test_quiescing_in_doubt_that_is_harmless_is_sent_again() -> None:
    """Even where nobody can look."""
    stand, conductor = bench(replace(SLIP, stop_s=None))
    stand.fit("slip recorder", {Act.QUIESCE: Repeat.SAFE})
    order = Order("slip recorder", Task.REST, 1100.0, WHY)
    opened = OpenOrder("slip recorder#1", order, 990.0, (("quiesce", None),))
    left = DeviceState(Phase.RESTING, order=opened, is_ours=True)
    stand.state = replace(stand.state, devices={"slip recorder": left})
    conductor.resume(opened)
    await rested(stand)

    assert stand.machines["slip recorder"].told(Act.QUIESCE) == 1
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_resumed_start_is_given_the_device_s_own_time() -> None:
    """It takes two minutes to come up, and its order's deadline passed while nobody was there."""
    stand, conductor = bench(replace(SLIP, start_s=200.0))
    stand.machines["slip recorder"].start_s = 150.0
    stand.machines["slip recorder"].power_on()
    order = Order("slip recorder", Task.START, 990.0, WHY)
    opened = OpenOrder("slip recorder#1", order, 900.0, (("start", "done"),))
    left = DeviceState(Phase.STARTING, order=opened, is_ours=True)
    stand.state = replace(stand.state, devices={"slip recorder": left})
    conductor.resume(opened)
    await rested(stand)

    assert stand.phase("slip recorder") is Phase.RUNNING


# Paths


def behind_switch() -> Bench:
    stand, _ = bench(GATE, SWITCH)
    switch = stand.machines["yard switch"]
    stand.machines["gate recorder"].reached = lambda: switch.is_on
    stand.scripted["gate recorder"].always[Act.STOP] = machines.lie
    return stand


async def test_silence_behind_a_silent_path_is_no_proof_of_rest() -> None:
    """A switch that died makes every recorder behind it look off, while they still write."""
    stand = behind_switch()
    stand.give("gate recorder", within_s=150.0)
    await stand.clock.advance(5.0)
    stand.machines["yard switch"].off_at = stand.clock.monotonic()
    evidence = await rested(stand, "gate recorder")

    assert stand.phase("gate recorder") is Phase.GIVEN_UP
    assert evidence == (
        "it no longer answers, but neither did its path all the time (yard switch): "
        "no proof of rest"
    )


async def test_silence_counts_once_the_path_is_back() -> None:
    """The switch rebooted meanwhile: the recorder that stays silent then is off."""
    stand = behind_switch()
    del stand.scripted["gate recorder"].always[Act.STOP]
    switch = stand.machines["yard switch"]
    stand.give("gate recorder", within_s=300.0)
    await stand.clock.advance(5.0)
    switch.off_at = stand.clock.monotonic()
    await stand.clock.advance(60.0)
    assert stand.phase("gate recorder") is Phase.RESTING

    switch.power_on()
    await rested(stand, "gate recorder")
    assert stand.phase("gate recorder") is Phase.AT_REST
    assert stand.machines["gate recorder"].told(Act.STOP) == 1


@pytest.mark.parametrize("back_after_s", [10.5, 13.0, 18.0])
async def test_path_that_comes_back_while_it_is_looked_at_is_no_proof(back_after_s: float) -> None:
    """It rebooted, and the recorder behind it never heard of a stop."""
    stand = behind_switch()
    switch = stand.machines["yard switch"]
    switch.start_s = back_after_s
    stand.give("gate recorder", within_s=100.0)
    await stand.clock.advance(5.0)
    switch.off_at = stand.clock.monotonic()
    switch.power_on()
    await rested(stand, "gate recorder")

    assert stand.machines["gate recorder"].is_on
    assert stand.phase("gate recorder") is Phase.GIVEN_UP


async def test_path_that_is_at_rest_itself_carries_no_proof() -> None:
    """Out of order, or by hand: what is off cannot show that what lies behind it is, too."""
    stand = behind_switch()
    stand.drivers["yard switch"] = {}
    off = DeviceState(phase=Phase.AT_REST)
    stand.state = replace(stand.state, devices={**stand.state.devices, "yard switch": off})
    stand.machines["yard switch"].off_at = stand.clock.monotonic() + 10.0
    stand.give("gate recorder")
    evidence = await rested(stand, "gate recorder")

    assert stand.phase("gate recorder") is Phase.GIVEN_UP
    assert "no proof of rest" in evidence


async def test_path_that_answers_at_all_is_alive() -> None:
    """A switch that refuses our login has proved that the network reaches it."""
    stand = behind_switch()
    del stand.scripted["gate recorder"].always[Act.STOP]
    stand.scripted["yard switch"].always[Act.CONFIRM_RUNNING] = machines.refuse
    stand.give("gate recorder")
    await rested(stand, "gate recorder")

    assert stand.phase("gate recorder") is Phase.AT_REST


# Hurry


async def test_order_in_short_leaves_the_quiescing_out() -> None:
    """The battery is low: the stop goes first, and closes files by itself as well as it can."""
    stand, _ = bench()
    stand.give("slip recorder", in_short=True)
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == ["stop", "confirm_gone"]


@pytest.mark.parametrize("after_s", [0.0, 0.1, 2.0, 12.0, 26.3])
async def test_order_hurried_at_any_moment_of_quiescing_goes_to_the_stop(after_s: float) -> None:
    """In mid-act, in a pause between two tries, or before the first: at once in every case."""
    stand, _ = bench()
    driver = stand.scripted["slip recorder"]
    driver.always[Act.QUIESCE] = machines.hang
    stand.give("slip recorder", within_s=300.0)
    await stand.clock.advance(after_s)
    stand.give("slip recorder", in_short=True)
    hurried_at = stand.clock.monotonic()
    await rested(stand)

    (told_at,) = [at for at, act in stand.machines["slip recorder"].received if act is Act.STOP]
    assert told_at - hurried_at <= TALK_S + LET_GO_S
    assert stand.phase("slip recorder") is Phase.AT_REST
    assert "cut short" in endings(stand.keeper.events)["slip recorder"][1] or after_s == 0.0


async def test_hurried_order_keeps_its_id_and_takes_the_new_deadline() -> None:
    """Its steps belong to the order that the journal holds open, or it would never be closed."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always[Act.STOP] = quick_silence
    stand.give("slip recorder", within_s=600.0)
    await stand.clock.advance(1.0)
    stand.give("slip recorder", within_s=50.0, in_short=True)
    await rested(stand)

    (closed,) = [e for e in stand.keeper.events if isinstance(e, OrderClosed)]
    assert closed.order_id == "slip recorder#1"
    assert closed.at <= 1051.0
    assert stand.state.devices["slip recorder"].order is None


async def test_the_same_order_again_changes_nothing() -> None:
    """Only the short form of a running order means anything."""
    stand, _ = bench()
    stand.give("slip recorder")
    await stand.clock.advance(0.1)
    stand.give("slip recorder")
    await rested(stand)

    assert begun(stand.keeper.events, "slip recorder") == WHOLE


# Side by side


async def test_hanging_devices_delay_no_other_however_many_they_are() -> None:
    """Forty dead cameras must not keep the one recorder waiting."""
    dead = [replace(SLIP, name=f"camera {number}") for number in range(40)]
    stand, _ = bench(*dead, SLIP)
    for device in dead:
        stand.scripted[device.name].always = dict.fromkeys(Act, machines.hang)
        stand.give(device.name, within_s=900.0)
    stand.give("slip recorder")
    await stand.clock.advance(0.0)
    assert stand.machines["slip recorder"].asked[0] == (1000.0, Act.QUIESCE)

    await rested(stand)
    assert len(stand.conductor.busy) == 40


@pytest.mark.parametrize("takes_s", [0.0, 0.5])
async def test_failing_journal_does_not_stop_a_stop(takes_s: float) -> None:
    """A full or stuck disk answers no at the latest after half a second; stops go on."""
    stand, _ = bench()
    stand.keeper.works, stand.keeper.takes_s = False, takes_s
    stand.give("slip recorder")
    await rested(stand)

    assert stand.phase("slip recorder") is Phase.AT_REST
    (told_at,) = [at for at, act in stand.machines["slip recorder"].received if act is Act.STOP]
    assert told_at <= 1000.0 + 5 * takes_s + 3 * TALK_S + LOOK_EVERY_S


async def test_slow_journal_takes_nothing_from_the_driver_s_time() -> None:
    """Near its deadline an act still gets a whole second."""
    stand, _ = bench()
    stand.keeper.takes_s = 0.5
    deadlines: list[float] = []

    async def note(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
        deadlines.append(deadline_at - driver.now)
        return await machines.silent(driver, act, deadline_at)

    stand.scripted["slip recorder"].always[Act.STOP] = note
    stand.give("slip recorder", within_s=0.5, in_short=True)
    await rested(stand)

    assert deadlines == [pytest.approx(LEAST_S)]


# Dry run


async def test_dry_run_ends_assumed_and_counts_as_no_rest() -> None:
    """A rehearsal walks the same way; what feeds it is not cut for that."""
    stand, _ = bench(replace(SLIP, dry_run=True))
    stand.give("slip recorder")
    await rested(stand)

    state = stand.state.devices["slip recorder"]
    assert (state.phase, state.is_assumed) == (Phase.AT_REST, True)
    assert ended(stand.keeper.events, "slip recorder")[0] == ("quiesce", "assumed")
    assert stand.machines["slip recorder"].received == []


async def test_driver_that_forgets_a_dry_run_proves_nothing() -> None:
    """What it claims to have done in a rehearsal is not taken for rest."""
    stand, _ = bench(replace(SLIP, dry_run=True))
    stand.scripted["slip recorder"].always = dict.fromkeys(Act, machines.lie)
    stand.give("slip recorder")
    await rested(stand)

    assert stand.state.devices["slip recorder"].is_assumed


async def test_driver_that_only_assumes_in_earnest_has_done_nothing() -> None:
    """It would else be taken for at rest, or told for ever."""
    stand, _ = bench()
    stand.scripted["slip recorder"].always = dict.fromkeys(Act, machines.assume)
    stand.give("slip recorder")
    evidence = await rested(stand)

    assert stand.phase("slip recorder") is Phase.GIVEN_UP
    assert "sent nothing" in evidence


# Bringing back


async def returned(stand: Bench, *, within_s: float = 90.0) -> str:
    stand.give("slip recorder", task=Task.START, within_s=within_s)
    await stand.until(lambda: not stand.conductor.busy, within_s=within_s + 5.0)
    await stand.clock.advance(0.0)
    return endings(stand.keeper.events)["slip recorder"][1]


def off(stand: Bench) -> None:
    stand.machines["slip recorder"].off_at = stand.clock.monotonic()


async def test_start_is_confirmed_by_seeing_it_run() -> None:
    """A wake-up that was sent is not a recorder that records."""
    stand, _ = bench()
    off(stand)
    await returned(stand)

    assert begun(stand.keeper.events, "slip recorder") == ["start", "confirm_running"]
    assert stand.phase("slip recorder") is Phase.RUNNING
    assert stand.machines["slip recorder"].is_on


async def test_start_that_does_not_come_up_needs_a_hand() -> None:
    """It is named, loudly."""
    stand, _ = bench()
    off(stand)
    stand.scripted["slip recorder"].always[Act.START] = machines.lie
    await returned(stand)

    assert stand.phase("slip recorder") is Phase.NEEDS_HAND
    assert notices(stand.keeper.events) == ["slip recorder is not back: confirm_running: not seen"]


@pytest.mark.parametrize(("is_in_doubt", "sent"), [(True, True), (False, False)])
async def test_recorder_that_was_quiesced_is_started_though_its_stop_may_have_been_sent(
    is_in_doubt: bool, sent: bool
) -> None:
    """The agent was killed before the stop went out: it ran on, and recorded nothing."""
    stand, _ = bench()
    acts = {**REST_ACTS, Act.STOP: Repeat.NEVER, Act.START: Repeat.LOOK_FIRST}
    stand.fit("slip recorder", acts)
    told = frozenset({"quiesce", "stop"})
    failed = DeviceState(
        Phase.GIVEN_UP, is_ours=True, told=told, changed=told, is_stop_in_doubt=is_in_doubt
    )
    stand.state = replace(stand.state, devices={"slip recorder": failed})
    await returned(stand)

    assert ("start" in begun(stand.keeper.events, "slip recorder")) is sent
    assert stand.phase("slip recorder") is Phase.RUNNING


async def test_start_is_withdrawn_by_the_state_that_it_was_decided_on() -> None:
    """After a restart old news of a unit counts in one only: given and withdrawn for ever."""
    stand, _ = bench()
    off(stand)
    now = stand.clock.monotonic()
    old = UnitState(supply=Supply.BATTERY, on_battery_at=now - 50.0, heard_at=now - 40.0)
    fresh = UnitState(supply=Supply.MAINS, mains_at=now - 500.0, heard_at=now)
    stand.state = replace(stand.state, units={"cabinet": fresh, "loft": old})
    stand.decided_on = replace(stand.state, units={"cabinet": fresh})
    stand.give("slip recorder", task=Task.START, why=mains_back(500.0))
    await stand.until(lambda: not stand.conductor.busy, within_s=95.0)

    assert stand.machines["slip recorder"].told(Act.START) == 1


STAYS_OFF = "slip recorder stays off: it waits for loft store, which is not back"


@pytest.mark.parametrize(
    ("store", "said"),
    [
        (
            DeviceState(Phase.AT_REST, is_ours=True),
            [f"{STAYS_OFF} and is tried again"],
        ),
        (DeviceState(Phase.NEEDS_HAND, is_ours=True, attempts=1), []),
        (
            DeviceState(Phase.NEEDS_HAND, is_ours=True, attempts=START_RETRIES - 1),
            [STAYS_OFF],
        ),
    ],
    ids=["first try", "second try", "last try"],
)
async def test_what_waits_for_a_store_that_is_not_back_is_named(
    store: DeviceState, said: list[str]
) -> None:
    """Nobody would know that the recorder stays off, and why; with its last try again."""
    rested = DeviceState(Phase.AT_REST, is_ours=True)
    assert await waiting_for_store(store, recorder=rested) == said


@pytest.mark.parametrize(
    ("recorder", "said"),
    [
        (
            DeviceState(Phase.GIVEN_UP, is_ours=True),
            [
                "slip recorder, which did not come to rest in order, is not started again: "
                "it waits for loft store, which is not back and is tried again"
            ],
        ),
        (DeviceState(Phase.AT_REST, is_ours=True, is_assumed=True), []),
    ],
    ids=["its stop failed", "in dry run"],
)
async def test_what_may_run_is_not_said_to_stay_off(recorder: DeviceState, said: list[str]) -> None:
    """Somebody would drive out for a recorder that records."""
    store = DeviceState(Phase.AT_REST, is_ours=True)
    assert await waiting_for_store(store, recorder=recorder) == said


async def waiting_for_store(store: DeviceState, *, recorder: DeviceState) -> list[str]:
    """Have the store not come back; return what is said of those that wait for it."""
    listed = Device("loft store", Role.STORAGE, stop_s=20.0, start_s=30.0, starts=Starts.BY_ITSELF)
    port = Device("yard camera", Role.CAMERA, needs=("loft store",), stop_s=5.0, is_cut=True)
    stand, _ = bench(listed, replace(SLIP, needs=("loft store",)), port)
    rested = DeviceState(Phase.AT_REST, is_ours=True)
    known = {"slip recorder": recorder, "yard camera": rested, "loft store": store}
    stand.state = replace(stand.state, devices=known)
    stand.machines["loft store"].off_at = stand.clock.monotonic()
    looks = (Act.CONFIRM_GONE, Act.CONFIRM_RUNNING)
    stand.fit("loft store", dict.fromkeys(looks, Repeat.SAFE))
    stand.give("loft store", task=Task.START, within_s=60.0)
    await stand.until(lambda: not stand.conductor.busy, within_s=65.0)
    await stand.clock.advance(0.0)

    failed, *said = notices(stand.keeper.events)
    assert failed == "loft store is not back: confirm_running: not seen"
    return said


async def test_start_without_any_look_is_said_to_be_unseen() -> None:
    """No more is claimed than is known."""
    stand, _ = bench()
    stand.fit("slip recorder", {Act.START: Repeat.SAFE})
    off(stand)
    stand.scripted["slip recorder"].always[Act.START] = machines.lie
    evidence = await returned(stand)

    assert stand.phase("slip recorder") is Phase.RUNNING
    assert "nothing can confirm" in evidence


async def test_dropped_start_without_any_look_is_not_taken_for_a_return() -> None:
    """In doubt is not running."""
    stand, _ = bench()
    stand.fit("slip recorder", {Act.START: Repeat.SAFE})
    off(stand)
    stand.scripted["slip recorder"].always[Act.START] = machines.drop_before
    await returned(stand)

    assert stand.phase("slip recorder") is Phase.NEEDS_HAND


async def test_device_that_starts_by_itself_is_only_watched_for() -> None:
    """Nothing is sent, and its return is said all the same."""
    stand, _ = bench()
    stand.fit("slip recorder", {Act.CONFIRM_RUNNING: Repeat.SAFE, Act.STOP: Repeat.SAFE})
    off(stand)
    stand.give("slip recorder", task=Task.START, within_s=300.0)
    await stand.clock.advance(60.0)
    stand.machines["slip recorder"].power_on()
    await stand.clock.advance(60.0)

    assert stand.phase("slip recorder") is Phase.RUNNING
    assert stand.machines["slip recorder"].received == []


async def test_start_that_is_only_watched_gives_way_to_a_rest() -> None:
    """Mains fails again while a device is awaited: it is told at once, in one conversation."""
    stand, _ = bench()
    watch = {Act.CONFIRM_RUNNING, Act.STOP, Act.CONFIRM_GONE}
    stand.fit("slip recorder", {act: REST_ACTS[act] for act in watch})
    stand.scripted["slip recorder"].script[Act.CONFIRM_RUNNING].append(machines.hang)
    watching = stand.give("slip recorder", task=Task.START, within_s=300.0)
    await stand.clock.advance(5.0)
    stand.give("slip recorder")
    await rested(stand)

    assert watching.cancelled()
    assert begun(stand.keeper.events, "slip recorder") == [
        "confirm_running", "stop", "confirm_gone",
    ]  # fmt: skip
    (closed,) = [e for e in stand.keeper.events if isinstance(e, OrderClosed)]
    assert (closed.task, closed.ending) == (Task.REST, Ending.AT_REST)


async def test_deaf_watch_holds_a_rest_up_for_a_moment_at_most() -> None:
    """A driver that will not let go must not keep its device from being stopped."""
    stand, _ = bench()
    stand.scripted["slip recorder"].script[Act.START].append(machines.hang_deaf)
    stand.give("slip recorder", task=Task.START, within_s=300.0)
    await stand.clock.advance(5.0)
    stand.give("slip recorder", in_short=True)
    await stand.clock.advance(LET_GO_S + TALK_S)

    assert stand.machines["slip recorder"].told(Act.STOP) == 1
    await stand.clock.advance(7200.0)


@pytest.mark.parametrize(
    ("repeat", "told"), [(Repeat.SAFE, 1), (Repeat.LOOK_FIRST, 1), (Repeat.NEVER, 0)]
)
async def test_start_in_doubt_is_looked_at_first(repeat: Repeat, told: int) -> None:
    """After a failed start, the next order asks before it sends; some are never sent twice."""
    stand, _ = bench()
    driver = stand.fit("slip recorder", {**REST_ACTS, Act.START: repeat})
    driver.script[Act.START].append(machines.drop_before)
    off(stand)
    await returned(stand)
    assert stand.phase("slip recorder") is Phase.NEEDS_HAND

    await returned(stand)
    assert begun(stand.keeper.events, "slip recorder")[2] == "confirm_running"
    assert stand.machines["slip recorder"].told(Act.START) == told
    assert (stand.phase("slip recorder") is Phase.RUNNING) is bool(told)


@pytest.mark.parametrize("repeat", [Repeat.LOOK_FIRST, Repeat.NEVER])
async def test_device_whose_stop_failed_is_not_started_blindly(repeat: Repeat) -> None:
    """Mains is back, and the PC that would not stop is on: pressing its button would stop it."""
    stand, _ = bench(replace(SLIP, quiesce_s=None))
    acts = {act: r for act, r in REST_ACTS.items() if "quiesce" not in act}
    driver = stand.fit("slip recorder", {**acts, Act.START: repeat})
    driver.always[Act.STOP] = machines.refuse
    stand.give("slip recorder")
    await rested(stand)
    await returned(stand)

    assert stand.machines["slip recorder"].told(Act.START) == 0
    assert stand.phase("slip recorder") is Phase.RUNNING


async def test_recorder_that_was_quiesced_and_not_stopped_is_started_though_it_is_on() -> None:
    """It answers, but records nothing: being on is not enough."""
    stand, _ = bench()
    driver = stand.fit("slip recorder", {**REST_ACTS, Act.START: Repeat.LOOK_FIRST})
    driver.always[Act.STOP] = machines.refuse
    stand.give("slip recorder")
    await rested(stand)
    await returned(stand)

    assert stand.machines["slip recorder"].told(Act.START) == 1
    assert stand.phase("slip recorder") is Phase.RUNNING


@pytest.mark.parametrize("can_start", [False, True])
async def test_quiesced_recorder_that_nothing_can_start_again_is_named(can_start: bool) -> None:
    """Else it would answer every look for months, and record nothing."""
    stand, _ = bench()
    acts = {**REST_ACTS, Act.START: Repeat.NEVER}
    driver = stand.fit(
        "slip recorder", acts if can_start else {a: r for a, r in acts.items() if a != Act.START}
    )
    driver.always[Act.STOP] = machines.refuse
    stand.give("slip recorder")
    await rested(stand)
    evidence = await returned(stand)

    assert stand.phase("slip recorder") is Phase.NEEDS_HAND
    assert "see that it records again" in evidence
    assert stand.machines["slip recorder"].told(Act.START) == 0


# Ending


@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.3, 1.5, 4.0, 30.0])
async def test_closing_stops_no_device_and_is_over_within_a_second(after_s: float) -> None:
    """Restarting the agent's service in an outage must not cost anything."""
    deaf = replace(SLIP, name="odd box")
    stand, conductor = bench(SLIP, deaf)
    stand.scripted["odd box"].always = dict.fromkeys(Act, machines.hang_deaf)
    stand.give("slip recorder")
    stand.give("odd box")
    await stand.clock.advance(after_s)
    told = len(stand.machines["slip recorder"].received)
    closing = asyncio.create_task(conductor.close())
    await stand.clock.advance(1.0)

    assert closing.done()
    assert len(stand.machines["slip recorder"].received) == told
    assert [d.closed for d in stand.scripted.values()] == [1, 1]
    assert conductor.busy == frozenset()
    await stand.clock.advance(7200.0)
    assert len(stand.machines["slip recorder"].received) == told


async def test_closing_bears_drivers_that_hang_or_raise_at_it() -> None:
    """Each of the others is closed all the same."""

    class Hangs(Scripted):
        async def close(self) -> None:
            await asyncio.get_running_loop().create_future()

    class Fails(Scripted):
        async def close(self) -> None:
            raise RuntimeError("no")

    stand, conductor = bench(SLIP, replace(SLIP, name="b"), replace(SLIP, name="c"))
    for name, kind in (("slip recorder", Hangs), ("b", Fails)):
        odd = kind(stand.machines[name], REST_ACTS)
        stand.drivers[name] = dict.fromkeys(stand.drivers[name], odd)
    with no_task_left():
        closing = asyncio.create_task(conductor.close())
        await stand.clock.advance(1.0)

    assert closing.done()
    assert closing.exception() is None
    assert stand.scripted["c"].closed == 1


async def test_a_ride_through_leaves_no_task_behind() -> None:
    """A year of outages is as many leaks."""
    stand, _ = bench(SLIP, GATE, SWITCH)
    stand.scripted["gate recorder"].script[Act.STOP].append(machines.hang_after_sending)
    with no_task_left():
        stand.give("slip recorder")
        stand.give("gate recorder")
        await rested(stand, "gate recorder")
        await stand.clock.advance(1.0)
    assert stand.clock.sleepers == 0
