"""Stories against rides that the real engine went through, of which the truth is known."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from agent.journal.file import Row
from agent.simulation.draw import draw
from agent.story.model import Story
from agent.story.read import read_story, zone_of
from policies.events import (
    AgentStarted,
    BatteryMeasured,
    BeliefHeld,
    Ending,
    Event,
    PlanHeld,
    StopForetold,
)
from policies.model import Role, Task
from policies.state import Phase
from tests.agent.story.telling import ridden, rows_of, story_of, write_journal
from tests.agent.yards import Yard
from tests.fakes import START_UTC

SEEDS = [seed for seed in range(40) if "late agent" not in draw(seed).themes]
LONG_S = 30.0
"""Mains away for longer is seen by every unit that is drawn; less may pass between polls."""


@pytest.mark.parametrize("seed", SEEDS)
def test_each_true_outage_is_told_with_its_times(seed: int) -> None:
    """The owner reads when mains failed and returned; the simulation knows when it truly did.

    A unit whose battery ended, or whose card is silent, tells of the return only when it is back.
    """
    scenario = draw(seed)
    story = story_of(rows_of(ridden(scenario), start=scenario.start_utc), scenario.site)
    for unit in scenario.site.units:
        told = [one for o in story.outages for one in o.interruptions if one.unit == unit]
        told += [one for one in story.moments if one.unit == unit]
        for began, ended in scenario.mains_away(unit):
            if ended - began < LONG_S:
                continue
            # Site time begins with the agent. Two windows that no poll fell between are one.
            at = began - scenario.starts_at
            near = [one for one in told if one.failed_at - 12.0 <= at <= (one.returned_at or 1e9)]
            assert near, (unit, began)
            assert (near[-1].returned_at or 1e9) >= ended - scenario.starts_at - 70.0


async def yard_ride(*, back: bool = True) -> list[Event]:
    """Return the events of the boatyard's own outage, on machines that obey."""
    yard = Yard()
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=400.0)
    if back:
        yard.return_mains()
        await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=400.0)
        await yard.clock.advance(60.0)
    await yard.stop()
    return list(yard.keeper.events)


def yard_story(events: list[Event], **more: object) -> Story:
    return story_of(rows_of(events, **more), Yard().site)  # type: ignore[arg-type]  # of a test


async def test_a_whole_outage_is_told(tmp_path: Path) -> None:
    """When what happened to whom, and how that is known: all that a report is made of."""
    events = await yard_ride()
    folder = write_journal(tmp_path, rows_of(events), Yard().site)
    story = read_story(folder)
    (outage,) = story.outages
    recorder, camera = outage.devices["gate recorder"], outage.devices["slipway camera"]
    rest, start = recorder.orders

    assert (story.facts.name, zone_of(story).key) == ("Quayside boatyard", "Europe/Lisbon")
    assert outage.began_at == 1025.0
    assert outage.returned_at is not None
    assert outage.lasting_s == outage.returned_at - 1025.0
    assert outage.is_over
    assert story.present is None
    assert [span.phase for span in recorder.spans] == [
        Phase.RUNNING, Phase.RESTING, Phase.AT_REST, Phase.STARTING, Phase.RUNNING,
    ]  # fmt: skip
    assert recorder.facts.role is Role.RECORDER
    assert (rest.task, rest.ending) == (Task.REST, Ending.AT_REST)
    assert rest.evidence
    assert [step.act for step in rest.steps][:2] == ["quiesce", "confirm_quiesced"]
    assert (start.task, start.ending) == (Task.START, Ending.RUNNING)
    (gap,) = recorder.gaps
    assert gap.began_at == next(s.began_at for s in rest.steps if s.act == "quiesce")
    assert gap.ended_at == start.closed_at
    assert recorder.owed == ()
    assert not camera.was_touched
    assert camera.facts.is_passive


async def test_an_outage_that_runs_is_told_as_it_stands() -> None:
    """The page draws what has happened so far, with what goes on left open."""
    story = yard_story(await yard_ride(back=False))
    outage = story.present

    assert outage is not None
    assert outage.returned_at is None
    assert outage.interruptions[-1].returned_at is None
    assert outage.devices["gate recorder"].spans[-1].ended_at is None
    assert outage.devices["gate recorder"].gaps[-1].is_open
    assert set(outage.devices["gate recorder"].owed) == {"quiesced", "stopped"}


async def test_energy_used_is_the_load_over_time() -> None:
    """By hand: the readings' load, each held until the next, only while on battery."""
    story = yard_story(await yard_ride())
    unit = story.outages[0].units["cabinet"]
    points = unit.points
    by_hand = sum(
        (a.load_w or 0.0) * (b.at - a.at) / 3600.0 for a, b in pairwise(points) if a.on_battery
    )

    assert unit.used_wh == pytest.approx(by_hand)
    assert by_hand > 0.0


async def test_what_was_believed_learnt_and_planned_is_told_where_it_was_journalled() -> None:
    """Predicted against actual needs the prediction."""
    events = await yard_ride()
    held = BeliefHeld(1050.0, "cabinet", 600.0, 1200.0, 0.05, 100.0, 0.5, 1.0)
    desk = StopForetold("desk", "gives way", 1090.0, 1110.0, 0.0)
    plan = PlanHeld(1051.0, 1050.5, 1025.0, (desk,))
    later = [e for e in events if e.at > 1051.0]
    early = [e for e in events if e.at <= 1051.0]
    story = yard_story([*early, held, plan, *later])
    told = story.outages[0]

    assert told.units["cabinet"].beliefs == (held,)
    assert told.plan == plan
    assert told.devices["desk"].foretold == desk
    assert told.devices["gate recorder"].foretold is None


async def test_a_measurement_in_an_outage_is_part_of_it() -> None:
    """The battery's health after it stands in the report."""
    from datetime import date

    events = await yard_ride()
    point = BatteryMeasured(1100.0, "cabinet", date(2026, 3, 1), 550.0, 500.0, 600.0, "a discharge")
    early = [e for e in events if e.at <= 1100.0]
    story = yard_story([*early, point, *events[len(early) :]])

    assert story.outages[0].units["cabinet"].measured == (point,)
    assert story.measured == (point,)


async def test_what_a_dry_run_did_is_marked_so() -> None:
    """Nobody may read of a stop that was not sent, and believe it."""
    story = yard_story(await yard_ride(), dry=True)

    assert [outage.is_dry for outage in story.outages] == [True]


async def test_a_damaged_entry_is_passed_over() -> None:
    """One bad line must not cost the owner the report."""
    rows = rows_of(await yard_ride())
    spoilt = [replace(row, body="{") if row.kind == "raised_notice" else row for row in rows]
    story = story_of(spoilt, Yard().site)

    assert len(story.outages) == 1
    assert story.heard == ()


async def test_without_the_sites_facts_the_story_is_told_all_the_same() -> None:
    """Journals of before this release have none."""
    from agent.story.facts import facts_from
    from agent.story.tell import Teller

    teller = Teller(facts_from({"site": "old yard", "layout": '{"devices": 7}'}))
    teller.take(rows_of(await yard_ride()))
    story = teller.story()

    assert story.facts.name == "old yard"
    assert story.outages[0].devices["gate recorder"].facts.role is None


async def test_a_restart_long_after_is_an_absence() -> None:
    """What nobody watched is not told as quiet."""
    events = await yard_ride()
    last = events[-1].at
    rows: list[Row] = rows_of([*events, AgentStarted(last + 500.0, "1", False)])
    story = story_of(rows, Yard().site)

    assert story.absences == ((last, last + 500.0),)
    assert story.moment(last).utc.timestamp() == pytest.approx(START_UTC.timestamp() + last)
