"""What the readings of one backup unit mean: mains, battery, unprotected or unknown, and why.

One reading never decides. Battery is believed when upsOutputSource says so, or when
upsSecondsOnBattery and the OnBattery alarm agree (RFC 1628 prints two numberings of
upsOutputSource, so it is corroborated); it counts as an outage once it lasts the flicker time. Low
counts only on battery and on a second reading, since a tired battery dips at transfer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from policies.battery import BatteryHistory, Discharge, Mark, as_fitted
from policies.belief import (
    Drawn,
    SimpleBelief,
    discharged,
    from_charge,
    full_energy_wh,
    recharged,
    simple_belief,
)
from policies.collapse import Collapse
from policies.model import Alarm, BatteryStatus, OutputSource, Reading, Unit, WhenLost
from policies.seen import FULL, Seen, believable_charge, block_v
from policies.unit_state import FoundLoad, Supply, UnitState

__all__ = ["FoundLoad", "Supply", "UnitState"]  # beside what is defined here

LOW_CONFIRM_S = 1.0
"""Least time between the two readings that make "low" believed."""

OVERLOAD_SUSTAINED_S = 30.0

_MAY_STICK = ("charge", "runtime_s")
_STUCK_SHARE = 0.10  # of the battery, drawn while a gauge shows the same

_SUDDEN_SHARE, _SUDDEN_S = 0.5, 60.0
"""A gauge that fell below that share of what it showed so shortly before fell at once."""

FOR_A_MOMENT = "on battery for a moment; not an outage until that lasts"
ONE_SAYS_MAINS = "one reading says mains; a second must say so too"
SILENT_ON_BATTERY = "it was on battery when it was last heard, and is silent since"
SELF_TEST = "its battery self-test is running; that is no outage"
"""Why a judgement is what it is; journals hold these words, and are told by them."""

GAP_S = 600.0
"""Readings further apart are not consecutive; twice the slowest pace of polling."""


def load_of(unit: Unit, reading: Reading | None, *, listed_w: float) -> float:
    """Return what the unit carries, in W: measured where that can be believed, else as listed."""
    if reading is not None:
        for measured in (reading.trusted("output_w"), _load_from_share(unit, reading)):
            if measured is not None and measured > 0.0:
                return measured
    return listed_w


def _load_from_share(unit: Unit, reading: Reading) -> float | None:
    share = reading.trusted("load_share")
    return None if share is None else share * unit.rating_w


def judge(unit: Unit, before: UnitState, reading: Reading, *, listed_w: float) -> UnitState:
    """Return what is known of the unit after one more reading.

    Args:
        unit: as the file has it.
        before: what was known; a reading no newer than its last changes nothing.
        reading: the new one.
        listed_w: what the file says of the devices now on, in W, for units that measure nothing.
    """
    if before.heard_at is not None and reading.at < before.heard_at:
        return before
    unit = as_fitted(unit, before.battery, reading.at)
    load_w = load_of(unit, reading, listed_w=listed_w)
    drawn = _account(unit, before, reading, load_w)
    if before.heard_at is not None and reading.at - before.heard_at > GAP_S:
        before = _after_gap(before, reading)
    shown = _shown(before, reading, drawn)
    state = replace(
        before,
        reading=_with_stuck(unit, _with_sudden(before.reading, reading), drawn, shown),
        shown=shown,
        heard_at=reading.at,
        silent_at=None,
        lost_at=None,
        load_w=load_w,
        drawn=drawn,
    )
    state = _count_signs(state, reading)
    state = _with_discharge(before, _conclude(unit, before, state, reading), reading)
    return _with_collapse(unit, state, reading)


def renewed(unit: Unit, state: UnitState, history: BatteryHistory) -> UnitState:
    """Return what is known of a unit that was given another battery.

    What is missing starts anew from what the unit says of it, as at first sight; but what is
    being drawn now is drawn from the battery that is there.
    """
    state = replace(state, battery=history)
    if state.on_battery_at is not None or state.sign_at is not None:
        return state
    charge = None if state.reading is None else believable_charge(state.reading)
    drawn = Drawn() if charge is None else from_charge(unit, charge)
    return replace(state, drawn=drawn, shown={})


def _with_discharge(before: UnitState, state: UnitState, reading: Reading) -> UnitState:
    """Follow a discharge; it is over with mains, and once the battery is empty."""
    course = before.battery.discharge
    if state.sign_at is not None:
        charge = None if state.reading is None else state.reading.trusted("charge")
        mark = Mark(reading.at, charge, state.drawn)
        was_discharging = before.sign_at is not None or before.on_battery_at is not None
        if reading.battery_status is BatteryStatus.DEPLETED:
            course = None
        elif course is not None:
            course = replace(course, last=mark)
        elif not was_discharging and before.reading is not None:
            at_first = before.reading.trusted("charge")
            course = Discharge(Mark(reading.at, at_first, before.drawn), mark)
    elif state.on_battery_at is None:
        course = None
    if course is before.battery.discharge:
        return state
    return replace(state, battery=replace(state.battery, discharge=course))


def _with_collapse(unit: Unit, state: UnitState, reading: Reading) -> UnitState:
    """Watch the gauges for a fall faster than the clock, while the battery is in use."""
    began_at = state.sign_at if state.on_battery_at is None else state.on_battery_at
    if began_at is None:
        return state if state.collapse == Collapse() else replace(state, collapse=Collapse())
    judged = state.reading
    if state.sign_at is None or judged is None:
        return state
    charge = believable_charge(judged)
    seen = Seen(
        load_w=state.load_w,
        charge=None if charge is None or charge >= FULL else charge,
        runtime_s=judged.trusted("runtime_s"),
        block_v=block_v(unit, judged),
    )
    lasting_s = reading.at - began_at
    collapse = state.collapse.seeing(unit, seen, at=reading.at, lasting_s=lasting_s)
    return replace(state, collapse=collapse)


def _shown(before: UnitState, reading: Reading, drawn: Drawn) -> dict[str, tuple[float, float]]:
    """What each gauge shows, and since which state of our account it has shown just that."""
    shown: dict[str, tuple[float, float]] = {}
    for name in _MAY_STICK:
        value = reading.trusted(name)
        if value is None:
            continue
        last = before.shown.get(name)
        moves = last is None or last[0] != value or not shows_battery(reading)
        shown[name] = (value, drawn.total_wh) if moves or last is None else last
    return shown


def _with_sudden(before: Reading | None, reading: Reading) -> Reading:
    """The reading, with a doubt about each gauge that fell at once: a second one must say so too.

    What is stopped because one reading was odd stays stopped until mains is back.
    """
    if before is None or reading.at - before.at > _SUDDEN_S:
        return reading
    doubts = dict(reading.doubts)
    for name in _MAY_STICK:
        value, last = reading.trusted(name), getattr(before, name)
        if value is not None and last is not None and value < _SUDDEN_SHARE * last:
            doubts[name] = "it fell at once; a second reading must say so too"
    return reading if len(doubts) == len(reading.doubts) else replace(reading, doubts=doubts)


def _with_stuck(
    unit: Unit, reading: Reading, drawn: Drawn, shown: Mapping[str, tuple[float, float]]
) -> Reading:
    """The reading, with a doubt about each gauge that stands still while the battery empties."""
    doubts = dict(reading.doubts)
    for name, (_, missing_wh) in shown.items():
        if drawn.total_wh - missing_wh > _STUCK_SHARE * full_energy_wh(unit):
            doubts[name] = "it stands still while the battery empties"
    return reading if len(doubts) == len(reading.doubts) else replace(reading, doubts=doubts)


def _after_gap(before: UnitState, reading: Reading) -> UnitState:
    """What was counted over consecutive readings begins anew: nobody heard what came between.

    An outage is over if the first thing heard after it is mains. Else all that runs again would be
    stopped until a second reading says so too, since our account of the battery says empty.
    """
    before = replace(
        before,
        sign_at=None,
        signs=0,
        mains_signs=0,
        mains_at=None,
        low_sign_at=None,
        is_low=False,
        countdown_signs=0,
        overload_at=None,
    )
    if before.is_on_battery and _shows_mains(reading):
        return replace(before, supply=Supply.UNKNOWN, on_battery_at=None)
    return before


def silent(unit: Unit, before: UnitState, *, at: float) -> UnitState:
    """Return what is known after a poll without an answer at site time *at*.

    On battery the judgement stays, and the belief is carried forward; on mains it becomes unknown
    once the unit has been silent for its `lost_after_s`.
    """
    if before.silent_at is None:
        before = replace(before, silent_at=at)
    heard_at = before.silent_at if before.heard_at is None else before.heard_at
    assert heard_at is not None
    if at - heard_at < unit.lost_after_s or before.lost_at is not None:
        return before
    lost = replace(before, lost_at=at, sign_at=None, signs=0, mains_signs=0)
    if before.is_on_battery:
        if before.is_low:  # it was the end: nothing more is to be learnt of this discharge
            lost = replace(lost, battery=replace(lost.battery, discharge=None))
        return replace(lost, why=SILENT_ON_BATTERY)
    return replace(lost, supply=Supply.UNKNOWN, since_at=at, why="it does not answer")


def belief_of(unit: Unit, state: UnitState, now: float) -> SimpleBelief:
    """Return how long the unit will last from *now* on, its last reading carried forward."""
    unit = as_fitted(unit, state.battery, now)
    aged_s = 0.0 if state.heard_at is None else max(0.0, now - state.heard_at)
    drawn, runtime_s, charge = state.drawn, None, None
    if state.reading is not None:
        runtime_s, charge = state.reading.trusted("runtime_s"), believable_charge(state.reading)
    if state.on_battery_at is not None or state.sign_at is not None:
        drawn = discharged(unit, drawn, load_w=state.load_w, stretch_s=aged_s)
        runtime_s = None if runtime_s is None else max(0.0, runtime_s - aged_s)
    belief = simple_belief(unit, drawn, load_w=state.load_w, runtime_s=runtime_s, charge=charge)
    ceiling_wh = state.collapse.says_wh(unit)
    if ceiling_wh is None:
        return belief
    drawn_w = belief.inverter.drawn_w(state.load_w)
    return replace(belief, ceiling_wh=max(0.0, ceiling_wh - drawn_w * aged_s / 3600.0))


def poll_pace_s(unit: Unit, state: UnitState, *, on_mains_s: float, on_battery_s: float) -> float:
    """Return how long to wait before the next poll, in s.

    The first sign of battery is confirmed at once where no flicker time is set, and otherwise
    within a second; a first "low" after the time that its confirmation takes.
    """
    if state.signs and not state.is_on_battery:
        if state.signs == 1 and unit.flicker_s == 0.0:
            return 0.0
        return min(1.0, on_battery_s)
    if state.low_sign_at is not None and not state.is_low:
        return min(LOW_CONFIRM_S, on_battery_s)
    if state.is_on_battery or state.lost_at is not None or state.reading is None:
        return on_battery_s
    return on_mains_s


def is_lost_for_good(unit: Unit, state: UnitState, now: float) -> bool:
    """Whether the unit has been silent so long that the file wants its loads brought to rest."""
    if state.lost_at is None:
        return False
    policy = unit.when_lost_on_battery if state.is_on_battery else unit.when_lost_on_mains
    return policy is WhenLost.STOP and now - state.lost_at >= unit.lost_stop_after_s


def _account(unit: Unit, before: UnitState, reading: Reading, load_w: float) -> Drawn:
    """Our account of the battery, brought forward to this reading."""
    if before.heard_at is None:
        # First sight: what the unit says is all there is, and an outage may be under way.
        charge = believable_charge(reading)
        drawn = Drawn() if charge is None else from_charge(unit, charge)
        since_s = reading.trusted("on_battery_s") or 0.0
        already = discharged(unit, Drawn(), load_w=load_w, stretch_s=since_s)
        return max(drawn, already, key=lambda account: account.total_wh)
    stretch_s = reading.at - before.heard_at
    if before.on_battery_at is not None or before.sign_at is not None:
        return discharged(unit, before.drawn, load_w=before.load_w, stretch_s=stretch_s)
    return recharged(unit, before.drawn, stretch_s=stretch_s)


def shows_battery(reading: Reading) -> bool:
    """Whether a reading alone says that the unit runs on its battery."""
    if reading.output_source is OutputSource.BATTERY:
        return True
    counts = (reading.trusted("on_battery_s") or 0.0) > 0.0
    return counts and Alarm.ON_BATTERY in reading.alarms


def _shows_mains(reading: Reading) -> bool:
    if reading.output_source is None:
        # A unit with two contacts only: no source, but it would count seconds or raise the alarm.
        return reading.on_battery_s == 0.0 and Alarm.ON_BATTERY not in reading.alarms
    return not shows_battery(reading) and reading.output_source in (
        OutputSource.NORMAL,
        OutputSource.BOOSTER,
        OutputSource.REDUCER,
        OutputSource.BYPASS,
    )


def _says_low(reading: Reading) -> bool:
    low = {Alarm.LOW_BATTERY, Alarm.DEPLETED_BATTERY}
    status = reading.battery_status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
    return status or bool(low & reading.alarms)


def _count_signs(state: UnitState, reading: Reading) -> UnitState:
    """Count for how long, and how often in a row, the readings have said the same."""
    battery, mains = shows_battery(reading), _shows_mains(reading)
    began_at = reading.at - (reading.trusted("on_battery_s") or 0.0)
    low = battery and _says_low(reading)
    overloaded = Alarm.OUTPUT_OVERLOAD in reading.alarms
    counting_down = Alarm.SHUTDOWN_PENDING in reading.alarms and not state.output.is_ours
    return replace(
        state,
        sign_at=(began_at if state.sign_at is None else state.sign_at) if battery else None,
        signs=state.signs + 1 if battery else 0,
        mains_signs=state.mains_signs + 1 if mains else 0,
        low_sign_at=(reading.at if state.low_sign_at is None else state.low_sign_at)
        if low
        else None,
        overload_at=(reading.at if state.overload_at is None else state.overload_at)
        if overloaded
        else None,
        countdown_signs=state.countdown_signs + 1 if counting_down else 0,
    )


def _conclude(unit: Unit, before: UnitState, state: UnitState, reading: Reading) -> UnitState:
    low_for_s = reading.at - (math.inf if state.low_sign_at is None else state.low_sign_at)
    # A reading in between may miss the low sign; once believed in an outage it stays believed.
    is_low = low_for_s >= LOW_CONFIRM_S or (before.is_low and state.sign_at is not None)
    supply, why = _judgement(unit, before, state, reading, is_low=is_low)
    changed = supply is not before.supply
    if supply is Supply.BATTERY:
        on_battery_at = before.on_battery_at if before.is_on_battery else state.sign_at
        if on_battery_at is None:
            on_battery_at = reading.at
    else:
        on_battery_at = None
    on_mains = supply.has_mains
    mains_at = (reading.at if before.mains_at is None else before.mains_at) if on_mains else None
    return replace(
        state,
        supply=supply,
        why=why,
        since_at=reading.at if changed else before.since_at,
        on_battery_at=on_battery_at,
        mains_at=mains_at,
        is_low=is_low and supply is Supply.BATTERY,
    )


def _judgement(
    unit: Unit, before: UnitState, state: UnitState, reading: Reading, *, is_low: bool
) -> tuple[Supply, str]:
    """The supply and why, from the signs counted so far."""
    if Alarm.COMMUNICATIONS_LOST in reading.alarms:
        held = Supply.BATTERY if before.is_on_battery else Supply.UNKNOWN
        return held, "its management card has lost touch with the unit itself"
    if state.sign_at is not None:
        return _on_battery(unit, before, state, reading, is_low=is_low)
    if state.mains_signs == 0:
        held = Supply.BATTERY if before.is_on_battery else Supply.UNKNOWN
        source = reading.output_source
        named = "nothing" if source is None else source.name.lower()
        return held, f"it reports {named} as the source of its output"
    if before.is_on_battery and state.mains_signs < 2:
        return Supply.BATTERY, ONE_SAYS_MAINS
    return _on_mains(reading)


def _on_battery(
    unit: Unit, before: UnitState, state: UnitState, reading: Reading, *, is_low: bool
) -> tuple[Supply, str]:
    assert state.sign_at is not None
    testing = Alarm.TEST_IN_PROGRESS in reading.alarms or _is_our_test(before, reading)
    if testing and not is_low and not before.is_on_battery:
        return before.supply, SELF_TEST
    lasting_s = reading.at - state.sign_at
    if before.is_on_battery or is_low or (state.signs >= 2 and lasting_s >= unit.flicker_s):
        return Supply.BATTERY, "mains has failed; it runs on its battery"
    return before.supply, FOR_A_MOMENT


def _is_our_test(before: UnitState, reading: Reading) -> bool:
    """Whether it tests its battery as it was told to, and nothing says that mains failed too.

    Some units raise no alarm TestInProgress. The test has its end, however it looks.
    """
    if before.testing_until_at is None or reading.at >= before.testing_until_at:
        return False
    bads, was = reading.line_bads, before.bads_before_test
    has_failed = bads is not None and was is not None and bads != was
    return not has_failed and Alarm.INPUT_BAD not in reading.alarms


def _on_mains(reading: Reading) -> tuple[Supply, str]:
    bad = {
        Alarm.ON_BYPASS: "its bypass is engaged",
        Alarm.BATTERY_BAD: "its battery needs replacing",
        Alarm.DEPLETED_BATTERY: "its battery could not carry the load",
        Alarm.CHARGER_FAILED: "its charger has failed",
        Alarm.DIAGNOSTIC_TEST_FAILED: "its last self-test failed",
    }
    if reading.output_source is OutputSource.BYPASS:
        return Supply.UNPROTECTED, bad[Alarm.ON_BYPASS]
    if reading.battery_status is BatteryStatus.DEPLETED:
        return Supply.UNPROTECTED, bad[Alarm.DEPLETED_BATTERY]
    for alarm, why in bad.items():
        if alarm in reading.alarms:
            return Supply.UNPROTECTED, f"{why} ({alarm})"
    return Supply.MAINS, "mains is there"
