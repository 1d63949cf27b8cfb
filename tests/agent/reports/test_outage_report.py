"""The report of an outage: golden facts of a ride that the real engine went through."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from agent.reports.fates import Fate
from agent.reports.outage import as_document, outage_html, outage_told
from agent.simulation.draw import draw
from policies.events import (
    BatteryJudged,
    BatteryMeasured,
    BeliefHeld,
    Ending,
    Event,
    OrderClosed,
    OrderGiven,
    OutputDropped,
    PlanHeld,
    StepEnded,
    StopForetold,
)
from policies.model import Device, Task
from policies.state import Phase
from tests.agent.reports.pages import Page
from tests.agent.story.telling import ridden, rows_of, story_of
from tests.agent.story.test_story import yard_ride, yard_story
from tests.agent.yards import CABINET, RECORDER, Yard

LISBON = ZoneInfo("Europe/Lisbon")
MADE = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


async def test_the_report_says_when_what_happened_and_how_that_is_known() -> None:
    """Golden facts: site time 1025 is 22:17:05 UTC, which is Lisbon's time in March."""
    told = outage_told(*last(await yard_ride()), zone=LISBON)
    recorder = next(fate for fate in told.fates if fate.name == "gate recorder")

    assert told.lead[0].startswith(
        "Mains failed on Sunday 1 March 2026 at 22:17:05 and was back at 22:1"
    )
    assert told.lead[1] == (
        "Everything that holds recordings or data came to rest in order: gate recorder and desk."
    )
    assert told.lead[-1] == "Nothing is left to be mended."
    assert recorder.fate is Fate.RESTED
    assert recorder.ends_well
    assert recorder.evidence == "confirm_gone: seen"
    assert recorder.gap_s > 60.0
    assert told.course[0].text == "Mains failed."
    assert [line.after_s for line in told.course] == sorted(line.after_s for line in told.course)
    assert any(line.text.startswith("gate recorder runs again") for line in told.course)
    assert told.mend == ()


def last(events: list[Event]) -> tuple:  # type: ignore[type-arg]  # of a test
    story = yard_story(events)
    return story, story.outages[-1]


async def test_the_page_needs_nothing_from_elsewhere_and_runs_no_script() -> None:
    """An owner keeps it for years, and opens it where there is no network."""
    story, outage = last(await yard_ride())
    page = Page(outage_html(story, outage, zone=LISBON, made=MADE))

    assert page.faults == []
    assert page.tags.count("svg") == 2
    assert "Outage report" in page.text
    assert "What became of each device" in page.headings
    assert "Made by lastwatt on 2 March 2026, 08:00" in page.text


async def test_predicted_stands_against_actual() -> None:
    """What the plan and the belief said at the start, and what came."""
    events = await yard_ride()
    early = [e for e in events if e.at <= 1051.0]
    held = BeliefHeld(1050.0, "cabinet", 600.0, 1200.0, 0.05, 100.0, 0.5, 1.0)
    desk = StopForetold("desk", "as its owner wishes", 1085.0, 1110.0, 1025.0)
    plan = PlanHeld(1051.0, 1050.5, 1025.0, (desk,))
    story, outage = last([*early, held, plan, *events[len(early) :]])
    compared = {one.what: one for one in outage_told(story, outage, zone=LISBON).compared}

    assert compared["battery of cabinet"].foretold == (
        "lasts until 22:27 at least (95 % sure), 22:37 likely, at 100 W"
    )
    assert compared["battery of cabinet"].came.startswith("was not at its end when mains was back")
    assert compared["desk"].foretold.startswith("on until 22:18:05, at rest by 22:18:30")
    assert compared["desk"].came.startswith("told at 22:18:0")
    assert ", at rest at 22:18:" in compared["desk"].came


async def test_the_batterys_health_after_is_told() -> None:
    """600 Wh new: 450 Wh are 75 % of it, and the trade replaces it at 80 %."""
    events = await yard_ride()
    day, why = date(2026, 3, 1), "it holds 75 % of what a new one does"
    point = BatteryMeasured(1100.0, "cabinet", day, 450.0, 400.0, 500.0, "a discharge")
    judged = BatteryJudged(1100.5, "cabinet", "worn", why)
    early = [e for e in events if e.at <= 1100.0]
    told = outage_told(*last([*early, point, judged, *events[len(early) :]]), zone=LISBON)

    assert told.batteries[0].after == (
        "This outage measured it: a full battery holds 450 Wh (400 to 500 Wh), 75 % of a new one.",
        "It holds 75 % of what a new one does.",
    )
    assert told.mend == (f"The battery of cabinet ages: {why}.",)


async def test_a_refusal_and_a_failure_are_to_be_mended_with_what_was_said() -> None:
    """The evidence and the driver's advice, each once, with how often."""
    events = [
        replace(e, verdict="refused", evidence="401 Unauthorized", advice="look at its password")
        if isinstance(e, StepEnded) and e.device == "desk" and e.act == "stop"
        else e
        for e in await yard_ride()
    ]
    told = outage_told(*last(events), zone=LISBON)

    assert "desk, stop: refused. 401 Unauthorized. Look at its password." in told.mend, told.mend


async def test_an_outage_that_runs_says_so_far() -> None:
    """It may be asked for at any time."""
    told = outage_told(*last(await yard_ride(back=False)), zone=LISBON)

    assert "has not come back yet" in told.lead[0]
    assert not told.is_over
    assert told.returned is None


async def test_a_dry_run_is_marked() -> None:
    """Nobody may believe that a stop was sent."""
    story = yard_story(await yard_ride(), dry=True)
    html = outage_html(story, story.outages[0], zone=LISBON, made=MADE)

    assert "nothing was sent to any device" in Page(html).text


HOSTILE = "</style><script>alert(1)</script><img src=x onerror=alert(2)> \"'`$&\x1b[31m\u202e"


async def test_hostile_names_and_evidence_stay_text() -> None:
    """Devices write evidence, and a name may be anything that prints."""
    name = "<b>recorder</b>"
    passive = Device("x & y", feeds=("cabinet",))
    yard = Yard(replace(RECORDER, name=name, path=()), passive, acts={passive.name: {}})
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=400.0)
    yard.return_mains()
    await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=400.0)
    await yard.stop()
    events = [
        replace(e, evidence=HOSTILE) if isinstance(e, OrderClosed | StepEnded) else e
        for e in yard.keeper.events
    ]
    story = story_of(rows_of(events), yard.site)
    page = Page(outage_html(story, story.outages[0], zone=LISBON, made=MADE))

    assert page.faults == []
    assert "script" not in page.tags
    assert "<b>recorder</b>" in page.text
    assert "</style><script>alert(1)</script>" in page.text
    assert "\x1b" not in page.text
    assert "\u202e" not in page.text


@pytest.mark.parametrize("seed", range(8))
def test_drawn_rides_make_sound_documents(seed: int) -> None:
    """Whatever befalls a site, its report is whole and its JSON plain."""
    scenario = draw(seed)
    story = story_of(rows_of(ridden(scenario), start=scenario.start_utc), scenario.site)
    for outage in story.outages:
        told = outage_told(story, outage, zone=LISBON)
        page = Page(outage_html(story, outage, zone=LISBON, made=MADE))

        assert page.faults == []
        assert len(told.fates) == len(scenario.site.devices)
        assert json.loads(json.dumps(as_document(told)))["number"] == outage.number


async def test_a_device_that_lost_its_power_while_running_heads_what_is_to_be_mended() -> None:
    """The worst first; the owner must look at that disk."""
    yard = Yard()
    events = [
        e
        for e in await yard_ride()
        if not isinstance(e, OrderGiven | OrderClosed | StepEnded)
        or getattr(e, "device", "") != "gate recorder"
    ]
    events = [e for e in events if not _is_of(e, "gate recorder")]
    dropped = OutputDropped(1120.0, CABINET.name, "it went")
    early = [e for e in events if e.at <= 1120.0]
    story = story_of(rows_of([*early, dropped, *events[len(early) :]]), yard.site)
    told = outage_told(story, story.outages[0], zone=LISBON)
    recorder = next(fate for fate in told.fates if fate.name == "gate recorder")

    assert recorder.fate is Fate.LOST
    assert not recorder.ends_well
    assert told.mend[0].startswith("gate recorder lost its power while running.")
    assert "was not brought to rest before the power ended" in told.lead[1]


async def test_a_recorder_that_would_not_stop_and_kept_its_power_is_not_called_damaged() -> None:
    """Mains came back in time; the owner is told to mend the stop, not to fear for the disk."""
    events = [
        replace(e, ending=Ending.FAILED, evidence="it does not answer")
        if isinstance(e, OrderClosed) and e.device == "gate recorder" and e.task is Task.REST
        else e
        for e in await yard_ride()
    ]
    told = outage_told(*last(events), zone=LISBON)

    assert told.lead[1] == (
        "gate recorder could not be brought to rest; as far as is known its power did not end."
    )
    assert told.mend[0].startswith("gate recorder could not be brought to rest: it does not answer")


async def test_looking_for_a_device_that_starts_is_no_trouble() -> None:
    """It is asked every few seconds until it answers."""
    events: list[Event] = []
    for event in await yard_ride():
        if isinstance(event, StepEnded) and event.act == "confirm_running":
            events.append(replace(event, verdict="no answer"))
        events.append(event)
    told = outage_told(*last(events), zone=LISBON)

    assert told.mend == ()


def _is_of(event: Event, device: str) -> bool:
    order = getattr(event, "order", None)
    return getattr(event, "device", "") == device or (order is not None and order.device == device)


async def test_mains_that_comes_and_goes_is_one_ride_through_told_as_such() -> None:
    """Devices are on their way back as it fails again: their owner sees one night, not two."""
    yard = Yard()
    yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=400.0)
    yard.return_mains()
    await yard.clock.advance(40.0)
    yard.fail_mains()
    await yard.clock.advance(100.0)
    yard.return_mains()
    await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=600.0)
    await yard.clock.advance(60.0)
    await yard.stop()
    story = story_of(rows_of(yard.keeper.events), yard.site)
    told = outage_told(story, story.outages[0], zone=LISBON)

    assert len(story.outages) == 1
    assert len(story.outages[0].interruptions) == 2
    assert "for good at" in told.lead[0]
    assert "was away 2 times" in told.lead[0]
    assert [line.text for line in told.course if line.kind == "mains"][0::2][:2] == [
        "Mains failed.", "Mains failed.",
    ]  # fmt: skip


async def test_charge_and_energy_end_with_the_output() -> None:
    """What nobody drew any more is not counted, and what the charge was an hour before neither."""
    events = await yard_ride()
    story = yard_story(events)
    unit = story.outages[0].units["cabinet"]
    at = unit.on_battery[5].at
    cut = replace(unit, ended_at=at)

    assert cut.used_wh is not None
    assert unit.used_wh is not None
    assert cut.used_wh < unit.used_wh
    assert unit.charges is not None
    last_on_mains = next(p for p in reversed(unit.points[: unit.points.index(unit.on_battery[0])]))
    assert unit.charges[0] == last_on_mains.charge
