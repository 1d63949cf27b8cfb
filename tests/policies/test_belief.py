"""The simple belief: never longer than what any of its sources allows."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from policies.belief import (
    Drawn,
    discharged,
    from_charge,
    full_energy_wh,
    full_runtime_s,
    recharged,
    simple_belief,
)
from policies.model import Battery, RunPoint, Unit
from policies.runtime import LoadStep, cells_of, ends_after_s, inverter_of

NOW = [LoadStep(0.0, 100.0)]
PLAIN = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=7, age_years=1))
MEASURED = Unit(
    "cabinet", 1000, 700, Battery(table=(RunPoint(20, 5 * 3600.0), RunPoint(200, 30 * 60.0)))
)


@given(st.floats(1, 600), st.floats(0.01, 0.5), st.floats(0.0, 0.99))
def test_lower_quantiles_never_promise_more(load_w: float, first: float, charge: float) -> None:
    """A surer bound that is longer would be no bound."""
    belief = simple_belief(PLAIN, Drawn(), load_w=load_w, runtime_s=1800.0, charge=charge)
    steps = [LoadStep(0.0, load_w)]

    assert belief.end_after_s(steps, first) <= belief.end_after_s(steps, 0.5) + 1e-6


def test_optimistic_minutes_of_the_unit_are_not_believed() -> None:
    """A unit that promises ten hours at a heavy load cannot talk the recorder to death."""
    silent = simple_belief(PLAIN, Drawn(), load_w=300.0)
    boasting = simple_belief(PLAIN, Drawn(), load_w=300.0, runtime_s=36000.0)

    steps = [LoadStep(0.0, 300.0)]
    assert boasting.end_after_s(steps, 0.01) == silent.end_after_s(steps, 0.01)


def test_pessimistic_minutes_of_the_unit_are_believed() -> None:
    """A tired battery shows in the unit's own minutes first."""
    belief = simple_belief(PLAIN, Drawn(), load_w=100.0, runtime_s=300.0)

    assert belief.end_after_s(NOW, 0.5) == pytest.approx(300.0, rel=1e-6)
    assert 100.0 < belief.end_after_s(NOW, 0.01) < 200.0


def test_low_charge_is_believed_over_our_own_account() -> None:
    """An outage after an outage meets a part-empty battery."""
    full = simple_belief(PLAIN, Drawn(), load_w=100.0, charge=1.0)
    half = simple_belief(PLAIN, Drawn(), load_w=100.0, charge=0.5)

    assert half.end_after_s(NOW, 0.5) < 0.55 * full.end_after_s(NOW, 0.5)


@given(st.lists(st.floats(1, 600), min_size=1, max_size=5), st.floats(10, 900))
def test_our_account_says_the_same_as_the_model(loads: list[float], stretch_s: float) -> None:
    """What is missing follows the same equations as what is there, whatever the battery holds."""
    drawn = Drawn()
    for load_w in loads:
        drawn = discharged(PLAIN, drawn, load_w=load_w, stretch_s=stretch_s)
    steps = [LoadStep(i * stretch_s, w) for i, w in enumerate([*loads, 50.0])]
    cells, inverter = cells_of(PLAIN.battery), inverter_of(PLAIN.rating_w)
    expected_s = ends_after_s(cells, cells.full(), inverter, steps)

    assume(expected_s > len(loads) * stretch_s)

    left_s = simple_belief(PLAIN, drawn, load_w=50.0).end_after_s([LoadStep(0.0, 50.0)], 0.5)
    assert left_s == pytest.approx(expected_s - len(loads) * stretch_s, rel=1e-6, abs=1e-3)


def test_charge_that_agrees_with_our_account_never_lengthens_the_runtime() -> None:
    """With a charge that fell as it should the bound grew, and recorders were told too late."""
    load_w, cells = 100.0, cells_of(PLAIN.battery)
    whole_s = full_runtime_s(PLAIN, load_w=load_w, quantile=0.5)
    for share in (0.3, 0.6, 0.9):
        drawn = discharged(PLAIN, Drawn(), load_w=load_w, stretch_s=share * whole_s)
        charge = 1.0 - drawn.total_wh / cells.energy_wh
        ends = [
            simple_belief(PLAIN, drawn, load_w=load_w, charge=said).end_after_s(
                [LoadStep(0.0, load_w)], quantile
            )
            for said in (None, charge)
            for quantile in (0.05, 0.5)
        ]
        assert all(told <= own + 1e-6 for own, told in zip(ends[:2], ends[2:], strict=True))
        assert ends[3] == pytest.approx((1.0 - share) * whole_s)


def test_account_of_a_reported_charge_leaves_that_charge() -> None:
    """At first sight the unit's charge is all that is known."""
    cells = cells_of(PLAIN.battery)

    assert from_charge(PLAIN, 0.4).total_wh == pytest.approx(0.6 * cells.energy_wh)
    assert from_charge(PLAIN, 1.2).total_wh == 0.0


def test_battery_is_nearly_full_after_a_night_on_mains() -> None:
    """Sealed lead-acid sets take 8 to 12 h to about 90 % (from memory)."""
    drawn = recharged(PLAIN, Drawn(50.0, 50.0), stretch_s=12 * 3600.0)

    assert 5.0 < drawn.total_wh < 20.0


def test_table_answers_its_own_points_and_is_acted_on_at_five_percent() -> None:
    """Two full runs are what an owner measures for: they count, and are trusted more."""
    belief = simple_belief(MEASURED, Drawn(), load_w=20.0)

    assert full_runtime_s(MEASURED, load_w=20.0, quantile=0.5) == pytest.approx(5 * 3600, rel=1e-6)
    assert full_runtime_s(MEASURED, load_w=200.0, quantile=0.5) == pytest.approx(1800, rel=1e-6)
    assert belief.bound_quantile == 0.05
    assert simple_belief(PLAIN, Drawn(), load_w=20.0).bound_quantile == 0.01


@pytest.mark.parametrize("share", [0.7, 1.0, 3.0])
def test_gauges_tell_nothing_new_of_a_measured_battery(share: float) -> None:
    """A unit's guess, off by a third, cost what two full runs had taught."""
    whole_s = full_runtime_s(MEASURED, load_w=200.0, quantile=0.5)
    drawn = discharged(MEASURED, Drawn(), load_w=200.0, stretch_s=0.25 * whole_s)
    energy_wh = full_energy_wh(MEASURED)
    charge = min(1.0, max(0.0, 1.0 - drawn.total_wh / (share * energy_wh)))
    alone = simple_belief(MEASURED, drawn, load_w=200.0)
    told = simple_belief(
        MEASURED, drawn, load_w=200.0, runtime_s=share * 0.75 * whole_s, charge=charge
    )

    steps = [LoadStep(0.0, 200.0)]
    assert told.end_after_s(steps, 0.05) == alone.end_after_s(steps, 0.05)


@pytest.mark.parametrize(("runtime_s", "charge"), [(180.0, None), (None, 0.3)])
def test_gauges_far_below_a_measured_battery_are_believed(
    runtime_s: float | None, charge: float | None
) -> None:
    """A battery that has failed since its runs, or is not full, must not cost a recorder."""
    whole_s = full_runtime_s(MEASURED, load_w=200.0, quantile=0.5)
    drawn = discharged(MEASURED, Drawn(), load_w=200.0, stretch_s=0.1 * whole_s)
    told = simple_belief(MEASURED, drawn, load_w=200.0, runtime_s=runtime_s, charge=charge)

    assert told.end_after_s([LoadStep(0.0, 200.0)], 0.05) < 0.4 * whole_s


def test_shedding_in_the_course_of_load_is_counted() -> None:
    """A plan that gives up half its load after ten minutes lasts longer than one that does not."""
    belief = simple_belief(PLAIN, Drawn(), load_w=200.0, runtime_s=3000.0)
    constant = belief.end_after_s([LoadStep(0.0, 200.0)], 0.05)
    shed = belief.end_after_s([LoadStep(0.0, 200.0), LoadStep(600.0, 50.0)], 0.05)

    assert shed > 1.5 * constant
