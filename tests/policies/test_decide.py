"""Who is told what, when, and why."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from policies.events import DeviceSeen, Ending, OrderGiven, PauseSet, PollMissed
from policies.model import (
    MAINS_FEED,
    Alarm,
    Battery,
    BatteryStatus,
    Device,
    Order,
    Role,
    Starts,
    StopWhen,
    Task,
    Unit,
    WhenLost,
)
from policies.state import Phase, fold
from policies.withdraw import unwanted
from tests.policies.sites import (
    CABINET,
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

LOW: dict[str, Any] = {"battery_status": BatteryStatus.LOW}


def test_steady_mains_gives_no_order() -> None:
    """A site that is well is left alone."""
    run = Run(site_of())
    run.hear(*(on_mains(10.0 * i) for i in range(100)))

    assert run.decide().orders == ()


def test_site_keeps_watching_while_the_battery_allows() -> None:
    """An outage is when the recording is needed most."""
    run = Run(site_of())
    run.outage(100.0)

    assert run.decide().orders == ()


def _first_order(run: Run, device: str) -> Order:
    """Let the outage go on, a reading every two seconds, until the device is told something."""
    for _ in range(10_000):
        for order in run.decide().orders:
            if order.device == device:
                return order
        run.obey()
        run.hear(on_battery(run.now + 2.0, 100.0))
    raise AssertionError(f"{device} is never told anything")


def test_recorder_and_desk_stop_at_their_latest_safe_start_and_the_switch_after() -> None:
    """The recorder is told while its switch still carries the order."""
    run = Run(site_of())
    run.outage(100.0)
    order = _first_order(run, "gate recorder")
    assert order.reason.code == "latest_safe_start"
    assert not order.in_short
    run.obey()
    run.hear(on_battery(run.now + 500.0, 100.0, **LOW), on_battery(run.now + 502.0, 100.0, **LOW))
    assert "yard switch" not in run.obey()
    for name in ("gate recorder", "desk"):
        if run.state.devices[name].phase is Phase.RESTING:
            run.rest(name)
    assert run.obey() == ["yard switch"]


def test_reason_is_a_sentence_with_its_numbers() -> None:
    """Whatever is done is explained in the owner's words."""
    run = Run(site_of())
    run.outage(100.0)
    reason = _first_order(run, "gate recorder").reason

    assert reason.sentence.startswith("stopping now. The battery lasts at least ")
    assert "99 % sure" in reason.sentence
    assert reason.figures["takes_s"] == pytest.approx(120.0 + 5.0 + 10.0 + 5.0)


@pytest.mark.parametrize(
    ("wish", "at", "fields", "code"),
    [
        (StopWhen(on_battery_for_s=300.0), 405.0, {}, "on_battery_for"),
        (StopWhen(charge_below=0.5), 150.0, {"charge": 0.45}, "charge_below"),
        (StopWhen(runtime_below_s=7200.0), 150.0, {}, "runtime_below"),
    ],
)
def test_owners_threshold_stops_the_desk_early(
    wish: StopWhen, at: float, fields: dict[str, Any], code: str
) -> None:
    """Any one threshold of stop_when suffices; nothing else stops with it."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER, replace(DESK, stop_when=wish)))
    run.outage(100.0)
    run.hear(on_battery(at, 100.0, **fields))

    assert [(o.device, o.reason.code) for o in run.decide().orders] == [("desk", code)]


def test_owners_threshold_on_the_switch_takes_its_users_first() -> None:
    """Whoever is reached through it is told before it goes dark."""
    wish = StopWhen(on_battery_for_s=60.0)
    run = Run(site_of(replace(SWITCH, stop_when=wish), CAMERA, RECORDER, DESK))
    run.outage(100.0)
    run.hear(on_battery(161.0, 100.0))

    assert run.obey() == ["gate recorder", "desk"]
    run.rest("gate recorder", "desk")
    assert run.obey() == ["yard switch"]


def test_low_battery_stops_everything_at_once_recorders_first_in_short() -> None:
    """Low on two readings: everything left, now, what holds most worth first."""
    spare = replace(RECORDER, name="spare recorder", worth=2.0)
    run = Run(site_of(SWITCH, CAMERA, DESK, spare, RECORDER))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW))
    assert run.decide().orders == ()

    run.hear(on_battery(121.5, 100.0, **LOW))
    orders = run.decide().orders
    assert [o.device for o in orders] == ["gate recorder", "spare recorder", "desk"]
    assert all(o.in_short for o in orders)


def test_stop_under_way_is_hurried_when_the_battery_is_low() -> None:
    """What is optional is dropped in mid-stop too, and only once."""
    run = Run(site_of(replace(RECORDER, path=(), stop_when=StopWhen(on_battery_for_s=20.0))))
    run.outage(100.0)
    run.hear(on_battery(121.0, 100.0))
    assert run.obey() == ["gate recorder"]
    assert run.decide().orders == ()

    run.hear(on_battery(130.0, 100.0, **LOW), on_battery(131.5, 100.0, **LOW))
    assert [o.in_short for o in run.decide().orders] == [True]
    run.obey()
    assert run.decide().orders == ()


def test_no_touch_device_is_not_touched_nor_what_carries_it() -> None:
    """A door controller behind the switch keeps the switch on (DESIGN: invariant 11)."""
    door = Device("door", Role.OTHER, 4, 4, ("yard switch",), no_touch=True, stop_s=5.0)
    run = Run(site_of(SWITCH, CAMERA, RECORDER, DESK, door))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    assert set(run.obey()) == {"gate recorder", "desk"}
    run.rest("gate recorder", "desk")

    assert run.decide().orders == ()


def test_switch_waits_for_ever_for_a_recorder_that_was_given_up() -> None:
    """Stopping a switch saves nothing; the recorder behind it may still be writing."""
    run = Run(site_of(SWITCH, RECORDER))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    run.obey()
    run.close("gate recorder", Ending.FAILED)

    assert run.decide().orders == ()


def test_storage_is_saved_without_the_recorder_that_was_given_up() -> None:
    """At its last moment waiting would lose both."""
    storage = Device("disks", Role.STORAGE, 30, 30, ("cabinet",), stop_s=40.0)
    run = Run(site_of(storage, replace(RECORDER, path=(), needs=("disks",))))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    assert run.obey() == ["gate recorder"]
    run.close("gate recorder", Ending.FAILED)

    assert "disks" in run.obey()


def test_storage_is_saved_although_something_not_to_be_touched_needs_it() -> None:
    """It would be waited for until both lose their power, and the disks of the store with it."""
    store = Device("store", Role.STORAGE, 40, 40, ("cabinet",), stop_s=30.0, settle_s=60.0)
    gate = Device("gate camera", Role.CAMERA, 5, 5, ("cabinet",), needs=("store",), no_touch=True)
    run = Run(site_of(store, gate))
    run.outage(100.0)
    assert run.decide().orders == ()

    order = _first_order(run, "store")

    assert order.task is Task.REST
    assert not order.in_short


def test_given_up_recorder_is_tried_again_after_a_pause() -> None:
    """A recorder that refused once may listen half a minute later."""
    run = Run(site_of(replace(RECORDER, path=())))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    run.obey()
    run.close("gate recorder", Ending.FAILED)
    assert run.decide().orders == ()

    run.hear(on_battery(153.0, 100.0, **LOW))
    assert tasks(run.decide()) == [("gate recorder", Task.REST)]


def test_camera_without_anything_to_tell_holds_nobody_back() -> None:
    """Cameras just lose power; the recorder they write to is what matters."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))

    assert run.obey() == ["gate recorder"]


def test_recorder_nobody_can_tell_keeps_its_switch_on() -> None:
    """A recorder without any interface is still writing."""
    mute = Device("old recorder", Role.RECORDER, 20, 20, ("cabinet",), ("yard switch",))
    run = Run(site_of(SWITCH, mute))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))

    assert run.decide().orders == ()


def test_dry_run_rest_is_not_rest_for_a_live_device() -> None:
    """What a rehearsal assumed must not let the real switch go dark."""
    run = Run(site_of(SWITCH, replace(RECORDER, dry_run=True)))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    assert run.obey() == ["gate recorder"]
    run.close("gate recorder", Ending.ASSUMED)

    assert run.decide().orders == ()


def test_whole_rehearsal_goes_on_past_assumed_rests() -> None:
    """In dry run the plan is walked to its end."""
    run = Run(site_of(replace(SWITCH, dry_run=True), replace(RECORDER, dry_run=True)))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    run.obey()
    run.close("gate recorder", Ending.ASSUMED)

    assert run.obey() == ["yard switch"]


def test_pause_gives_no_automatic_order_and_ends_by_itself() -> None:
    """Maintenance is time-limited: nobody has to remember to end it."""
    run = Run(site_of())
    run.outage(100.0)
    run.state = fold(run.site, run.state, PauseSet(run.now, 200.0, "an electrician"))
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    assert run.decide().orders == ()

    run.hear(on_battery(201.0, 100.0, **LOW))
    assert run.decide().orders != ()


def test_desk_gives_way_so_that_the_recorder_holds_as_long_as_wished() -> None:
    """The least valuable load goes first, and only while somebody's hold time needs it."""
    held = replace(RECORDER, hold_s=1.25 * 3600.0)
    run = Run(site_of(SWITCH, CAMERA, held, DESK))
    run.outage(100.0)
    assert run.decide().orders == ()  # mains may be back in a moment

    run.hear(on_battery(100.0 + run.site.patience_s, 100.0))
    orders = run.decide().orders
    assert [(o.device, o.reason.code) for o in orders] == [("desk", "gives_way")]
    assert "gate recorder" in orders[0].reason.sentence

    easy = Run(site_of(SWITCH, CAMERA, replace(RECORDER, hold_s=600.0), DESK))
    easy.outage(100.0)
    easy.hear(on_battery(100.0 + easy.site.patience_s, 100.0))
    assert easy.decide().orders == ()


def test_recording_is_not_given_up_for_a_hold_time_that_stays_unmet_all_the_same() -> None:
    """Both would be lost: the desk's hours, and the recorder's wish."""
    held = replace(RECORDER, hold_s=48 * 3600.0)
    lamp = replace(DESK, name="lamp", role=Role.OTHER, watts=10.0, night_watts=10.0)
    run = Run(site_of(SWITCH, CAMERA, held, DESK, lamp))
    run.outage(100.0)
    run.hear(on_battery(100.0 + run.site.patience_s, 100.0))

    assert [order.device for order in run.decide().orders] == ["lamp"]


def test_desk_worth_more_than_the_recorder_does_not_give_way() -> None:
    """Worth is the owner's word, not ours."""
    held = replace(RECORDER, hold_s=2 * 3600.0, worth=1.0)
    run = Run(site_of(SWITCH, CAMERA, held, replace(DESK, worth=5.0)))
    run.outage(100.0)
    run.hear(on_battery(100.0 + run.site.patience_s, 100.0))

    assert run.decide().orders == ()


def test_sustained_overload_gives_up_the_least_worth_even_on_mains() -> None:
    """One of the two named exceptions on steady mains; the reason names the alarm."""
    over = frozenset({Alarm.OUTPUT_OVERLOAD})
    run = Run(site_of(SWITCH, CAMERA, RECORDER, DESK))
    run.hear(on_mains(0, alarms=over), on_mains(20, alarms=over))
    assert run.decide().orders == ()

    run.hear(on_mains(31, alarms=over))
    orders = run.decide().orders
    assert [o.device for o in orders] == ["desk"]
    assert "upsAlarmOutputOverload" in orders[0].reason.sentence


def test_countdown_that_is_not_ours_runs_the_plan() -> None:
    """The other exception: somebody is about to switch the output off."""
    pending = frozenset({Alarm.SHUTDOWN_PENDING})
    run = Run(site_of())
    run.hear(on_mains(0, alarms=pending))
    assert run.decide().orders == ()
    run.hear(on_mains(2, alarms=pending))

    assert [o.device for o in run.decide().orders] == ["gate recorder", "desk"]


def test_lost_unit_stops_its_devices_where_the_file_says_so() -> None:
    """Losing sight of the unit is an event with a set policy (DESIGN: invariant 8)."""
    wary = replace(CABINET, when_lost_on_mains=WhenLost.STOP, lost_stop_after_s=60.0)
    for unit, expected in ((CABINET, []), (wary, ["gate recorder", "desk"])):
        run = Run(site_of(units=(unit,)))
        run.hear(on_mains(0))
        for at in (20.0, 40.0, 110.0):
            run.state = fold(run.site, run.state, PollMissed(at, "cabinet", "silent"))
            run.now = at
        assert [o.device for o in run.decide().orders] == expected


def test_device_with_one_feed_left_is_left_alone() -> None:
    """Safe until both are gone."""
    other = Unit("shed", 500, 300, Battery(watt_hours=100))
    both = replace(RECORDER, path=(), feeds=("cabinet", "shed"))
    run = Run(site_of(both, units=(CABINET, other)))
    run.outage(100.0, unit="cabinet")
    run.hear(on_mains(112.5, "shed"))
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))

    assert run.decide().orders == ()


def _outage_and_rest(run: Run) -> None:
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    run.obey()
    run.rest("gate recorder", "desk")
    run.obey()
    run.rest("yard switch")


def test_nothing_is_started_while_the_unit_is_on_battery_for_a_moment() -> None:
    """It may be the next outage, and a start is hard to take back."""
    run = Run(site_of(replace(SWITCH, starts=Starts.BY_ORDER), CAMERA, RECORDER, DESK))
    _outage_and_rest(run)
    run.hear(*(on_mains(200.0 + 10 * i) for i in range(13)), on_battery(331.0, 330.5))
    assert run.decide().orders == ()

    run.hear(on_mains(332.0))
    assert tasks(run.decide()) == [("yard switch", Task.START)]


def test_mains_is_steady_only_as_long_as_it_was_seen_to_be() -> None:
    """Mains may have failed since the last reading: nobody has looked yet."""
    run = Run(site_of(replace(SWITCH, starts=Starts.BY_ORDER), CAMERA, RECORDER, DESK))
    _outage_and_rest(run)
    run.hear(*(on_mains(200.0 + 30 * i) for i in range(5)))
    run.now = 355.0
    assert run.decide().orders == ()

    run.hear(on_mains(360.0))
    assert tasks(run.decide()) == [("yard switch", Task.START)]


def test_devices_return_when_mains_is_steady_what_others_use_first() -> None:
    """The switch comes before what is reached through it."""
    run = Run(site_of(replace(SWITCH, starts=Starts.BY_ORDER), CAMERA, RECORDER, DESK))
    _outage_and_rest(run)
    run.hear(*(on_mains(200.0 + 10 * i) for i in range(13)))
    assert run.decide().orders == ()

    run.hear(on_mains(331.0))
    assert tasks(run.decide()) == [("yard switch", Task.START)]
    run.obey()
    run.close("yard switch", Ending.RUNNING)
    assert tasks(run.decide()) == [("gate recorder", Task.START), ("desk", Task.START)]


def test_devices_stay_off_until_the_battery_holds_another_stop() -> None:
    """A second outage must not meet an empty battery (DESIGN: invariant 7)."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER, DESK))
    _outage_and_rest(run)
    run.hear(*(on_mains(200.0 + 10 * i, charge=0.1) for i in range(30)))
    assert run.decide().orders == ()

    run.hear(on_mains(600.0, charge=0.4))
    assert run.decide().orders != ()


def test_battery_that_reports_no_charge_is_judged_by_our_own_account() -> None:
    """Without a charge the return waits until the belief carries one more stop."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER, DESK))
    run.outage(100.0)
    run.hear(*(on_battery(100.0 + 60 * i, 100.0, charge=None) for i in range(1, 100)))
    run.obey()
    run.rest("gate recorder", "desk")
    run.obey()
    run.rest("yard switch")
    at = run.now
    bare: dict[str, Any] = {"charge": None, "runtime_s": None}
    run.hear(*(on_mains(at + 10.0 * i, **bare) for i in range(20)))
    assert run.decide().orders == ()

    run.hear(*(on_mains(at + 600.0 * i, **bare) for i in range(1, 60)))
    assert run.decide().orders != ()


def test_stop_under_way_is_carried_through_when_mains_returns() -> None:
    """A half-stopped recorder is worse than a stopped one (DESIGN: invariant 5)."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER, DESK))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    run.obey()
    run.hear(*(on_mains(130.0 + 10 * i) for i in range(20)))
    assert run.decide().orders == ()
    run.rest("gate recorder", "desk")

    assert tasks(run.decide()) == [("gate recorder", Task.START), ("desk", Task.START)]


def test_mains_failing_again_during_the_return_stops_what_is_back() -> None:
    """What came back by itself is in danger again, though nobody started it."""
    run = Run(site_of(SWITCH, CAMERA, RECORDER, DESK))
    _outage_and_rest(run)
    run.hear(on_mains(200.0), on_mains(210.0))
    for name in ("yard switch", "gate recorder"):
        run.state = fold(run.site, run.state, DeviceSeen(230.0, name, "its port answers"))
    run.outage(240.0, **LOW)

    assert run.obey() == ["gate recorder"]


def test_device_that_did_not_come_back_is_tried_again_thrice() -> None:
    """And then needs a hand, which is said."""
    run = Run(site_of(replace(RECORDER, path=())))
    run.outage(100.0)
    run.hear(on_battery(120.0, 100.0, **LOW), on_battery(122.0, 100.0, **LOW))
    run.obey()
    run.rest("gate recorder")
    tries = 0
    for i in range(200):
        run.hear(on_mains(200.0 + 10 * i))
        if run.obey():
            tries += 1
            run.close("gate recorder", Ending.FAILED)

    assert tries == 3
    assert run.state.devices["gate recorder"].phase is Phase.NEEDS_HAND


LOFT = replace(CABINET, name="loft")
BOX = Device("box", Role.AGENT_BOX, 6, 6, ("cabinet",), starts=Starts.BY_ITSELF)
LOFT_RECORDER = replace(RECORDER, feeds=("loft",), path=())


def test_order_for_want_of_the_agents_box_is_not_withdrawn_at_once() -> None:
    """The box loses power, the recorder does not: it was told and untold for ever."""
    run = Run(site_of(BOX, LOFT_RECORDER, units=(CABINET, LOFT)))
    run.hear(on_mains(90.0, "loft"))
    run.outage(100.0)
    for second in range(115, 3000, 5):
        run.hear(on_mains(float(second), "loft"), on_battery(float(second), 100.0))
        if run.decide().orders:
            break
    (order,) = run.decide().orders
    state = fold(run.site, run.state, OrderGiven(run.now, "it", order))
    opened = state.devices["gate recorder"].order

    assert opened is not None
    assert unwanted(run.site, state, opened) == ""


def test_nothing_is_started_that_is_due_to_rest_for_want_of_another_unit() -> None:
    """Mains at one unit, none at the other that feeds the agent's box: start, stop, start, stop."""
    run = Run(site_of(BOX, LOFT_RECORDER, units=(CABINET, LOFT)))
    for unit in ("cabinet", "loft"):
        run.outage(100.0, unit=unit, **LOW)
    for second in (120.0, 122.0):
        run.hear(on_battery(second, 100.0, **LOW), on_battery(second, 100.0, "loft", **LOW))
    assert run.obey() == ["gate recorder"]
    run.rest("gate recorder")
    for second in range(200, 1200, 10):
        run.hear(on_mains(float(second), "loft"), on_battery(float(second), 100.0))
        assert run.obey() == []
    for second in range(1200, 1400, 10):
        run.hear(*(on_mains(float(second), unit) for unit in ("loft", "cabinet")))

    assert tasks(run.decide()) == [("gate recorder", Task.START)]


def test_device_with_a_mains_socket_too_gives_way_to_nobody() -> None:
    """Its socket has mains: the battery gains little, and the order was withdrawn at once."""
    wanted = replace(RECORDER, path=(), hold_s=1.25 * 3600.0)
    for feeds, told in (("cabinet",), ["desk"]), (("cabinet", MAINS_FEED), []):
        run = Run(site_of(replace(DESK, feeds=feeds, path=()), wanted))
        run.outage(100.0)
        run.hear(on_battery(400.0, 100.0))

        assert run.obey() == told
