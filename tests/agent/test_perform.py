"""One act, held to the contract whatever its driver does."""

from __future__ import annotations

import asyncio

import pytest
from structlog.testing import capture_logs

from agent.conduct.perform import LET_GO_S, OVERRUN_S, Cue, Performer, all_within, first
from drivers.base import Act, Outcome, Verdict
from tests.agent import machines
from tests.agent.benches import no_task_left
from tests.agent.machines import REST_ACTS, Behaviour, Machine, Scripted
from tests.fakes import FakeClock

NO_OUTCOME = [machines.fail, machines.give_up, machines.return_nothing]


def scripted(clock: FakeClock, behaviour: Behaviour) -> Scripted:
    driver = Scripted(Machine(clock, "gate recorder"), REST_ACTS)
    driver.always = dict.fromkeys(Act, behaviour)
    return driver


async def done(task: asyncio.Task[Outcome], clock: FakeClock, *, within_s: float) -> Outcome:
    await clock.advance(within_s)
    assert task.done()
    return task.result()


@pytest.mark.parametrize("behaviour", NO_OUTCOME, ids=lambda b: b.__name__)
@pytest.mark.parametrize("act", [Act.STOP, Act.CONFIRM_GONE], ids=lambda a: a.value)
async def test_driver_without_an_outcome_gets_one(behaviour: Behaviour, act: Act) -> None:
    """Somebody else's bug may have told the device already: it is looked at, not assumed idle."""
    clock = FakeClock()
    performing = asyncio.create_task(
        Performer(clock=clock).perform(scripted(clock, behaviour), act, deadline_at=30.0)
    )
    outcome = await done(performing, clock, within_s=0.0)

    assert outcome.verdict is (Verdict.UNCERTAIN if act is Act.STOP else Verdict.NO_ANSWER)
    assert outcome.evidence


async def test_what_a_driver_raises_is_named_and_not_quoted() -> None:
    """Nobody knows what other people's code puts into its errors; here it is a password."""
    clock = FakeClock()
    with capture_logs() as logs:
        outcome = await Performer(clock=clock).perform(
            scripted(clock, machines.fail), Act.STOP, deadline_at=30.0
        )

    assert "RuntimeError" in outcome.evidence
    assert "hunter2" not in f"{outcome} {logs}"
    (event,) = logs
    assert event["event"] == "failed_driver"
    assert "machines.py:" in event["where"]


async def test_overrunning_driver_is_cut_off_a_second_late() -> None:
    """A hung driver must not hold up the stop that could still be tried."""
    clock = FakeClock()
    with no_task_left():
        performing = asyncio.create_task(
            Performer(clock=clock).perform(
                scripted(clock, machines.hang), Act.STOP, deadline_at=30.0
            )
        )
        await clock.advance(30.0 + OVERRUN_S - 0.1)
        assert not performing.done()
        outcome = await done(performing, clock, within_s=0.1)

    assert outcome.verdict is Verdict.UNCERTAIN
    assert outcome.evidence == "its driver did not end in time"
    assert outcome.took_s == pytest.approx(30.0 + OVERRUN_S)


async def test_driver_that_cannot_be_cancelled_is_left_to_itself() -> None:
    """Its device gets its next try all the same."""
    clock = FakeClock()
    performing = asyncio.create_task(
        Performer(clock=clock).perform(
            scripted(clock, machines.hang_deaf), Act.CONFIRM_GONE, deadline_at=30.0
        )
    )
    outcome = await done(performing, clock, within_s=30.0 + OVERRUN_S + LET_GO_S)
    assert outcome.verdict is Verdict.NO_ANSWER

    with no_task_left():
        await clock.advance(3600.0)


async def test_outcome_of_a_driver_that_ends_when_cut_off_counts() -> None:
    """What it knows at its last moment is better than not knowing."""
    clock = FakeClock()

    async def late(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
        try:
            return await machines.hang(driver, act, deadline_at)
        except asyncio.CancelledError:
            return Outcome(act, Verdict.DONE, "it was accepted after all")

    performing = asyncio.create_task(
        Performer(clock=clock).perform(scripted(clock, late), Act.STOP, deadline_at=5.0)
    )
    outcome = await done(performing, clock, within_s=5.0 + OVERRUN_S)

    assert outcome.verdict is Verdict.DONE


async def test_hurry_cuts_an_act_short_at_once() -> None:
    """When the battery is low, the stop does not wait for a slow quiescing."""
    clock, hurry = FakeClock(), Cue()
    with no_task_left():
        performing = asyncio.create_task(
            Performer(clock=clock).perform(
                scripted(clock, machines.hang), Act.QUIESCE, deadline_at=30.0, hurry=hurry
            )
        )
        await clock.advance(2.0)
        hurry.set()
        outcome = await done(performing, clock, within_s=0.0)

    assert outcome.verdict is Verdict.UNCERTAIN
    assert "battery" in outcome.evidence
    assert outcome.took_s == 2.0


async def test_cancelling_an_act_cancels_its_driver_and_waits_for_nothing() -> None:
    """The agent's own end is quick."""
    clock = FakeClock()
    with no_task_left():
        performing = asyncio.create_task(
            Performer(clock=clock).perform(
                scripted(clock, machines.hang), Act.STOP, deadline_at=30.0
            )
        )
        await clock.advance(1.0)
        performing.cancel()
        await clock.advance(0.0)

    assert performing.cancelled()


async def test_closing_waits_a_moment_for_the_deaf_and_no_longer() -> None:
    """A driver that ignores cancelling must not keep the service from restarting."""
    clock = FakeClock()
    performer = Performer(clock=clock)
    performing = asyncio.create_task(
        performer.perform(scripted(clock, machines.hang_deaf), Act.STOP, deadline_at=30.0)
    )
    await clock.advance(1.0)
    performing.cancel()
    closing = asyncio.create_task(performer.close())
    await clock.advance(LET_GO_S - 0.1)
    assert not closing.done()

    await clock.advance(0.1)
    assert closing.done()
    await clock.advance(3600.0)


async def test_a_past_deadline_still_gives_the_driver_its_overrun() -> None:
    """A deadline near zero or behind is a short try, not an error."""
    clock = FakeClock(at=100.0)
    performing = asyncio.create_task(
        Performer(clock=clock).perform(scripted(clock, machines.hang), Act.STOP, deadline_at=90.0)
    )
    await clock.advance(OVERRUN_S + LET_GO_S)

    assert performing.result().verdict is Verdict.UNCERTAIN


async def test_waiting_for_the_first_leaves_no_sleeper_behind() -> None:
    """A leak of one task a poll is a full memory in a year."""
    clock = FakeClock()
    waited = asyncio.get_running_loop().create_future()
    with no_task_left():
        racing = asyncio.create_task(first(waited, clock.sleep(60.0)))
        await clock.advance(1.0)
        waited.set_result(None)
        await clock.advance(0.0)
    assert racing.done()
    assert clock.sleepers == 0


async def test_waiting_for_all_neither_cancels_them_nor_outlasts_its_limit() -> None:
    """What is waited for goes on without the wait."""
    clock = FakeClock()
    slow = asyncio.create_task(clock.sleep(60.0))
    waiting = asyncio.create_task(all_within(clock, [slow], 5.0))
    await clock.advance(5.0)

    assert waiting.done()
    assert not slow.done()
    await clock.advance(60.0)
    assert slow.done()
    assert not slow.cancelled()
