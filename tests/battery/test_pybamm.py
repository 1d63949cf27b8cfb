"""PyBaMM itself, asked anew: the recorded table is its own, and fresh loads are predicted too."""

from __future__ import annotations

import json
import math

import pytest

from policies.fit import Known, Prior, Run, fit, predicted
from tests.battery import record
from tests.battery.first_principles import discharge_h


def test_recorded_table_is_what_pybamm_says_today() -> None:
    """The default run must not be held to figures of another battery."""
    table = json.loads(record.TABLE.read_text(encoding="utf-8"))

    for row in table["capacity"]:
        assert discharge_h("Full", [(0.0, row["amps"])], by="current") == pytest.approx(
            row["hours"], rel=1e-3
        )
    for kind, found in table["shed"].items():
        model, by = kind.split()
        (fresh,) = record.courses(model, by, seed=11, count=1)
        assert fresh["hours"] == pytest.approx(found[0]["hours"], rel=1e-3)


@pytest.mark.parametrize(
    ("amps", "hours", "share"),
    [
        (1.707, 12.5, 0.988),
        (3.385, 6.1, 0.956),
        (8.515, 2.26, 0.891),
        (17.05, 1.03, 0.813),
        (34.2, 0.44, 0.697),
        (69.0, 0.17, 0.543),
    ],
)
def test_capacity_falls_with_the_rate_as_recorded(amps: float, hours: float, share: float) -> None:
    """Capacity against that of 20 h, at the rates that end after these hours."""
    of_20_h = 1.08 * discharge_h("Full", [(0.0, 1.08)], by="current")

    found_h = discharge_h("Full", [(0.0, amps)], by="current")
    assert found_h == pytest.approx(hours, rel=0.02)
    assert amps * found_h / of_20_h == pytest.approx(share, abs=0.006)


@pytest.mark.parametrize("model", ["LOQS", "Full"])
def test_loads_that_were_never_recorded_are_predicted(model: str) -> None:
    """Three runs give what lies between, within 4.4 %, at loads chosen anew here."""
    runs = [Run(w, discharge_h(model, [(0.0, w)], by="power")) for w in (15.0, 70.0, 300.0)]
    c = math.log(0.55 / 0.45)
    prior = Prior((math.log(260.0), math.log(1e-3), c, math.log(3.0)), (0.5, 0.5, 0.8, 1.5), 1.0)

    for said in predicted(fit(runs, Known(), prior=prior), [22.0, 47.0, 105.0, 190.0]):
        hours = discharge_h(model, [(0.0, said.watts)], by="power")
        assert said.median_h == pytest.approx(hours, rel=0.044)
