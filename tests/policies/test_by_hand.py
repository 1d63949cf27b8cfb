"""Orders by hand: what they may reach, whom they take along, and that they last."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from policies import reasons
from policies.by_hand import (
    Plan,
    missed_starts,
    rest_deadline_at,
    start_deadline_at,
    start_plan,
    stop_plan,
    stopped_again,
)
from policies.decide import beliefs_of
from policies.events import (
    DeviceSeen,
    Ending,
    OrderClosed,
    OrderGiven,
    PauseSet,
    StepBegan,
    StepEnded,
)
from policies.graph import graph_of, may_be_stopped
from policies.model import BatteryStatus, Device, Order, Role, Site, Starts, Task
from policies.owed import owed_changes
from policies.state import Phase, fold
from tests.policies.sites import (
    CAMERA,
    DESK,
    RECORDER,
    SWITCH,
    Run,
    on_battery,
    on_mains,
    site_of,
    tasks,
)
from tests.policies.test_invariants import sites

GATE = "gate recorder"
STORE = Device("store", Role.STORAGE, 20, 20, ("cabinet",), stop_s=30.0)
BOX = Device("box", Role.AGENT_BOX, 4, 4, ("cabinet",))


def steady(run: Run, *, at: float | None = None) -> Run:
    """Let mains be steady for long, the battery full."""
    at = run.now if at is None else at
    run.hear(*(on_mains(at + 10.0 * n) for n in range(1, 41)))
    return run


def by_hand(run: Run, name: str, task: Task = Task.REST) -> str:
    """Fold that an order by hand was given, and its last act begun; return its id."""
    order_id = f"{name}#{run.state.orders + 1}"
    order = Order(name, task, run.now + 300.0, reasons.by_hand(task, "ana"))
    act = "stop" if task is Task.REST else "start"
    for event in (
        OrderGiven(run.now, order_id, order),
        StepBegan(run.now, order_id, name, act),
        StepEnded(run.now, order_id, name, act, "done", "accepted"),
    ):
        run.state = fold(run.site, run.state, event)
    return order_id


def stopped(run: Run, name: str, ending: Ending = Ending.AT_REST) -> Run:
    by_hand(run, name)
    run.close(name, ending)
    return run


# It lasts


@pytest.mark.parametrize("ending", [Ending.AT_REST, Ending.FAILED, Ending.ASSUMED])
def test_device_stopped_by_hand_is_not_brought_back(ending: Ending) -> None:
    """Whoever took a recorder apart must not have it started in his hands."""
    run = steady(stopped(steady(Run(site_of())), GATE, ending))

    assert run.state.devices[GATE].by_hand
    assert tasks(run.decide()) == []


def test_device_stopped_by_hand_stays_off_through_a_whole_outage() -> None:
    """It was off before mains failed, so mains returning owes it nothing."""
    run = stopped(steady(Run(site_of())), GATE)
    run.outage(run.now + 100.0)
    at = run.now
    run.hear(*(on_battery(at + s, at, battery_status=BatteryStatus.LOW) for s in (20.0, 22.0)))
    assert run.obey() == ["desk"]
    run.rest("desk")
    steady(run)

    assert tasks(run.decide()) == [("desk", Task.START)]


def test_start_by_hand_gives_the_device_back_to_the_automatic_return() -> None:
    """Should the start fail, it is tried again like any other."""
    run = steady(stopped(steady(Run(site_of())), GATE))
    by_hand(run, GATE, Task.START)
    run.close(GATE, Ending.FAILED)
    assert tasks(run.decide()) == []

    steady(run)
    assert tasks(run.decide()) == [(GATE, Task.START)]


def test_device_that_runs_again_by_itself_is_no_longer_stopped_by_hand() -> None:
    """Somebody pressed its button: from then on it is looked after again."""
    run = stopped(steady(Run(site_of())), GATE)
    run.state = fold(run.site, run.state, DeviceSeen(run.now, GATE, "it answers"))

    assert not run.state.devices[GATE].by_hand
    assert run.state.devices[GATE].phase is Phase.RUNNING


def test_stop_by_hand_that_failed_does_not_outlast_the_next_outage() -> None:
    """It runs on; lastwatt's own stop later is no stop by hand, and its return is owed."""
    run = stopped(steady(Run(site_of())), GATE, Ending.FAILED)
    run.outage(run.now + 100.0)
    at = run.now
    run.hear(*(on_battery(at + s, at, battery_status=BatteryStatus.LOW) for s in (40.0, 42.0)))
    assert GATE in run.obey()
    run.close(GATE, Ending.AT_REST)

    assert not run.state.devices[GATE].by_hand


def test_stop_by_hand_under_way_stays_one_when_the_battery_hurries_it() -> None:
    """The short form is another reason for the same conversation."""
    run = steady(Run(site_of()))
    order_id = by_hand(run, GATE)
    short = Order(GATE, Task.REST, run.now + 90.0, reasons.battery_low("cabinet"), in_short=True)
    run.state = fold(run.site, run.state, OrderGiven(run.now, order_id, short))
    run.close(GATE, Ending.AT_REST)

    assert run.state.devices[GATE].by_hand


def test_automatic_stop_that_is_joined_by_hand_lasts_too() -> None:
    """Somebody says `stop` while the plan is already at it, and means it to stay so."""
    run = Run(site_of())
    run.outage(100.0)
    given = Order(GATE, Task.REST, 500.0, reasons.battery_low("cabinet"))
    joined = replace(given, reason=reasons.by_hand(Task.REST, "ana"))
    for order in (given, joined):
        run.state = fold(run.site, run.state, OrderGiven(run.now, "r#1", order))
    run.close(GATE, Ending.AT_REST)

    assert run.state.devices[GATE].by_hand
    assert run.state.orders == 1


def test_withdrawn_stop_by_hand_leaves_no_trace() -> None:
    """The agent was restarted before its first step: nothing was done to the device."""
    run = steady(Run(site_of()))
    order = Order(GATE, Task.REST, run.now + 300.0, reasons.by_hand(Task.REST, "ana"))
    run.state = fold(run.site, run.state, OrderGiven(run.now, "r#1", order))
    run.close(GATE, Ending.WITHDRAWN)

    assert not run.state.devices[GATE].by_hand
    assert run.state.devices[GATE].phase is Phase.RUNNING


def test_reason_names_who_asked() -> None:
    """The journal says in a year who stopped the recorder."""
    assert reasons.by_hand(Task.REST, "Ana (as root)").sentence == (
        "stopping now, as Ana (as root) asked by hand; it stays so until it is started by hand."
    )


# What it may reach


def refusal(plan: Plan) -> str:
    assert plan.devices == ()
    return plan.refusal


@pytest.mark.parametrize("plan", [stop_plan, start_plan])
@pytest.mark.parametrize("name", ["yard switch", "door controller", "box"])
def test_nothing_reaches_what_must_not_be_touched(plan: object, name: str) -> None:
    """A door that lets people out, what feeds it, and the box that would tell the others."""
    door = Device("door controller", Role.OTHER, 5, 5, ("yard switch",), no_touch=True)
    site = site_of(SWITCH, door, BOX)
    run = steady(Run(site))
    for with_users in (False, True):
        said = refusal(plan(site, run.state, name, with_users=with_users))  # type: ignore[operator]  # either of two functions
        assert "no order may reach" in said
        assert name == "box" or "door controller" in said


def test_switch_on_the_path_of_the_agents_box_is_refused() -> None:
    """Without it nobody could be told anything any more."""
    site = site_of(SWITCH, replace(BOX, path=("yard switch",)))
    said = refusal(stop_plan(site, Run(site).state, "yard switch"))

    assert "lastwatt's own box (box) is fed or reached through yard switch" in said


def test_device_that_cannot_be_told_anything_is_refused() -> None:
    """No language, no order; and no claim of one."""
    site = site_of()
    said = refusal(stop_plan(site, Run(site).state, "slipway camera"))

    assert said == "nothing in the site's file says how to bring slipway camera to rest"


def test_device_that_something_hangs_on_is_refused_unless_that_is_brought_first() -> None:
    """A recorder that writes through a switch must not lose it because somebody typed its name."""
    site = site_of()
    state = steady(Run(site)).state
    said = refusal(stop_plan(site, state, "yard switch"))
    assert said == (
        "gate recorder and desk hang on yard switch and are not at rest; bring that to rest first, "
        "or all of it with --with-users"
    )

    plan = stop_plan(site, state, "yard switch", with_users=True)
    assert plan == Plan(("gate recorder", "desk", "yard switch"), ("slipway camera",))


def test_users_at_rest_hold_nobody_back_but_rehearsed_ones_hold_live_ones() -> None:
    """A device in dry run is never at rest in the eyes of a live one."""
    site = site_of(SWITCH, RECORDER)
    rested = stopped(steady(Run(site)), GATE)
    assert stop_plan(site, rested.state, "yard switch").devices == ("yard switch",)

    site = site_of(SWITCH, replace(RECORDER, dry_run=True))
    assumed = stopped(steady(Run(site)), GATE, Ending.ASSUMED)
    assert "not at rest" in refusal(stop_plan(site, assumed.state, "yard switch"))


def test_user_that_cannot_be_told_is_not_passed_over() -> None:
    """`--with-users` brings to rest what it can, and does not cut off what it cannot."""
    mute = Device("old recorder", Role.RECORDER, 20, 20, ("yard switch",))
    site = site_of(SWITCH, mute)
    said = refusal(stop_plan(site, Run(site).state, "yard switch", with_users=True))

    assert said == (
        "old recorder hangs on yard switch, and nothing in the site's file says how to bring old "
        "recorder to rest"
    )


def test_start_that_was_sent_is_carried_through_before_a_stop() -> None:
    """A recorder in mid-boot is not switched off; one only watched for may be told."""
    for starts, refused in ((Starts.BY_ORDER, True), (Starts.BY_ITSELF, False)):
        site = site_of(SWITCH, replace(RECORDER, starts=starts))
        run = stopped(steady(Run(site)), GATE)
        by_hand(run, GATE, Task.START)

        assert ("being started" in stop_plan(site, run.state, GATE).refusal) == refused


def test_stop_once_begun_is_carried_through_before_a_start() -> None:
    """Half a shutdown is no state to start from."""
    site = site_of()
    run = steady(Run(site))
    by_hand(run, GATE)

    assert "carried through" in refusal(start_plan(site, run.state, GATE))


def test_start_is_refused_while_what_it_uses_is_off_naming_what_comes_first() -> None:
    """A recorder without its storage records nothing."""
    site = site_of(
        SWITCH, replace(STORE, path=("yard switch",)), replace(RECORDER, needs=("store",))
    )
    run = steady(Run(site))
    for name in (GATE, "store", "yard switch"):
        stopped(run, name)

    assert "start yard switch before it" in refusal(start_plan(site, run.state, GATE))
    assert start_plan(site, run.state, "yard switch").devices == ("yard switch",)
    everything = start_plan(site, run.state, "yard switch", with_users=True)
    assert everything.devices == ("yard switch", "store", GATE)


def test_start_takes_along_only_what_was_stopped_by_hand() -> None:
    """What the plan stopped comes back by the plan."""
    site = site_of(SWITCH, RECORDER, DESK)
    run = steady(Run(site))
    for name in (GATE, "desk", "yard switch"):
        stopped(run, name)
    run.state = fold(run.site, run.state, DeviceSeen(run.now, "desk", "it answers"))

    plan = start_plan(site, run.state, "yard switch", with_users=True)
    assert plan.devices == ("yard switch", GATE)


def test_start_that_would_be_undone_at_once_says_why() -> None:
    """On a low battery no recorder is started to be stopped; in a pause nothing would stop it."""
    site = site_of()
    run = stopped(steady(Run(site)), GATE)
    beliefs = beliefs_of(site, run.state, run.now)
    assert stopped_again(site, run.state, GATE, beliefs, run.now) is None

    run.outage(run.now + 100.0)
    at = run.now
    run.hear(*(on_battery(at + s, at, battery_status=BatteryStatus.LOW) for s in (20.0, 22.0)))
    beliefs = beliefs_of(site, run.state, run.now)
    why = stopped_again(site, run.state, GATE, beliefs, run.now)
    assert why is not None and why.code == "battery_low"

    paused = fold(site, run.state, PauseSet(run.now, run.now + 60.0, "ana"))
    assert stopped_again(site, paused, GATE, beliefs, run.now) is None


def test_deadlines_leave_patience_and_end_before_the_power_does() -> None:
    """Three times its own time and a minute, unless the battery ends before."""
    site = site_of()
    run = steady(Run(site))
    assert rest_deadline_at(site, GATE, None, 1000.0) == 1000.0 + 3 * 120.0 + 60.0
    assert start_deadline_at(site, GATE, 1000.0) == 1000.0 + 60.0 + 60.0
    assert start_deadline_at(site, "desk", 1000.0) == 1000.0 + 300.0 + 60.0

    course = run.decide().timeline
    soon = course.bare[GATE]._replace(stop_latest_at=run.now + 200.0)
    course = replace(course, bare={**course.bare, GATE: soon})
    assert rest_deadline_at(site, GATE, course, run.now) == run.now + 200.0


@settings(deadline=None, max_examples=200)
@given(sites(), st.data())
def test_drawn_plans_touch_nothing_forbidden_and_pass_nothing_over(
    site: Site, data: st.DataObject
) -> None:
    """Over drawn sites: each device comes after all that hangs on it (invariants 4 and 11)."""
    run, graph = Run(site), graph_of(site)
    name = data.draw(st.sampled_from(sorted(site.devices)))
    plan = stop_plan(site, run.state, name, with_users=True)
    told: set[str] = set()
    for device in plan.devices:
        assert may_be_stopped(site, device)
        assert not stop_plan(site, run.state, device, with_users=True).refusal
        assert {n for n in graph.users[device] if may_be_stopped(site, n)} <= told
        told.add(device)

    assert plan.refusal or plan.devices[-1] == name
    assert bool(plan.refusal) >= (not may_be_stopped(site, name))


# The pause


def test_pause_knows_who_set_it_until_it_ends() -> None:
    """Whoever looks at the status asks that person, and not the next."""
    run = Run(site_of())
    run.state = fold(run.site, run.state, PauseSet(10.0, 3600.0, "ana"))
    assert run.state.paused_by == "ana"

    run.state = fold(run.site, run.state, PauseSet(20.0, 20.0, "rui"))
    assert (run.state.paused_by, run.state.paused_until_at) == ("", None)


def test_latest_safe_starts_that_pass_in_a_pause_are_named() -> None:
    """What is not done must at least be said, of those it would have been done to."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER, replace(DESK, no_touch=True)))
    run.state = fold(run.site, run.state, PauseSet(0.0, 80_000.0, "ana"))
    run.outage(100.0)
    course = run.decide().timeline
    assert missed_starts(run.site, run.state, course, run.now) == ()

    late = course.planned[GATE].start_latest_at
    assert missed_starts(run.site, run.state, course, late) == (GATE,)
    by_hand(run, GATE)
    assert missed_starts(run.site, run.state, course, late) == ()


# What is owed


def owed(run: Run) -> dict[str, tuple[tuple[str, ...], bool]]:
    return {o.device: (o.acts, o.is_running) for o in owed_changes(run.site, run.state)}


def quiesced_and_stopped(run: Run, *, ending: Ending, verdict: str = "done") -> None:
    order = Order(GATE, Task.REST, run.now + 300.0, reasons.battery_low("cabinet"))
    order_id = f"{GATE}#{run.state.orders + 1}"
    run.state = fold(run.site, run.state, OrderGiven(run.now, order_id, order))
    for act in ("quiesce", "stop"):
        for event in (
            StepBegan(run.now, order_id, GATE, act),
            StepEnded(run.now, order_id, GATE, act, verdict, ""),
        ):
            run.state = fold(run.site, run.state, event)
    if ending is not Ending.WITHDRAWN:
        run.close(GATE, ending)


def test_change_is_owed_from_the_moment_it_may_have_taken_effect() -> None:
    """The box may lose its power at any moment, and the list must be there by then."""
    run = steady(Run(site_of()))
    order = Order(GATE, Task.REST, run.now + 300.0, reasons.battery_low("cabinet"))
    run.state = fold(run.site, run.state, OrderGiven(run.now, "r#1", order))
    assert owed(run) == {}

    run.state = fold(run.site, run.state, StepBegan(run.now, "r#1", GATE, "quiesce"))
    assert owed(run) == {GATE: (("quiesced",), False)}


@pytest.mark.parametrize("ending", [Ending.AT_REST, Ending.FAILED])
def test_change_stays_owed_until_the_device_was_started(ending: Ending) -> None:
    """Also that of an order which failed: its recording may be stopped all the same."""
    run = steady(Run(site_of()))
    quiesced_and_stopped(run, ending=ending)
    assert owed(run) == {GATE: (("quiesced", "stopped"), False)}

    by_hand(run, GATE, Task.START)
    assert GATE in owed(run)
    run.close(GATE, Ending.RUNNING)
    assert owed(run) == {}


@pytest.mark.parametrize("verdict", ["assumed", "refused", "no answer", "not yet"])
def test_what_took_no_effect_is_not_owed(verdict: str) -> None:
    """A rehearsal owes nothing."""
    run = steady(Run(site_of()))
    quiesced_and_stopped(run, ending=Ending.FAILED, verdict=verdict)

    assert owed(run) == {}


def test_recorder_that_came_back_by_itself_is_owed_a_look_at_its_recording() -> None:
    """Power undoes a stop; a recording that was stopped may stay so, and nobody would notice."""
    run = steady(Run(site_of()))
    quiesced_and_stopped(run, ending=Ending.AT_REST)
    run.state = fold(run.site, run.state, DeviceSeen(run.now, GATE, "it answers"))
    assert owed(run) == {GATE: (("quiesced",), True)}

    by_hand(run, GATE, Task.START)
    run.close(GATE, Ending.RUNNING)
    assert owed(run) == {}


def test_withdrawn_order_leaves_what_it_did_owed() -> None:
    """It gave way in mid-work: what was done is on the list all the same."""
    run = steady(Run(site_of()))
    quiesced_and_stopped(run, ending=Ending.WITHDRAWN)
    opened = run.state.devices[GATE].order
    assert opened is not None
    ended = OrderClosed(run.now, opened.order_id, GATE, Task.REST, Ending.WITHDRAWN, "gave way")
    run.state = fold(run.site, run.state, ended)

    assert owed(run)[GATE][0] == ("quiesced", "stopped")
