"""How long a recorder recorded nothing: never said to be shorter than it was."""

from __future__ import annotations

from policies.events import (
    DeviceSeen,
    Ending,
    Event,
    LightChanged,
    OrderClosed,
    StepBegan,
    StepEnded,
)
from policies.model import Task
from policies.night import Light
from policies.recording_gap import NO_GAP, RecordingGap, gaps_of

GATE = "gate recorder"


def step(began_at: float, ended_at: float, act: str, verdict: str = "done") -> list[Event]:
    return [
        StepBegan(began_at, "1", GATE, act),
        StepEnded(ended_at, "1", GATE, act, verdict, "seen"),
    ]


def closed(at: float, task: Task, ending: Ending) -> Event:
    return OrderClosed(at, "1", GATE, task, ending, "seen")


def gaps(*events: Event) -> list[tuple[float | None, float | None]]:
    return [(gap.began_at, gap.ended_at) for gap in gaps_of(events).get(GATE, ())]


DOWN = [
    *step(100.0, 101.0, "quiesce"), *step(110.0, 111.0, "stop"),
    closed(180.0, Task.REST, Ending.AT_REST),
]  # fmt: skip


def test_gap_lasts_from_the_quiescing_until_it_is_seen_to_run() -> None:
    """From the moment that it was asked to, since it may have done so at once."""
    assert gaps(*DOWN, closed(900.0, Task.START, Ending.RUNNING)) == [(100.0, 900.0)]


def test_gap_stays_open_while_it_is_not_back() -> None:
    """A start that failed ends nothing."""
    assert gaps(*DOWN, closed(900.0, Task.START, Ending.FAILED)) == [(100.0, None)]
    assert RecordingGap(100.0).lasting_s(160.0) == 60.0


def test_act_that_was_not_heard_begins_no_gap() -> None:
    """It recorded on."""
    unheard = step(100.0, 105.0, "quiesce", "no answer")

    assert gaps(*unheard) == []
    assert gaps(*unheard, *step(110.0, 111.0, "stop", "uncertain")) == [(110.0, None)]


def test_device_that_came_back_by_itself_ends_its_gap() -> None:
    """With its power, or by somebody's hand."""
    assert gaps(*DOWN, DeviceSeen(700.0, GATE, "it answers")) == [(100.0, 700.0)]


def test_each_outage_has_a_gap_of_its_own() -> None:
    """The report adds them up."""
    up = closed(900.0, Task.START, Ending.RUNNING)
    again = [*step(2000.0, 2001.0, "stop"), closed(2100.0, Task.REST, Ending.AT_REST)]

    assert gaps(*DOWN, up, *again) == [(100.0, 900.0), (2000.0, None)]


def test_dry_run_records_on() -> None:
    """Nothing was sent."""
    assert gaps(*step(100.0, 101.0, "quiesce", "assumed")) == []


def test_no_gap_and_one_that_has_just_begun_last_nothing() -> None:
    """A page that is made with the time of the reading before would show a gap below zero."""
    assert NO_GAP.lasting_s(160.0) == 0.0
    assert RecordingGap(100.0).lasting_s(99.5) == 0.0


def test_events_of_other_kinds_in_between_hide_no_gap() -> None:
    """A journal is full of them."""
    dusk = LightChanged(50.0, Light.NIGHT)

    assert gaps(dusk, *DOWN, dusk) == [(100.0, None)]
