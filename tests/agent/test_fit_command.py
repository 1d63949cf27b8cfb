"""`lastwatt fit`, run as a person or a program runs it."""

from __future__ import annotations

import os
import re
import subprocess
import xml.etree.ElementTree as ElementTree
from datetime import date
from pathlib import Path

import pytest

from agent.battery.fit_store import load_fit
from tests.agent.commands import COMMAND, V2C, Done, lastwatt, unit, write_site

# Full runs of one 1500 VA / 900 W unit with two sealed 12 V lead-acid batteries.
# Common practice, no source.
CLEAN = "watts,hours\n222.6,0.55\n33.3,2.8\n3.2,7.1\n"
ALL = CLEAN + "55.5,1.6\n48.1,1.52\n70.3,1.03\n"

# Our own made-up cabinet.
CABINET = "watts,hours\n12,8.4\n90,1.95\n310,0.55\n"


def fit(folder: Path, text: str, *options: str | Path) -> Done:
    """Run the command on a file of runs."""
    path = folder / "runs.csv"
    path.write_text(text, encoding="utf-8")
    return lastwatt("fit", path, *options)


def test_a_file_of_three_runs_is_all_that_it_takes(tmp_path: Path) -> None:
    """No rating, no battery, no site: loads between the runs are told, with bounds."""
    done = fit(tmp_path, CLEAN, "--predict", "40,60", "--json")

    assert (done.status, done.err) == (0, "")
    document = done.document
    assert document["ok"] is True
    assert [p["watts"] for p in document["predictions"]] == [40.0, 60.0]
    for said, hours in zip(document["predictions"], (2.46, 1.80), strict=True):
        assert said["median_h"] == pytest.approx(hours, rel=0.03)
        assert 0.85 * hours < said["lower_1pct_h"] < said["lower_5pct_h"] < said["median_h"]
    assert [run["watts"] for run in document["runs"]] == [222.6, 33.3, 3.2]
    for run in document["runs"]:
        assert abs(run["residual"]) < 0.02
        assert run["outlier_probability"] < 0.25
        assert abs(run["explains_watts"]) < 3.0


def test_runs_that_do_not_fit_are_told_with_what_would_explain_them(tmp_path: Path) -> None:
    """The fit is still one to act on: three good runs of six outweigh the others."""
    done = fit(tmp_path, ALL, "--json")
    odd = [run for run in done.document["runs"] if run["outlier_probability"] > 0.95]

    assert done.status == 0
    assert [run["line"] for run in odd] == [5, 6, 7]
    assert all(run["explains_watts"] > 10.0 for run in odd)
    assert all(50.0 < run["explains_charge"] < 90.0 for run in odd)
    faults = done.document["faults"]
    assert {(f["line"], f["code"], f["severity"]) for f in faults if f["code"] == "misfit"} == {
        (line, "misfit", "warning") for line in (5, 6, 7)
    }


def test_a_person_reads_tables_and_sentences(tmp_path: Path) -> None:
    """What fits, how long, what to do next, and how not to be hurt by it."""
    done = fit(tmp_path, ALL, "--predict", "40")

    assert (done.status, done.err) == (0, "")
    assert "3 of 6 runs ended sooner than the others allow." in done.out
    assert re.search(r"(?m)^40 +2 h \d\d min +2 h \d\d min +2 h \d\d min$", done.out)
    for said in ("dummy load", "Stay with it", "swollen", "8 to 12 h", "licensed practice"):
        assert said in done.out
    assert max(map(len, done.out.splitlines())) < 200


def test_nothing_plugged_in_is_told_and_not_fitted(tmp_path: Path) -> None:
    """A unit idles in a lighter mode then; fitted along, it would spoil the light end."""
    with_idle = fit(tmp_path, f"{CLEAN}0,16\n", "--predict", "40", "--json").document
    without = fit(tmp_path, CLEAN, "--predict", "40", "--json").document

    assert with_idle["predictions"] == without["predictions"]
    idle = with_idle["runs"][3]
    assert (idle["watts"], idle["fitted"]) == (0.0, False)
    assert idle["residual"] < -0.3 and idle["outlier_probability"] < 0.05
    assert 5.0 < idle["idle_watts"] < 15.0
    assert "mode of its own" in idle["left_out"]


def test_a_second_figure_for_a_load_is_fitted_too(tmp_path: Path) -> None:
    """The heavy run's parts sum to 162.6 W: both ways are told, and which fits better."""
    text = "watts,hours,or_watts\n222.6,0.55,162.6\n33.3,2.8\n3.2,7.1\n"
    other = fit(tmp_path, text, "--predict", "100", "--json").document["other_reading"]

    assert other["odds"] > 2.0
    assert [run["watts"] for run in other["runs"]] == [162.6, 33.3, 3.2]
    assert other["predictions"][0]["median_h"] == pytest.approx(1.02, rel=0.03)
    assert "the first figures" in fit(tmp_path, text).out


def test_every_run_has_figures_even_one_that_is_left_out(tmp_path: Path) -> None:
    """A program that compares the probability with a number never meets null beside a fit."""
    text = CLEAN.replace("hours", "hours,date") + "33.3,2.8\n40,1.2,2020-01-01\n0,16\n"
    runs = fit(tmp_path, text, "--fitted", "2025-01-01", "--json").document["runs"]

    assert [run["fitted"] for run in runs] == [True, True, True, False, False, False]
    for run in runs:
        for name in ("watts", "hours", "residual", "outlier_probability", "explains_watts"):
            assert isinstance(run[name], float), (run, name)
    assert runs[4]["outlier_probability"] > 0.95


# Bad input


def _codes(done: Done) -> set[tuple[int | None, str, str]]:
    return {(f["line"], f["code"], f["severity"]) for f in done.document["faults"]}


@pytest.mark.parametrize(
    ("text", "options", "status", "told"),
    [
        ("40,3\n", [], 2, (1, "no-header", "error")),
        ("watts,hours\n-40,3\n", [], 2, (2, "negative", "error")),
        ("watts,hours\n40 W,3\n", [], 2, (2, "bad-number", "error")),
        ("watts,hours\n", [], 1, (None, "no-run", "error")),
        ("watts,hours\n0,16\n", [], 1, (None, "no-run", "error")),
        ("watts,hours\n40,3\n", ["--watts", "30"], 1, (2, "above-rating", "error")),
        ("watts,hours\n40,180\n", ["--volts", "24", "--amp-hours", "9"], 1,
         (2, "more-than-it-holds", "error")),
        ("watts,hours\n222.6,5.5\n33.3,2.8\n3.2,7.1\n", [], 1, (None, "contradictory", "error")),
        ("watts,hours\n33,2.8\n33,1.0\n", [], 1, (3, "contradiction", "warning")),
        ("watts,hours\n40,3\n", [], 0, (2, "one-run", "warning")),
        (f"{CLEAN}20,1.5\n", [], 0, (5, "non-monotone", "warning")),
        (f"{CLEAN}33.3,2.8\n", [], 0, (5, "duplicate", "warning")),
        ("watts,hours,date\n40,3,2023-01-01\n90,1.3,2026-01-01\n", [], 0,
         (2, "age-unknown", "warning")),
        ("watts,hours,date\n40,3,2023-01-01\n90,1.3,2026-01-01\n", ["--fitted", "2025-01-01"], 0,
         (2, "earlier-battery", "warning")),
    ],
)  # fmt: skip
def test_bad_runs_get_a_sentence_and_their_status(
    tmp_path: Path, text: str, options: list[str], status: int, told: tuple[int | None, str, str]
) -> None:
    """2 what cannot be read, 1 what is no answer, 0 what is only odd; each with what to do."""
    done = fit(tmp_path, text, "--json", *options)

    assert done.status == status
    assert done.document["ok"] is (status == 0)
    assert told in _codes(done)
    assert all(f["message"] and f["fix"] for f in done.document["faults"])
    assert bool(done.err) is (status != 0)


def test_every_run_of_the_file_is_in_the_answer(tmp_path: Path) -> None:
    """Fitted or not, with the reason: nothing is dropped without a word."""
    text = (
        "watts,hours,date\n0,16,2026-01-01\n40,3,2024-01-01\n40,2.9,2026-01-02\n"
        "40,2.9,2026-01-02\n90,1.3,2026-01-03\n"
    )
    runs = fit(tmp_path, text, "--fitted", "2025-06-01", "--json").document["runs"]

    assert [(run["line"], run["fitted"]) for run in runs] == [
        (2, False),
        (3, False),
        (4, True),
        (5, False),
        (6, True),
    ]
    assert all(bool(run["left_out"]) is not run["fitted"] for run in runs)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--amp-hours", "0", "--volts", "24"], "0 is not above zero"),
        (["--watts", "-3"], "-3 is not above zero"),
        (["--watts", "nan"], "nan is not above zero"),
        (["--volts", "24"], "go together"),
        (["--va", "100", "--watts", "200"], "more watts"),
        (["--fitted", "2999-01-01"], "yet to come"),
        (["--predict", "0"], "a load that is plugged in"),
        (["--predict", "40;60"], "is no number"),
        (["--predict", "60", "--watts", "50"], "more than the 50 W"),
        (["--chemistry", "coal"], "coal"),
    ],
)
def test_figures_that_make_no_sense_are_usage(
    tmp_path: Path, options: list[str], said: str
) -> None:
    """One line on standard error, status 2, and with --json the same in its document."""
    done = fit(tmp_path, CABINET, "--json", *options)

    assert done.status == 2
    assert said in done.complaint
    assert said in done.document["error"]


def test_without_a_file_of_runs_it_says_where_one_could_be_named() -> None:
    """Neither a traceback nor a bare usage line."""
    done = lastwatt("fit")

    assert done.status == 2
    assert "runs = …" in done.complaint


# What is known


def test_cold_old_and_half_charged_runs_are_put_right(tmp_path: Path) -> None:
    """The battery of today at 25 °C lasts longer than its run in the cold, shorter than when new.

    IEEE 485: 1.30 at 4.4 °C. exp(-0.035 a - 0.004 a²): 0.92 after two years.
    """

    def likely_h(text: str, *options: str) -> float:
        done = fit(tmp_path, text, "--predict", "40", "--json", *options)
        hours: float = done.document["predictions"][0]["median_h"]
        return hours

    plain = likely_h("watts,hours\n40,3\n")
    cold = likely_h("watts,hours,temperature_c\n40,3,4.4\n")
    half = likely_h("watts,hours,charge\n40,1.5,50\n")
    today = date.today()
    fitted = today.replace(year=today.year - 2, day=1).isoformat()
    young = likely_h(f"watts,hours,date\n40,3,{fitted}\n", "--fitted", fitted)

    assert cold == pytest.approx(1.33 * plain, rel=0.05)
    assert 0.9 * plain < half < 1.25 * plain
    assert young == pytest.approx(0.90 * plain, rel=0.04)


def test_what_is_known_narrows_the_bounds_of_a_single_run(tmp_path: Path) -> None:
    """Why the options are worth typing."""

    def narrow(*options: str) -> float:
        done = fit(tmp_path, "watts,hours\n40,2.4\n", "--predict", "5", "--json", *options)
        (said,) = done.document["predictions"]
        share: float = said["lower_5pct_h"] / said["median_h"]
        return share

    assert narrow("--watts", "700", "--volts", "24", "--amp-hours", "9") > narrow() + 0.02


# What it leaves behind


def test_fit_is_kept_and_drawn(tmp_path: Path) -> None:
    """The live estimate and the owner's folder get the same fit."""
    kept, drawn = tmp_path / "fit.json", tmp_path / "fit.svg"
    options = ["--unit", "cabinet", "--watts", "700", "--fitted", "2025-03-01"]
    done = fit(tmp_path, CABINET, *options, "--save", kept, "--svg", drawn, "--json")

    assert (done.document["saved"], done.document["svg"]) == (str(kept), str(drawn))
    stored = load_fit(kept)
    assert (stored.unit, stored.rating_w, stored.fitted_on) == ("cabinet", 700.0, date(2025, 3, 1))
    assert stored.full_runs == 3
    assert len(stored.draws) >= 1000
    assert ElementTree.parse(drawn).getroot().tag == "{http://www.w3.org/2000/svg}svg"


def test_no_fit_is_kept_that_nobody_should_act_on(tmp_path: Path) -> None:
    """Contradictory runs must not reach the live estimate."""
    kept = tmp_path / "fit.json"
    done = fit(tmp_path, "watts,hours\n33,2.8\n33,1.0\n", "--save", kept, "--json")

    assert done.status == 1
    assert done.document["saved"] is None
    assert not kept.exists()


def test_a_disk_that_is_full_costs_no_earlier_fit(tmp_path: Path) -> None:
    """The file size limit of a real process stands in for the disk: the old file stays whole."""
    kept = tmp_path / "fit.json"
    kept.write_text("earlier")
    (tmp_path / "runs.csv").write_text(CABINET)
    done = subprocess.run(
        ["sh", "-c", 'ulimit -f 8; exec "$@"', "sh", *COMMAND, "fit", "runs.csv", "--save", kept],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )

    assert done.returncode == 2
    assert "cannot write" in done.stderr and "make room" in done.stderr
    assert kept.read_text() == "earlier"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["fit.json", "runs.csv"]


# A site


def _site(folder: Path, battery: str, *, snmp: str = V2C) -> Path:
    path = write_site(folder, unit(161, snmp=snmp))
    old = re.search(r"(?m)^battery = .*$", path.read_text())
    assert old is not None
    path.write_text(path.read_text().replace(old[0], f"battery = {{ {battery} }}"))
    return path


def test_a_site_names_runs_unit_and_where_the_fit_is_kept(tmp_path: Path) -> None:
    """One short command after each drill."""
    (tmp_path / "cabinet-runs.csv").write_text(CABINET)
    site = _site(
        tmp_path,
        "volts = 36, amp_hours = 7, fitted = 2026-01-10, temperature_c = 18, "
        'runs = "cabinet-runs.csv", fit = "cabinet-fit.json"',
    )
    done = lastwatt("fit", "--site", site, "--json")

    assert done.status == 0, done.err
    assert done.document["unit"] == "cabinet"
    assert done.document["saved"] == str(tmp_path / "cabinet-fit.json")
    stored = load_fit(tmp_path / "cabinet-fit.json")
    assert (stored.rating_w, stored.temperature_c) == (700.0, 18.0)
    assert stored.fitted_on == date(2026, 1, 10)


def test_a_fit_that_the_agent_will_not_find_is_said_to_be_kept_nowhere(tmp_path: Path) -> None:
    """Or an owner measures for a day and the live bound stays as timid as it was."""
    done = fit(tmp_path, CABINET, "--site", _site(tmp_path, "watt_hours = 250"))

    assert done.status == 0
    assert "kept nowhere" in done.out and 'write fit = "cabinet-fit.json"' in done.out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--unit", "cabinat"], 'write "cabinet"'),
        (["--watts", "3"], "one or the other"),
        ([], "no file of runs is named"),
    ],
)
def test_what_a_site_does_not_say_is_told(tmp_path: Path, options: list[str], said: str) -> None:
    """With what to write."""
    done = lastwatt("fit", "--site", _site(tmp_path, "watt_hours = 250"), *options)

    assert done.status == 2
    assert said in done.complaint


def test_secrets_of_the_site_are_not_needed(tmp_path: Path) -> None:
    """The fit is made at a desk, where the agent's credentials are not."""
    snmp = 'version = "2c", community = { credential = "cabinet" }'
    site = _site(tmp_path, "watt_hours = 250", snmp=snmp)
    done = fit(tmp_path, CABINET, "--site", site, "--json")

    assert done.status == 0, done.err
    assert done.document["saved"] is None
