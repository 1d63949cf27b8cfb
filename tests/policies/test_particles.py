"""The weighted guesses of a battery: what they are carried, drawn and weighed by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from policies.course import MOST_STRETCHES, Course, Stretch, longer
from policies.draws import Array, ends_after_s, full_wells, prior
from policies.particles import (
    Particles,
    begin,
    discharged,
    observed,
    quantile,
    recharged,
    systematic,
)
from policies.runtime import Cells, Inverter, LoadStep, after_stretch
from policies.seen import Seen
from tests.policies.discharges import UNIT

NOTHING = Seen(100.0)


def guesses(n: int = 500, *, missing_wh: float = 0.0, unit: str = "cabinet") -> Particles:
    draws = prior(UNIT, n, np.random.default_rng(1))
    return begin(draws, unit=unit, missing_wh=missing_wh, n=n)


def lasting(particles: Particles) -> Array:
    """Ln of the seconds that the full battery of each guess carries 150 W."""
    draws = particles.draws
    return np.asarray(np.log(ends_after_s(draws, full_wells(draws), [LoadStep(0.0, 150.0)])))


@settings(max_examples=20)
@given(st.lists(st.one_of(st.none(), st.floats(5, 400)), min_size=1, max_size=8))
def test_wells_follow_the_closed_form_of_one_battery(loads: list[float | None]) -> None:
    """The scalar model, which is held to published figures, says what is left in each guess."""
    particles = guesses(20)
    for load_w in loads:
        particles = discharged(particles, load_w=load_w, stretch_s=300.0)

    for i in range(len(particles)):
        draws = particles.draws
        cells = Cells(draws.energy_wh[i], draws.available_share[i], draws.flow_per_h[i])
        inverter = Inverter(draws.efficiency[i], draws.own_draw_w[i])
        wells = cells.full()
        for load_w in loads:
            drawn_w = 0.0 if load_w is None else inverter.drawn_w(load_w)
            wells = after_stretch(cells, wells, drawn_w=drawn_w, stretch_h=300.0 / 3600.0)
        assert particles.wells.available_wh[i] == pytest.approx(wells.available_wh, abs=1e-6)
        assert particles.wells.bound_wh[i] == pytest.approx(wells.bound_wh, abs=1e-6)


@given(st.integers(0, 2**31), st.floats(0, 0.999))
def test_each_guess_is_drawn_as_often_as_its_weight_says(seed: int, start: float) -> None:
    """Drawing anew must not favour anybody: n w, cut or rounded up (Kitagawa 1996)."""
    weight = np.random.default_rng(seed).dirichlet(np.full(200, 0.3))

    drawn = np.bincount(systematic(weight, start), minlength=200)

    assert np.all(np.abs(drawn - 200 * weight) < 1.0 + 1e-6)


def test_drawing_anew_keeps_mean_and_spread() -> None:
    """Liu & West: shrunk towards the mean and shaken by as much, the spread neither grows nor dies.

    It is kept of how long the battery lasts at the usual load.
    """
    particles = discharged(guesses(20_000), load_w=150.0, stretch_s=60.0)
    lasts = lasting(particles)
    weighed = replace(particles, log_weight=-4.0 * np.abs(lasts - lasts.mean() - 0.1) / 0.1)
    weight = weighed.weight
    mean = float(weight @ lasts)
    spread = float(np.sqrt(weight @ (lasts - mean) ** 2))

    drawn = observed(weighed, NOTHING)

    assert drawn.steps > weighed.steps
    assert lasting(drawn).mean() == pytest.approx(mean, abs=0.1 * spread)
    assert lasting(drawn).std() == pytest.approx(spread, rel=0.05)


def test_a_battery_that_would_be_empty_is_no_longer_believed_in() -> None:
    """The output is still there: whatever guess says otherwise is wrong."""
    particles = discharged(guesses(), load_w=300.0, stretch_s=1500.0)
    empty = particles.wells.available_wh <= 0.0
    assert 0.1 < empty.mean() < 0.9

    found = observed(particles, NOTHING)

    assert np.all(found.wells.available_wh[found.weight > 0.0] > 0.0)
    assert not found.is_refuted


def test_a_battery_that_outlasts_every_guess_is_said_to() -> None:
    """Beyond all belief the estimate is no guide; whoever asks must know."""
    found = observed(discharged(guesses(), load_w=300.0, stretch_s=6 * 3600.0), NOTHING)

    assert found.is_refuted
    assert np.all(np.isfinite(found.weight))
    assert np.all(found.wells.available_wh > 0.0)


def test_same_readings_make_the_same_guesses() -> None:
    """A rehearsal shows what the live agent would do, or it shows nothing."""

    def course(unit: str) -> Particles:
        particles = guesses(unit=unit)
        for minutes in (19, 15, 11, 6):
            particles = discharged(particles, load_w=200.0, stretch_s=180.0)
            particles = observed(particles, Seen(200.0, runtime_s=60.0 * minutes))
        return recharged(particles, stretch_s=7200.0)

    assert np.array_equal(course("cabinet").matrix, course("cabinet").matrix)
    assert not np.array_equal(course("cabinet").matrix, course("shed").matrix)


@given(st.integers(0, 2**31), st.floats(0.001, 0.999))
def test_quantile_is_that_of_numpy(seed: int, share: float) -> None:
    """The bound that everything acts on, against the inverted distribution of weighted values."""
    chance = np.random.default_rng(seed)
    values, weight = chance.standard_normal(50), chance.dirichlet(np.ones(50))

    expected = np.quantile(values, share, weights=weight, method="inverted_cdf")

    assert quantile(values, weight, share) == pytest.approx(float(expected))


def test_mains_charges_what_was_missing() -> None:
    """A day on mains and the battery is nearly full; an hour, and it is not."""
    used = discharged(guesses(), load_w=200.0, stretch_s=600.0)
    before = used.missing.available_wh + used.missing.bound_wh

    hour, day = (recharged(used, stretch_s=3600.0 * h) for h in (1.0, 24.0))

    assert np.median(hour.rested_wh / before) == pytest.approx(np.exp(-1.0 / 6.0), rel=0.05)
    assert np.median(day.rested_wh / before) < 0.03
    assert hour.course == day.course == ()


@given(st.lists(st.tuples(st.floats(0.01, 1), st.floats(1, 500)), max_size=80))
def test_a_long_course_is_kept_short_and_loses_nothing(steps: list[tuple[float, float]]) -> None:
    """A load that changes with every reading must not make each one dearer than the last."""
    course: Course = ()
    for hours, load_w in steps:
        course = longer(course, Stretch(hours, load_w))

    assert len(course) <= MOST_STRETCHES
    spent = sum(each.hours * (each.load_w or 0.0) for each in course)
    assert spent == pytest.approx(sum(h * w for h, w in steps))


def test_a_rest_is_no_light_load() -> None:
    """Blended into a load, the unit's own draw would be counted for the time on mains."""
    course = longer(longer((), Stretch(1.0, 50.0)), Stretch(0.1, None))

    assert course == (Stretch(1.0, 50.0), Stretch(0.1, None))
