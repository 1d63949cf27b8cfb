"""Orders by hand and the pause, through the engine that carries every order out."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from agent.by_hand.hands import WHO_MOST, Hands
from drivers.base import Act, Repeat
from drivers.errors import LastwattError
from policies.events import Ending, OrderClosed, OrderGiven, PauseSet, StepBegan
from policies.model import Device, Role, Starts, StopWhen, Task
from policies.state import Phase
from tests.agent import machines
from tests.agent.attended import STEADY_S, Attended, Heard
from tests.agent.benches import begun, notices
from tests.agent.machines import REST_ACTS
from tests.agent.yards import ACTS, CAMERA, DESK, RECORDER, SWITCH

GATE, YARD = "gate recorder", "yard switch"
BOX = Device("box", Role.AGENT_BOX, 4, 4, ("cabinet",))


def told(yard: Attended, text: str) -> list[str]:
    return [said for said in notices(yard.keeper.events) if text in said]


# Stop and start


async def test_stop_by_hand_takes_the_way_of_every_order_and_lasts() -> None:
    """Quiesced, stopped, seen to be gone, journalled with who asked; and no return by itself."""
    yard = Attended()
    await yard.attend()
    assert await yard.order("stop", GATE) == {GATE: "at rest"}
    assert begun(yard.keeper.events, GATE) == [
        "quiesce", "confirm_quiesced", "stop", "confirm_gone",
    ]  # fmt: skip
    (given,) = (e for e in yard.keeper.events if isinstance(e, OrderGiven))
    assert given.order.reason.code == "by_hand"
    assert "as ana (as somebody) asked by hand" in given.order.reason.sentence
    assert told(yard, "gate recorder is brought to rest by hand, as ana")

    await yard.clock.advance(2 * STEADY_S)
    assert not yard.machines[GATE].is_on
    assert {n: p for n, p in yard.phases.items() if p is not Phase.RUNNING} == {GATE: Phase.AT_REST}
    await yard.leave()


async def test_stopped_by_hand_it_stays_off_through_an_outage_until_it_is_started() -> None:
    """All the others come back; it does so when somebody says so."""
    yard = Attended()
    await yard.attend()
    await yard.order("stop", GATE)
    await yard.outage_and_return()
    assert yard.phases == {YARD: Phase.RUNNING, "desk": Phase.RUNNING, GATE: Phase.AT_REST}

    assert await yard.order("start", GATE) == {GATE: "running"}
    assert yard.machines[GATE].is_on
    await yard.outage_and_return()
    assert yard.are_all(Phase.RUNNING)
    await yard.leave()


async def test_what_hangs_on_it_is_brought_to_rest_first_and_started_after() -> None:
    """One word for a switch, and no recorder loses its network in mid-recording."""
    yard = Attended()
    await yard.attend()
    refused = await yard.ask("stop", device=YARD)
    assert (refused["ok"], refused["refused"]) == (False, True)
    assert "--with-users" in refused["error"]
    assert not yard.keeper.of(OrderGiven)

    assert await yard.order("stop", YARD, with_users=True) == dict.fromkeys(
        (GATE, "desk", YARD), "at rest"
    )
    ends = {e.device: e.at for e in yard.keeper.events if isinstance(e, OrderClosed)}
    began = {e.device: e.at for e in yard.keeper.events if isinstance(e, StepBegan)}
    assert yard.stopped_at(YARD) >= max(ends[GATE], ends["desk"])
    assert began[GATE] - ends["desk"] < 0.0 < ends[GATE] - began["desk"], "side by side"

    assert await yard.order("start", YARD, with_users=True) == dict.fromkeys(
        (YARD, GATE, "desk"), "running"
    )
    assert all(yard.machines[name].is_on for name in yard.phases)
    await yard.leave()


async def test_switch_is_told_nothing_when_what_hangs_on_it_does_not_come_to_rest() -> None:
    """The one who asked is told which device it was."""
    yard = Attended()
    yard.scripted[GATE].always[Act.STOP] = machines.refuse
    await yard.attend()
    answer = await yard.ask("stop", device=YARD, with_users=True)
    ended = await yard.ended(answer["job"])
    assert ended == {GATE: "failed", "desk": "at rest", YARD: "withdrawn"}

    progress = await yard.ask("job", job=answer["job"])
    (said,) = (d["evidence"] for d in progress["devices"] if d["name"] == YARD)
    assert said == "it was told nothing, since gate recorder did not come to rest"
    assert yard.machines[YARD].received == []
    await yard.leave()


async def test_preview_names_whom_it_takes_along_and_tells_nobody() -> None:
    """What a person is asked to confirm at the terminal."""
    desk = replace(DESK, starts=Starts.BY_ITSELF)
    yard = Attended(SWITCH, CAMERA, RECORDER, desk)
    await yard.attend()
    preview = await yard.ask("stop", device=YARD, with_users=True, preview=True)

    assert preview["devices"] == [GATE, "desk", YARD]
    assert preview["dark"] == ["slipway camera"]
    assert preview["dry"] == []
    assert any(note.startswith("no order starts desk") for note in preview["notes"])
    assert not yard.keeper.of(OrderGiven)
    await yard.leave()


@pytest.mark.parametrize("ask", ["stop", "start"])
async def test_no_order_by_hand_reaches_what_must_not_be_touched(ask: str) -> None:
    """The door controller, the switch that feeds it, the agent's box; asked for in any way."""
    door = Device("door controller", Role.OTHER, 5, 5, (YARD,), stop_s=5.0, no_touch=True)
    yard = Attended(SWITCH, door, BOX)
    await yard.attend()
    for name in ("door controller", YARD, "box"):
        for preview in (False, True):
            answer = await yard.ask(ask, device=name, with_users=True, preview=preview)
            assert (answer["ok"], answer["refused"]) == (False, True)
    await yard.clock.advance(60.0)

    assert not yard.keeper.of(OrderGiven)
    assert all(machine.asked == [] for machine in yard.machines.values())
    await yard.leave()


async def test_unknown_device_is_answered_by_those_there_are() -> None:
    """A slip of the pen is no refusal."""
    yard = Attended()
    await yard.attend()
    for name in ("gate recoder", None, 7, ["desk"]):
        answer = await yard.ask("stop", device=name)
        assert (answer["ok"], answer["unknown"]) == (False, True)
        assert "yard switch, slipway camera, gate recorder and desk" in answer["error"]
    await yard.leave()


async def test_stop_joins_one_that_is_under_way_and_makes_it_last() -> None:
    """The plan was faster; the device is told once, and stays off."""
    yard = Attended(replace(DESK, path=()))
    await yard.attend()
    yard.fail_mains()
    await yard.until(lambda: yard.machines["desk"].told(Act.STOP) == 1, within_s=90.0)
    assert await yard.order("stop", "desk") == {"desk": "at rest"}
    assert yard.machines["desk"].told(Act.STOP) == 1
    assert yard.closed("desk") == [(Task.REST, Ending.AT_REST)]

    yard.return_mains()
    await yard.clock.advance(STEADY_S)
    assert yard.phases == {"desk": Phase.AT_REST}
    await yard.leave()


async def test_stop_of_what_is_at_rest_only_makes_it_last() -> None:
    """In the outage somebody decides that the desk is to stay off: nothing is sent to it."""
    yard = Attended(replace(DESK, path=()))
    await yard.attend()
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=200.0)
    asked = len(yard.machines["desk"].asked)
    assert await yard.order("stop", "desk") == {"desk": "at rest"}
    assert len(yard.machines["desk"].asked) == asked

    yard.return_mains()
    await yard.clock.advance(STEADY_S)
    assert yard.phases == {"desk": Phase.AT_REST}
    await yard.leave()


async def test_two_people_who_stop_the_same_device_get_the_same_end() -> None:
    """It is told once."""
    yard = Attended()
    await yard.attend()
    first = await yard.ask("stop", device=GATE, who="ana")
    second = await yard.ask("stop", device=GATE, who="rui")
    assert await yard.ended(first["job"]) == await yard.ended(second["job"]) == {GATE: "at rest"}

    assert yard.machines[GATE].told(Act.STOP) == 1
    await yard.leave()


async def test_battery_that_gets_low_hurries_a_stop_by_hand() -> None:
    """Mains fails amid it: it is one conversation, and ends as fast as any."""
    yard = Attended()
    yard.scripted[GATE].always[Act.QUIESCE] = machines.hang
    await yard.attend()
    answer = await yard.ask("stop", device=GATE)
    yard.fail_mains()
    yard.low.add("cabinet")
    await yard.until(lambda: bool(yard.machines[GATE].told(Act.STOP)), within_s=40.0)
    assert await yard.ended(answer["job"]) == {GATE: "at rest"}

    yard.return_mains()
    await yard.clock.advance(STEADY_S)
    assert yard.phases[GATE] is Phase.AT_REST
    await yard.leave()


async def test_device_that_runs_is_looked_at_and_not_started() -> None:
    """What starts one device switches another off."""
    yard = Attended()
    await yard.attend()
    answer = await yard.ask("start", device="desk")

    assert answer["job"] is None
    assert "desk runs already" in answer["evidence"]
    assert yard.machines["desk"].told(Act.START) == 0
    await yard.leave()


async def test_device_that_was_switched_off_by_its_own_button_is_started() -> None:
    """The state still says that it runs; the look says otherwise."""
    yard = Attended()
    yard.machines["desk"].off_at = 0.0
    await yard.attend()

    assert await yard.order("start", "desk") == {"desk": "running"}
    assert yard.machines["desk"].is_on
    await yard.leave()


async def test_device_that_nothing_can_look_at_is_not_started_blindly() -> None:
    """Taken to run, as far as anybody knows: its button might switch it off."""
    blind: dict[Act, Repeat] = {a: r for a, r in REST_ACTS.items() if a is not Act.CONFIRM_RUNNING}
    yard = Attended(acts={**ACTS, GATE: blind})
    await yard.attend()
    answer = await yard.ask("start", device=GATE)

    assert (answer["ok"], answer["refused"]) == (False, True)
    assert "nothing in the site's file can tell" in answer["error"]
    await yard.leave()


async def test_device_that_is_on_but_not_well_is_not_started() -> None:
    """It answers the network, and its service does not run: a start is no cure."""
    yard = Attended()
    yard.scripted["desk"].always[Act.CONFIRM_RUNNING] = machines.not_yet_at_once
    await yard.attend()
    with pytest.raises(LastwattError, match="is on, though not as it should be: still there"):
        await yard.ask("start", device="desk")

    assert yard.machines["desk"].told(Act.START) == 0
    await yard.leave()


async def test_start_in_an_outage_is_refused_where_it_would_be_undone_at_once() -> None:
    """A recorder that boots only to be stopped is worse off than one that is off."""
    yard = Attended()
    await yard.attend()
    await yard.order("stop", GATE)
    yard.fail_mains()
    yard.low.add("cabinet")
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=200.0)
    await yard.until(lambda: yard.machines[YARD].is_on is False, within_s=1.0)
    answer = await yard.ask("start", device=YARD)

    assert (answer["ok"], answer["refused"]) == (False, True)
    assert "would be stopped again at once: stopping at once, in short" in answer["error"]
    await yard.leave()


async def test_start_by_finger_is_watched_for_and_takes_its_time() -> None:
    """No order starts it: somebody presses its button, and the agent sees it come."""
    desk = replace(DESK, path=(), starts=Starts.BY_HAND)
    acts: dict[str, dict[Act, Repeat]] = {
        "desk": {a: r for a, r in REST_ACTS.items() if a is not Act.START}
    }
    yard = Attended(desk, acts=acts)
    await yard.attend()
    await yard.order("stop", "desk")
    answer = await yard.ask("start", device="desk")
    await yard.clock.advance(120.0)
    yard.machines["desk"].power_on()

    assert await yard.ended(answer["job"]) == {"desk": "running"}
    assert not yard.engine.state.devices["desk"].by_hand
    await yard.leave()


async def test_stop_by_hand_that_fails_says_so_and_is_left_as_it_is() -> None:
    """Status 1 for the command, a notice for the others, and no automatic start after it."""
    yard = Attended()
    yard.scripted[GATE].always[Act.STOP] = machines.refuse
    await yard.attend()
    assert await yard.order("stop", GATE) == {GATE: "failed"}
    assert told(yard, "gate recorder could not be brought to rest: it said no")

    await yard.clock.advance(STEADY_S)
    assert yard.phases[GATE] is Phase.GIVEN_UP
    assert yard.machines[GATE].told(Act.START) == 0
    await yard.leave()


async def test_dry_run_assumes_all_of_it_and_sends_nothing() -> None:
    """A rehearsal of a stop by hand is one, too."""
    dry = [replace(d, dry_run=True) for d in (SWITCH, CAMERA, RECORDER, DESK)]
    yard = Attended(*dry)
    await yard.attend()
    preview = await yard.ask("stop", device=YARD, with_users=True, preview=True)
    assert preview["dry"] == preview["devices"]

    assert set((await yard.order("stop", YARD, with_users=True)).values()) == {"assumed"}
    await yard.clock.advance(STEADY_S)
    assert yard.are_all(Phase.AT_REST)
    assert set((await yard.order("start", YARD, with_users=True)).values()) == {"assumed"}
    assert all(machine.received == [] for machine in yard.machines.values())
    await yard.leave()


async def test_order_by_hand_survives_the_agents_restart() -> None:
    """Killed in mid-stop: the next run goes on, the device is told once, and stays off."""
    yard = Attended()
    await yard.attend()
    answer = await yard.ask("stop", device="desk")
    await yard.until(lambda: bool(yard.machines["desk"].told(Act.STOP)), within_s=60.0)
    state = yard.engine.state
    await yard.kill()
    await yard.attend(state)
    with pytest.raises(LastwattError, match="started anew meanwhile"):
        await yard.ask("job", job=answer["job"])
    await yard.until(lambda: yard.phases["desk"] is Phase.AT_REST, within_s=120.0)
    await yard.clock.advance(STEADY_S)

    assert yard.phases["desk"] is Phase.AT_REST
    assert yard.machines["desk"].told(Act.STOP) == 1
    await yard.leave()


async def test_order_waits_until_an_earlier_runs_orders_are_taken_up() -> None:
    """Whoever types in the agent's first second must not begin a second conversation."""
    yard = Attended()
    await yard.attend()
    await yard.ask("stop", device="desk")
    await yard.until(lambda: bool(yard.machines["desk"].told(Act.STOP)), within_s=60.0)
    state = yard.engine.state
    await yard.kill()
    yard.keeper.takes_s = 0.4  # the journal is slow to open, as after a crash
    yard.heard = Heard()
    engine = yard.start(state)
    yard.hands = Hands(engine, clock=yard.clock, zone=ZoneInfo("Europe/Lisbon"))
    answer = await yard.ask("stop", device="desk")
    yard.keeper.takes_s = 0.0
    assert await yard.ended(answer["job"]) == {"desk": "at rest"}

    assert yard.machines["desk"].told(Act.STOP) == 1
    assert len({e.order_id for e in yard.keeper.events if isinstance(e, OrderGiven)}) == 1
    await yard.leave()


async def test_full_disk_holds_up_no_order_by_hand() -> None:
    """The record is lost, not the stop."""
    yard = Attended()
    yard.keeper.raises = True
    await yard.attend()

    assert await yard.order("stop", GATE) == {GATE: "at rest"}
    await yard.leave()


@pytest.mark.parametrize("who", ["", "  ", "a\nb", "\x1b[31m", 7, "x" * (WHO_MOST + 1)])
async def test_name_that_is_none_is_not_taken(who: object) -> None:
    """It stands in the journal and on the page for years."""
    yard = Attended()
    await yard.attend()
    with pytest.raises(LastwattError, match="who asks is a name"):
        await yard.ask("pause", who=who)
    await yard.leave()


# The pause


async def test_pause_gives_no_automatic_order_and_says_loudly_what_that_costs() -> None:
    """Somebody is inside: not even a low battery overrides it. Everybody else is told."""
    quick = [replace(d, stop_when=StopWhen(runtime_below_s=1.0)) for d in (SWITCH, RECORDER)]
    yard = Attended(*quick)
    await yard.attend()
    answer = await yard.ask("pause", for_s=7200.0, who="ana")
    assert (answer["paused_s"], answer["until"]) == (7200.0, "2026-03-02 00:00")
    assert answer["warnings"] == []
    assert told(
        yard, "paused by ana (as somebody) for 2 h, until 2026-03-02 00:00: no automatic orders"
    )

    yard.fail_mains()
    await yard.clock.advance(60.0)
    (outage,) = told(
        yard, "mains has failed, and lastwatt is paused by ana (as somebody) for 2 h more"
    )
    assert "nothing is stopped by itself until then" in outage
    yard.low.add("cabinet")
    await yard.clock.advance(1800.0)
    assert len(told(yard, "the battery of cabinet is low, and lastwatt is paused")) == 1
    assert not yard.keeper.of(OrderGiven)
    assert yard.are_all(Phase.RUNNING)
    await yard.leave()


async def test_latest_safe_starts_that_pass_are_said_once_each() -> None:
    """The owner on the telephone can still say `pause --end`."""
    yard = Attended(replace(SWITCH, stop_when=None), replace(RECORDER, stop_when=None))
    yard.more = {"output_w": 660.0}
    await yard.attend()
    await yard.ask("pause", for_s=86400.0)
    yard.fail_mains()
    await yard.until(
        lambda: bool(told(yard, "the latest safe start has passed for")), within_s=7200.0,
        step_s=5.0,
    )  # fmt: skip
    await yard.clock.advance(300.0)

    said = told(yard, "the latest safe start has passed for")
    named = [name for name in (GATE, YARD) for text in said if f"{name}" in text.split(",")[0]]
    assert sorted(named) == [GATE, YARD]
    assert not yard.keeper.of(OrderGiven)
    await yard.leave()


async def test_pause_ends_by_itself_and_orders_are_given_at_once() -> None:
    """Forgotten, it must not cost the site its recordings."""
    yard = Attended()
    await yard.attend()
    await yard.ask("pause", for_s=300.0, who="ana")
    began_at = yard.clock.monotonic()
    yard.fail_mains()
    await yard.clock.advance(290.0)
    assert not yard.keeper.of(OrderGiven)
    await yard.until(lambda: bool(yard.keeper.of(OrderGiven)), within_s=20.0, step_s=0.5)

    assert 299.0 <= yard.clock.monotonic() - began_at <= 302.0
    assert told(yard, "the pause set by ana (as somebody) is over: orders are given again")
    assert yard.engine.state.paused_until_at is None
    await yard.leave()


async def test_pause_that_is_ended_gives_the_site_back_at_once() -> None:
    """And ending none is no error."""
    yard = Attended()
    await yard.attend()
    await yard.ask("pause", who="ana")
    assert yard.engine.state.paused_until_at == pytest.approx(yard.clock.monotonic() + 3600, abs=1)
    yard.fail_mains()
    await yard.clock.advance(100.0)
    answer = await yard.ask("pause", end=True, who="rui")
    assert answer["was_paused"] is True
    assert yard.keeper.of(OrderGiven)
    assert told(yard, "the pause was ended by rui (as somebody): orders are given again")

    assert (await yard.ask("pause", end=True))["was_paused"] is False
    assert len(told(yard, "orders are given again")) == 1
    await yard.leave()


async def test_pause_carries_through_what_is_under_way_and_takes_orders_by_hand() -> None:
    """A half-stopped recorder helps nobody who works inside."""
    yard = Attended(replace(DESK, path=()), replace(RECORDER, path=(), stop_when=None))
    await yard.attend()
    yard.fail_mains()
    await yard.until(lambda: bool(yard.keeper.of(StepBegan)), within_s=90.0)
    answer = await yard.ask("pause")
    assert (
        answer["warnings"]
        == ["mains has been away for 1 min: while paused, nothing is stopped by itself"]
        or "mains has been away" in answer["warnings"][0]
    )
    await yard.until(lambda: yard.phases["desk"] is Phase.AT_REST, within_s=120.0)

    assert await yard.order("stop", GATE) == {GATE: "at rest"}
    yard.return_mains()
    await yard.clock.advance(STEADY_S)
    assert yard.phases["desk"] is Phase.AT_REST, "a return is an automatic order"
    await yard.ask("pause", end=True)
    await yard.until(lambda: yard.phases["desk"] is Phase.RUNNING, within_s=200.0)
    await yard.leave()


async def test_pause_that_is_set_again_counts_from_then_on() -> None:
    """The work takes longer than was thought."""
    yard = Attended()
    await yard.attend()
    await yard.ask("pause", for_s=600.0, who="ana")
    await yard.clock.advance(500.0)
    await yard.ask("pause", for_s=600.0, who="rui")
    await yard.clock.advance(500.0)

    assert yard.engine.state.paused_by == "rui (as somebody)"
    assert told(yard, "paused again by rui")
    assert not told(yard, "orders are given again")
    await yard.leave()


@pytest.mark.parametrize("away_s", [60.0, 7200.0])
async def test_pause_outlives_the_agent_and_ends_in_its_time(away_s: float) -> None:
    """The box is restarted during the work, or is away past its end: it is said to be over."""
    yard = Attended()
    await yard.attend()
    await yard.ask("pause", for_s=3600.0, who="ana")
    state = yard.engine.state
    await yard.kill()
    await yard.clock.advance(away_s)
    await yard.attend(state)
    assert bool(told(yard, "the pause set by ana (as somebody) is over")) == (away_s > 3600.0)

    yard.fail_mains()
    await yard.clock.advance(200.0)
    assert bool(yard.keeper.of(OrderGiven)) == (away_s > 3600.0)
    await yard.leave()


@pytest.mark.parametrize(
    "for_s", [0.0, -1.0, 86401.0, float("inf"), float("nan"), "1h", True, None]
)
async def test_pause_of_no_sensible_length_is_refused(for_s: object) -> None:
    """Whoever talks to the socket: no pause without an end, and none longer than a day."""
    yard = Attended()
    await yard.attend()
    answer = await yard.ask("pause", for_s=for_s)

    assert (answer["ok"], answer["refused"]) == (False, True)
    assert not yard.keeper.of(PauseSet)
    await yard.leave()


async def test_people_are_told_of_each_outage_in_a_long_pause() -> None:
    """Yesterday's warning does not serve for today's outage."""
    yard = Attended(RECORDER.__class__(GATE))
    await yard.attend()
    await yard.ask("pause", for_s=86400.0)
    for _ in range(2):
        yard.fail_mains()
        await yard.clock.advance(120.0)
        yard.return_mains()
        await yard.clock.advance(120.0)

    assert len(told(yard, "mains has failed, and lastwatt is paused")) == 2
    await yard.leave()
