"""What was believed and planned in an outage is written down as it goes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType

import pytest

from agent.story.foretold import EVERY_S, Foretold, held_belief
from policies.events import BeliefHeld, Event, PlanHeld
from policies.output_state import OutputPhase, OutputState
from policies.plan import Plan, PlannedStop, Why
from policies.supply import belief_of
from tests.agent.yards import CABINET, Yard

DESK_STOPS = PlannedStop("desk", Why.OWNER, 1085.0)
PLAN = Plan(1050.0, 1025.0, 3600.0, MappingProxyType({"desk": DESK_STOPS}))


def writing(yard: Yard, plan: Callable[[], Plan | None]) -> tuple[list[Event], Foretold]:
    noted: list[Event] = []
    found = Foretold(
        yard.site,
        clock=yard.clock,
        state=lambda: yard.engine.state,
        beliefs=yard.engine.beliefs,
        plan=plan,
        note=noted.append,
    )
    return noted, found


async def test_beliefs_come_at_their_pace_and_the_first_plan_once() -> None:
    """An outage of hours must not fill the journal; the report needs the first word of all."""
    yard = Yard()
    yard.start()
    noted, foretold = writing(yard, lambda: PLAN)
    running = asyncio.create_task(foretold.run())
    await yard.clock.advance(25.0)
    assert noted == []
    yard.fail_mains()
    await yard.clock.advance(200.0)
    running.cancel()
    await yard.stop()

    beliefs = [event for event in noted if isinstance(event, BeliefHeld)]
    gaps = [b.at - a.at for a, b in pairwise(beliefs)]
    assert len(beliefs) in (6, 7)
    assert min(gaps) >= EVERY_S
    (plan,) = (event for event in noted if isinstance(event, PlanHeld))
    assert [(stop.device, stop.why) for stop in plan.stops] == [("desk", Why.OWNER.value)]


async def test_nothing_is_written_while_a_unit_is_about_to_drop() -> None:
    """The agent's box writes all out before its power goes; only what must be is written then."""
    yard = Yard()
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.clock.advance(30.0)
    state = yard.engine.state
    armed = replace(state.units["cabinet"], output=OutputState(OutputPhase.ARMED))
    pending = replace(state, units={"cabinet": armed})
    noted: list[Event] = []
    foretold = Foretold(
        yard.site,
        clock=yard.clock,
        state=lambda: pending,
        beliefs=yard.engine.beliefs,
        plan=lambda: PLAN,
        note=noted.append,
    )
    running = asyncio.create_task(foretold.run())
    await yard.clock.advance(60.0)
    running.cancel()
    await yard.stop()

    assert noted == []


async def test_what_is_left_is_a_share_of_what_is_likely_when_full() -> None:
    """Full at first: all of it is likely there, and less is sure."""
    yard = Yard()
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.clock.advance(20.0)
    known, now = yard.engine.state.units["cabinet"], yard.clock.monotonic()
    early = held_belief(CABINET, known, belief_of(CABINET, known, now), now=now)
    await yard.clock.advance(300.0)
    known, now = yard.engine.state.units["cabinet"], yard.clock.monotonic()
    late = held_belief(CABINET, known, belief_of(CABINET, known, now), now=now)
    await yard.stop()

    assert early.left_likely == pytest.approx(1.0, abs=0.02)
    assert 0.0 < early.left_lower < early.left_likely
    assert early.lower_s < early.median_s
    assert late.left_likely < early.left_likely
