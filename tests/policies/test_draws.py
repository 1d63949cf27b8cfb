"""The vectorised model says the same as the scalar one, which is held to outside figures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from policies.belief import Drawn
from policies.draws import ends_after_s, full_wells, prior, wells_less
from policies.model import Battery, Unit
from policies.runtime import Cells, Inverter, LoadStep, Wells
from policies.runtime import ends_after_s as scalar_ends_after_s

UNIT = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=7, age_years=1))
LOADS = st.lists(st.floats(0.0, 600.0), min_size=1, max_size=5)


@given(LOADS, st.floats(30, 7200), st.integers(0, 2**31), st.floats(0, 150))
def test_many_guesses_end_when_each_would_alone(
    loads: list[float], step_s: float, seed: int, missing_wh: float
) -> None:
    """A fast bound that differs from the slow one would be no bound."""
    draws = prior(UNIT, 50, np.random.default_rng(seed))
    steps = [LoadStep(i * step_s, load_w) for i, load_w in enumerate(loads)]
    wells = wells_less(draws, Drawn(0.5 * missing_wh, 0.5 * missing_wh))

    found = ends_after_s(draws, wells, steps)
    for i in range(len(draws)):
        cells = Cells(draws.energy_wh[i], draws.available_share[i], draws.flow_per_h[i])
        inverter = Inverter(draws.efficiency[i], draws.own_draw_w[i])
        one = Wells(wells.available_wh[i], wells.bound_wh[i])
        expected = scalar_ends_after_s(cells, one, inverter, steps)
        assert found[i] == pytest.approx(expected, rel=1e-6, abs=1e-3)


def test_prior_is_centred_where_the_file_says() -> None:
    """The median guess is the battery of the file; the spread is the one stated."""
    draws = prior(UNIT, 100_000, np.random.default_rng(1))

    assert np.median(draws.efficiency) == pytest.approx(0.86, abs=0.005)
    assert np.median(draws.own_draw_w) == pytest.approx(14.0, rel=0.02)
    assert np.std(np.log(draws.energy_wh)) == pytest.approx(0.20, rel=0.02)
    assert (full_wells(draws).available_wh > 0).all()
