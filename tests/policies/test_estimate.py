"""The estimate of one battery through its discharges: what may be learnt is, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from policies.draws import prior
from policies.estimate import (
    REST_S,
    Estimate,
    Origin,
    begun,
    belief_from,
    energy_wh_band,
    heard,
)
from policies.model import Reading
from policies.runtime import Cells, Inverter, LoadStep, Wells, ends_after_s
from policies.supply import UnitState, judge
from tests.policies.discharges import (
    CELLS,
    INVERTER,
    UNIT,
    Telling,
    Truth,
    holding,
    honest,
    on_mains,
    states,
)

PRIOR = Origin(prior(UNIT, 2000, np.random.default_rng(7)), 0, "prior")


def after(
    truth: Truth, share: float, *, every_s: float = 10.0, telling: Telling = honest
) -> tuple[Estimate, UnitState]:
    """The estimate after that share of a whole discharge."""
    until_s = share * truth.left_s(truth.began_at)
    estimate: Estimate | None = None
    last: UnitState | None = None
    for last in states(truth, until_s=until_s, every_s=every_s, telling=telling):
        fresh = estimate is None
        estimate = begun(UNIT, PRIOR, last) if fresh else heard(_known(estimate), UNIT, last)
    assert estimate is not None and last is not None
    return estimate, last


def _known(estimate: Estimate | None) -> Estimate:
    assert estimate is not None
    return estimate


def ends(estimate: Estimate, quantile: float, *, load_w: float = 200.0) -> float:
    belief = belief_from(estimate, UNIT, now=estimate.heard_at)
    return belief.end_after_s([LoadStep(0.0, load_w)], quantile)


@pytest.mark.parametrize("factor", [0.65, 1.0, 1.5])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9])
def test_bound_lies_below_the_truth(factor: float, share: float) -> None:
    """A battery of two thirds or of half as much again: at no time is its end promised too late."""
    truth = Truth(cells=holding(factor))
    estimate, _ = after(truth, share)

    assert 0.0 < ends(estimate, 0.01) < truth.left_s(estimate.heard_at)


def test_an_outage_sharpens_what_is_believed() -> None:
    """Half a discharge with good gauges, and the median is within a tenth of the truth."""
    truth = Truth(cells=holding(1.4))
    early, _ = after(truth, 0.02)
    late, _ = after(truth, 0.6)

    assert ends(early, 0.5) < 0.95 * truth.left_s(early.heard_at)
    assert ends(late, 0.5) == pytest.approx(truth.left_s(late.heard_at), rel=0.15)
    width = [ends(e, 0.95) / ends(e, 0.05) for e in (early, late)]
    assert width[1] < 0.75 * width[0]


def test_bound_is_the_quantile_of_the_closed_form() -> None:
    """Each guess, ended by the scalar model through a staged plan; the bound is their quantile."""
    estimate, _ = after(Truth(), 0.3)
    steps = [LoadStep(0.0, 200.0), LoadStep(120.0, 140.0), LoadStep(500.0, 60.0)]
    particles = estimate.particles
    draws, wells = particles.draws, particles.wells
    alone = [
        ends_after_s(
            Cells(draws.energy_wh[i], draws.available_share[i], draws.flow_per_h[i]),
            Wells(wells.available_wh[i], wells.bound_wh[i]),
            Inverter(draws.efficiency[i], draws.own_draw_w[i]),
            steps,
        )
        for i in range(len(draws))
    ]

    belief = belief_from(estimate, UNIT, now=estimate.heard_at)
    for quantile in (0.01, 0.05, 0.5):
        expected = np.quantile(alone, quantile, weights=particles.weight, method="inverted_cdf")
        assert belief.end_after_s(steps, quantile) == pytest.approx(float(expected), rel=1e-6)


def boasting(reading: Reading) -> Reading:
    return replace(reading, runtime_s=10.0 * (reading.runtime_s or 0.0), charge=None)


def stuck(reading: Reading) -> Reading:
    return replace(reading, runtime_s=5400.0, charge=0.97, battery_v=None)


def silent(reading: Reading) -> Reading:
    return replace(reading, runtime_s=None, charge=None, battery_v=None)


@pytest.mark.parametrize("telling", [boasting, stuck, silent])
@pytest.mark.parametrize("factor", [0.65, 1.0])
def test_gauges_that_lie_do_not_lengthen_the_bound(telling: Telling, factor: float) -> None:
    """Ten times the minutes, gauges that hang, or none: the recorder is stopped in time."""
    truth = Truth(cells=holding(factor))
    for share in (0.05, 0.5, 0.9):
        estimate, _ = after(truth, share, telling=telling)
        assert ends(estimate, 0.01) < truth.left_s(estimate.heard_at)


def test_a_battery_that_collapses_takes_the_bound_with_it() -> None:
    """From the middle on the minutes lose seven at a time: a cell has gone."""
    truth = Truth(load_w=100.0)
    half_at = truth.began_at + 0.4 * truth.left_s(truth.began_at)
    left_s = truth.left_s(half_at)

    def collapsing(reading: Reading) -> Reading:
        if reading.at <= half_at:
            return reading
        shown_s = max(0.0, left_s - 7.0 * (reading.at - half_at))
        return replace(reading, runtime_s=60.0 * (shown_s // 60.0), charge=None, battery_v=None)

    lasting_s = half_at - truth.began_at + 0.6 * left_s / 7.0
    share = lasting_s / truth.left_s(truth.began_at)
    estimate, state = after(truth, share, telling=collapsing)

    truly_s = left_s / 7.0 - (estimate.heard_at - half_at)
    assert state.reading is not None
    for quantile in (0.01, 0.5):
        assert ends(estimate, quantile, load_w=100.0) <= 1.05 * truly_s


def returned(estimate: Estimate, state: UnitState, mains_s: float) -> tuple[Estimate, UnitState]:
    """Mains comes back for so long, and fails again."""
    at = estimate.heard_at + 5.0
    for moment in (at, at + 5.0, at + mains_s):
        state = judge(UNIT, state, on_mains(moment), listed_w=0.0)
        estimate = heard(estimate, UNIT, state)
    again = Truth(began_at=at + mains_s + 1.0).reading(at + mains_s + 3.0)
    state = judge(UNIT, state, replace(again, charge=None, runtime_s=None), listed_w=0.0)
    return heard(estimate, UNIT, state), state


def test_mains_for_a_moment_charges_nothing() -> None:
    """A blink in the middle of an outage must not give back what is gone."""
    estimate, state = after(Truth(), 0.5)
    before_s = ends(estimate, 0.05)

    estimate, _ = returned(estimate, state, 0.25 * REST_S)

    assert ends(estimate, 0.05) < 1.35 * before_s  # rest lets the bound well flow, no more


def test_mains_for_a_day_charges_and_what_was_learnt_stays() -> None:
    """The next outage begins with the battery that the last one showed."""
    truth = Truth(cells=holding(1.4))
    estimate, state = after(truth, 0.8)
    estimate, _ = returned(estimate, state, 86400.0)

    assert ends(estimate, 0.5) > 1.15 * Truth().left_s(100.0)
    assert energy_wh_band(estimate).median_wh > 1.1 * CELLS.energy_wh


def test_energy_band_holds_the_truth() -> None:
    """What the battery's health is told by."""
    estimate, _ = after(Truth(cells=holding(1.2)), 0.9)
    band = energy_wh_band(estimate)

    assert band.lower_wh < 1.2 * CELLS.energy_wh < band.upper_wh
    assert band.lower_wh < band.median_wh < band.upper_wh


def test_a_gap_is_bridged_by_our_account() -> None:
    """Killed for minutes: what was drawn meanwhile is missing all the same."""
    truth = Truth()
    whole, state = after(truth, 0.6)
    early, _ = after(truth, 0.4)

    found = heard(early, UNIT, state)

    assert found.heard_at == whole.heard_at
    missing = [
        float(np.median(e.particles.missing.available_wh + e.particles.missing.bound_wh))
        for e in (found, whole)
    ]
    assert missing[0] == pytest.approx(missing[1], rel=0.03)


def test_an_outage_that_began_while_nobody_looked_counts_from_its_beginning() -> None:
    """Restarted ten minutes into it, with an estimate of the day before."""
    estimate, state = after(Truth(), 0.3)
    mains_at = estimate.heard_at + 5.0
    for at in (mains_at, mains_at + 5.0):
        state = judge(UNIT, state, on_mains(at), listed_w=0.0)
        estimate = heard(estimate, UNIT, state)
    later = Truth(began_at=mains_at + 86400.0)
    state = judge(UNIT, state, later.reading(later.began_at + 600.0), listed_w=0.0)

    found = heard(estimate, UNIT, state)

    drawn_wh = INVERTER.drawn_w(200.0) * 600.0 / 3600.0
    missing = found.particles.missing
    assert np.median(missing.available_wh + missing.bound_wh) > 0.9 * drawn_wh


def test_an_outage_under_way_is_met_as_far_as_it_has_come() -> None:
    """The agent comes up twenty minutes into an outage and knows nothing but the unit's count."""
    truth = Truth()
    state = judge(UNIT, UnitState(), truth.reading(truth.began_at + 600.0), listed_w=0.0)

    estimate = begun(UNIT, PRIOR, state)

    assert ends(estimate, 0.5) == pytest.approx(truth.left_s(truth.began_at + 600.0), rel=0.15)


def test_between_readings_the_clock_runs() -> None:
    """A unit that falls silent is believed less with every second."""
    estimate, _ = after(Truth(), 0.3)
    later = belief_from(estimate, UNIT, now=estimate.heard_at + 60.0)

    expected = ends(estimate, 0.05) - 60.0
    assert later.end_after_s([LoadStep(0.0, 200.0)], 0.05) == pytest.approx(expected, abs=1e-6)


def test_two_full_runs_make_the_bolder_bound_one_to_act_on() -> None:
    """1 % until two full runs are known, then 5 %."""
    assert replace(PRIOR, full_runs=1).bound_quantile == 0.01
    assert replace(PRIOR, full_runs=2).bound_quantile == 0.05
