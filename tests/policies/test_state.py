"""The fold: what is owed after a crash is what the events say."""

from __future__ import annotations

import pytest

from drivers.base import Act, Verdict
from policies.events import (
    DeviceSeen,
    Ending,
    LightChanged,
    OrderClosed,
    OrderGiven,
    PauseSet,
    ReadingTaken,
    StepBegan,
    StepEnded,
)
from policies.load import listed_draw
from policies.model import Order, Reason, Task
from policies.night import Light
from policies.state import Phase, SiteState, dusk_w, fold, initial, listed_load_w
from tests.policies.sites import Run, on_battery, on_mains, site_of

SITE = site_of()
REST = Order("gate recorder", Task.REST, 500.0, Reason("why", "because"))


def folded(*events: object) -> SiteState:
    state = initial(SITE)
    for event in events:
        state = fold(SITE, state, event)  # type: ignore[arg-type]  # events of every kind
    return state


def test_intent_without_outcome_is_in_doubt() -> None:
    """After a crash in mid-act the next run knows what may have been sent."""
    state = folded(OrderGiven(1, "r#1", REST), StepBegan(2, "r#1", "gate recorder", "stop"))
    opened = state.devices["gate recorder"].order

    assert opened is not None
    assert opened.steps == (("stop", None),)
    assert state.devices["gate recorder"].phase is Phase.RESTING


def test_outcome_closes_its_intent() -> None:
    """An answered act is no longer in doubt."""
    state = folded(
        OrderGiven(1, "r#1", REST),
        StepBegan(2, "r#1", "gate recorder", "stop"),
        StepEnded(3, "r#1", "gate recorder", "stop", "done", "accepted"),
    )
    opened = state.devices["gate recorder"].order

    assert opened is not None
    assert opened.steps == (("stop", "done"),)


def test_events_of_another_order_change_nothing() -> None:
    """A late outcome of an order long closed must not touch the present one."""
    before = folded(OrderGiven(1, "r#1", REST))
    for event in (
        StepBegan(2, "r#0", "gate recorder", "stop"),
        OrderClosed(2, "r#0", "gate recorder", Task.REST, Ending.AT_REST, "gone"),
    ):
        assert fold(SITE, before, event) == before


def test_events_of_unknown_devices_and_units_change_nothing() -> None:
    """A journal outlives the file that it was written under."""
    order = Order("old recorder", Task.REST, 500.0, Reason("why", "because"))
    state = folded(
        OrderGiven(1, "x", order),
        StepBegan(1, "x", "old recorder", "stop"),
        ReadingTaken(2, on_mains(2, "old cabinet")),
        DeviceSeen(3, "old recorder", "seen"),
    )

    assert state == initial(SITE)


def test_withdrawn_order_leaves_the_device_as_it_was() -> None:
    """What was only decided was not done."""
    closed = OrderClosed(2, "r#1", "gate recorder", Task.REST, Ending.WITHDRAWN, "")
    device = folded(OrderGiven(1, "r#1", REST), closed).devices["gate recorder"]

    assert device.phase is Phase.RUNNING
    assert not device.is_ours


START = Order("gate recorder", Task.START, 500.0, Reason("why", "because"))


def failed_rest(*steps: object) -> tuple[object, ...]:
    closed = OrderClosed(4, "r#1", "gate recorder", Task.REST, Ending.FAILED, "still there")
    return (OrderGiven(1, "r#1", REST), *steps, closed)


@pytest.mark.parametrize("order", [REST, START], ids=["rest", "start"])
def test_withdrawn_order_leaves_a_given_up_device_given_up(order: Order) -> None:
    """A recorder that would not stop is not at rest, and still owed its return, all the same."""
    withdrawn = OrderClosed(6, "r#2", "gate recorder", order.task, Ending.WITHDRAWN, "restarted")
    device = folded(
        *failed_rest(StepBegan(2, "r#1", "gate recorder", "quiesce")),
        OrderGiven(5, "r#2", order),
        withdrawn,
    ).devices["gate recorder"]

    assert device.phase is Phase.GIVEN_UP
    assert device.is_ours
    assert device.order is None


def test_withdrawn_start_leaves_a_rehearsed_rest_rehearsed() -> None:
    """A device in dry run is never at rest in the eyes of a live one."""
    device = folded(
        OrderGiven(1, "r#1", REST),
        OrderClosed(2, "r#1", "gate recorder", Task.REST, Ending.ASSUMED, "dry run"),
        OrderGiven(3, "r#2", START),
        OrderClosed(4, "r#2", "gate recorder", Task.START, Ending.WITHDRAWN, "restarted"),
    ).devices["gate recorder"]

    assert (device.phase, device.is_assumed) == (Phase.AT_REST, True)


@pytest.mark.parametrize("verdict", list(Verdict), ids=lambda v: v.name)
def test_only_what_may_have_taken_effect_is_remembered_as_told(verdict: Verdict) -> None:
    """An act that must never be sent twice is not sent again by the next order either."""
    began = StepBegan(2, "r#1", "gate recorder", "stop")
    ended = StepEnded(3, "r#1", "gate recorder", "stop", verdict, "")
    told = folded(*failed_rest(began, ended)).devices["gate recorder"].told
    without = {Verdict.REFUSED, Verdict.NO_ANSWER, Verdict.NOT_YET, Verdict.ASSUMED}

    assert told == (frozenset() if verdict in without else {"stop"})


def test_act_in_doubt_is_remembered_as_told_until_the_device_is_seen() -> None:
    """After a crash in mid-act it may have been sent; once the device runs, that is over."""
    doubt = failed_rest(StepBegan(2, "r#1", "gate recorder", Act.STOP))
    assert folded(*doubt).devices["gate recorder"].told == {Act.STOP}

    seen = folded(*doubt, DeviceSeen(5, "gate recorder", "it answers"))
    assert seen.devices["gate recorder"].told == frozenset()


@pytest.mark.parametrize(
    ("verdict", "is_in_doubt"),
    [(None, True), (Verdict.DONE, False), (Verdict.UNCERTAIN, False), (Verdict.NO_ANSWER, False)],
)
def test_stop_that_nobody_answered_for_is_kept_in_doubt(
    verdict: Verdict | None, is_in_doubt: bool
) -> None:
    """A recorder that was quiesced and runs may be idle: that its stop was told proves nothing."""
    steps: list[object] = [StepBegan(2, "r#1", "gate recorder", "stop")]
    if verdict is not None:
        steps.append(StepEnded(3, "r#1", "gate recorder", "stop", verdict.value, "said"))

    known = folded(*failed_rest(*steps)).devices["gate recorder"]
    assert known.is_stop_in_doubt is is_in_doubt


def test_device_that_was_proven_off_counts_as_that_until_it_is_told_or_seen() -> None:
    """In the next outage its silence means that it is still off, and not that it was lost."""
    gate = "gate recorder"
    off = (
        OrderGiven(1, "r#1", REST),
        StepBegan(2, "r#1", gate, "stop"),
        OrderClosed(3, "r#1", gate, Task.REST, Ending.AT_REST, "gone"),
        OrderGiven(4, "r#2", START),
    )
    unseen = (*off, OrderClosed(5, "r#2", gate, Task.START, Ending.FAILED, "silent"))
    again = OrderGiven(6, "r#3", REST)
    told = StepBegan(7, "r#3", gate, "stop")
    failed = OrderClosed(8, "r#3", gate, Task.REST, Ending.FAILED, "still there")
    back = OrderClosed(5, "r#2", gate, Task.START, Ending.RUNNING, "it answers")

    assert folded(*unseen).devices[gate].was_seen_off
    assert folded(*unseen, again, failed).devices[gate].was_seen_off
    assert not folded(*unseen, again, told, failed).devices[gate].was_seen_off
    assert not folded(*off, back).devices[gate].was_seen_off
    assert not folded(*unseen, DeviceSeen(6, gate, "seen")).devices[gate].was_seen_off


def test_listed_load_falls_as_devices_come_to_rest() -> None:
    """A unit that measures nothing is judged by what the file says is still on."""
    run = Run(SITE)
    before_w = listed_load_w(SITE, run.state, "cabinet")
    run.outage(100.0)
    run.state = fold(SITE, run.state, OrderGiven(run.now, "r#1", REST))
    run.rest("gate recorder")

    assert before_w == pytest.approx(listed_draw(SITE, "cabinet").most)
    assert before_w > 10 + 8 + 25 + 60  # the ports that feed the camera lose a part
    assert listed_load_w(SITE, run.state, "cabinet") == pytest.approx(before_w - 25)


def test_listed_load_goes_by_the_light() -> None:
    """By day the infrared lights are off; nobody knows without a place."""
    draw = listed_draw(SITE, "cabinet")
    unknown = Run(SITE).state
    day = fold(SITE, unknown, LightChanged(1.0, Light.DAY, until_at=100.0))
    night = fold(SITE, day, LightChanged(100.0, Light.NIGHT))

    assert listed_load_w(SITE, unknown, "cabinet") == draw.most
    assert listed_load_w(SITE, day, "cabinet") == draw.day < draw.night
    assert listed_load_w(SITE, night, "cabinet") == draw.night
    assert dusk_w(SITE, day, "cabinet") == pytest.approx(draw.night - draw.day)
    assert dusk_w(SITE, night, "cabinet") == dusk_w(SITE, unknown, "cabinet") == 0.0


def test_outage_begins_with_its_first_unit_and_ends_with_the_last() -> None:
    """Hold times count from the moment that mains failed."""
    run = Run(SITE)
    run.outage(100.0)
    assert run.state.outage_at == 100.0

    run.hear(on_mains(200.0), on_mains(210.0))
    assert run.state.outage_at is None


def test_new_outage_forgets_the_failures_of_the_last() -> None:
    """A device given up last month is tried afresh."""
    run = Run(SITE)
    run.outage(100.0)
    run.state = fold(SITE, run.state, OrderGiven(run.now, "r#1", REST))
    run.close("gate recorder", Ending.FAILED)
    assert run.state.devices["gate recorder"].attempts == 1

    run.hear(on_mains(200.0), on_mains(210.0), *(on_battery(t, 300.0) for t in (301, 302, 320)))
    assert run.state.devices["gate recorder"].attempts == 0


def test_pause_can_be_ended_early() -> None:
    """The electrician who finishes early gives the site back."""
    assert folded(PauseSet(10, 3600, "an electrician")).paused_until_at == 3600
    ended = folded(PauseSet(10, 3600, "an electrician"), PauseSet(60, 60, "an electrician"))
    assert ended.paused_until_at is None
