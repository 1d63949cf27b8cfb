"""Sizing: the chance held to scipy's quadrature, the factors to IEEE 485, the model to itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from policies.draws import Draws, prior
from policies.model import Battery, Chemistry, Unit
from policies.runtime import LoadStep, health_at
from policies.sizing import (
    ORDINARY_AH,
    Pack,
    Setting,
    curve,
    ieee485,
    ieee485_size,
    loads_for_curve,
    needed_wh,
    outlook,
    pack_of,
    per_watt_hour,
    per_watt_hour_of,
    smallest_ordinary,
)

RATING_W = 700.0
NEW = Setting(health=1.0)
WORN = Setting()


def guesses(n: int = 20_000, seed: int = 1, chemistry: Chemistry = Chemistry.LEAD_ACID) -> Draws:
    chance = np.random.default_rng(seed)
    return per_watt_hour(rating_w=RATING_W, chemistry=chemistry, n=n, chance=chance)


def sure_of(nominal_wh: float, *, load_w: float, target_h: float) -> float:
    """Return P(T >= target) for a battery at end of life, by quadrature over the stated priors.

    At constant load y1(t) = 0 gives E = P [t + (1 - c)/c (1 - e^(-kt))/k], so that given P0, the
    efficiency, c and k the chance is one normal integral over ln E. scipy integrates the rest.
    """

    def need(z_own: float, z_eff: float, z_share: float, z_flow: float) -> float:
        own_w = math.exp(math.log(max(6.0, 0.02 * RATING_W)) + 0.5 * z_own)
        efficiency = 1 / (1 + math.exp(-(math.log(0.86 / 0.14) + 0.3 * z_eff)))
        c = 1 / (1 + math.exp(-(math.log(0.55 / 0.45) + 0.8 * z_share)))
        k = math.exp(math.log(3.0) + 1.5 * z_flow)
        drawn_w = load_w / efficiency + own_w
        return drawn_w * (target_h + (1 - c) / c * -math.expm1(-k * target_h) / k)

    def over_efficiency(z_own: float, z_share: float, z_flow: float) -> float:
        def given(z_eff: float) -> float:
            z_energy = math.log(need(z_own, z_eff, z_share, z_flow) / (1.08 * 0.8 * nominal_wh))
            return float(stats.norm.pdf(z_eff) * stats.norm.sf(z_energy / 0.20))

        found, _ = integrate.quad(given, -5, 5, epsabs=1e-5)
        return float(found)

    # Gauss-Hermite over the other three normals.
    at, weights = np.polynomial.hermite_e.hermegauss(9)
    weights = weights / weights.sum()
    return sum(
        float(wa * wb * wc) * over_efficiency(float(a), float(b), float(c))
        for a, wa in zip(at, weights, strict=True)
        for b, wb in zip(at, weights, strict=True)
        for c, wc in zip(at, weights, strict=True)
    )


def test_needed_battery_lasts_with_the_chance_that_quadrature_gives() -> None:
    """Whoever buys it is told 95 %; scipy, which draws no chance, must agree."""
    steps = [LoadStep(0.0, 90.0)]

    found = needed_wh(guesses(200_000), steps, target_s=2 * 3600.0, setting=WORN)

    assert sure_of(found, load_w=90.0, target_h=2.0) == pytest.approx(0.95, abs=0.003)


@settings(max_examples=40)
@given(
    st.lists(st.floats(0.0, 600.0), min_size=1, max_size=5),
    st.floats(600.0, 7200.0),
    st.floats(0.1, 12.0),
    st.sampled_from([0.5, 0.8, 0.95, 0.99]),
)
def test_needed_battery_is_the_smallest_that_lasts(
    loads_w: Sequence[float], step_s: float, target_h: float, sureness: float
) -> None:
    """The short cut by linearity, held to the full model, on loads that rise and fall."""
    steps = [LoadStep(k * step_s, load_w) for k, load_w in enumerate(loads_w)]
    reference = guesses(2000)
    target_s = 3600.0 * target_h

    size_wh = needed_wh(reference, steps, target_s=target_s, setting=WORN, sureness=sureness)

    enough = outlook(reference, size_wh * 1.000001, steps, target_s=target_s, setting=WORN)
    less = outlook(reference, size_wh * 0.999999, steps, target_s=target_s, setting=WORN)
    assert enough.chance >= sureness
    assert less.chance < sureness + 1.0 / 2000


def test_sizing_believes_the_same_battery_as_the_live_agent() -> None:
    """One of 36 V 7 Ah at that age and in that room has the same prior in both."""
    age = 3.0
    battery = Battery(volts=36, amp_hours=7, age_years=age, temperature_c=10.0)
    live = prior(Unit("cabinet", 1000, RATING_W, battery), 5000, np.random.default_rng(3))
    reference = guesses(5000, seed=3)

    setting = Setting(health=health_at(age), temperature_c=10.0)
    sized = reference.energy_wh * 252.0 * setting.share

    assert sized == pytest.approx(live.energy_wh, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "grows"),
    [
        ({"setting": Setting(health=0.6)}, True),
        ({"setting": Setting(temperature_c=5.0)}, True),
        ({"setting": Setting(temperature_c=40.0)}, False),  # no bonus for heat
        ({"setting": NEW}, False),
        ({"sureness": 0.99}, True),
        ({"target_s": 4 * 3600.0}, True),
    ],
)
def test_older_colder_surer_longer_takes_more(change: dict[str, object], grows: bool) -> None:
    """Each in its own direction, everything else as it was."""
    usual = {"target_s": 2 * 3600.0, "setting": WORN, "sureness": 0.95}
    steps = [LoadStep(0.0, 90.0)]

    before = needed_wh(guesses(), steps, **usual)  # type: ignore[arg-type]  # named options
    after = needed_wh(guesses(), steps, **{**usual, **change})  # type: ignore[arg-type]

    assert (after > before) is grows


def test_health_scales_the_size_and_nothing_else() -> None:
    """At 80 % of its capacity a battery must be a quarter larger: IEEE 485's ageing of 1.25."""
    steps = [LoadStep(0.0, 90.0)]

    new = needed_wh(guesses(), steps, target_s=7200.0, setting=NEW)
    worn = needed_wh(guesses(), steps, target_s=7200.0, setting=WORN)

    assert worn / new == pytest.approx(1.25)


def test_load_that_rises_at_dusk_takes_more_than_the_day_and_less_than_the_night() -> None:
    """An outage at five is neither."""
    sizes = [
        needed_wh(guesses(), steps, target_s=4 * 3600.0, setting=WORN)
        for steps in (
            [LoadStep(0.0, 60.0)],
            [LoadStep(0.0, 60.0), LoadStep(1020.0, 90.0)],
            [LoadStep(0.0, 90.0)],
        )
    ]

    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[1] < sizes[2]


def test_load_that_ends_early_needs_no_battery_for_the_rest() -> None:
    """A peak before a pause empties the well before the end does: the peak decides."""
    heavy_then_light = [LoadStep(0.0, 600.0), LoadStep(600.0, 0.0)]
    one = Draws(*(np.array([value]) for value in (1.08, 0.5, 0.5, 1e-6, 0.9)))

    short = needed_wh(one, heavy_then_light, target_s=600.0, setting=NEW)
    long = needed_wh(one, heavy_then_light, target_s=6 * 3600.0, setting=NEW)

    assert long == pytest.approx(short)


# A measured sister


def test_measured_sister_narrows_the_size() -> None:
    """Two batteries, one prior: what was measured of one need not be guessed of the other."""
    chance = np.random.default_rng(7)
    n = 4000
    # A fit of a sister, 24 V 9 Ah at 90 % and 15 °C: its energy known to 4 %, its draw to 10 %.
    sister = Draws(
        energy_wh=1.05 * 216.0 * 0.9 / 1.117 * np.exp(0.04 * chance.standard_normal(n)),
        available_share=np.full(n, 0.55),
        flow_per_h=np.full(n, 3.0),
        own_draw_w=14.0 * np.exp(0.1 * chance.standard_normal(n)),
        efficiency=np.full(n, 0.86),
    )
    reference = per_watt_hour_of(
        sister, nominal_wh=216.0, setting=Setting(health=0.9, temperature_c=15.0)
    )
    steps = [LoadStep(0.0, 90.0)]

    measured_wh = needed_wh(reference, steps, target_s=7200.0, setting=WORN)
    guessed_wh = needed_wh(guesses(), steps, target_s=7200.0, setting=WORN)

    assert np.median(reference.energy_wh) == pytest.approx(1.05, rel=0.01)
    assert measured_wh < 0.8 * guessed_wh


# Outlooks and curves


def test_outlook_orders_its_bounds() -> None:
    """The 99 % bound is what the agent acts on at first; it cannot be the longer one."""
    found = outlook(guesses(), 252.0, [LoadStep(0.0, 90.0)], target_s=3600.0, setting=WORN)

    assert 0.0 < found.cautious_s < found.sure_s < found.likely_s
    assert 0.0 < found.chance < 1.0


def test_curve_falls_with_the_load_and_rises_with_the_battery() -> None:
    """A curve that crosses another would name the wrong battery."""
    loads_w = loads_for_curve(5.0, 700.0)
    small = curve(guesses(2000), 252.0, loads_w, setting=WORN)
    large = curve(guesses(2000), 504.0, loads_w, setting=WORN)

    assert len(loads_w) == 25
    assert [loads_w[0], loads_w[-1]] == pytest.approx([5.0, 700.0])
    for points in (small, large):
        sure_s = [point.sure_s for point in points]
        assert sure_s == sorted(sure_s, reverse=True)
    assert all(b.sure_s > a.sure_s for a, b in zip(small, large, strict=True))


# Packs


def test_pack_says_its_figures() -> None:
    """The name is what stands on the order."""
    assert pack_of(36.0, 7.0) == Pack("36 V 7 Ah", 252.0, 36.0, 7.0)
    assert pack_of(36.0, 7.0, 2).name == "36 V 7 Ah x 2"
    assert pack_of(36.0, 7.0, 2).nominal_wh == 504.0
    assert pack_of(48.0, 9.0, name="large").name == "large"


@pytest.mark.parametrize(
    ("volts", "amp_hours", "strings"),
    [(36.0, 0.0, 1), (0.0, 7.0, 1), (36.0, 7.0, 0), (36.0, -7.0, 1)],
)
def test_battery_that_holds_nothing_is_refused(
    volts: float, amp_hours: float, strings: int
) -> None:
    """Zero Ah would divide by nothing, and last for ever."""
    with pytest.raises(ValueError, match="holds nothing"):
        pack_of(volts, amp_hours, strings)


def test_smallest_ordinary_battery_just_holds_what_is_needed() -> None:
    """One size smaller would not; beyond the largest there is none."""
    found = smallest_ordinary(600.0, volts=36.0, strings=1)

    assert found is not None
    assert (found.amp_hours, found.nominal_wh) == (18.0, 648.0)
    assert smallest_ordinary(648.0, volts=36.0, strings=1) == found
    assert smallest_ordinary(36.0 * ORDINARY_AH[-1] + 1.0, volts=36.0, strings=1) is None


# IEEE 485


def test_factors_multiply_as_worked_by_hand() -> None:
    """IEEE 485: 10 x 1.11 (15.6 °C) x 1.10 x 1.25 = 15.26, own arithmetic on its factors."""
    assert ieee485_size(10.0, temperature_c=15.6) == pytest.approx(15.26, abs=0.005)
    assert ieee485_size(10.0, temperature_c=40.0) == pytest.approx(13.75)  # no bonus for heat


def test_check_is_the_product_of_what_it_shows() -> None:
    """Whoever multiplies the printed factors gets the printed size."""
    cold = Setting(temperature_c=15.6)
    found = ieee485(guesses(), [LoadStep(0.0, 90.0)], target_s=7200.0, setting=cold)

    product = found.duty_wh * found.rate_factor * found.temperature_factor
    product *= found.design_margin * found.ageing_factor / found.per_nominal
    assert found.watt_hours == pytest.approx(product)
    assert found.duty_wh == pytest.approx(2 * (90.0 / 0.86 + 14.0), rel=0.01)
    assert (found.temperature_factor, found.ageing_factor) == (1.11, 1.25)
    assert found.per_nominal == pytest.approx(1.08, rel=0.01)


def test_slow_discharge_has_no_rate_factor_and_a_fast_one_has() -> None:
    """Lead-acid gives less the faster it is emptied; the check must not forget that."""
    slow = ieee485(guesses(), [LoadStep(0.0, 5.0)], target_s=100 * 3600.0, setting=WORN)
    fast = ieee485(guesses(), [LoadStep(0.0, 600.0)], target_s=300.0, setting=WORN)

    assert slow.rate_factor == pytest.approx(1.0, abs=0.01)
    assert fast.rate_factor > 1.5


def test_lithium_has_almost_no_rate_factor() -> None:
    """Its available share is nearly all there is."""
    lithium = guesses(chemistry=Chemistry.LITHIUM)
    fast = ieee485(lithium, [LoadStep(0.0, 600.0)], target_s=300.0, setting=WORN)

    assert fast.rate_factor < 1.1


def test_unmeasured_battery_is_sized_above_the_factors() -> None:
    """The width of the prior costs more than the design margin: a measured run pays."""
    steps = [LoadStep(0.0, 90.0)]
    check = ieee485(guesses(), steps, target_s=7200.0, setting=WORN)

    assert needed_wh(guesses(), steps, target_s=7200.0, setting=WORN) > check.watt_hours


@pytest.mark.parametrize(
    ("steps", "target_s"), [([], 60.0), ([LoadStep(5.0, 1.0)], 60.0), ([LoadStep(0.0, 1.0)], 0.0)]
)
def test_course_that_does_not_begin_is_refused(steps: list[LoadStep], target_s: float) -> None:
    """A gap before the first step would be a load of nothing."""
    with pytest.raises(ValueError, match="begins at 0 s"):
        needed_wh(guesses(10), steps, target_s=target_s, setting=WORN)
