"""The chance that a plan ends well: against closed forms, and against scipy's solve_ivp."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from policies.chances import LOAD_SPREAD, Course, Stop, chances, spread_to
from policies.draws import Array, Draws, ManyWells, ends_after_s, full_wells, prior
from policies.runtime import LoadStep
from tests.policies.sites import CABINET

OUTAGES = 40_000


def _buckets(n: int, *, spread: float = 0.0, energy_wh: float = 100.0) -> Draws:
    """Batteries that give every watt-hour at any rate, 100 Wh in the middle."""
    z = np.random.default_rng(7).standard_normal(n)
    return Draws(
        energy_wh=energy_wh * np.exp(spread * z),
        available_share=np.full(n, 1.0 - 1e-9),
        flow_per_h=np.full(n, 1e3),
        own_draw_w=np.zeros(n),
        efficiency=np.ones(n),
    )


def test_chance_is_the_normal_distributions() -> None:
    """100 Wh on 50 W last 2 h; ln E and ln P are normal, so the end is as well.

    P(ln E - ln P >= ln t) with spreads 0.2 and 0.05: Phi(ln(2 h / t) / sqrt(0.2^2 + 0.05^2)).
    """
    draws = _buckets(OUTAGES, spread=0.2)
    stops = tuple(Stop(3600.0 * h, 0.0, 0.0) for h in (1.2, 1.6, 2.0, 2.5))

    found = chances(
        Course(50.0, stops), draws, full_wells(draws), np.random.default_rng(1), stop_spread=0.0
    )

    spread = math.hypot(0.2, LOAD_SPREAD)
    exact = [NormalDist().cdf(math.log(2.0 / h) / spread) for h in (1.2, 1.6, 2.0, 2.5)]
    assert found.saved == pytest.approx(exact, abs=3.0 * 0.5 / math.sqrt(OUTAGES))
    assert found.all_well == pytest.approx(exact[-1], abs=0.0075)
    assert found.outages == OUTAGES


def test_quantiles_of_the_end_are_the_normal_distributions() -> None:
    """The 5 % end of a lognormal of 2 h: 2 h x exp(-1.645 x 0.206)."""
    draws = _buckets(OUTAGES, spread=0.2)

    found = chances(
        Course(50.0, ()), draws, full_wells(draws), np.random.default_rng(1), quantiles=(0.05, 0.5)
    )

    spread = math.hypot(0.2, LOAD_SPREAD)
    exact = [7200.0 * math.exp(NormalDist().inv_cdf(q) * spread) for q in (0.05, 0.5)]
    assert [found.ends_s[q] for q in (0.05, 0.5)] == pytest.approx(exact, rel=0.01)


def test_stop_that_takes_longer_than_stated_is_counted_as_it_takes() -> None:
    """Half of all stops take longer than stated: begun so late, half of them are lost."""
    draws = _buckets(OUTAGES)
    stop = Stop(7200.0 - 600.0, 600.0, 50.0)

    found = chances(
        Course(50.0, (stop,)), draws, full_wells(draws), np.random.default_rng(1), load_spread=0.0
    )

    assert found.all_well == pytest.approx(0.5, abs=0.01)


def test_stop_lightens_the_load_once_it_has_ended() -> None:
    """80 W for half an hour, then 20 W: 100 Wh last 0.5 h + 60 Wh / 20 W = 3.5 h."""
    draws = _buckets(1)
    course = Course(80.0, (Stop(1800.0, 0.0, 60.0),), changes=())

    found = chances(
        course, draws, full_wells(draws), np.random.default_rng(1), quantiles=(0.5,),
        load_spread=0.0, stop_spread=0.0,
    )  # fmt: skip

    assert found.ends_s[0.5] == pytest.approx(3.5 * 3600.0, rel=1e-6)


def test_light_that_comes_on_shortens_the_rest() -> None:
    """20 W for an hour, 40 W after: 1 h + 80 Wh / 40 W = 3 h."""
    draws = _buckets(1)

    found = chances(
        Course(20.0, (), changes=((3600.0, 20.0),)), draws, full_wells(draws),
        np.random.default_rng(1), quantiles=(0.5,), load_spread=0.0, stop_spread=0.0,
    )  # fmt: skip

    assert found.ends_s[0.5] == pytest.approx(3.0 * 3600.0, rel=1e-6)


def test_stops_that_do_not_count_cost_no_chance() -> None:
    """A switch that is dark a little early has lost nothing."""
    draws = _buckets(10)
    stops = (Stop(60.0, 60.0, 10.0), Stop(36000.0, 60.0, 10.0, counts=False))

    found = chances(Course(50.0, stops), draws, full_wells(draws), np.random.default_rng(1))

    assert found.all_well == 1.0
    assert found.saved == (1.0, 0.0)


def test_end_in_four_stages_is_that_of_numeric_integration() -> None:
    """Scipy's solve_ivp on the two wells, stage after stage, for batteries drawn from the prior."""
    draws = prior(CABINET, 12, np.random.default_rng(3))
    stages = ((0.0, 120.0), (900.0, 80.0), (2400.0, 45.0), (4000.0, 20.0))
    stops = tuple(
        Stop(at_s, 0.0, before_w - after_w) for (_, before_w), (at_s, after_w) in pairwise(stages)
    )

    for i in range(len(draws)):
        one = draws.chosen(np.array([i]))
        found = chances(
            Course(120.0, stops), one, full_wells(one), np.random.default_rng(1),
            quantiles=(0.5,), load_spread=0.0, stop_spread=0.0,
        )  # fmt: skip
        assert found.ends_s[0.5] == pytest.approx(_integrated_end_s(one, stages), rel=1e-6)


def _flow(drawn_w: float, c: float, k: float) -> Callable[[float, Array], list[float]]:
    def flow(_: float, y: Array) -> list[float]:
        across = k * ((1.0 - c) * y[0] - c * y[1])
        return [-drawn_w - across, across]

    return flow


def _integrated_end_s(draws: Draws, stages: tuple[tuple[float, float], ...]) -> float:
    c, k = float(draws.available_share[0]), float(draws.flow_per_h[0])
    energy_wh = float(draws.energy_wh[0])
    wells = [c * energy_wh, (1.0 - c) * energy_wh]

    def is_empty(_: float, y: Array) -> float:
        return float(y[0])

    is_empty.terminal = True  # type: ignore[attr-defined]  # scipy's own way of asking for it
    ends_h = [at_s / 3600.0 for at_s, _ in stages[1:]] + [1e4]
    begins_h = 0.0
    for (_, load_w), end_h in zip(stages, ends_h, strict=True):
        drawn_w = load_w / float(draws.efficiency[0]) + float(draws.own_draw_w[0])

        solved = solve_ivp(
            _flow(drawn_w, c, k), (begins_h, end_h), wells, events=is_empty, rtol=1e-10,
            atol=1e-10, method="DOP853",
        )  # fmt: skip
        events = solved.t_events or []
        if len(events[0]):
            return 3600.0 * float(events[0][0])
        wells, begins_h = [float(y) for y in solved.y[:, -1]], end_h
    raise AssertionError("it does not end")


def test_the_same_seed_gives_the_same_chances() -> None:
    """The same question, the same answer: whoever prints it twice compares."""
    draws = prior(CABINET, 5000, np.random.default_rng(3))
    course = Course(100.0, (Stop(900.0, 120.0, 60.0), Stop(3000.0, 90.0, 40.0)))

    one, other = (
        chances(course, draws, full_wells(draws), np.random.default_rng(5), quantiles=(0.05,))
        for _ in range(2)
    )

    assert one == other


def test_battery_that_is_empty_already_saves_nothing() -> None:
    """In the middle of an outage some guesses are refuted."""
    draws = _buckets(4)
    none = ManyWells(np.zeros(4), np.zeros(4))

    found = chances(
        Course(50.0, (Stop(0.0, 10.0, 50.0),)), draws, none, np.random.default_rng(1),
        quantiles=(0.5,),
    )  # fmt: skip

    assert (found.all_well, found.ends_s[0.5]) == (0.0, 0.0)


def test_guesses_are_spread_until_their_ends_agree_with_a_belief() -> None:
    """A battery known to 5 % is not one known to 40 %: the chances would be those of another."""
    draws = prior(CABINET, 4000, np.random.default_rng(3))
    steps = [LoadStep(0.0, 60.0)]

    spread = draws
    for _ in range(4):
        ends_s = ends_after_s(spread, full_wells(spread), steps)
        spread = spread_to(spread, ends_s, median_s=7000.0, lower_s=6000.0, quantile=0.05)

    ends_s = ends_after_s(spread, full_wells(spread), steps)
    assert np.quantile(ends_s, [0.05, 0.5]) == pytest.approx([6000.0, 7000.0], rel=0.01)
