"""Fits on disk: what was kept comes back, grows old with its battery, and is checked."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.battery.fit_store import StoredFit, StoredRun, load_fit, save_fit
from agent.errors import ConfigError
from policies.fit import Known, Run, fit
from policies.model import Chemistry

MADE_ON = date(2026, 5, 1)
FITTED_ON = date(2024, 5, 1)
RUNS = (Run(180.0, 0.7), Run(30.0, 3.1), Run(30.0, 1.2), Run(60.0, 0.9, charge=0.5))


@pytest.fixture(scope="module")
def stored() -> StoredFit:
    found = fit(RUNS, Known(600.0))
    return StoredFit(
        draws=found.draws,
        runs=tuple(
            StoredRun(
                judged.run.watts,
                judged.run.hours,
                judged.run.charge,
                judged.outlier_probability,
                MADE_ON,
            )
            for judged in found.judged
        ),
        made_on=MADE_ON,
        unit="cabinet",
        rating_w=600.0,
        fitted_on=FITTED_ON,
        temperature_c=20.0,
    )


def test_a_fit_comes_back_as_it_was_kept(tmp_path: Path, stored: StoredFit) -> None:
    """What the live estimate starts from is what the runs taught."""
    save_fit(tmp_path / "fit.json", stored)
    found = load_fit(tmp_path / "fit.json")

    assert (found.unit, found.rating_w, found.made_on, found.fitted_on) == (
        "cabinet",
        600.0,
        MADE_ON,
        FITTED_ON,
    )
    assert (found.temperature_c, found.chemistry) == (20.0, Chemistry.LEAD_ACID)
    assert [run.watts for run in found.runs] == [180.0, 30.0, 30.0, 60.0]
    for name in ("energy_wh", "available_share", "flow_per_h", "own_draw_w", "efficiency"):
        assert getattr(found.draws, name) == pytest.approx(getattr(stored.draws, name), rel=1e-5)


def test_only_good_runs_from_full_count_as_full_runs(stored: StoredFit) -> None:
    """The 5 % bound waits for two of them: a short one and one from half charge are none."""
    assert [run.counts for run in stored.runs] == [True, True, False, False]
    assert stored.full_runs == 2


def test_a_battery_grows_old_and_cold_after_its_fit(stored: StoredFit) -> None:
    """A fit of last year must not promise last year's minutes."""
    later = stored.draws_on(date(2028, 5, 1))
    cold = stored.draws_on(MADE_ON, temperature_c=4.4)

    # exp(-0.035 a - 0.004 a²) at 4 years against 2, and IEEE 485's 1.30 against 1.05 at 20 °C.
    assert np.median(later.energy_wh / stored.draws.energy_wh) == pytest.approx(0.889, abs=0.002)
    assert np.median(cold.energy_wh / stored.draws.energy_wh) == pytest.approx(0.811, abs=0.005)
    assert np.array_equal(stored.draws_on(MADE_ON).energy_wh, stored.draws.energy_wh)


def test_a_fit_of_another_battery_is_known_as_such(stored: StoredFit) -> None:
    """A new battery starts with nothing known."""
    assert stored.is_of(FITTED_ON) and stored.is_of(date(2024, 5, 3)) and stored.is_of(None)
    assert not stored.is_of(date(2026, 6, 1))


def test_a_fit_from_before_the_battery_was_put_in_is_anothers(stored: StoredFit) -> None:
    """Also where nobody wrote down when the measured battery was put in."""
    undated = replace(stored, fitted_on=None)

    assert not undated.is_of(MADE_ON + timedelta(days=1))
    assert undated.is_of(MADE_ON)


def _broken(stored: StoredFit, folder: Path, change: dict[str, Any]) -> Path:
    path = folder / "fit.json"
    save_fit(path, stored)
    document = {**json.loads(path.read_text(encoding="utf-8")), **change}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "change",
    [
        {"format": 2},
        {"what": "journal"},
        {"made_on": "soon"},
        {"rating_w": -5},
        {"runs": []},
        {"draws": {}},
        {"more": 1},
        {"draws": {name: [1.0] * 200 for name in ("energy_wh", "flow_per_h", "own_draw_w")}},
    ],
)
def test_a_damaged_fit_is_refused_with_what_to_do(
    tmp_path: Path, stored: StoredFit, change: dict[str, Any]
) -> None:
    """A plan on half a file would be worse than one on none."""
    with pytest.raises(ConfigError, match=r"this is no fit .* make it anew with `lastwatt fit`"):
        load_fit(_broken(stored, tmp_path, change))


def test_arrays_of_different_lengths_and_numbers_that_are_none_are_refused(
    tmp_path: Path, stored: StoredFit
) -> None:
    """Each guess is one battery, whole."""
    draws = {
        name: [0.5] * 200
        for name in ("energy_wh", "available_share", "flow_per_h", "own_draw_w", "efficiency")
    }
    for wrong in ([0.5] * 199, [0.5] * 199 + [float("nan")], [0.5] * 199 + [-1.0]):
        with pytest.raises(ConfigError, match="this is no fit"):
            load_fit(_broken(stored, tmp_path, {"draws": {**draws, "energy_wh": wrong}}))


@pytest.mark.parametrize("content", ["", "watts,hours\n40,2\n", "[]", "\x00"])
def test_what_is_no_json_is_refused(tmp_path: Path, content: str) -> None:
    """The two files lie side by side, and are easily swapped."""
    path = tmp_path / "fit.json"
    path.write_text(content)
    with pytest.raises(ConfigError, match="this is no fit"):
        load_fit(path)


def test_a_missing_fit_is_one_sentence(tmp_path: Path) -> None:
    """With what to do."""
    with pytest.raises(ConfigError, match="no such file or directory; make it anew"):
        load_fit(tmp_path / "fit.json")


def test_a_fit_that_cannot_be_kept_leaves_nothing_behind(tmp_path: Path, stored: StoredFit) -> None:
    """Half a file, or one nobody asked for, would be found years later."""
    with pytest.raises(IsADirectoryError):
        save_fit(tmp_path, stored)
    with pytest.raises(FileNotFoundError):
        save_fit(tmp_path / "none" / "fit.json", stored)

    assert list(tmp_path.iterdir()) == []
