"""What refuses us is asked twice in an outage, no more: each may be a wrong login."""

from __future__ import annotations

import asyncio

import pytest

from drivers.base import Act, Stage
from policies.events import StepEnded
from policies.model import Device, Reason, Role, Starts
from policies.reasons import BY_HAND
from policies.state import Phase
from tests.agent import machines
from tests.agent.benches import LATEST, WHY, Bench, endings
from tests.agent.yards import Yard

SLIP = Device(
    "slip recorder", Role.RECORDER, quiesce_s=10.0, stop_s=20.0, settle_s=10.0,
    starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip


def refusing() -> Bench:
    stand = Bench(SLIP)
    stand()
    stand.scripted["slip recorder"].always = dict.fromkeys(Act, machines.refuse)
    return stand


def refused(stand: Bench) -> int:
    return sum(isinstance(e, StepEnded) and e.verdict == "refused" for e in stand.keeper.events)


async def ordered(stand: Bench, why: Reason) -> str:
    """Give an order to rest and wait for its end; return the evidence."""
    task = stand.give("slip recorder", within_s=200.0, why=why)
    await stand.until(task.done, within_s=300.0)
    return endings(stand.keeper.events)["slip recorder"][1]


async def test_wrong_password_is_tried_once_before_the_last_moment() -> None:
    """Five orders of an outage used to come to twenty logins, and a locked account."""
    stand = refusing()
    for _ in range(5):
        evidence = await ordered(stand, WHY)

    assert refused(stand) == 1
    assert stand.phase("slip recorder") is Phase.GIVEN_UP
    assert "lock the account" in evidence


async def test_wrong_password_is_tried_once_more_at_the_last_moment_and_never_again() -> None:
    """What refused may have been starting; the recording is worth one more try."""
    stand = refusing()
    for why in (WHY, LATEST, LATEST, LATEST):
        evidence = await ordered(stand, why)

    assert refused(stand) == 2
    assert "twice" in evidence


async def test_last_try_does_not_follow_at_once() -> None:
    """A device that is only starting refuses for some seconds."""
    stand = refusing()
    await ordered(stand, LATEST)

    tries = [at for at, _ in stand.machines["slip recorder"].asked]
    assert len(tries) == 2
    assert tries[1] - tries[0] == pytest.approx(15.0, abs=0.5)


async def test_last_try_belongs_to_the_stop_and_not_to_the_quiescing() -> None:
    """It is the stop that saves the disk."""
    stand = refusing()
    del stand.scripted["slip recorder"].always[Act.STOP]
    for act in (Act.CONFIRM_GONE, Act.CONFIRM_RUNNING):
        del stand.scripted["slip recorder"].always[act]
    await ordered(stand, LATEST)

    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_somebody_who_asks_by_hand_may_have_mended_it() -> None:
    """Their order goes out whatever was refused before."""
    stand = refusing()
    await ordered(stand, WHY)
    stand.scripted["slip recorder"].always.clear()
    await ordered(stand, Reason(BY_HAND, "Ana asked for it"))

    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_order_by_hand_is_refused_once() -> None:
    """Whoever gave it sees the answer, and mends it before the next."""
    stand = refusing()
    del stand.drivers["slip recorder"][Stage.QUIESCE]  # type: ignore[attr-defined]  # a dict
    await ordered(stand, Reason(BY_HAND, "Ana asked for it"))

    assert refused(stand) == 1


async def test_what_was_refused_is_known_after_a_restart_of_the_agent() -> None:
    """An agent that is restarted again and again must not lock the account either."""
    stand = refusing()
    await ordered(stand, WHY)
    for _ in range(3):
        stand()
        await ordered(stand, WHY)

    assert refused(stand) == 1


async def test_look_that_is_refused_is_not_repeated_for_minutes() -> None:
    """Looks log in too."""
    stand = refusing()
    assert [await _look(stand) for _ in range(4)] == ["refused", None, None, None]
    await stand.clock.advance(601.0)
    assert await _look(stand) == "refused"


async def _look(stand: Bench) -> str | None:
    look = asyncio.create_task(stand.conductor.is_running("slip recorder", within_s=3.0))
    await stand.until(look.done, within_s=5.0)
    outcome = look.result()
    return None if outcome is None else outcome.verdict.value


async def test_next_outage_begins_with_a_clean_slate() -> None:
    """The password may have been mended in between."""
    yard = Yard()
    yard.scripted["gate recorder"].always[Act.QUIESCE] = machines.refuse
    yard.start()
    yard.fail_mains()
    await yard.until(
        lambda: bool(yard.engine.state.devices["gate recorder"].refused), within_s=200.0
    )
    yard.return_mains()
    await yard.until(lambda: yard.engine.state.outage_at is None, within_s=60.0)

    assert not yard.engine.state.devices["gate recorder"].refused
    await yard.stop()
