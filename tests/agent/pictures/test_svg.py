"""The toolkit of pictures: scales, ticks, paths, and what is filled in."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from agent.pictures.svg import Scale, band, figure, line


def test_a_scale_puts_its_ends_where_they_belong() -> None:
    """Even or logarithmic, to the right or upwards."""
    assert Scale(0.0, 10.0, 100.0, 200.0).at(2.5) == 125.0
    assert Scale(1.0, 100.0, 200.0, 0.0, is_log=True).at(10.0) == pytest.approx(100.0)
    assert Scale(0.0, 10.0, 100.0, 200.0).at(99.0) == 200.0


@pytest.mark.parametrize(("low", "high", "is_log"), [(5, 5, False), (6, 5, True), (0, 5, True)])
def test_a_scale_that_makes_no_sense_is_refused(low: float, high: float, is_log: bool) -> None:
    """Better here than a picture that is empty."""
    with pytest.raises(ValueError, match="a scale rises"):
        Scale(low, high, 0.0, 100.0, is_log)


@example(low=1.0, ratio=9991.0, is_log=True, most=3)
@given(st.floats(0.01, 1e4), st.floats(1.01, 1e4), st.booleans(), st.integers(3, 12))
def test_ticks_lie_between_the_ends_and_are_not_too_many(
    low: float, ratio: float, is_log: bool, most: int
) -> None:
    """Labels that run into one another cannot be read."""
    scale = Scale(low, low * ratio, 0.0, 500.0, is_log)
    ticks = scale.ticks(most)

    assert len(ticks) <= most + 1
    assert ticks == sorted(ticks)
    assert all(low * 0.99 <= tick <= low * ratio * 1.01 for tick in ticks)


def test_ticks_are_round() -> None:
    """What people count by."""
    assert Scale(0.0, 7.0, 0.0, 1.0).ticks(8) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]
    assert Scale(2.0, 400.0, 0.0, 1.0, is_log=True).ticks(12) == [
        2.0, 3.0, 5.0, 10.0, 20.0, 30.0, 50.0, 100.0, 200.0, 300.0,
    ]  # fmt: skip


def test_paths_are_as_svg_wants_them() -> None:
    """A band is closed, and goes back along its lower edge."""
    assert line([(0.0, 1.0), (2.0, 3.25)]) == "M0.0,1.0 L2.0,3.2"
    assert band([(0, 1), (5, 1)], [(0, 2), (5, 2)]) == "M0.0,1.0 L5.0,1.0 L5.0,2.0 L0.0,2.0 Z"


def test_figures_have_no_needless_digits() -> None:
    """40 W and not 40.0 W."""
    assert [figure(value) for value in (40.0, 222.6, 0.5, 12345.6)] == [
        "40",
        "222.6",
        "0.5",
        "12346",
    ]
