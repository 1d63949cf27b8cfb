"""A unit's own output: when it may drop, and every reason that it may not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from policies.decide import beliefs_of, decide
from policies.events import (
    AgentStarted,
    BoxLeft,
    BoxStayed,
    DeviceSeen,
    OutputArmed,
    OutputBegan,
    OutputDropped,
    OutputFailed,
    OutputReturned,
    OutputWithdrawn,
    PauseSet,
    PollMissed,
    ReadingTaken,
)
from policies.model import (
    Alarm,
    Device,
    OutputControl,
    OutputSource,
    Role,
    Site,
    Starts,
    Task,
    Unit,
)
from policies.output import OutputOrder, box_leaving, box_waits, is_to_cycle, refusals, what_became
from policies.output_state import OutputPhase, OutputTask
from policies.scene import Scene
from policies.state import DeviceState, Phase, SiteState, fold, initial
from policies.timeline import MARGIN_S, timeline
from tests.policies.sites import CABINET, DESK, RECORDER, on_battery, on_mains, site_of

UNIT = replace(CABINET, output=OutputControl(drops_after_s=120.0, off_for_s=60.0))
BOX = Device("warden", Role.AGENT_BOX, 5, 5, ("cabinet",), stop_s=20.0, starts=Starts.BY_ITSELF)
PLAIN_SWITCH = Device("yard switch", Role.SWITCH, 10, 10, ("cabinet",))
LEFT_W = 15.0
"""What the box and the switch take."""

AT = 2000.0


def yard(*more: Device, unit: Unit = UNIT, box: Device | None = BOX, **others: Any) -> Site:
    devices = (PLAIN_SWITCH, RECORDER, DESK, *more)
    return site_of(*devices, *(() if box is None else (box,)), units=(unit,), **others)


def resting(site: Site, *, since_at: float = 1900.0, **fields: Any) -> SiteState:
    """An outage since 1000, everything with something to lose at rest, and only the rest on."""
    state = initial(site)
    fields = {"output_w": LEFT_W} | fields
    for at in (1001.0, 1012.0, *range(1030, int(AT) + 1, 10)):
        state = hear(site, state, on_battery(float(at), 1000.0, **fields))
    devices = {
        name: DeviceState(Phase.AT_REST, since_at, "gone", is_ours=True)
        if device.stop_s is not None and device.role is not Role.AGENT_BOX and not device.no_touch
        else known
        for (name, device), known in zip(site.devices.items(), state.devices.values(), strict=True)
    }
    return replace(state, devices=devices)


def hear(site: Site, state: SiteState, reading: Any) -> SiteState:
    return fold(site, state, ReadingTaken(reading.at, reading))


def scene_of(site: Site, state: SiteState, now: float = AT) -> Scene:
    beliefs = beliefs_of(site, state, now)
    course = timeline(site, state, beliefs, now, margin_s=MARGIN_S)
    return Scene(site, state, beliefs, now, course)


def decided(site: Site, state: SiteState, now: float = AT) -> tuple[OutputOrder, ...]:
    return decide(site, state, beliefs_of(site, state, now), now).outputs


def codes(site: Site, state: SiteState, now: float = AT) -> set[str]:
    return {refusal.code for refusal in refusals(scene_of(site, state, now), "cabinet")}


def with_device(state: SiteState, name: str, **fields: Any) -> SiteState:
    return replace(state, devices={**state.devices, name: replace(state.devices[name], **fields)})


def armed(
    site: Site, state: SiteState, *, at: float = AT, drops_at: float = AT + 118.0
) -> SiteState:
    state = fold(site, state, OutputBegan(at, "cabinet", OutputTask.ARM, "all at rest"))
    return fold(site, state, OutputArmed(at, "cabinet", drops_at, drops_at + 60.0, "read back"))


# Arming


def test_the_output_is_armed_when_all_but_the_box_and_its_path_rests() -> None:
    """Halted hosts start only when their power comes: without it they stay off for good."""
    site = yard()

    (order,) = decided(site, resting(site))

    assert (order.unit, order.task) == ("cabinet", OutputTask.ARM)
    assert order.reason.code == "output_armed"
    assert "2 min" in order.reason.sentence
    assert "whatever the battery holds" in order.reason.sentence


def test_it_is_never_armed_unless_the_file_says_so() -> None:
    """Off by default: whoever did not ask for it must not lose power by it."""
    site = yard(unit=CABINET)

    assert decided(site, resting(site)) == ()


def test_nothing_is_armed_where_nothing_was_stopped() -> None:
    """A switch and a router stay on as long as the battery lasts: the site can be reached."""
    site = site_of(PLAIN_SWITCH, BOX, units=(UNIT,))

    assert decided(site, resting(site)) == ()


def test_what_is_to_stay_on_is_left_on_as_long_as_its_owner_wishes() -> None:
    """A router with a hold time keeps the site reachable; the battery's end comes before that."""
    router = Device("router", Role.ROUTER, 0, 0, ("cabinet",), hold_s=3600.0)
    site = yard(router)
    state = resting(site)
    low = hear(site, state, on_battery(AT + 1, 1000.0, output_w=LEFT_W, alarms=LOW))
    low = hear(site, low, on_battery(AT + 4, 1000.0, output_w=LEFT_W, alarms=LOW))

    assert decided(site, state) == ()
    assert [o.task for o in decided(site, low, AT + 4)] == [OutputTask.ARM]


@pytest.mark.parametrize(("hold_s", "is_armed"), [(900.0, True), (1100.0, False)])
def test_output_drops_once_the_hold_time_is_over(hold_s: float, is_armed: bool) -> None:
    """1000 s into the outage; left on for ever, the halted hosts would wait for the battery."""
    router = Device("router", Role.ROUTER, 0, 0, ("cabinet",), hold_s=hold_s)
    site = yard(router)

    assert bool(decided(site, resting(site))) is is_armed


def test_hold_time_gives_way_when_the_battery_ends_before_the_output_could_drop() -> None:
    """The unit may never say that it is low; dropped too late it would not come on again."""
    router = Device("router", Role.ROUTER, 0, 0, ("cabinet",), hold_s=36_000.0)
    slow = replace(UNIT, output=OutputControl(drops_after_s=30_000.0, off_for_s=60.0))
    site, lasting = yard(router, unit=slow), yard(router)
    lower_s = scene_of(site, resting(site)).timeline.unit_lower_s["cabinet"]

    assert 180.0 < lower_s < 30_000.0
    assert [o.task for o in decided(site, resting(site))] == [OutputTask.ARM]
    assert decided(lasting, resting(lasting)) == ()


def test_what_was_stopped_behind_another_unit_arms_nothing() -> None:
    """Its power cycle would bring nobody back."""
    loft = replace(CABINET, name="loft")
    desk = replace(DESK, feeds=("loft",), path=())
    site = site_of(PLAIN_SWITCH, BOX, desk, units=(UNIT, loft))
    state = resting(site)
    for at in (1001.0, 1012.0, AT - 1.0):
        state = hear(site, state, on_battery(at, 1000.0, "loft", output_w=0.0))

    assert [o.unit for o in decided(site, state)] == []


@pytest.mark.parametrize(("failed_s", "is_armed"), [(50.0, False), (70.0, True)])
def test_what_failed_is_tried_again_after_a_minute(failed_s: float, is_armed: bool) -> None:
    """A card that restarts is busy for so long; given up at once, the site would stay dark."""
    site = yard()
    failed = OutputFailed(AT - failed_s, "cabinet", OutputTask.ARM, "no answer")

    assert bool(decided(site, fold(site, resting(site), failed))) is is_armed


LOW = frozenset({Alarm.ON_BATTERY, Alarm.LOW_BATTERY})


# Refusing


def test_nothing_refuses_where_all_is_well() -> None:
    """The other tests here would pass on a policy that refuses everything."""
    site = yard()

    assert codes(site, resting(site)) == set()


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.AT_REST])
def test_a_device_that_is_not_at_rest_refuses(phase: Phase) -> None:
    """Its files are open: dropping its power is what all of this is there to prevent."""
    site = yard()
    state = with_device(resting(site), "desk", phase=phase)

    assert "not-at-rest" in codes(site, state)
    assert decided(site, state) == ()


def test_a_recorder_that_nothing_can_bring_to_rest_refuses() -> None:
    """It writes until its power goes; the battery may yet outlast the outage."""
    site = yard(Device("old recorder", Role.RECORDER, 0, 0, ("cabinet",)))

    assert codes(site, resting(site)) == {"not-at-rest"}


def test_a_device_at_rest_in_a_dry_run_only_refuses() -> None:
    """Invariant: a device in dry run is never at rest in the eyes of a live one."""
    site = yard(replace(DESK, name="loft desk", dry_run=True))
    assumed = with_device(resting(site), "loft desk", is_assumed=True)

    assert "dry-run" in codes(site, resting(site))
    assert "dry-run" in codes(site, assumed)


@pytest.mark.parametrize("path", [(), ("yard switch",)])
def test_a_no_touch_load_refuses_wherever_it_hangs(path: tuple[str, ...]) -> None:
    """A door release or a fire panel's modem must not go dark by our doing, nor lose its path."""
    feed = "cabinet" if not path else "mains"
    site = yard(Device("door release", Role.OTHER, 0, 0, (feed,), path, no_touch=True))

    assert codes(site, resting(site)) == {"no-touch"}


def test_a_no_touch_load_elsewhere_is_no_reason() -> None:
    """It keeps its power and its path: the site would stay dark for nothing."""
    site = yard(Device("door release", Role.OTHER, 5, 5, ("mains",), no_touch=True))

    assert codes(site, resting(site)) == set()


def test_a_load_that_the_file_does_not_list_refuses() -> None:
    """Somebody's PC on a spare socket would be cut in mid-writing."""
    site = yard()
    state = resting(site, output_w=LEFT_W + 30.0)

    assert codes(site, state) == {"unlisted-load"}
    (refusal,) = refusals(scene_of(site, state), "cabinet")
    assert "45 W" in refusal.sentence
    assert "15 W" in refusal.sentence


def test_the_meters_noise_is_no_load() -> None:
    """A meter a few watts off, and network cards on standby, must not keep the site dark."""
    site = yard()

    assert codes(site, resting(site, output_w=LEFT_W + 8.0)) == set()


def test_a_load_measured_before_the_last_device_rested_does_not_count() -> None:
    """It says nothing of what runs now."""
    site = yard()

    assert codes(site, resting(site, since_at=AT)) == {"load-not-read"}


def test_a_unit_that_measures_nothing_refuses_unless_the_file_vouches() -> None:
    """Nobody can tell what else hangs on it, but its owner may know."""
    site = yard()
    vouched = yard(unit=replace(UNIT, output=OutputControl(unmetered=True)))

    assert codes(site, resting(site, output_w=None)) == {"unmetered"}
    assert codes(vouched, resting(vouched, output_w=None)) == set()


def test_a_box_that_the_file_does_not_list_refuses() -> None:
    """The agent may stand on that output itself, and nobody would know."""
    site = yard(box=None)

    assert "box-unlisted" in codes(site, resting(site, output_w=10.0))


def test_the_boxs_output_waits_for_everything_on_other_units() -> None:
    """With its own box the agent loses sight of all that still runs."""
    other = replace(CABINET, name="loft")
    desk = replace(DESK, name="loft desk", feeds=("loft",))
    site = Site(
        "yard",
        {"cabinet": UNIT, "loft": other},
        {d.name: d for d in (PLAIN_SWITCH, RECORDER, BOX, desk)},
    )
    state = resting(site)
    running = with_device(state, "loft desk", phase=Phase.RUNNING)

    assert codes(site, state) == set()
    assert codes(site, running) == {"not-at-rest"}


def test_a_pause_refuses() -> None:
    """Somebody works there; no automatic orders."""
    site = yard()
    state = fold(site, resting(site), PauseSet(AT, AT + 600.0, "ana"))

    assert codes(site, state) == {"paused"}


def test_a_unit_that_is_not_heard_refuses() -> None:
    """What is written to it could not be read back."""
    site = yard()
    silent = fold(site, resting(site), PollMissed(AT, "cabinet", "no answer"))
    deaf = hear(
        site,
        resting(site),
        on_battery(
            AT, 1000.0, output_w=LEFT_W,
            alarms=frozenset({Alarm.ON_BATTERY, Alarm.COMMUNICATIONS_LOST}),
        ),
    )  # fmt: skip

    assert codes(site, silent) == {"unit-silent"}
    assert codes(site, deaf) == {"unit-silent"}


def test_a_countdown_that_is_not_ours_refuses() -> None:
    """Setting another one would move somebody else's."""
    site = yard()
    alarms = frozenset({Alarm.ON_BATTERY, Alarm.SHUTDOWN_PENDING})
    state = hear(site, resting(site), on_battery(AT, 1000.0, output_w=LEFT_W, alarms=alarms))

    assert codes(site, state) == {"other-countdown"}


def test_after_a_restart_of_the_agent_what_rests_is_looked_at_first() -> None:
    """While nobody looked, power may have come and gone, and a host may be writing."""
    site = yard()
    state = fold(site, resting(site), AgentStarted(AT, "test", dry_run=False))

    assert codes(site, state) == {"not-looked-at"}
    assert codes(site, state, AT + 60.0 + DESK.start_s) == set()


def test_failures_are_not_tried_for_ever() -> None:
    """A unit that refuses would be asked all night."""
    site = yard()
    state = resting(site)
    for tries in range(3):
        failed = OutputFailed(AT - 300.0 + tries, "cabinet", OutputTask.ARM, "read-only")
        state = fold(site, state, failed)

    assert decided(site, state) == ()


# Withdrawing


def test_it_is_withdrawn_when_mains_returns_and_all_can_be_started() -> None:
    """Nothing in the standard does that for us: the output would drop on good mains."""
    site = site_of(PLAIN_SWITCH, RECORDER, BOX, units=(UNIT,))
    state = armed(site, resting(site))
    back = hear(site, state, on_mains(AT + 5, output_w=LEFT_W))
    once = decided(site, back, AT + 5)
    back = hear(site, back, on_mains(AT + 10, output_w=LEFT_W))

    (order,) = decided(site, back, AT + 10)

    assert once == (), "one odd reading decides nothing"
    assert order.task is OutputTask.WITHDRAW
    assert "mains is back" in order.reason.sentence


def test_it_is_let_drop_where_something_starts_with_its_power_only() -> None:
    """The desk was halted: with the countdown withdrawn, it would stay off for good."""
    site = yard()
    state = armed(site, resting(site))
    for at in (5.0, 10.0, 200.0):
        state = hear(site, state, on_mains(AT + at, output_w=LEFT_W))
        assert decided(site, state, AT + at) == ()


def test_nothing_is_started_behind_an_output_that_will_drop() -> None:
    """It would be cut down in its boot."""
    site = yard()
    state = armed(site, resting(site), drops_at=AT + 400.0)
    free = resting(site)
    for at in range(5, 300, 10):
        state = hear(site, state, on_mains(AT + at, output_w=LEFT_W))
        free = hear(site, free, on_mains(AT + at, output_w=LEFT_W))
    now = AT + 295.0

    assert decide(site, state, beliefs_of(site, state, now), now).orders == ()
    (cycled,) = decide(site, free, beliefs_of(site, free, now), now).outputs
    assert cycled.reason.code == "output_cycled", "not armed in time: it is cycled on purpose"


@pytest.mark.parametrize("change", ["seen", "load", "pause"])
def test_it_is_withdrawn_when_something_comes_to_hang_on_it(change: str) -> None:
    """Somebody pressed a button, plugged something in, or began to work there."""
    site = yard()
    state = armed(site, resting(site))
    match change:
        case "seen":
            state = fold(site, state, DeviceSeen(AT + 1, "desk", "it answers"))
        case "load":
            state = hear(site, state, on_battery(AT + 1, 1000.0, output_w=LEFT_W + 60.0))
        case _:
            state = fold(site, state, PauseSet(AT + 1, AT + 600.0, "ana"))

    (order,) = decided(site, state, AT + 1)

    assert order.task is OutputTask.WITHDRAW


# On purpose


def on_good_mains(site: Site, *, lasting_s: int = 300) -> tuple[SiteState, float]:
    state = resting(site)
    for at in range(5, lasting_s, 10):
        state = hear(site, state, on_mains(AT + at, output_w=LEFT_W))
    return state, AT + lasting_s - 5


def test_a_cycle_on_purpose_names_whom_it_is_for() -> None:
    """A sentence says which and why: the whole output goes off on good mains."""
    site = yard()
    state, now = on_good_mains(site)

    (order,) = decided(site, state, now)

    assert order.task is OutputTask.ARM
    assert "desk" in order.reason.sentence
    assert "gate recorder" not in order.reason.sentence


def test_no_cycle_where_the_output_may_have_dropped_already() -> None:
    """What it fed is booting then, and a second drop would cut it down."""
    site = yard()
    state, now = on_good_mains(site)
    gap = fold(site, state, AgentStarted(now - 100.0, "test", dry_run=False))

    assert decided(site, gap, now) == ()
    assert decided(site, with_device(state, "desk", by_hand=True), now) == ()


def test_no_cycle_is_awaited_where_none_can_come() -> None:
    """Devices are held off while one is to come: for ever, where the unit cannot or did not."""
    site, without = yard(), yard(unit=CABINET)
    state, now = on_good_mains(site)
    failed = state
    for tries in range(3):
        event = OutputFailed(now - 300.0 + tries, "cabinet", OutputTask.ARM, "read-only")
        failed = fold(site, failed, event)

    assert is_to_cycle(scene_of(site, state, now), "cabinet")
    assert not is_to_cycle(scene_of(site, failed, now), "cabinet")
    assert not is_to_cycle(scene_of(without, state, now), "cabinet")


# What is folded


def test_a_countdown_of_ours_is_not_somebody_elses() -> None:
    """The alarm ShutdownPending is an exception that stops a site even on mains."""
    site = yard()
    alarms = frozenset({Alarm.ON_BATTERY, Alarm.SHUTDOWN_PENDING})
    state = armed(site, resting(site))
    for at in (1.0, 2.0, 3.0):
        reading = on_battery(AT + at, 1000.0, output_w=LEFT_W, alarms=alarms)
        state = hear(site, state, reading)

    assert state.units["cabinet"].countdown_signs == 0
    stuck = fold(
        site, state, OutputFailed(AT + 4, "cabinet", OutputTask.WITHDRAW, "it counts on", AT + 90)
    )
    for at in (5.0, 6.0):
        reading = on_battery(AT + at, 1000.0, output_w=LEFT_W, alarms=alarms)
        stuck = hear(site, stuck, reading)
    assert stuck.units["cabinet"].output.phase is OutputPhase.STUCK
    assert stuck.units["cabinet"].countdown_signs == 2


def test_what_runs_is_stopped_before_a_countdown_that_cannot_be_withdrawn() -> None:
    """Started by hand behind an output that will drop, it would lose its files."""
    site = yard()
    alarms = frozenset({Alarm.SHUTDOWN_PENDING})
    state = armed(site, resting(site))
    state = fold(site, state, DeviceSeen(AT + 1, "desk", "it answers"))
    failed = OutputFailed(AT + 2, "cabinet", OutputTask.WITHDRAW, "it counts on", AT + 118)
    state = fold(site, state, failed)
    for at in (3.0, 4.0):
        state = hear(site, state, on_mains(AT + at, output_w=LEFT_W, alarms=alarms))

    (order,) = decide(site, state, beliefs_of(site, state, AT + 4), AT + 4).orders

    assert (order.device, order.task, order.reason.code) == ("desk", Task.REST, "countdown")
    assert "does not let that be withdrawn" in order.reason.sentence


def test_phases_follow_the_events() -> None:
    """The state is only what the events fold to; a restart must find the output where it was."""
    site = yard()
    state = resting(site)
    phases = []
    for event in (
        OutputBegan(AT, "cabinet", OutputTask.ARM, "all at rest"),
        OutputArmed(AT, "cabinet", AT + 120, AT + 180, "read back"),
        OutputBegan(AT, "cabinet", OutputTask.WITHDRAW, "mains"),
        OutputWithdrawn(AT, "cabinet", "-1 read back"),
        OutputArmed(AT, "cabinet", AT + 120, AT + 180, "read back"),
        OutputDropped(AT + 121, "cabinet", "seen"),
        OutputReturned(AT + 300, "cabinet", "seen"),
    ):
        state = fold(site, state, event)
        phases.append(state.units["cabinet"].output.phase.value)

    assert phases == [
        "being armed", "armed", "being withdrawn", "on", "armed", "dropped", "on",
    ]  # fmt: skip


def test_what_became_of_an_armed_output_is_read_from_what_was_heard() -> None:
    """The agent's box lost its power with it: only the journal and the clock tell."""
    site, control = yard(), UNIT.output
    assert control is not None
    state = armed(site, resting(site))
    before = state.units["cabinet"]
    woke = fold(site, state, AgentStarted(AT + 900, "test", dry_run=False))
    woke = hear(site, woke, on_mains(AT + 901))
    off = hear(site, state, on_mains(AT + 119, output_source=OutputSource.NONE))
    still = state
    for at in range(5, 150, 5):
        still = hear(site, still, on_battery(AT + at, 1000.0))

    assert what_became(before, control, AT + 50) is None
    dropped = what_became(woke.units["cabinet"], control, AT + 901)
    assert dropped is not None and not dropped.is_on
    assert "13 min" in dropped.evidence  # 901 s less 118 s
    seen = what_became(off.units["cabinet"], control, AT + 119)
    assert seen is not None and not seen.is_on
    lost = what_became(still.units["cabinet"], control, AT + 145)
    assert lost is not None and lost.is_on


# The agent's own box


def test_the_box_goes_as_late_as_it_can_and_only_once_all_is_armed() -> None:
    """A box that is off starts when its power comes, and only then."""
    site = yard()
    state = armed(site, resting(site), drops_at=AT + 118.0)
    began = fold(site, resting(site), OutputBegan(AT, "cabinet", OutputTask.ARM, "all at rest"))

    leaving = box_leaving(site, state, AT)

    assert leaving is not None
    assert leaving.at == AT + 118.0 - 20.0 - MARGIN_S
    assert leaving.device == "warden"
    assert box_leaving(site, began, AT) is None
    assert box_leaving(site, resting(site), AT) is None


def test_nothing_is_withdrawn_once_the_box_is_going_off() -> None:
    """Mains is back in the very seconds that the box goes down: only the drop starts it again."""
    site = site_of(PLAIN_SWITCH, RECORDER, BOX, units=(UNIT,))
    state = fold(site, armed(site, resting(site)), BoxLeft(AT, "warden", "going off"))
    for at in (5.0, 10.0):
        state = hear(site, state, on_mains(AT + at, output_w=LEFT_W))
    stayed = fold(site, state, BoxStayed(AT + 11, "warden", "it may not"))

    assert decided(site, state, AT + 10) == ()
    assert [o.task for o in decided(site, stayed, AT + 11)] == [OutputTask.WITHDRAW]


def test_a_box_with_another_feed_never_goes() -> None:
    """Its power would never go, and so never come: it would stay off."""
    for feeds in (("cabinet", "mains"), ("mains",)):
        site = yard(box=replace(BOX, feeds=feeds))

        assert box_leaving(site, armed(site, resting(site)), AT) is None


def test_box_waits_for_the_end_only_once_the_battery_ends_and_all_are_told() -> None:
    """Its state made read-only too soon, what is still to be told would be told by nobody."""
    site = yard()
    lasting = resting(site)
    low = lasting
    for at in (1.0, 4.0):
        low = hear(site, low, on_battery(AT + at, 1000.0, output_w=LEFT_W, alarms=LOW))
    back = hear(site, hear(site, low, on_mains(AT + 6.0)), on_mains(AT + 9.0))

    assert box_waits(site, low, AT + 5.0)
    assert not box_waits(site, lasting, AT)
    assert not box_waits(site, with_device(low, "desk", phase=Phase.RESTING), AT + 5.0)
    assert not box_waits(site, back, AT + 10.0)
