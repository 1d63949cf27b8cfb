"""When a battery may be tested, and that a test is no outage and hides none."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

import pytest

from policies.belief import Drawn
from policies.events import PauseSet, ReadingTaken, SelfTestBegan, SelfTestEnded
from policies.model import Alarm, Battery, BatteryStatus, Device, OutputSource, Reading, Site, Unit
from policies.self_test import STEADY_S, abort_reason, refusal
from policies.state import DeviceState, Phase, SiteState, fold, initial
from policies.supply import Supply

SITE = Site(
    "boatyard",
    {"cabinet": Unit("cabinet", 1000.0, 700.0, Battery(watt_hours=200.0))},
    {"gate recorder": Device("gate recorder", feeds=("cabinet",))},
)
NOW = 10_000.0


def reading(at: float, **more: Any) -> Reading:
    said: dict[str, Any] = {
        "output_source": OutputSource.NORMAL, "battery_status": BatteryStatus.NORMAL,
        "on_battery_s": 0.0, "charge": 1.0, "output_w": 180.0, "load_share": 0.26, "line_bads": 3,
    }  # fmt: skip
    return Reading("cabinet", at, **{**said, **more})


def on_battery(at: float, seconds: float, **more: Any) -> Reading:
    alarms = frozenset({Alarm.ON_BATTERY}) | more.pop("alarms", frozenset())
    return reading(
        at, output_source=OutputSource.BATTERY, on_battery_s=seconds, alarms=alarms, **more
    )


def steady(**more: Any) -> SiteState:
    """Return a site on mains since long, last heard as *more* says."""
    state = initial(SITE)
    for at in (NOW - 20.0, NOW - 10.0, NOW):
        state = fold(SITE, state, ReadingTaken(at, reading(at, **more)))
    unit = state.units["cabinet"]
    if unit.mains_at is not None:
        unit = replace(unit, mains_at=NOW - STEADY_S)
    return replace(state, units=MappingProxyType({"cabinet": unit}))


def why(state: SiteState, *, is_attended: bool = True) -> str:
    return refusal(SITE, state, "cabinet", NOW, is_attended=is_attended)


def test_quiet_site_with_a_full_battery_may_be_tested() -> None:
    """Else nothing below would say anything."""
    assert why(steady()) == ""


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"charge": 0.99}, "not full"),
        ({"charge": None}, "how full"),
        ({"alarms": frozenset({Alarm.BATTERY_BAD})}, "upsAlarmBatteryBad"),
        ({"alarms": frozenset({Alarm.TEMP_BAD})}, "upsAlarmTempBad"),
        ({"battery_status": BatteryStatus.UNKNOWN}, "normal"),
        ({"load_share": 0.8}, "80%"),
        ({"output_w": 600.0}, "86%"),
        ({"output_w": None, "load_share": None}, "how much it carries"),
        ({"output_source": OutputSource.BYPASS}, "not what is known"),
    ],
)
def test_what_the_unit_says_forbids_it(more: dict[str, Any], said: str) -> None:
    """A tired battery, or a heavy load, and the test itself is the outage."""
    assert said in why(steady(**more))


def test_hours_that_nobody_attends_forbid_it() -> None:
    """If the load is dropped somebody has to be there."""
    assert "nobody attends" in why(steady(), is_attended=False)


def test_pause_outage_and_return_forbid_it() -> None:
    """After an outage the battery is needed first, and in a pause somebody's hand is inside."""
    state = steady()
    paused = fold(SITE, state, PauseSet(NOW, NOW + 60.0, "Ana"))
    starting = DeviceState(phase=Phase.STARTING)
    back = replace(state, devices=MappingProxyType({"gate recorder": starting}))
    unit = replace(state.units["cabinet"], drawn=Drawn(30.0, 10.0))
    drawn = replace(state, units=MappingProxyType({"cabinet": unit}))
    fresh = replace(state.units["cabinet"], mains_at=NOW - 600.0)
    recent = replace(state, units=MappingProxyType({"cabinet": fresh}))
    away = state
    for seconds in (10.0, 20.0, 30.0):
        away = fold(SITE, away, ReadingTaken(NOW, on_battery(NOW + seconds, seconds)))

    assert "paused" in why(paused)
    assert "gate recorder" in why(back)
    assert "not full" in why(drawn)
    assert "has not been there for 1 h" in why(recent)
    assert "mains is away" in why(away)


# A test is no outage


def heard(state: SiteState, *readings: Reading) -> SiteState:
    for each in readings:
        state = fold(SITE, state, ReadingTaken(each.at, each))
    return state


def in_test() -> SiteState:
    return fold(SITE, steady(), SelfTestBegan(NOW, "cabinet", NOW + 360.0))


@pytest.mark.parametrize("alarms", [frozenset(), frozenset({Alarm.TEST_IN_PROGRESS})])
def test_test_on_battery_is_no_outage(alarms: frozenset[Alarm]) -> None:
    """Invariant 1, also where the unit raises no alarm TestInProgress, far beyond its flicker."""
    readings = [on_battery(NOW + s, s, alarms=alarms) for s in range(10, 120, 10)]
    state = heard(in_test(), *readings)

    assert state.outage_at is None
    assert state.units["cabinet"].supply is Supply.MAINS
    assert abort_reason(state, "cabinet") == ""


def test_reading_of_the_test_that_comes_after_its_end_is_no_outage() -> None:
    """A unit that is polled each ten seconds is heard last in mid-test."""
    state = heard(in_test(), on_battery(NOW + 10.0, 10.0), on_battery(NOW + 20.0, 20.0))
    state = fold(SITE, state, SelfTestEnded(NOW + 25.0, "cabinet", "passed", ""))
    state = heard(state, on_battery(NOW + 30.0, 29.0), reading(NOW + 40.0))

    assert state.outage_at is None
    assert state.units["cabinet"].supply is Supply.MAINS


@pytest.mark.parametrize(
    "more", [{"line_bads": 4}, {"alarms": frozenset({Alarm.INPUT_BAD})}], ids=["counted", "alarm"]
)
def test_mains_that_fails_in_a_test_is_an_outage(more: dict[str, Any]) -> None:
    """The test must not hide what it looks like."""
    state = heard(in_test(), *(on_battery(NOW + s, s, **more) for s in (10.0, 20.0, 30.0)))

    assert state.outage_at is not None
    assert abort_reason(state, "cabinet") == "mains has failed"


def test_low_battery_in_a_test_is_an_outage_and_aborts_it() -> None:
    """The hard floor: what the battery says of itself beats what was asked of it."""
    low = {"battery_status": BatteryStatus.LOW}
    state = heard(in_test(), on_battery(NOW + 10.0, 10.0, **low))
    assert "low" in abort_reason(state, "cabinet")

    state = heard(state, *(on_battery(NOW + s, s, **low) for s in (20.0, 30.0)))
    assert state.outage_at is not None


def test_test_without_end_is_an_outage() -> None:
    """A unit that never goes back to mains is on battery, whatever it calls that."""
    readings = [on_battery(NOW + s, float(s)) for s in range(340, 400, 10)]

    assert heard(in_test(), *readings).outage_at is not None
