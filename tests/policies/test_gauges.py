"""What is learnt of a gauge that errs, held to the textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from policies.gauges import Line

ONE = np.ones(1)


def line(mean: list[float], cov: list[list[float]]) -> Line:
    return Line(np.array([mean]), np.array([cov]))


def test_two_fixes_make_one_as_the_textbook_has_it() -> None:
    """Two star sightings of one position: Maybeck 1979, volume 1, section 1.5 (from memory).

    mean = s2^2/(s1^2 + s2^2) z1 + s1^2/(s1^2 + s2^2) z2, 1/s^2 = 1/s1^2 + 1/s2^2.
    """
    found, _ = line([10.0], [[4.0]]).seeing(np.array([13.0]), np.ones((1, 1)), 2.0, weight=ONE)

    assert found.mean[0, 0] == pytest.approx(2.0 / 6.0 * 10.0 + 4.0 / 6.0 * 13.0)
    assert 1.0 / found.cov[0, 0, 0] == pytest.approx(1.0 / 4.0 + 1.0 / 2.0)


def test_update_is_that_of_the_information_form() -> None:
    """P+ = (P^-1 + H'H/r)^-1, x+ = P+ (P^-1 x + H'z/r): the other form of the same filter."""
    chance = np.random.default_rng(5)
    for _ in range(50):
        root = chance.standard_normal((2, 2))
        prior, mean = root @ root.T + 0.1 * np.eye(2), chance.standard_normal(2)
        inputs, r = chance.standard_normal(2), chance.uniform(0.5, 3.0)
        value = float(inputs @ mean) + 0.5

        found, _ = Line(mean[None], prior[None]).seeing(
            np.array([value]), inputs[None], r, weight=ONE
        )

        inverse = np.linalg.inv(prior)
        cov = np.linalg.inv(inverse + np.outer(inputs, inputs) / r)
        assert found.cov[0] == pytest.approx(cov)
        assert found.mean[0] == pytest.approx(cov @ (inverse @ mean + inputs * value / r))


def test_likelihood_is_that_of_the_normal_distribution() -> None:
    """Guesses are weighed against each other by it: scipy's norm is the reference."""
    many = Line(np.array([[0.0], [0.3], [-0.4]]), np.full((3, 1, 1), 0.09))

    _, log_weight = many.seeing(np.full(3, 0.2), np.ones((3, 1)), 0.04, weight=np.full(3, 1 / 3))

    reference = norm.logpdf(0.2, loc=many.mean[:, 0], scale=math.sqrt(0.13))
    assert np.diff(log_weight) == pytest.approx(np.diff(reference))


def test_a_unit_asked_ten_times_as_often_teaches_no_more() -> None:
    """Readings a moment apart err alike: polling faster must not make the bound bolder."""
    once, _ = line([0.0], [[0.09]]).seeing(np.array([0.2]), np.ones((1, 1)), 0.04, weight=ONE)
    often = line([0.0], [[0.09]])
    for _ in range(10):
        often, _ = often.seeing(np.array([0.2]), np.ones((1, 1)), 0.04, weight=ONE, counts=0.1)

    assert often.mean[0, 0] == pytest.approx(once.mean[0, 0])
    assert often.cov[0, 0, 0] == pytest.approx(once.cov[0, 0, 0])


@pytest.mark.parametrize("counts", [1.0, 0.05])
def test_a_value_out_of_all_bounds_moves_little(counts: float) -> None:
    """One garbled reading must not talk the belief into another battery."""
    start = line([0.0], [[0.09]])
    odd, _ = start.seeing(np.array([-3.0]), np.ones((1, 1)), 0.01, weight=ONE, counts=counts)
    odder, _ = start.seeing(np.array([-300.0]), np.ones((1, 1)), 0.01, weight=ONE, counts=counts)

    assert abs(odder.mean[0, 0]) < abs(odd.mean[0, 0]) < 1.0


def test_a_boast_is_not_heard_at_all() -> None:
    """Ten times the minutes there can be are no battery's, however often they are shown."""
    start = line([0.0], [[0.09]])
    found, log_weight = start.seeing(np.array([2.3]), np.ones((1, 1)), 0.01, weight=ONE)

    assert found is start
    assert log_weight == 0.0
