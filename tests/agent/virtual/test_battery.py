import math
import random
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from agent.virtual.battery import Build, Gauge, VirtualBattery, charged
from policies.runtime import Cells, Inverter, Wells

CELLS = Cells(energy_wh=140.0, available_share=0.5, flow_per_h=2.0)
BUILD = Build(
    cells=CELLS,
    inverter=Inverter(efficiency=0.83, own_draw_w=11.0),
    charger_w=40.0,
    nominal_v=24.0,
)
GAUGE = Gauge(believed_wh=160.0)


def battery(build: Build = BUILD, *, load_w: float = 0.0) -> VirtualBattery:
    return VirtualBattery(build, GAUGE, at=0.0, load_w=load_w)


def integrated(wells: Wells, *, drawn_w: float, stretch_s: float) -> Wells:
    """The two wells by scipy's Runge-Kutta instead of the closed form (Manwell & McGowan 1993)."""
    c, k = CELLS.available_share, CELLS.flow_per_h / 3600.0

    def slope(_t: float, y: np.ndarray) -> list[float]:
        seeps = k * ((1.0 - c) * y[0] - c * y[1])
        return [-drawn_w / 3600.0 - seeps, seeps]

    start = [wells.available_wh, wells.bound_wh]
    run = solve_ivp(slope, (0.0, stretch_s), start, rtol=1e-10, atol=1e-10)
    return Wells(float(run.y[0, -1]), float(run.y[1, -1]))


def test_wells_follow_every_change_of_load() -> None:
    """The demo's battery would not be the one that its load empties; scipy as the oracle."""
    draw = random.Random(11)
    mine, truth, at = battery(), CELLS.full(), 0.0
    mine.carry(90.0, at=0.0)
    load_w = 90.0
    for _ in range(12):
        stretch_s = draw.uniform(5.0, 300.0)
        truth = integrated(truth, drawn_w=load_w / 0.83 + 11.0, stretch_s=stretch_s)
        at += stretch_s
        load_w = draw.uniform(0.0, 110.0)
        mine.carry(load_w, at=at)

    assert mine.wells(at).available_wh == pytest.approx(truth.available_wh, abs=1e-6)
    assert mine.wells(at).bound_wh == pytest.approx(truth.bound_wh, abs=1e-6)


def test_output_ends_when_the_available_well_is_empty() -> None:
    """The moment on which every recorder of the virtual site hangs; scipy's event as the oracle."""
    mine = battery()
    mine.carry(120.0, at=100.0)
    c, k = CELLS.available_share, CELLS.flow_per_h / 3600.0

    def slope(_t: float, y: np.ndarray) -> list[float]:
        seeps = k * ((1.0 - c) * y[0] - c * y[1])
        return [-(120.0 / 0.83 + 11.0) / 3600.0 - seeps, seeps]

    run = solve_ivp(
        slope,
        (0.0, 10_000.0),
        [70.0, 70.0],
        events=lambda _t, y: y[0],
        rtol=1e-10,
        atol=1e-10,
    )

    assert run.t_events is not None
    assert mine.ends_at == pytest.approx(100.0 + float(run.t_events[0][0]), abs=0.01)


def test_shedding_load_postpones_the_end_by_more_than_its_share() -> None:
    """The recovery that makes shedding worth while would be missing from the demo."""
    heavy, shed = battery(), battery()
    heavy.carry(120.0, at=0.0)
    shed.carry(120.0, at=0.0)
    shed.carry(60.0, at=600.0)

    drawn_w, shed_w = 120.0 / 0.83 + 11.0, 60.0 / 0.83 + 11.0
    left_s, shed_left_s = heavy.ends_at - 600.0, shed.ends_at - 600.0

    assert shed_left_s > left_s * drawn_w / shed_w


@pytest.mark.parametrize(("duty", "minutes"), [(1.0, 91), (0.5, 203)])
def test_published_lifetimes_are_met(duty: float, minutes: int) -> None:
    """The model would be another than the literature's.

    Jongerden & Haverkort, "Which battery model to use?" (figures from memory): c = 0.625,
    k = 4.5e-5 /s (k' = k / (c (1 - c))), 7200 As; 0.96 A for ever, or on and off a minute each.
    """
    c = 0.625
    cells = Cells(7200.0 / 3600.0, c, 4.5e-5 * 3600.0 / (c * (1.0 - c)))
    mine = battery(Build(cells, Inverter(1.0, 0.0), charger_w=1.0, nominal_v=12.0))
    at = 0.0
    while True:
        mine.carry(0.96, at=at)
        if duty == 1.0 or mine.ends_at <= at + 60.0:
            break
        mine.rest(at=at + 60.0)
        at += 120.0

    assert mine.ends_at / 60.0 == pytest.approx(minutes, abs=1.0)


@pytest.mark.parametrize("start", [Wells(0.0, 30.0), Wells(69.9, 20.0), Wells(5.0, 69.0)])
def test_charging_follows_the_same_equations_up_to_the_brim(start: Wells) -> None:
    """The battery would be full too soon after an outage; a plain small-step sum as the oracle."""
    y1, y2, step_h = start.available_wh, start.bound_wh, 1e-4
    c, k = CELLS.available_share, CELLS.flow_per_h
    for _ in range(round(3.0 / step_h)):
        seeps = k * ((1.0 - c) * y1 - c * y2)
        y1 = min(70.0, y1 + step_h * (40.0 - seeps))
        y2 += step_h * seeps

    mine = charged(CELLS, start, charger_w=40.0, stretch_h=3.0)

    assert mine.available_wh == pytest.approx(y1, abs=0.02)
    assert mine.bound_wh == pytest.approx(y2, abs=0.02)


def test_charging_in_steps_is_charging_at_once() -> None:
    """Each question would change its answer."""
    wells = Wells(10.0, 40.0)
    for _ in range(30):
        wells = charged(CELLS, wells, charger_w=40.0, stretch_h=0.1)

    at_once = charged(CELLS, Wells(10.0, 40.0), charger_w=40.0, stretch_h=3.0)
    assert wells.available_wh == pytest.approx(at_once.available_wh, abs=1e-9)
    assert wells.bound_wh == pytest.approx(at_once.bound_wh, abs=1e-9)


def test_a_full_battery_stays_full_on_the_charger() -> None:
    """A day on mains would overfill it, or wear it away."""
    wells = battery().wells(86_400.0)

    assert wells.available_wh == pytest.approx(70.0)
    assert wells.bound_wh == pytest.approx(70.0)


def test_on_mains_nothing_ends() -> None:
    """The site would lose power with mains there."""
    mine = battery(load_w=100.0)
    assert mine.ends_at == math.inf
    mine.carry(100.0, at=0.0)
    mine.rest(at=60.0)

    assert mine.ends_at == math.inf


def test_the_units_own_minutes_are_whole_and_wrong() -> None:
    """An agent that believes the unit would look as good as one that computes."""
    mine = battery(load_w=120.0)
    mine.carry(120.0, at=0.0)
    truth = mine.ends_at / 60.0

    told = mine.gauged_minutes(0.0)

    assert isinstance(told, int)
    assert told > 1.2 * truth
    assert mine.gauged_minutes(mine.ends_at) >= 1


def test_the_units_own_minutes_lag_behind_the_load() -> None:
    """The unit would seem to know what the agent is about to switch off."""
    mine = battery(load_w=120.0)
    mine.carry(120.0, at=0.0)
    before = mine.gauged_minutes(300.0)
    mine.carry(40.0, at=300.0)

    assert mine.gauged_minutes(300.0) == before
    assert mine.gauged_minutes(400.0) > 2 * before


def test_charge_and_voltage_fall_and_come_back() -> None:
    """The unit would report a battery that its load does not touch."""
    mine = battery(load_w=100.0)
    floating_v = mine.volts(0.0)
    mine.carry(100.0, at=0.0)
    loaded_v, later_v, charge = mine.volts(1.0), mine.volts(1500.0), mine.gauged_charge(1500.0)
    amperes = mine.amperes(1500.0)
    mine.charge(100.0, at=1500.0)

    assert floating_v > loaded_v > later_v > 20.0
    assert amperes == pytest.approx((100.0 / 0.83 + 11.0) / later_v)
    assert mine.gauged_charge(1500.0 + 7200.0) > charge


def test_what_a_dead_cell_leaves_ends_like_a_smaller_battery() -> None:
    """A battery that collapses in an outage would end later than it truly does."""
    whole, half = battery(), battery(replace(BUILD, cells=replace(CELLS, energy_wh=70.0)))
    whole.carry(60.0, at=0.0)
    half.carry(60.0, at=0.0)
    assert half.ends_at < whole.ends_at

    whole.lose(0.5, at=0.0)

    assert whole.ends_at == half.ends_at
    assert whole.gauged_charge(0.0) == 1.0
