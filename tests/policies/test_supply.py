"""What readings mean: an outage is corroborated, and nothing else is an outage."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from policies.model import (
    Alarm,
    Battery,
    BatteryStatus,
    OutputSource,
    Reading,
    RunPoint,
    Unit,
    WhenLost,
)
from policies.runtime import LoadStep
from policies.supply import (
    Supply,
    UnitState,
    belief_of,
    is_lost_for_good,
    judge,
    load_of,
    poll_pace_s,
    silent,
)
from tests.policies.sites import CABINET, on_battery, on_mains


def judged(*readings: Reading, unit: Unit = CABINET, before: UnitState | None = None) -> UnitState:
    state = UnitState() if before is None else before
    for reading in readings:
        state = judge(unit, state, reading, listed_w=80.0)
    return state


def test_outage_counts_once_it_outlasts_the_flicker_time() -> None:
    """A blink of the lights must not stop a desk PC; an outage must."""
    short = judged(on_mains(0), on_battery(11, 10), on_battery(12, 10))
    assert short.supply is Supply.MAINS
    long = judged(on_battery(20.5, 10), before=short)
    assert long.supply is Supply.BATTERY
    assert long.on_battery_at == 10


def test_one_odd_reading_is_no_outage_even_without_flicker_time() -> None:
    """A single garbled poll must never cost recording time (DESIGN: invariant 1)."""
    unit = replace(CABINET, flicker_s=0.0)
    state = judged(on_mains(0), on_battery(10, 9), on_mains(20), on_battery(30, 29), unit=unit)

    assert state.supply is Supply.MAINS
    assert judged(on_battery(30.1, 29), unit=unit, before=state).supply is Supply.BATTERY


def test_one_odd_reading_does_not_end_an_outage() -> None:
    """The outage's own timer survives a poll that says mains by mistake."""
    state = judged(on_mains(0), *(on_battery(t, 10) for t in (11, 12, 25)), on_mains(27))
    assert state.supply is Supply.BATTERY
    assert judged(on_battery(29, 10), before=state).on_battery_at == 10
    assert judged(on_mains(29), before=state).supply is Supply.MAINS


def test_self_test_on_battery_is_no_outage() -> None:
    """A unit tests its battery monthly; the site must not shut down for it (RFC 1628 §4.6, 24)."""
    test = frozenset({Alarm.ON_BATTERY, Alarm.TEST_IN_PROGRESS})
    state = judged(on_mains(0), *(on_battery(t, 10, alarms=test) for t in (11, 12, 40, 60)))

    assert state.supply is Supply.MAINS
    assert "self-test" in state.why


def test_self_test_that_empties_the_battery_is_acted_on() -> None:
    """Suppressing outages during a test keeps a hard floor."""
    test = frozenset({Alarm.ON_BATTERY, Alarm.TEST_IN_PROGRESS})
    low = [
        on_battery(t, 10, alarms=test, battery_status=BatteryStatus.LOW) for t in (40.0, 41.0, 42.0)
    ]
    assert judged(on_mains(0), *low).supply is Supply.BATTERY


def test_second_numbering_of_the_rfc_is_seen_through() -> None:
    """A unit built from the compliance text says bypass(4) on battery; its seconds and alarm tell.

    RFC 1628 prints battery(5) in upsOutputSource and battery(4) in its compliance statements.
    """
    odd = [on_battery(t, 10, output_source=OutputSource.BYPASS) for t in (11, 12, 25)]

    assert judged(on_mains(0), *odd).supply is Supply.BATTERY


def test_seconds_without_alarm_or_source_are_not_enough() -> None:
    """A counter that is stuck must not stop a site for ever."""
    stuck = [on_mains(t, on_battery_s=40.0) for t in (0.0, 10.0, 20.0)]

    assert judged(*stuck).supply is Supply.MAINS


def test_unit_with_contacts_only_is_understood() -> None:
    """Subset compliance needs no more than seconds, status and the alarm."""
    bare = replace(on_mains(0), output_source=None, charge=None, runtime_s=None, output_w=None)
    failed = [replace(on_battery(t, 10), output_source=None) for t in (11, 12, 25)]

    assert judged(bare).supply is Supply.MAINS
    assert judged(bare, *failed).supply is Supply.BATTERY


def test_low_needs_two_readings_a_second_apart() -> None:
    """A tired battery dips at transfer; one reading of it must not stop everything."""
    first = [on_battery(t, 10) for t in (11, 12, 25)]
    dip = on_battery(27, 10, battery_status=BatteryStatus.LOW)
    state = judged(on_mains(0), *first, dip)
    assert not state.is_low

    assert not judged(on_battery(29, 10), before=state).is_low
    again = replace(dip, at=28.0)
    assert judged(again, before=state).is_low


def test_low_on_mains_is_no_outage_but_no_protection_either() -> None:
    """depleted(4) can be true on mains: it means that the next outage is not carried."""
    state = judged(*(on_mains(t, battery_status=BatteryStatus.DEPLETED) for t in (0.0, 10.0)))

    assert state.supply is Supply.UNPROTECTED
    assert not state.is_low


@pytest.mark.parametrize(
    "alarm", [Alarm.BATTERY_BAD, Alarm.ON_BYPASS, Alarm.CHARGER_FAILED, Alarm.DEPLETED_BATTERY]
)
def test_a_battery_that_cannot_help_is_said(alarm: Alarm) -> None:
    """Mains without a battery behind it looks well until the day it is needed."""
    state = judged(on_mains(0, alarms=frozenset({alarm})))

    assert state.supply is Supply.UNPROTECTED
    assert alarm.value in state.why


def test_card_that_lost_its_unit_is_never_all_well() -> None:
    """upsAlarmCommunicationsLost: what the card serves is stale."""
    lost = frozenset({Alarm.COMMUNICATIONS_LOST})

    assert judged(on_mains(0), on_mains(10, alarms=lost)).supply is Supply.UNKNOWN


def test_what_was_counted_before_a_long_gap_does_not_count_after_it() -> None:
    """The agent's box was off for an hour: one reading now must not confirm one of then."""
    low: dict[str, Any] = {"battery_status": BatteryStatus.LOW}
    overload: dict[str, Any] = {
        "alarms": frozenset({Alarm.OUTPUT_OVERLOAD, Alarm.SHUTDOWN_PENDING})
    }
    dip = judged(*(on_battery(t, 10, **low) for t in (25.0, 25.5)))
    loaded = judged(*(on_mains(t, **overload) for t in (0.0, 10.0)))

    assert not judged(on_battery(3625, 3600, **low), before=dip).is_low
    again = judged(on_mains(3610, **overload), before=loaded)
    assert (again.overload_at, again.countdown_signs, again.mains_at) == (3610.0, 1, 3610.0)


def test_slow_polling_is_no_gap() -> None:
    """Polled every five minutes, the slowest that a file may say, mains is steady all the same."""
    assert judged(*(on_mains(300.0 * i) for i in range(5))).mains_at == 0.0


def test_silence_on_mains_becomes_unknown_after_its_time() -> None:
    """A cable pulled is an alarm, not an outage, and not all well either."""
    state = judged(on_mains(0))
    assert silent(CABINET, state, at=20.0).supply is Supply.MAINS
    assert silent(CABINET, state, at=31.0).supply is Supply.UNKNOWN


def test_silence_on_battery_carries_the_belief_forward() -> None:
    """The battery goes on emptying while nobody can ask the unit."""
    state = judged(on_mains(0), *(on_battery(t, 10) for t in (11, 12, 25)))
    lost = silent(CABINET, state, at=60.0)

    assert lost.supply is Supply.BATTERY
    now = belief_of(CABINET, lost, 60.0)
    later = belief_of(CABINET, lost, 1260.0)
    assert later.drawn.total_wh > now.drawn.total_wh + 30.0


def test_unit_lost_for_good_is_acted_on_where_the_file_says_so() -> None:
    """Each unit's owner chooses: alarm only, or stop after a time."""
    state = silent(CABINET, judged(on_mains(0)), at=40.0)
    wary = replace(CABINET, when_lost_on_mains=WhenLost.STOP, lost_stop_after_s=60.0)

    assert not is_lost_for_good(CABINET, state, 1000.0)
    assert not is_lost_for_good(wary, state, 90.0)
    assert is_lost_for_good(wary, state, 101.0)


def test_outage_that_began_before_the_agent_is_counted_from_its_start() -> None:
    """UpsSecondsOnBattery dates the outage, and what it has cost."""
    state = judged(*(on_battery(t, t - 1200 if t == 5 else 5 - 1200) for t in (5.0, 6.0)))

    assert state.supply is Supply.BATTERY
    assert state.on_battery_at == 5 - 1200
    assert state.drawn.total_wh == pytest.approx((100 / 0.86 + 14) * 1200 / 3600, rel=0.01)


def test_load_is_measured_where_that_can_be_believed() -> None:
    """Watts, else percent of the rating, else what the file lists."""
    reading = on_mains(0)
    assert load_of(CABINET, reading, listed_w=80.0) == 100.0
    share = replace(reading, output_w=None, load_share=0.2)
    assert load_of(CABINET, share, listed_w=80.0) == 140.0
    odd = replace(reading, doubts={"output_w": "zero although devices run"})
    assert load_of(CABINET, odd, listed_w=80.0) == 80.0


def test_first_sign_is_confirmed_at_once_and_battery_polled_faster() -> None:
    """An outage is polled faster than mains, and its first sign fastest."""
    pace = {"on_mains_s": 10.0, "on_battery_s": 2.0}
    quick = replace(CABINET, flicker_s=0.0)
    sign = judged(on_mains(0), on_battery(11, 10))

    assert poll_pace_s(CABINET, judged(on_mains(0)), **pace) == 10.0
    assert poll_pace_s(CABINET, sign, **pace) == 1.0
    assert poll_pace_s(quick, sign, **pace) == 0.0
    outage = judged(on_battery(12, 10), on_battery(25, 10), before=sign)
    assert poll_pace_s(CABINET, outage, **pace) == 2.0


def test_stuck_zero_charge_of_a_healthy_battery_is_not_believed() -> None:
    """Some units report 0 % for ever while their battery status is normal."""
    state = judged(on_mains(0, charge=0.0, runtime_s=None))

    assert belief_of(CABINET, state, 0.0).charge is None


def test_unit_that_never_answered_is_lost_after_its_time_not_at_the_first_miss() -> None:
    """The first poll after a start may be missed; that is no alarm yet."""
    first = silent(CABINET, UnitState(), at=5000.0)
    assert first.lost_at is None

    assert silent(CABINET, first, at=5031.0).lost_at == 5031.0


def test_one_odd_reading_of_the_gauges_does_not_shorten_what_is_believed() -> None:
    """One garbled poll stopped every recorder of a battery that had an hour left."""
    well = judged(on_mains(0), *(shown(at, 0.9, 3600.0) for at in (11, 12, 25)))
    lasts_s = ends_s(well, at=30.0)
    odd = shown(30, 0.1, 60.0)

    after = judged(odd, before=well)
    assert ends_s(after, at=30.0) >= lasts_s - 5.0
    assert ends_s(judged(replace(odd, at=35.0), before=after), at=35.0) < 60.0


def test_gauges_that_were_silent_for_a_while_are_believed_at_once() -> None:
    """What fell while nobody heard it did not fall at once."""
    well = judged(on_mains(0), *(shown(at, 0.9, 3600.0) for at in (11, 12, 25)))

    assert ends_s(judged(shown(95, 0.1, 60.0), before=well), at=95.0) < 60.0


def shown(at: float, charge: float, runtime_s: float) -> Reading:
    """A reading on battery with both gauges."""
    return on_battery(at, 10, charge=charge, runtime_s=runtime_s)


def ends_s(state: UnitState, *, at: float) -> float:
    """The lower bound at the present load, in s."""
    belief = belief_of(CABINET, state, at)
    return belief.end_after_s([LoadStep(0.0, state.load_w)], belief.bound_quantile)


def test_gauges_that_stand_still_on_battery_are_marked() -> None:
    """A unit that shows 100 % and 60 minutes for ever is not trusted alone."""
    stuck = [on_battery(10.0 + 60 * i, 10, charge=1.0, runtime_s=3600.0) for i in range(1, 20)]
    state = judged(on_mains(0), *stuck)
    assert state.reading is not None
    assert set(state.reading.doubts) == {"charge", "runtime_s"}

    moving = [on_battery(10.0 + 60 * i, 10, charge=1 - i / 50) for i in range(1, 20)]
    state = judged(on_mains(0), *moving)
    assert state.reading is not None
    assert not state.reading.doubts


def test_gauges_that_stand_still_on_mains_are_in_order() -> None:
    """A full battery on mains shows the same for years."""
    state = judged(*(on_mains(3600.0 * i) for i in range(100)))

    assert state.reading is not None
    assert not state.reading.doubts


def test_battery_known_by_its_runtimes_alone_holds_what_they_imply() -> None:
    """A charge of 50 % must mean half of it, not half of nothing."""
    table = (RunPoint(20.0, 5 * 3600.0), RunPoint(200.0, 1800.0))
    unit = replace(CABINET, battery=Battery(table=table))
    state = judge(unit, UnitState(), on_mains(0, charge=0.5, runtime_s=None), listed_w=80.0)

    assert 50.0 < state.drawn.total_wh < 120.0


def test_outage_is_over_if_mains_is_the_first_thing_heard_after_a_long_gap() -> None:
    """A card silent for an hour, then mains: what runs again must not be stopped once more."""
    before = judged(*(on_battery(100.0 + s, 100.0) for s in (1.0, 2.0, 12.0)))
    after = judged(on_mains(4000.0), before=before)

    assert before.on_battery_at == 100.0
    assert (after.supply, after.on_battery_at, after.mains_at) == (Supply.MAINS, None, 4000.0)


def test_outage_goes_on_if_anything_else_is_heard_after_a_long_gap() -> None:
    """Nobody heard mains return, so it is still the same outage."""
    before = judged(*(on_battery(100.0 + s, 100.0) for s in (1.0, 2.0, 12.0)))
    lost_touch = on_mains(4000.0, alarms=frozenset({Alarm.COMMUNICATIONS_LOST}), output_source=None)

    for reading in (on_battery(4000.0, 100.0), replace(lost_touch, on_battery_s=None)):
        after = judged(reading, before=before)
        assert (after.supply, after.on_battery_at) == (Supply.BATTERY, 100.0)
