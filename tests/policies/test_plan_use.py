"""What gives way by a plan that was made a while ago, and when it is no longer asked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.decide import beliefs_of
from policies.events import Ending
from policies.footing import Terms
from policies.model import Role, Task, Unit
from policies.plan import Plan, Why
from policies.plan_use import (
    PLAN_LASTS_S,
    PUT_OFF_S,
    is_load_near,
    speaks_for,
    steadied,
    wants_second,
)
from policies.planning import make_plan
from tests.policies.sites import (
    CABINET,
    CAMERA,
    DESK,
    RECORDER,
    SWITCH,
    Run,
    on_battery,
    site_of,
    tasks,
)

PATIENCE_S = 120.0
OUTAGE_AT = 100.0


def in_outage(*devices: object, **site: object) -> Run:
    """The boatyard a good minute into an outage."""
    run = Run(site_of(*devices, patience_s=PATIENCE_S, **site))  # type: ignore[arg-type]
    run.outage(OUTAGE_AT)
    return run


def planned(run: Run, **terms: object) -> Plan:
    """A plan made now, as the agent makes it."""
    passed_s = run.now - OUTAGE_AT
    wanted = Terms(
        horizon_s=run.site.horizon_s, patience_s=max(0.0, PATIENCE_S - passed_s),
        measured_w={"cabinet": run.state.units["cabinet"].load_w}, data_first=True,
    )  # fmt: skip
    beliefs = beliefs_of(run.site, run.state, run.now)
    return make_plan(run.site, run.state, beliefs, run.now, replace(wanted, **terms))  # type: ignore[arg-type]


def hear_until(run: Run, at: float, **fields: object) -> None:
    """Readings every ten seconds, as on battery."""
    while run.now + 10.0 < at:
        run.hear(on_battery(run.now + 10.0, OUTAGE_AT, **fields))  # type: ignore[arg-type]
    run.hear(on_battery(at, OUTAGE_AT, **fields))  # type: ignore[arg-type]


def test_desk_gives_way_when_the_plan_says_and_not_before() -> None:
    """No hold time asks for it: only the plan knows that the recorder's hours are worth more."""
    run = in_outage()
    plan = planned(run)
    stop = plan.stops["desk"]
    assert (stop.why, stop.sake) == (Why.GIVES_WAY, "gate recorder")

    hear_until(run, stop.on_until_at - 1.0)
    assert run.decide(plan=plan).orders == ()
    assert run.decide(plan=plan).wake_at <= stop.on_until_at

    run.hear(on_battery(stop.on_until_at, OUTAGE_AT))
    assert run.decide().orders == ()
    assert tasks(run.decide(plan=plan)) == [("desk", Task.REST)]


def test_sentence_says_what_the_plan_gains_by_it() -> None:
    """The owner reads why his desk went off while the battery was nearly full."""
    run = in_outage()
    plan = planned(run)
    hear_until(run, plan.stops["desk"].on_until_at)
    (order,) = run.decide(plan=plan).orders

    assert order.reason.code == "gives_way"
    sentence = order.reason.sentence
    assert sentence.startswith("giving it up, by the plan made ")
    assert "60 W" in sentence and "gate recorder can then stay on for" in sentence
    assert "99 % sure" in sentence
    figures = order.reason.figures
    assert figures["lower_s"] > figures["until_s"] > 0.0
    assert figures["age_s"] == pytest.approx(run.now - plan.made_at)


def test_plan_that_is_old_of_another_outage_or_of_another_load_is_not_used() -> None:
    """What it was made for is no more; acting on it would give up what need not go."""
    run = in_outage()
    plan = planned(run)
    hear_until(run, plan.stops["desk"].on_until_at)
    assert run.decide(plan=plan).orders

    assert run.decide(plan=replace(plan, outage_at=OUTAGE_AT - 500.0)).orders == ()
    assert run.decide(plan=replace(plan, made_at=run.now + 1.0)).orders == ()
    assert run.decide(plan=replace(plan, units={})).orders == ()
    old = replace(plan, made_at=run.now - PLAN_LASTS_S - 1.0)
    assert run.decide(plan=old).orders == ()

    run.hear(on_battery(run.now + 5.0, OUTAGE_AT, output_w=180.0))
    assert run.decide(plan=plan).orders == ()


def test_load_that_falls_as_planned_is_near_the_plan() -> None:
    """Else each stop would put the plan out of use that asked for it."""
    run = in_outage()
    plan = planned(run)
    course = plan.units["cabinet"]
    off_s = plan.stops["desk"].at_rest_at - plan.made_at

    assert is_load_near(course, 100.0, 0.0)
    assert not is_load_near(course, 40.0, 0.0)
    assert is_load_near(course, 40.0, off_s)
    assert is_load_near(course, 100.0, off_s)
    assert not is_load_near(course, 100.0, off_s + 200.0)
    assert is_load_near(course, 40.0, off_s + 200.0)


def test_plan_of_one_unit_is_not_used_once_another_is_on_battery_too() -> None:
    """Loads move from one to the other; it was made without that."""
    loft = Unit("loft", 1000, 700, CABINET.battery)
    lamp = replace(DESK, name="lamp", feeds=("loft",), path=())
    run = in_outage(SWITCH, CAMERA, RECORDER, DESK, lamp, units=(CABINET, loft))
    plan = planned(run)

    assert speaks_for(plan, run.state, ["cabinet"], run.now) == {"cabinet"}
    assert speaks_for(plan, run.state, ["cabinet", "loft"], run.now) == frozenset()


def test_latest_safe_start_holds_beneath_a_plan_that_would_wait() -> None:
    """However rosy the plan was, a recorder is told while there is still time."""
    run = in_outage()
    plan = planned(run)
    rosy = replace(
        plan,
        stops={n: replace(s, why=Why.KEPT, on_until_at=1e9) for n, s in plan.stops.items()},
    )
    hear_until(run, OUTAGE_AT + 240.0)
    assert run.decide(plan=rosy).orders == ()
    run.hear(on_battery(run.now + 5.0, OUTAGE_AT, runtime_s=150.0))

    told = {order.device: order.reason.code for order in run.decide(plan=rosy).orders}
    assert told["gate recorder"] in {"latest_safe_start", "too_late"}


# No flapping


def test_what_one_plan_alone_gives_up_waits_for_another() -> None:
    """One odd reading makes an odd plan, and what is given up stays so until mains returns."""
    run = in_outage()
    calm = planned(run)
    hear_until(run, OUTAGE_AT + 30.0)
    odd = steadied(calm, planned(run, patience_s=0.0))

    assert wants_second(odd)
    assert run.decide(plan=odd).orders == ()
    assert odd.stops["desk"].on_until_at == pytest.approx(run.now + PUT_OFF_S)

    hear_until(run, run.now + 10.0)
    agreeing = steadied(odd, planned(run, patience_s=0.0))
    assert not wants_second(agreeing)
    assert tasks(run.decide(plan=agreeing)) == [("desk", Task.REST)]

    differing = steadied(odd, planned(run))
    assert run.decide(plan=differing).orders == ()


def test_plan_foretold_long_before_needs_no_second_one() -> None:
    """It was agreed on by every plan until then."""
    run = in_outage()
    first = steadied(None, planned(run))
    assert not wants_second(first)
    hear_until(run, first.stops["desk"].on_until_at)

    assert not wants_second(steadied(first, planned(run)))


def test_device_that_was_given_up_is_not_taken_back_by_a_plan_that_differs_slightly() -> None:
    """A PC that is stopped and started over and over comes to harm."""
    run = in_outage()
    plan = planned(run)
    hear_until(run, plan.stops["desk"].on_until_at)
    assert run.obey(plan) == ["desk"]
    kept = replace(plan, stops={n: replace(s, why=Why.KEPT) for n, s in plan.stops.items()})
    assert run.decide(plan=kept).orders == ()
    assert run.decide(plan=plan).orders == ()

    run.rest("desk")
    hear_until(run, run.now + 60.0, output_w=40.0)
    for latest in (kept, plan, planned(run)):
        assert run.decide(plan=latest).orders == ()
    assert planned(run).stops["desk"].why is Why.OFF


def test_device_that_refuses_to_be_given_up_is_tried_again_only_in_its_time() -> None:
    """A plan that goes on asking must not hammer at it."""
    run = in_outage()
    plan = planned(run)
    hear_until(run, plan.stops["desk"].on_until_at)
    run.obey(plan)
    run.close("desk", Ending.FAILED)

    assert run.decide(plan=plan).orders == ()


def test_last_recorder_does_not_give_way_to_what_holds_no_data() -> None:
    """Everything else is given up before any recorder is (invariant 3)."""
    router = replace(SWITCH, name="router", role=Role.ROUTER, stop_s=None, worth=5.0)
    run = in_outage(SWITCH, CAMERA, replace(RECORDER, worth=0.1), router)

    assert planned(run).stops["gate recorder"].why is Why.KEPT


def test_last_recorder_gives_way_where_a_hold_time_asks_for_it() -> None:
    """The owner's own word comes before ours."""
    router = replace(SWITCH, name="router", role=Role.ROUTER, stop_s=None, hold_s=4 * 3600.0)
    devices = (SWITCH, CAMERA, replace(RECORDER, watts=60.0, night_watts=60.0), router)
    run = in_outage(*devices, units=(CABINET,))

    stop = planned(run).stops["gate recorder"]
    assert stop.why is Why.GIVES_WAY
