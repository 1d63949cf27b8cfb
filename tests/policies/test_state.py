"""The fold: what is owed after a crash is what the events say."""

from __future__ import annotations

from policies.model import Order, Reason, Task
from policies.state import (
    DeviceSeen,
    Ending,
    OrderClosed,
    OrderGiven,
    PauseSet,
    Phase,
    ReadingTaken,
    SiteState,
    StepBegan,
    StepEnded,
    fold,
    initial,
    listed_load_w,
)
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


def test_listed_load_falls_as_devices_come_to_rest() -> None:
    """A unit that measures nothing is judged by what the file says is still on."""
    run = Run(SITE)
    before_w = listed_load_w(SITE, run.state, "cabinet")
    run.outage(100.0)
    run.state = fold(SITE, run.state, OrderGiven(run.now, "r#1", REST))
    run.rest("gate recorder")

    assert before_w == 10 + 8 + 25 + 60
    assert listed_load_w(SITE, run.state, "cabinet") == before_w - 25


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
