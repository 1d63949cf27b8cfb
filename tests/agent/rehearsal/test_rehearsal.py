"""A rehearsal: the agent's own code through an outage in which nothing is sent."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import MappingProxyType

import pytest

from agent.journal.codec import encode
from agent.rehearsal.known import Known
from agent.rehearsal.result import Fate, Result, from_document, from_text, lines, to_text
from agent.rehearsal.result import as_document as shown
from agent.rehearsal.run import rehearse
from agent.rehearsal.scenario import TAKES_SHARE
from agent.rehearsal.terms import Progress, Strength
from policies.model import Reading
from policies.state import DeviceState, Phase, SiteState
from tests.agent.plan_yard import CAMERA, DESK, RECORDER
from tests.agent.rehearsal.yards import NOW, SMALL, TINY, device, known, terms, yard

GATE = "gate recorder"
LAMP = CAMERA.replace('needs = ["gate recorder"]', "")


def gone_through(folder: Path, *devices: str, unit: str = SMALL, **more: object) -> Result:
    loaded = yard(folder, *devices, unit=unit)
    return rehearse(loaded, known(loaded), terms(**more))  # type: ignore[arg-type]  # passed on


def test_everything_is_saved_and_comes_back_with_its_reasons(tmp_path: Path) -> None:
    """Whoever rehearses wants to see what would be done, when and why, and how it would end."""
    loaded = yard(tmp_path)
    result = rehearse(loaded, known(loaded), terms())

    assert result.unsaved == []
    assert result.failures == ()
    gate = device(result, GATE)
    assert gate.fate is Fate.AT_REST
    assert gate.stopped_s is not None
    assert gate.rested_s is not None
    # Most of the 50 s that its file gives the stop, and some of the silence that would show that it
    # is gone: the unit's load, which falls by its watts, shows it sooner.
    stop_s, settle_s = TAKES_SHARE * 50.0, loaded.site.devices[GATE].settle_s
    assert stop_s < gate.rested_s - gate.stopped_s <= stop_s + settle_s + 6.0
    assert result.mains_back_s > gate.rested_s
    (stop,) = (each for each in result.orders if each.device == GATE and each.task == "rest")
    assert "The battery lasts at least" in stop.reason
    assert any("POST http://192.0.2.20/off" in line for line in stop.sent)
    assert GATE in "\n".join(lines(result))


def test_what_nothing_starts_is_named_and_what_is_woken_comes_back(tmp_path: Path) -> None:
    """A recorder that starts with its power stays off if mains came back before that went."""
    woken = DESK.replace('takes = "90s" }', 'takes = "90s" }\nstart = { driver = "wake" }')
    woken += '[device.wake]\nmac = "02:00:5e:10:00:15"\n'
    result = gone_through(tmp_path, CAMERA, RECORDER, woken)

    assert result.not_back == [GATE]
    assert f"{GATE} would stay off until somebody starts it" in result.sentence
    desk = device(result, "desk")
    assert desk.back_s is not None
    assert desk.back_s > result.mains_back_s


def test_switch_that_is_told_how_to_start_runs_once_it_has_power(tmp_path: Path) -> None:
    """It has no button: what hangs on it would else be said to stay off until somebody came."""
    quay = """[[device]]
name = "quay switch"
role = "switch"
feed = "cabinet"
address = "192.0.2.22"
watts = 40
quiesce = { driver = "http", path = "/quiet", takes = "5s" }
start = { driver = "http", path = "/on", takes = "20s" }
[device.http]
auth = "none"
scheme = "http"
"""
    result = gone_through(tmp_path, quay, mains_after_s=4 * 3600.0)

    switch = device(result, "quay switch")
    assert switch.dark_s is not None
    assert switch.back_s is not None and switch.back_s >= result.mains_back_s
    assert result.not_back == []


def test_same_question_has_the_same_answer_at_any_pace(tmp_path: Path) -> None:
    """What is watched at a pace must be what counts as rehearsed at once."""
    loaded = yard(tmp_path)
    at_once = rehearse(loaded, known(loaded), terms(mains_after_s=240.0))
    paced = rehearse(loaded, known(loaded), terms(mains_after_s=240.0, pace=3600.0))

    assert at_once.mains_back_s == pytest.approx(240.0, abs=0.1)
    assert paced == at_once


def test_what_cannot_be_saved_is_said_and_is_not_all_right(tmp_path: Path) -> None:
    """A stop that takes longer than the battery lasts is found now, not in the outage."""
    slow = RECORDER.replace('"50s"', '"10m"')
    result = gone_through(tmp_path, CAMERA, slow, unit=TINY)

    assert result.unsaved == [GATE]
    assert not result.ok
    assert device(result, GATE).fate is Fate.UNSAVED
    assert device(result, GATE).dark_s is not None
    assert "would lose power in mid-writing" in result.sentence
    assert result.units[0].ended_s is not None


def test_hold_time_that_is_not_kept_is_said(tmp_path: Path) -> None:
    """Two hours are asked for, and the battery has minutes."""
    result = gone_through(tmp_path)

    assert result.unmet == [GATE]
    assert not result.ok


def test_battery_truly_ends_when_the_agent_believes_it_likely(tmp_path: Path) -> None:
    """The rehearsed battery is the one believed in: half of all guesses end sooner."""
    stubborn = RECORDER.replace('stop = { driver = "http", path = "/off", takes = "50s" }', "")
    result = gone_through(tmp_path, CAMERA, stubborn)
    weak = gone_through(tmp_path, CAMERA, stubborn, strength=Strength.WEAK)

    (unit,) = result.units
    assert unit.ended_s is not None
    assert unit.median_s is not None
    assert unit.ended_s == pytest.approx(unit.median_s, rel=0.25)
    assert weak.units[0].ended_s is not None
    assert unit.lower_s is not None
    assert weak.units[0].ended_s == pytest.approx(unit.lower_s, rel=0.35)


def test_device_in_dry_run_by_the_file_is_told_nothing_and_is_lost(tmp_path: Path) -> None:
    """A real outage would send nothing there, and a rehearsal must not make it look saved."""
    result = gone_through(tmp_path, CAMERA, RECORDER.replace("worth = 10", "dry_run = true"))

    assert device(result, GATE).fate is Fate.UNSAVED
    assert any("in dry run" in remark for remark in result.remarks)


# What it begins with


def in_state(state: SiteState) -> Known:
    return Known(state, 5000.0, NOW)


def with_device(state: SiteState, name: str, known_of: DeviceState) -> SiteState:
    return replace(state, devices=MappingProxyType({**state.devices, name: known_of}))


def test_learnt_durations_are_planned_with(tmp_path: Path) -> None:
    """A recorder that was seen to take two minutes is given two minutes in rehearsal too."""
    loaded = yard(tmp_path)
    state = known(loaded).state
    slow = with_device(state, GATE, DeviceState(took={"stop": (120.0, 118.0, 122.0)}))
    by_file = rehearse(loaded, in_state(state), terms())
    learnt = rehearse(loaded, in_state(slow), terms())

    def took(result: Result) -> float:
        gate = device(result, GATE)
        assert gate.rested_s is not None
        assert gate.stopped_s is not None
        return gate.rested_s - gate.stopped_s

    assert took(learnt) >= took(by_file) + 45.0


def test_what_is_off_now_is_off_in_it(tmp_path: Path) -> None:
    """What was stopped by hand is not stopped again, and stays so when mains is back."""
    loaded = yard(tmp_path)
    off = DeviceState(phase=Phase.AT_REST, by_hand=True, is_ours=True, evidence="by hand")
    result = rehearse(loaded, in_state(with_device(known(loaded).state, "desk", off)), terms())

    assert [each for each in result.orders if each.device == "desk"] == []
    assert device(result, "desk").back_s is None


def test_battery_that_is_not_full_lasts_less(tmp_path: Path) -> None:
    """After last night's outage the rehearsal begins with what is left."""
    loaded = yard(tmp_path)
    state = known(loaded).state
    (unit,) = state.units.values()
    reading = Reading("cabinet", 5000.0, charge=0.4, runtime_s=300.0, output_w=99.0)
    low = replace(unit, reading=reading, heard_at=5000.0, load_w=99.0)
    lower = rehearse(
        loaded, in_state(replace(state, units=MappingProxyType({"cabinet": low}))), terms()
    )
    full = rehearse(loaded, in_state(state), terms())

    assert lower.units[0].lower_s is not None
    assert full.units[0].lower_s is not None
    assert lower.units[0].lower_s < 0.7 * full.units[0].lower_s


def test_pause_of_the_present_is_left_out_and_said(tmp_path: Path) -> None:
    """A rehearsal in which nothing is ordered, since somebody works inside, shows nothing."""
    loaded = yard(tmp_path)
    paused = replace(known(loaded).state, paused_until_at=6000.0, paused_by="Rui")
    result = rehearse(loaded, in_state(paused), terms())

    assert result.orders
    assert any("Rui has paused" in remark for remark in result.remarks)


def test_live_state_is_not_touched(tmp_path: Path) -> None:
    """What a rehearsal is given is only looked at."""
    loaded = yard(tmp_path)
    before = known(loaded)
    word = encode(before.state)
    rehearse(loaded, before, terms(mains_after_s=60.0))

    assert encode(before.state) == word


def test_lights_come_on_at_dusk(tmp_path: Path) -> None:
    """An evening's outage is heavier than a noon's: infrared lights draw."""
    loaded = yard(tmp_path, LAMP, DESK.replace("watts = 60", "watts = 6"))
    # At 38.70 N the sun sets at about 17:16 UTC on 25 November (NOAA's equations, by hand).
    result = rehearse(
        loaded,
        known(loaded),
        terms(begins=NOW + timedelta(minutes=40), mains_after_s=1200.0),
    )
    loads = [each.load_w for each in result.units[0].samples if 0.0 < each.at_s < 1190.0]

    # By hand: 8 W by night and 5.5 W by day, through ports of 90 %.
    assert max(loads) - min(loads) == pytest.approx(2.5 / 0.9, abs=0.3)


# As it is kept and shown


def test_result_is_read_back_as_it_was(tmp_path: Path) -> None:
    """A comparison in a year reads what is written now."""
    result = gone_through(tmp_path, mains_after_s=120.0)

    assert from_text(to_text(result)) == result
    assert from_document(shown(result)) == result
    with pytest.raises(ValueError, match="format"):
        from_text('{"format": 2}')


def test_progress_shows_the_site_as_the_status_does(tmp_path: Path) -> None:
    """Whoever watches sees the same picture as of a real outage."""
    loaded = yard(tmp_path)
    seen: list[Progress] = []
    rehearse(loaded, known(loaded), terms(mains_after_s=300.0, pace=600.0), seen.append)

    away = [each for each in seen if each.mains_away]
    assert away
    assert away[-1].status["units"][0]["supply"] == "battery"
    assert {each["name"] for each in away[-1].status["devices"]} >= {GATE, "desk"}
    assert [each.at_s for each in seen] == sorted(each.at_s for each in seen)
