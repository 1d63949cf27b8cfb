"""A battery that collapses, by the simple belief: seen by the unit's gauges, and acted on in time.

The discharges are invented: by all that is known of it the battery would last over an hour, and it
ends after fifteen minutes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from policies.model import Battery, Reading, Unit
from policies.runtime import LoadStep
from policies.supply import UnitState, belief_of, judge
from tests.policies.sites import RECORDER, SWITCH, Run, on_battery, on_mains, site_of

LOAD_W = 100.0
ENDS_S = 900.0
CABINET = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=7, age_years=2.0))

Gauge = Callable[[float], dict[str, Any]]


def minutes(share: float) -> dict[str, Any]:
    """Forty minutes that are gone in fifteen, whole as RFC 1628 has them."""
    return {"runtime_s": 60.0 * int(40.0 * (1.0 - share))}


def late_minutes(share: float) -> dict[str, Any]:
    """An honest countdown for half the time, and then a cell fails."""
    honest = 40.0 - 15.0 * share
    return {"runtime_s": 60.0 * int(honest if share < 0.5 else 32.5 * (1.0 - share) / 0.5)}


def charge(share: float) -> dict[str, Any]:
    return {"charge": round(1.0 - share, 2)}


def volts(share: float) -> dict[str, Any]:
    """Off the knee in the last third: 12.2 V a block to 10.5 V."""
    return {"battery_v": 3.0 * (12.2 - 0.6 * share - 1.1 * max(0.0, (share - 0.6) / 0.4) ** 2)}


def course(gauge: Gauge) -> list[Reading]:
    before = on_mains(0.0, output_w=LOAD_W, runtime_s=2400.0)
    return [before] + [
        on_battery(float(at), 0.0, output_w=LOAD_W, **gauge(at / ENDS_S))
        for at in range(5, int(ENDS_S), 5)
    ]


def bounds(gauge: Gauge) -> list[tuple[float, float]]:
    """The truth and the bound after each reading on battery, in s from it."""
    state, found = UnitState(), []
    for reading in course(gauge):
        state = judge(CABINET, state, reading, listed_w=LOAD_W)
        belief = belief_of(CABINET, state, reading.at)
        bound_s = belief.end_after_s([LoadStep(0.0, LOAD_W)], belief.bound_quantile)
        found.append((ENDS_S - reading.at, bound_s))
    return found[1:]


@pytest.mark.parametrize(
    ("gauge", "seen_from"),
    [(minutes, 0.25), (charge, 0.25), (late_minutes, 0.72)],
    ids=["minutes", "charge", "late minutes"],
)
def test_bound_follows_gauges_that_fall_faster_than_the_clock(
    gauge: Gauge, seen_from: float
) -> None:
    """From then on nothing is promised that the battery does not keep, but for half a minute."""
    for truth_s, bound_s in bounds(gauge):
        if truth_s <= (1.0 - seen_from) * ENDS_S:
            assert bound_s <= 1.1 * truth_s + 30.0


def test_collapse_once_seen_is_not_forgotten_at_the_next_reading() -> None:
    """A bound that jumps up and down would start stops and take them back."""
    found = [bound_s for truth_s, bound_s in bounds(charge) if 60.0 < truth_s <= 0.75 * ENDS_S]

    assert all(after <= before + 30.0 for before, after in pairwise(found))


def test_volts_that_drop_off_the_knee_shorten_the_bound() -> None:
    """They come late and say little of when; that something is wrong they do say."""
    plain, seen = bounds(lambda share: {}), bounds(volts)

    assert seen[40] == plain[40]
    assert seen[-20][1] < 0.5 * plain[-20][1]
    assert seen[-5][1] < 0.2 * plain[-5][1]


def test_without_the_gauges_the_same_battery_is_believed() -> None:
    """The check above can fail: by the file alone this battery would carry on for long."""
    truth_s, bound_s = bounds(lambda share: {})[90]

    assert bound_s > 3.0 * truth_s


@pytest.mark.parametrize("gauge", [minutes, charge, late_minutes])
def test_recorder_is_brought_to_rest_before_a_collapsing_battery_ends(gauge: Gauge) -> None:
    """Two minutes of closing files are begun while there are two minutes."""
    run = Run(site_of(SWITCH, RECORDER, units=(CABINET,)))
    told_at = None
    for reading in course(gauge):
        run.hear(reading)
        if told_at is None and "gate recorder" in run.obey():
            told_at = reading.at

    assert told_at is not None
    assert told_at + RECORDER.rest_s < ENDS_S


def test_ceiling_goes_down_while_the_unit_is_silent() -> None:
    """What was left two minutes ago is less by now."""
    state = UnitState()
    for reading in course(charge)[:100]:
        state = judge(CABINET, state, reading, listed_w=LOAD_W)
    load = [LoadStep(0.0, LOAD_W)]
    now_s = belief_of(CABINET, state, reading.at).end_after_s(load, 0.5)
    later_s = belief_of(CABINET, state, reading.at + 120.0).end_after_s(load, 0.5)

    assert now_s == pytest.approx(ENDS_S - reading.at, rel=0.1)
    assert later_s == pytest.approx(now_s - 120.0, abs=5.0)


def test_next_discharge_begins_without_the_last_ones_collapse() -> None:
    """Mains came back, the battery was charged, perhaps another was fitted."""
    state = UnitState()
    for reading in [*course(charge), on_mains(1000.0), on_mains(1010.0)]:
        state = judge(CABINET, state, reading, listed_w=LOAD_W)
    seen = replace(state, collapse=UnitState().collapse)

    assert state == seen
