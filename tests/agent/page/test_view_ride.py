"""The ride-through that the page draws: what happened is kept, what is ahead is the plan's."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from agent.page.live_past import POINTS_KEPT, Past
from agent.page.view_ride import ride_of
from agent.pictures.ride_view import Doing, Left, RideView
from policies.decide import beliefs_of
from policies.plan import Plan
from policies.planning import make_plan
from tests.agent.page.test_view_words import TERMS, ahead_of, on_mains_run, seen
from tests.policies.sites import DESK, RECORDER, Run, on_battery, on_mains, site_of

ALONE = replace(RECORDER, path=(), hold_s=3600.0)
"""A recorder that is reached directly."""


def planned(run: Run) -> Plan:
    beliefs = beliefs_of(run.site, run.state, run.now)
    return make_plan(run.site, run.state, beliefs, run.now, TERMS)


def look(past: Past, run: Run) -> None:
    past.look(run.site, run.state, run.decide(), run.now)


def drawn(run: Run, past: Past, *, plan: Plan | None = None, ahead: Plan | None = None) -> RideView:
    found = ride_of(seen(run, plan=plan, ahead=ahead), past, None, description="On battery.")
    assert found is not None
    return found


def outage_of(run: Run, *, until_s: float, pace_s: float = 10.0) -> Past:
    """Let mains fail at 100 s, and keep what happens until so many seconds later."""
    past = Past()
    run.outage(100.0)
    look(past, run)
    at = run.now
    while at + pace_s <= 100.0 + until_s:
        at += pace_s
        run.hear(on_battery(at, 100.0))
        look(past, run)
    return past


def test_on_mains_nothing_has_happened_and_all_is_planned_from_now() -> None:
    """Before an outage the picture shows what one would be, and claims no past."""
    run = on_mains_run(ALONE, replace(DESK, path=()))
    view = drawn(run, Past(), ahead=ahead_of(run))

    assert view.now_s == 0.0
    assert all(not device.past for device in view.devices)
    assert all(not unit.left and not unit.load for unit in view.units)
    assert {span.doing for d in view.devices for span in d.planned} >= {Doing.ON, Doing.AT_REST}
    assert view.units[0].left_planned[0].likely == pytest.approx(1.0)


def test_without_a_plan_there_is_nothing_to_draw_on_mains() -> None:
    run = on_mains_run(ALONE)

    assert ride_of(seen(run), Past(), None, description="") is None


def test_the_past_ends_now_and_the_plan_begins_there() -> None:
    """Solid and faint meet at now, in the battery as in every bar."""
    run = Run(site_of(ALONE, replace(DESK, path=())))
    past = outage_of(run, until_s=600.0)
    view = drawn(run, past, plan=planned(run))

    assert view.now_s == pytest.approx(600.0, abs=10.0)
    (unit,) = view.units
    assert view.now_s is not None
    assert unit.left[-1].at_s <= view.now_s <= unit.left_planned[0].at_s
    assert unit.left[0].likely > unit.left[-1].likely > unit.left_planned[-1].likely
    for device in view.devices:
        assert [span.doing for span in device.past] == [Doing.ON]
        assert device.past[-1].ends_s is None
        assert device.planned[0].begins_s == pytest.approx(view.now_s)


def test_what_is_left_does_not_jump_where_the_plan_takes_over() -> None:
    """A step in the picture would look as if something had happened just now."""
    run = Run(site_of(ALONE))
    past = outage_of(run, until_s=900.0)
    view = drawn(run, past, plan=planned(run))
    (unit,) = view.units

    assert unit.left_planned[0].likely == pytest.approx(unit.left[-1].likely, abs=0.05)


def test_the_battery_ends_in_the_picture_when_the_words_say() -> None:
    """The band's lower edge reaches nothing at the moment that stands beside it."""
    run = Run(site_of(ALONE))
    past = outage_of(run, until_s=300.0)
    view = drawn(run, past, plan=planned(run))
    (unit,) = view.units
    ends_s = next(point.at_s for point in unit.left_planned if point.lower <= 1e-9)

    assert unit.sure_end_s is not None and unit.likely_end_s is not None
    # The load falls by what is stopped before the end, so that it ends no sooner than said.
    assert ends_s >= unit.sure_end_s - 60.0
    assert unit.sure_end_s < unit.likely_end_s


def test_hold_time_and_latest_safe_start_are_from_mains_failing_on() -> None:
    run = Run(site_of(ALONE))
    past = outage_of(run, until_s=300.0)
    plan = planned(run)
    (device,) = drawn(run, past, plan=plan).devices

    assert device.hold_until_s == 3600.0
    assert device.latest_s == pytest.approx(plan.stops[ALONE.name].latest_at - 100.0)
    assert device.is_held == plan.stops[ALONE.name].is_held


def test_a_stop_is_seen_as_it_goes_and_stays_in_the_past() -> None:
    """On, stopping, at rest: each from when it was so."""
    run = Run(site_of(replace(ALONE, hold_s=0.0)))
    past = outage_of(run, until_s=60.0)
    run.hear(*(on_battery(at, 100.0, charge=0.02) for at in (9000.0, 9002.0, 9004.0)))
    assert run.obey() == [ALONE.name]
    look(past, run)
    run.hear(on_battery(9050.0, 100.0, charge=0.02))
    run.rest(ALONE.name)
    look(past, run)
    (device,) = drawn(run, past).devices

    assert [(span.doing, span.begins_s) for span in device.past] == [
        (Doing.ON, 0.0),
        (Doing.STOPPING, 8904.0),
        (Doing.AT_REST, 8950.0),
    ]
    assert not device.planned


def test_the_picture_stays_until_all_are_back_and_then_goes() -> None:
    """Mains being there is not the end of it."""
    run = Run(site_of(replace(ALONE, hold_s=0.0)))
    past = outage_of(run, until_s=60.0)
    run.hear(*(on_battery(at, 100.0, charge=0.02) for at in (9000.0, 9002.0, 9004.0)))
    run.obey()
    run.rest(ALONE.name)
    look(past, run)
    run.hear(on_mains(9100.0, charge=0.5), on_mains(9102.0, charge=0.5))
    look(past, run)
    view = drawn(run, past)
    assert view.mains_back_s == pytest.approx(9002.0)

    run.state = replace(
        run.state,
        devices={
            name: replace(device, phase=type(device.phase).RUNNING)
            for name, device in run.state.devices.items()
        },
    )

    assert past.is_over(run.state)
    assert ride_of(seen(run), past, None, description="") is None


def test_a_long_outage_is_kept_in_bounds() -> None:
    """A day on a generator's battery must not fill the agent's memory."""
    run = Run(site_of(ALONE))
    past = outage_of(run, until_s=6 * 3600.0, pace_s=20.0)
    kept = past.units["cabinet"]

    assert len(kept.left) <= POINTS_KEPT + 1 and len(kept.charge) <= POINTS_KEPT + 1
    assert kept.left[0].at_s <= 20.0
    assert all(math.isfinite(point.likely) for point in kept.left)


def test_what_an_earlier_run_saw_is_taken_over_from_the_journal() -> None:
    """The agent was killed in the midst of it: the picture still begins where mains failed."""
    run = Run(site_of(ALONE))
    before = drawn(run, outage_of(run, until_s=300.0))
    past = Past()
    past.recall(100.0, before, run.state)
    run.hear(on_battery(420.0, 100.0))
    look(past, run)
    (unit,) = drawn(run, past).units

    assert unit.left[0] == Left(12.0, unit.left[0].lower, unit.left[0].likely)
    assert unit.left[-1].at_s == pytest.approx(320.0)
