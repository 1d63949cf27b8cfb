"""What `lastwatt status` shows: a document for programs, lines for people."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from agent.status import document, lines
from policies import reasons
from policies.decide import beliefs_of
from policies.events import (
    DeviceSeen,
    Ending,
    LoadFound,
    OrderClosed,
    OrderGiven,
    OutputArmed,
    PauseSet,
    PollMissed,
    StepBegan,
    StepEnded,
)
from policies.footing import Terms
from policies.model import Alarm, Device, Order, OutputControl, Role, Task
from policies.night import Light
from policies.plan import Plan
from policies.plan_use import PLAN_LASTS_S
from policies.planning import make_plan
from policies.state import DeviceState, Phase, fold
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
)


def shown(run: Run, *, later_s: float = 0.0, dry_run: bool = False) -> dict[str, Any]:
    """Return the document as a program receives it."""
    now = run.now + later_s
    found = document(run.site, run.state, run.decide(), now=now, dry_run=dry_run)
    said: dict[str, Any] = json.loads(json.dumps(found, allow_nan=False))
    return said


def test_plan_is_shown_device_by_device_and_marked_as_no_more_than_that() -> None:
    """The owner on the telephone asks what goes off next; a plan may change until then."""
    run = Run(site_of())
    run.outage(100.0)
    terms = Terms(horizon_s=run.site.horizon_s, patience_s=120.0)
    beliefs = beliefs_of(run.site, run.state, run.now)
    plan = make_plan(run.site, run.state, beliefs, run.now, terms)

    def said(plan: Plan, later_s: float) -> dict[str, Any]:
        now = run.now + later_s
        return document(run.site, run.state, run.decide(), now=now, dry_run=False, plan=plan)

    shown_now = said(plan, 20.0)
    assert shown_now["plan_age_s"] == 20.0
    desk = device_of(shown_now, "desk")
    assert (desk["planned"], desk["planned_sake"]) == ("gives way", "gate recorder")
    assert desk["planned_stop_in_s"] == pytest.approx(100.0, abs=1.0)
    assert "planned: gives way to gate recorder in 1 min 40 s" in text(shown_now)
    assert "planned: kept on for" in text(shown_now)

    for stale in (replace(plan, outage_at=7.0), replace(plan, made_at=-PLAN_LASTS_S)):
        old = said(stale, 0.0)
        assert old["plan_age_s"] is None
        assert device_of(old, "desk")["planned_stop_in_s"] is None
        assert "planned" not in text(old)


def device_of(said: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = (device for device in said["devices"] if device["name"] == name)
    assert isinstance(found, dict)
    return found


def text(said: dict[str, Any]) -> str:
    return "\n".join(lines(said))


def test_agent_that_has_heard_nothing_claims_nothing() -> None:
    """In its first second an agent knows nothing of mains, and must not say otherwise."""
    run = Run(site_of())
    found = document(run.site, run.state, None, now=0.0, dry_run=False)

    assert text(found).splitlines()[:2] == [
        "Quayside boatyard: nothing is known of mains yet",
        "  cabinet: unknown, no reading yet",
    ]
    assert json.dumps(found, allow_nan=False)


def test_site_on_mains_is_said_in_a_line_each() -> None:
    """The usual answer: one line for the site, one for each unit and device."""
    run = Run(site_of())
    run.hear(on_mains(10.0), on_mains(20.0))

    said = shown(run)
    said_lines = text(said).splitlines()
    assert said_lines[0] == "Quayside boatyard: mains is there"
    assert said_lines[1].startswith("  cabinet: mains is there; ")
    assert said_lines[1].endswith("; 100 W; charge 100%")
    assert said_lines[2] == "  yard switch (switch): running"
    assert len(said_lines) == 2 + len(run.site.devices)
    assert said["outage_s"] is None
    assert said["units"][0]["lower_s"] is None


def test_outage_shows_how_long_it_lasts_and_when_stops_begin() -> None:
    """What the owner on the telephone asks first."""
    run = Run(site_of())
    run.outage(100.0)

    said = shown(run)
    assert said["outage_s"] == 12.0
    assert 0 < said["units"][0]["lower_s"] <= said["units"][0]["median_s"]
    stop_s = device_of(said, "gate recorder")["stop_latest_in_s"]
    assert 0 < stop_s < said["units"][0]["lower_s"]
    assert "Quayside boatyard: outage for 12 s" in text(said)
    assert "lasts at least" in text(said)
    assert "upsAlarmOnBattery" in text(said)
    assert "gate recorder (recorder): running; its stop begins in" in text(said)


def test_order_under_way_shows_its_reason() -> None:
    """Whatever lastwatt does, it says why."""
    run = Run(site_of())
    run.outage(100.0)
    run.hear(on_battery(130.0, 100.0, battery_status=3), on_battery(131.0, 100.0, battery_status=3))
    run.obey()

    said = device_of(shown(run), "gate recorder")
    assert said["task"] == "rest"
    assert said["phase"] == "coming to rest"
    assert said["reason"]
    assert said["reason"] in text(shown(run))


def test_what_was_only_assumed_is_said_to_be() -> None:
    """A rehearsed stop is no stop."""
    run = Run(site_of(SWITCH, CAMERA, replace(RECORDER, dry_run=True), DESK))
    run.outage(100.0)
    run.hear(on_battery(130.0, 100.0, battery_status=3), on_battery(131.0, 100.0, battery_status=3))
    run.obey()
    run.close("gate recorder", Ending.ASSUMED)

    said = shown(run, dry_run=True)
    assert device_of(said, "gate recorder")["assumed"] is True
    assert "gate recorder (recorder): at rest, assumed; dry run" in text(said)
    assert "(dry run: nothing is sent)" in text(said)


def test_unit_that_is_not_heard_from_shows_how_old_its_word_is() -> None:
    """An answer of an hour ago must not look like one of now."""
    run = Run(site_of())
    run.hear(on_mains(10.0))
    for at in range(20, 3600, 10):
        run.state = fold(run.site, run.state, PollMissed(float(at), "cabinet", "no answer"))
    run.now = 3610.0

    assert "last heard 1 h ago" in text(shown(run))


def test_no_touch_pause_and_doubts_are_said() -> None:
    """What holds orders back is visible everywhere."""
    run = Run(site_of(SWITCH, CAMERA, replace(RECORDER, no_touch=True), DESK))
    doubts = {"charge": "it has stood at 100 % for an hour"}
    run.hear(on_mains(10.0, alarms=frozenset({Alarm.FAN_FAILURE}), doubts=doubts))
    run.state = fold(run.site, run.state, PauseSet(run.now, run.now + 1800.0, "ana"))

    said = shown(run)
    assert (said["paused_s"], said["paused_by"]) == (1800.0, "ana")
    assert text(said).splitlines()[:2] == [
        "Quayside boatyard: mains is there",
        "  paused for 30 min more by ana: no automatic orders",
    ]
    assert "gate recorder (recorder): running; no-touch" in text(said)
    assert "upsAlarmFanFailure; its charge is doubtful: it has stood" in text(said)


def test_pause_that_is_over_is_not_shown() -> None:
    """A pause ends by itself, also when no event says so."""
    run = Run(site_of())
    run.hear(on_mains(10.0))
    run.state = fold(run.site, run.state, PauseSet(run.now, run.now + 60.0, "ana"))

    assert shown(run, later_s=61.0)["paused_s"] is None


def test_what_is_owed_and_what_was_stopped_by_hand_are_said() -> None:
    """Who finds a recorder dark sees whether lastwatt will start it, or somebody has to."""
    run = Run(site_of())
    run.hear(on_mains(10.0))
    order = Order("gate recorder", Task.REST, 300.0, reasons.by_hand(Task.REST, "ana"))
    run.state = fold(run.site, run.state, OrderGiven(10.0, "r#1", order))
    for act in ("quiesce", "stop"):
        run.state = fold(run.site, run.state, StepBegan(10.0, "r#1", "gate recorder", act))
        ended = StepEnded(11.0, "r#1", "gate recorder", act, "done", "accepted")
        run.state = fold(run.site, run.state, ended)
    run.close("gate recorder", Ending.AT_REST)

    said = shown(run, later_s=20.0)
    assert device_of(said, "gate recorder")["by_hand"] is True
    assert "at rest; stopped by hand: it stays so until `lastwatt start`" in text(said)
    assert said["owed"] == [
        {
            "device": "gate recorder",
            "acts": ["quiesced", "stopped"],
            "since_s": 20.0,
            "running": False,
            "by_hand": True,
        }
    ]
    assert text(said).splitlines()[-1] == (
        "  owed: gate recorder (quiesced, stopped); owed.txt in the state directory says what "
        "undoes it"
    )


def test_recorder_that_came_back_by_itself_is_said_to_need_a_look() -> None:
    """It is on, and nobody has seen it record."""
    run = Run(site_of())
    run.hear(on_mains(10.0))
    order = Order("gate recorder", Task.REST, 300.0, reasons.battery_low("cabinet"))
    for event in (
        OrderGiven(10.0, "r#1", order),
        StepBegan(10.0, "r#1", "gate recorder", "quiesce"),
        OrderClosed(20.0, "r#1", "gate recorder", Task.REST, Ending.AT_REST, "gone"),
        DeviceSeen(30.0, "gate recorder", "it answers"),
    ):
        run.state = fold(run.site, run.state, event)

    assert text(shown(run)).splitlines()[-1] == (
        "  came back without lastwatt: gate recorder; see that it records, then say so by "
        "`lastwatt start`"
    )


def test_sick_journal_and_unreached_people_are_said() -> None:
    """Trouble of the agent's own stands below the site's."""
    run = Run(site_of())
    run.hear(on_mains(10.0))
    hooks = [
        {
            "name": "hook", "waiting": 3, "why": "it answered 503",
            "given_up": 2, "given_up_why": "it answered 422",
        },
        {"name": "pager", "waiting": 0, "why": ""},
    ]  # fmt: skip
    said = {**shown(run), "journal_healthy": False, "receivers": hooks}

    assert text(said).splitlines()[-3:] == [
        "  the journal cannot be written: look after the disk of the state directory",
        "  notices do not reach hook (3 wait): it answered 503",
        "  notices: hook was not told of 2 and will not be, the last since it answered 422",
    ]


def test_document_of_another_kind_is_refused() -> None:
    """`status` asks an agent that may be of another release."""
    with pytest.raises((LookupError, TypeError, ValueError)):
        list(lines({"dry_run": False, "units": [{}]}))


def test_device_that_nobody_tells_anything_has_no_stop_to_begin() -> None:
    """A camera just loses power; a time for its stop would have people wait for it."""
    run = Run(site_of())
    run.outage(100.0)
    said = shown(run)

    assert device_of(said, CAMERA.name)["stop_latest_in_s"] is None
    assert device_of(said, RECORDER.name)["stop_latest_in_s"] is not None


def test_load_that_the_file_does_not_explain_is_shown_on_mains_only() -> None:
    """In an outage nobody has time to look for a heater, and half the devices are off."""
    run = Run(site_of())
    run.hear(on_mains(10.0))
    found = LoadFound(11.0, "cabinet", Light.DAY, 130.0, 1.0, False, said_w=30.0, said_at=11.0)
    run.state = fold(run.site, run.state, found)
    on_mains_text = text(shown(run))
    run.outage(100.0)

    assert "130 W measured by day" in on_mains_text
    assert "more than the file explains" in on_mains_text
    assert "130 W measured by day" not in text(shown(run))


def test_an_output_that_is_armed_or_kept_on_is_said() -> None:
    """Whoever looks in the last minutes must see what is about to happen, or why it does not."""
    unit = replace(CABINET, output=OutputControl())
    box = Device("warden", Role.AGENT_BOX, 5, 5, ("cabinet",))
    run = Run(site_of(RECORDER, DESK, box, units=(unit,)))
    run.outage(100.0)
    rested = DeviceState(Phase.AT_REST, 105.0, "gone", is_ours=True)
    run.state = replace(run.state, devices={**run.state.devices, "gate recorder": rested})
    waiting = shown(run)
    run.state = fold(run.site, run.state, OutputArmed(110.0, "cabinet", 230.0, 290.0, "read back"))
    armed = shown(run)

    assert "its output stays on: desk is not at rest (running)" in text(waiting)
    assert "its output is armed, it drops in" in text(armed)
    assert armed["units"][0]["output"]["phase"] == "armed"
    assert shown(Run(site_of()))["units"][0]["output"] is None
