"""The two-well model against other people's figures, and against numeric integration."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from policies.belief import full_runtime_s
from policies.model import Battery, Chemistry, RunPoint, Unit
from policies.runtime import (
    Cells,
    Inverter,
    LoadStep,
    Wells,
    after_stretch,
    cells_of,
    empties_after_h,
    ends_after_s,
    energy_for_run_wh,
    health_at,
    temperature_factor,
)

NREL = Cells(energy_wh=108.16, available_share=0.4751, flow_per_h=0.677)
"""q_max, c and k for q20 = 100, q10 = 93, q1 = 60 Ah: the public unit test of the battery library
of the NREL System Advisor Model (ssc). The model is linear, so ampere-hours do as well."""


def _granted_for_an_hour(wells: Wells) -> float:
    """The largest current that a whole hour can be asked for, by halving."""
    low, high = 0.0, 500.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        after = after_stretch(NREL, wells, drawn_w=middle, stretch_h=1.0)
        low, high = (middle, high) if after.available_wh > 0.0 else (low, middle)
    return low


def test_hourly_currents_and_charge_are_those_of_ssc() -> None:
    """A wrong well would promise an owner minutes that the battery does not hold (ssc, to 0.1)."""
    wells = Wells(0.5 * NREL.full().available_wh, 0.5 * NREL.full().bound_wh)
    assert wells.available_wh == pytest.approx(25.6938, abs=0.001)

    charges, grants = [], []
    for asked in (1.5, 3.0, 490.0, 490.0):
        granted = min(asked, _granted_for_an_hour(wells))
        wells = after_stretch(NREL, wells, drawn_w=granted, stretch_h=1.0)
        charges.append(wells.total_wh)
        grants.append(granted)

    assert grants == pytest.approx([1.5, 3.0, 26.65, 6.25], abs=0.1)
    assert charges == pytest.approx([52.58, 49.58, 22.927, 16.67], abs=0.1)


@pytest.mark.parametrize(("hours", "amp_hours"), [(20.0, 100.0), (10.0, 93.0), (1.0, 60.0)])
def test_capacity_at_each_rate_is_that_which_ssc_was_given(hours: float, amp_hours: float) -> None:
    """A data sheet's three figures come back out of the two wells (ssc, to 0.1 Ah)."""
    amps = amp_hours / hours
    assert amps * empties_after_h(NREL, NREL.full(), drawn_w=amps) == pytest.approx(
        amp_hours, abs=0.1
    )


PHONE = Cells(energy_wh=2.0, available_share=0.625, flow_per_h=3600 * 4.5e-5 / (0.625 * 0.375))
"""Jongerden & Haverkort, "Which battery model to use?" (from memory; the arithmetic reproduces):
7200 As, c = 0.625, k = 4.5e-5 /s with k' = k / (c (1 - c))."""


def test_constant_draw_lasts_as_long_as_published() -> None:
    """0.96 A lasts 91 min (Jongerden & Haverkort, from memory)."""
    assert 60 * empties_after_h(PHONE, PHONE.full(), drawn_w=0.96) == pytest.approx(91, abs=0.5)


def test_square_wave_lasts_as_long_as_published() -> None:
    """0.96 A for half of each second lasts 203 min: rest lets the bound well flow back."""
    wells, hours = PHONE.full(), 0.0
    while wells.available_wh > 0.0:
        wells = after_stretch(PHONE, wells, drawn_w=0.96, stretch_h=0.5 / 3600)
        wells = after_stretch(PHONE, wells, drawn_w=0.0, stretch_h=0.5 / 3600)
        hours += 1.0 / 3600

    assert 60 * hours == pytest.approx(203, abs=1.0)


SOME_CELLS = st.builds(
    Cells,
    energy_wh=st.floats(20, 5000),
    available_share=st.floats(0.05, 0.95),
    flow_per_h=st.floats(0.1, 20),
)


@given(SOME_CELLS, st.floats(5, 400), st.floats(5, 400), st.floats(0.05, 2.0))
def test_closed_form_agrees_with_numeric_integration(
    cells: Cells, first_w: float, second_w: float, hours: float
) -> None:
    """The formula is the solution of its own differential equations (scipy solve_ivp, DOP853)."""
    c, k = cells.available_share, cells.flow_per_h

    def slope(drawn_w: float) -> object:
        def f(_: float, y: list[float]) -> list[float]:
            flow = k * ((1 - c) * y[0] - c * y[1])
            return [-drawn_w - flow, flow]

        return f

    wells, y = cells.full(), [cells.full().available_wh, cells.full().bound_wh]
    for drawn_w in (first_w, second_w):
        wells = after_stretch(cells, wells, drawn_w=drawn_w, stretch_h=hours)
        found = solve_ivp(slope(drawn_w), (0, hours), y, method="DOP853", rtol=1e-10, atol=1e-9)  # type: ignore[call-overload]  # scipy's stubs want a narrower callable
        y = [float(found.y[0][-1]), float(found.y[1][-1])]

    assert wells.available_wh == pytest.approx(y[0], rel=1e-6, abs=1e-5 * cells.energy_wh)
    assert wells.bound_wh == pytest.approx(y[1], rel=1e-6, abs=1e-5 * cells.energy_wh)


@given(SOME_CELLS, st.floats(1, 2000))
def test_available_well_is_empty_when_it_is_said_to_be(cells: Cells, drawn_w: float) -> None:
    """The end that is planned by is the end of the model, neither earlier nor later."""
    hours = empties_after_h(cells, cells.full(), drawn_w=drawn_w)

    after = after_stretch(cells, cells.full(), drawn_w=drawn_w, stretch_h=hours)
    assert after.available_wh == pytest.approx(0.0, abs=1e-6 * cells.energy_wh)


@given(SOME_CELLS, st.lists(st.floats(1, 500), min_size=2, max_size=6), st.floats(60, 3600))
def test_giving_up_load_never_shortens_the_runtime(
    cells: Cells, loads: list[float], step_s: float
) -> None:
    """Shedding can only help; a plan may rely on that."""
    inverter = Inverter(efficiency=0.86, own_draw_w=10.0)
    steps = [LoadStep(i * step_s, w) for i, w in enumerate(loads)]
    shed = [*steps[:-1], LoadStep(steps[-1].after_s, 0.0)]

    full = ends_after_s(cells, cells.full(), inverter, steps)
    assert ends_after_s(cells, cells.full(), inverter, shed) >= full - 1e-6


@given(SOME_CELLS, st.floats(1, 500), st.floats(300, 40000))
def test_energy_for_a_run_gives_that_run_back(cells: Cells, watts: float, lasts_s: float) -> None:
    """What an owner measured is what the belief answers at that load."""
    inverter = Inverter(efficiency=0.86, own_draw_w=10.0)
    energy_wh = energy_for_run_wh(inverter, watts=watts, lasts_s=lasts_s, like=cells)

    found = Cells(energy_wh, cells.available_share, cells.flow_per_h)
    end_s = ends_after_s(found, found.full(), inverter, [LoadStep(0.0, watts)])
    assert end_s == pytest.approx(lasts_s, rel=1e-6)


def test_nothing_drawn_lasts_for_ever() -> None:
    """No draw is no end, not a division by zero."""
    cells = Cells(100.0, 0.5, 3.0)

    assert math.isinf(empties_after_h(cells, cells.full(), drawn_w=0.0))


def test_steps_out_of_order_are_refused() -> None:
    """A plan with its steps swapped would be answered wrongly without a word."""
    cells = Cells(100.0, 0.5, 3.0)
    with pytest.raises(ValueError, match="rising time"):
        ends_after_s(cells, cells.full(), Inverter(1.0, 0.0), [LoadStep(5, 1), LoadStep(0, 2)])
    with pytest.raises(ValueError, match="rising time"):
        ends_after_s(cells, cells.full(), Inverter(1.0, 0.0), [])


@pytest.mark.parametrize(
    ("celsius", "factor"), [(15.6, 1.11), (25.0, 1.00), (4.4, 1.30), (40.0, 1.00)]
)
def test_temperature_factors_are_those_of_ieee_485(celsius: float, factor: float) -> None:
    """IEEE 485, cell size correction (from memory); heat earns no bonus, by our own choice."""
    assert temperature_factor(celsius) == pytest.approx(factor)


@given(st.floats(-3.9, 25.0))
def test_temperature_factors_follow_the_published_cubic(celsius: float) -> None:
    """A published fit of that table: -2.8117x³ + 4.1916x² - 2.4941x + 1.405 at x = °C/100."""
    x = celsius / 100.0
    cubic = -2.8117 * x**3 + 4.1916 * x**2 - 2.4941 * x + 1.405

    assert temperature_factor(celsius) == pytest.approx(cubic, abs=0.02)


def test_battery_is_at_its_end_after_four_to_five_years() -> None:
    """80 % of capacity is where sealed batteries are replaced, 3 to 5 years being usual."""
    assert health_at(0.0) == 1.0
    assert health_at(4.5) == pytest.approx(0.79, abs=0.02)


def test_battery_of_volts_and_ampere_hours_is_cold_and_old() -> None:
    """36 V 7 Ah, two years old at 15.6 °C: 1.08 x 252 Wh x 0.918 / 1.11."""
    battery = Battery(volts=36.0, amp_hours=7.0, age_years=2.0, temperature_c=15.6)

    assert cells_of(battery).energy_wh == pytest.approx(1.08 * 252 * 0.9176 / 1.11, rel=1e-3)


def test_lithium_has_almost_no_rate_effect() -> None:
    """The same energy lasts nearly as long per watt at a heavy load as at a light one."""
    cells = cells_of(Battery(watt_hours=500.0, chemistry=Chemistry.LITHIUM))
    heavy = 1000 * empties_after_h(cells, cells.full(), drawn_w=1000)
    light = 50 * empties_after_h(cells, cells.full(), drawn_w=50)

    assert heavy / light > 0.95


def test_battery_without_a_figure_is_refused() -> None:
    """Nothing known must not silently become something promised."""
    with pytest.raises(ValueError, match="volts and amp_hours"):
        cells_of(Battery())


# Full runs of one 1500 VA / 900 W unit with two sealed 12 V lead-acid batteries; watts, hours.
# Common practice, no source.
RUNS = ((3.2, 7.1), (33.3, 2.8), (222.6, 0.55))


def test_a_table_of_two_measured_runs_predicts_the_one_between() -> None:
    """Light and heavy runs in the file bracket the usual load within 20 % (common practice)."""
    table = tuple(RunPoint(w, h * 3600) for w, h in (RUNS[0], RUNS[2]))
    unit = Unit("cabinet", 1500, 900, Battery(table=table))

    predicted_h = full_runtime_s(unit, load_w=33.3, quantile=0.5) / 3600
    assert predicted_h == pytest.approx(RUNS[1][1], rel=0.20)
