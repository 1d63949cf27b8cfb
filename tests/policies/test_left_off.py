"""Who stays off though mains is back, and what a person is told to see to; no alarm before that."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.battery import BatteryHistory, Discharge, Mark
from policies.belief import Drawn
from policies.left_off import AFTER_S, FILLS_WITHIN_S, left_off
from policies.model import Alarm, Battery, Device, OutputSource, Reading, Role, Site, Starts, Unit
from policies.output_state import OutputPhase, OutputState
from policies.scene import Scene
from policies.state import DeviceState, Phase, SiteState
from policies.supply import SILENT_ON_BATTERY, Supply, UnitState
from policies.timeline import timeline

NOW = 5000.0
FAILED_AT = 1000.0
LOFT_RECORDER = Device(
    "loft recorder", Role.RECORDER, 40, 40, ("loft",), stop_s=30.0, starts=Starts.BY_ORDER
)
OFFICE_PC = Device(
    "office PC", Role.COMPUTER, 60, 60, ("cabinet",), needs=("loft recorder",), stop_s=30.0
)
SITE = Site(
    "Quayside boatyard",
    {name: Unit(name, 1000, 700, Battery(watt_hours=300)) for name in ("cabinet", "loft")},
    {"loft recorder": LOFT_RECORDER, "office PC": OFFICE_PC},
)
OFF = DeviceState(Phase.AT_REST, since_at=1200.0, is_ours=True)
BACK = UnitState(Supply.MAINS, mains_at=NOW - AFTER_S - 5.0, heard_at=NOW)
SAYS_OFF = Reading(
    "loft", NOW, OutputSource.NONE, charge=0.9, alarms=frozenset({Alarm.UPS_OUTPUT_OFF})
)
DARK = UnitState(Supply.BATTERY, reading=SAYS_OFF, heard_at=NOW, on_battery_at=FAILED_AT)
SILENT = replace(DARK, why=SILENT_ON_BATTERY, lost_at=2000.0, heard_at=1900.0)


def told(
    loft: UnitState,
    cabinet: UnitState = BACK,
    recorder: DeviceState = OFF,
    **state: object,
) -> dict[str, str]:
    known = {"loft recorder": recorder, "office PC": OFF}
    now = SiteState({"cabinet": cabinet, "loft": loft}, known, **state)  # type: ignore[arg-type]  # by case
    course = timeline(SITE, now, {}, NOW)
    return {each.device: each.text for each in left_off(Scene(SITE, now, {}, NOW, course))}


def test_recorder_behind_an_output_that_stays_off_is_named_with_what_to_do() -> None:
    """Mains was back for half an hour; nothing recorded, and nobody had been told."""
    text = told(DARK)["loft recorder"]

    assert "stays off: loft, which feeds it, keeps its output off" in text
    assert "mains has been back at cabinet for 10 min" in text
    assert "Put the output of loft on" in text


def test_unit_that_never_answers_again_is_to_be_looked_at() -> None:
    """Its battery ran empty, and it is dead or behind a breaker that has tripped."""
    assert "loft, which feeds it, does not answer" in told(SILENT)["loft recorder"]


def test_what_needs_a_device_that_stays_off_is_named_too() -> None:
    """The PC has power, and is not started: it would look for its recorder."""
    assert "loft, which feeds loft recorder, and that it needs" in told(DARK)["office PC"]


@pytest.mark.parametrize(
    ("loft", "cabinet"),
    [
        (DARK, replace(BACK, mains_at=NOW - AFTER_S + 60.0)),
        (SILENT, UnitState(Supply.BATTERY, on_battery_at=FAILED_AT, heard_at=NOW)),
        (DARK, replace(BACK, mains_at=FAILED_AT - 500.0)),
        (replace(DARK, sign_at=FAILED_AT), BACK),
        (replace(DARK, output=OutputState(OutputPhase.DROPPED)), BACK),
    ],
    ids=[
        "mains is back for less than ten minutes",
        "mains is away everywhere",
        "the other unit never lost it: one circuit's own outage",
        "it says that it runs on its battery",
        "it is off as lastwatt armed it",
    ],
)
def test_outage_that_merely_goes_on_raises_no_alarm(loft: UnitState, cabinet: UnitState) -> None:
    """Woken for nothing, people stop to read."""
    assert told(loft, cabinet) == {}


@pytest.mark.parametrize(
    "recorder",
    [DeviceState(), replace(OFF, by_hand=True), replace(OFF, is_ours=False)],
    ids=["it runs", "stopped by hand", "not ours"],
)
def test_only_what_is_owed_its_return_is_named(recorder: DeviceState) -> None:
    """Whoever stopped a recorder by hand knows that it is off."""
    assert "loft recorder" not in told(DARK, recorder=recorder)


def test_nothing_is_named_in_a_pause_or_by_a_copy_of_the_box() -> None:
    """Nothing is brought back then, and that is known."""
    assert told(DARK, paused_until_at=NOW + 60.0) == {}
    assert told(DARK, watches_only={"box": "this is a copy"}) == {}


@pytest.mark.parametrize(("charge", "is_told"), [(0.30, True), (0.20, False)])
def test_one_unit_alone_shows_by_its_filling_battery_that_mains_is_back(
    charge: float, is_told: bool
) -> None:
    """Most sites have one unit only; what a gauge regains as the load goes is no charging."""
    last = Mark(1500.0, 0.02, Drawn())
    history = BatteryHistory(discharge=Discharge(last, last))
    filling = replace(DARK, reading=replace(SAYS_OFF, charge=charge), battery=history)
    there = UnitState(Supply.MAINS, mains_at=0.0, heard_at=NOW)

    texts = told(filling, cabinet=there)
    assert bool(texts) is is_told
    assert not is_told or "its battery fills again, from 2% to 30%" in texts["loft recorder"]


@pytest.mark.parametrize(
    ("charge", "steady_s", "is_told"),
    [(0.2, FILLS_WITHIN_S, True), (0.2, FILLS_WITHIN_S - 60.0, False), (0.4, 9e9, False)],
    ids=["it does not fill", "it has not had the time", "it holds enough"],
)
def test_battery_that_does_not_fill_is_told_of(
    charge: float, steady_s: float, is_told: bool
) -> None:
    """A worn battery never comes to hold what is wanted: the recorder would stay off for ever."""
    reading = Reading("loft", NOW, OutputSource.NORMAL, charge=charge)
    loft = UnitState(Supply.MAINS, reading=reading, mains_at=NOW - steady_s, heard_at=NOW)

    texts = told(loft, recorder=OFF)
    assert ("loft recorder" in texts) is is_told
    said = "the battery of loft holds 20%, and 30% are wanted"
    assert not is_told or said in texts["loft recorder"]


def test_what_would_not_rest_is_not_said_to_be_off() -> None:
    """Its stop failed and mains came back: the recorder runs, and somebody would search for why."""
    reading = Reading("loft", NOW, OutputSource.NORMAL, charge=0.2)
    worn = UnitState(Supply.MAINS, reading=reading, mains_at=NOW - FILLS_WITHIN_S, heard_at=NOW)
    given_up = replace(OFF, phase=Phase.GIVEN_UP)

    for loft in (worn, DARK):
        text = told(loft, recorder=given_up)["loft recorder"]
        assert "stays off" not in text
        assert text.startswith(
            "loft recorder, which did not come to rest in order, is not started again: "
        )


@pytest.mark.parametrize(
    ("starts", "then"),
    [
        (Starts.BY_ORDER, "loft recorder is brought back once all has power"),
        (Starts.BY_ITSELF, "loft recorder is brought back once all has power"),
        (Starts.BY_HAND, "loft recorder is to be started by hand once all has power"),
    ],
)
def test_what_no_order_starts_is_not_promised_back(starts: Starts, then: str) -> None:
    """Whoever put the output on would go home, and nothing would record."""
    recorder = replace(LOFT_RECORDER, starts=starts)
    site = replace(SITE, devices={**SITE.devices, "loft recorder": recorder})
    now = SiteState({"cabinet": BACK, "loft": DARK}, {"loft recorder": OFF, "office PC": OFF})
    course = timeline(site, now, {}, NOW)

    texts = {each.device: each.text for each in left_off(Scene(site, now, {}, NOW, course))}
    assert texts["loft recorder"].endswith(then)
