"""How long stages really take: longer at once, shorter only when sure, and by how much."""

from __future__ import annotations

import random
import statistics

import pytest

from policies.decide import beliefs_of
from policies.events import (
    AgentStarted,
    Ending,
    Event,
    OrderClosed,
    OrderGiven,
    ReadingTaken,
    StepBegan,
    StepEnded,
)
from policies.learnt import FEW, KEPT, learnt_of, percentile_s, planned_s, with_learnt, with_sample
from policies.model import Battery, Device, Order, Reason, Role, Site, Starts, Task, Unit
from policies.state import SiteState, fold, initial, took_of
from policies.timeline import timeline
from tests.policies.sites import on_battery

GATE = Device(
    "gate recorder", Role.RECORDER, 24, feeds=("cabinet",), quiesce_s=10.0, stop_s=30.0,
    settle_s=60.0, starts=Starts.BY_ORDER, start_s=60.0,
)  # fmt: skip
CABINET = Unit("cabinet", 1000, 700, Battery(watt_hours=200))
SITE = Site("yard", {"cabinet": CABINET}, {GATE.name: GATE})


def test_percentile_is_the_nearest_rank_of_the_handbook() -> None:
    """Of 1 to 100 s it is 95 s; of a hundred random ones that which 95 of them do not exceed."""
    chance = random.Random(3)
    drawn = [chance.uniform(1.0, 90.0) for _ in range(100)]

    assert percentile_s([float(n) for n in range(1, 101)]) == 95.0
    assert sum(one <= percentile_s(drawn) for one in drawn) == 95
    assert percentile_s(drawn) <= statistics.quantiles(drawn, n=20, method="exclusive")[-1]


def test_of_few_the_longest_counts() -> None:
    """One slow stop of three is no outlier."""
    assert percentile_s([20.0, 58.0, 22.0]) == 58.0
    assert percentile_s([20.0] * (FEW - 1) + [58.0]) == 20.0  # one of twenty is one


def test_longer_than_the_file_says_counts_from_the_first_time_on() -> None:
    """A stop that took 58 s where the file says 30 s would else be too late the next time."""
    assert planned_s([58.0], file_s=30.0, floor_s=15.0) == 58.0


def test_shorter_counts_only_after_ten_times_and_never_by_more_than_half() -> None:
    """A plan that trusts one lucky stop loses the next recording."""
    assert planned_s([12.0] * 9, file_s=120.0, floor_s=15.0) == 120.0
    assert planned_s([70.0] * 10, file_s=120.0, floor_s=15.0) == 70.0
    assert planned_s([12.0] * 10, file_s=120.0, floor_s=15.0) == 60.0
    assert planned_s([1.0] * 10, file_s=20.0, floor_s=15.0) == 15.0


def test_nothing_learnt_leaves_the_site_as_it_is() -> None:
    """The very same object, so that its graph is not made anew."""
    assert with_learnt(SITE, {}) is SITE
    assert with_learnt(SITE, {"gate recorder": {"stop": (20.0,)}}) is SITE


def test_only_the_latest_are_remembered() -> None:
    """A snapshot must not grow for ten years, and last year's firmware is gone."""
    took: dict[str, tuple[float, ...]] = {}
    for number in range(100):
        took = dict(with_sample(took, "stop", float(number)))

    assert took["stop"] == tuple(float(n) for n in range(100 - KEPT, 100))


def test_sentence_names_both_figures() -> None:
    """People see what was learnt beside what they wrote."""
    (one,) = learnt_of(GATE, {"stop": (38.2, 31.0)})

    assert one.sentence == "stop learnt 38 s, file says 30 s (seen 2 times)"


def story(*moments: tuple[float, str, str]) -> list[Event]:
    """An order to rest from 100 s on; *moments* say when an act ended, and how."""
    order = Order("gate recorder", Task.REST, 900.0, Reason("why", "why"))
    events: list[Event] = [OrderGiven(100.0, "1", order)]
    began_at = 100.0
    for at, act, verdict in moments:
        events.append(StepBegan(began_at, "1", "gate recorder", act))
        events.append(StepEnded(at, "1", "gate recorder", act, verdict, "seen"))
        began_at = at
    closed = OrderClosed(began_at, "1", "gate recorder", Task.REST, Ending.AT_REST, "gone")
    return [*events, closed]


def folded(events: list[Event]) -> SiteState:
    state = initial(SITE)
    for event in events:
        state = fold(SITE, state, event)
    return state


WHOLE = [
    (101.0, "quiesce", "done"), (108.0, "confirm_quiesced", "done"), (109.0, "stop", "done"),
    (220.0, "confirm_gone", "done"),
]  # fmt: skip


def test_order_that_went_well_teaches_how_long_each_stage_took() -> None:
    """From telling it until it was seen; the minute of silence is no part of the stop."""
    state = folded(story(*WHOLE))

    assert took_of(state) == {"gate recorder": {"quiesce": (8.0,), "stop": (52.0,)}}


def test_plan_begins_the_next_stop_earlier_by_what_was_learnt() -> None:
    """52 s where the file says 30 s: its stop begins 22 s earlier."""
    state = folded(story(*WHOLE))
    start = Order(GATE.name, Task.START, 400.0, Reason("why", "why"))
    state = fold(SITE, state, OrderGiven(300.0, "2", start))
    state = fold(SITE, state, OrderClosed(301.0, "2", GATE.name, Task.START, Ending.RUNNING, "on"))
    for at in (400.0, 406.0, 412.0):
        reading = on_battery(at, 400.0, "cabinet", output_w=100.0)
        state = fold(SITE, state, ReadingTaken(at, reading))
    beliefs = beliefs_of(SITE, state, 412.0)
    plain = timeline(SITE, state, beliefs, 412.0).bare[GATE.name]
    learnt = timeline(with_learnt(SITE, took_of(state)), state, beliefs, 412.0).bare[GATE.name]
    assert plain.start_latest_at - learnt.start_latest_at == pytest.approx(22.0)


def test_act_that_was_not_heard_at_first_is_timed_from_when_it_was() -> None:
    """Minutes of a silent switch are not the recorder's."""
    silent, heard = (150.0, "stop", "no answer"), (151.0, "stop", "done")
    events = story(silent, heard, (240.0, "confirm_gone", "done"))

    assert took_of(folded(events)) == {"gate recorder": {"stop": (30.0,)}}


def test_silence_that_proved_nothing_at_first_teaches_nothing() -> None:
    """Its path was away: nobody knows when it went."""
    gone = [(at, "confirm_gone", "done") for at in (220.0, 400.0)]

    assert took_of(folded(story(*WHOLE[:3], *gone))) == {}


def test_time_during_which_the_agent_was_away_teaches_nothing() -> None:
    """It was killed in the middle; the device went when nobody looked."""
    events = story(*WHOLE)
    events.insert(-2, AgentStarted(2000.0, "1", dry_run=False))

    assert took_of(folded(events)) == {}


def test_what_was_only_given_its_time_teaches_nothing() -> None:
    """Else the file's own figure would come back as a measurement."""
    assert took_of(folded(story((101.0, "quiesce", "done"), (109.0, "stop", "done")))) == {}
