"""`lastwatt size`: the question as an installer types it, and the answer."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import date
from pathlib import Path

import click
import numpy as np
import pytest

from agent.battery.fit_store import StoredFit, StoredRun, save_fit
from agent.cli.contract import CommandError
from agent.cli.size import size
from policies.draws import Draws
from tests.agent.commands import Done, lastwatt
from tests.agent.yard_site import CABINET, DEVICES, LOFT, write_yard


def _sized(*options: str | Path) -> Done:
    return lastwatt("size", *options, "--json")


def test_answer_for_a_site_holds_together(tmp_path: Path) -> None:
    """Both ratings at the worst moment, the size, and the smallest battery that has it."""
    done = _sized(write_yard(tmp_path), "--hours", "2")
    found = done.document

    assert (done.status, found["ok"]) == (0, True)
    # By hand, beside the file: 67 W and 126.7 VA while everything starts.
    assert (found["watts"], found["va"]) == (67.0, pytest.approx(126.7, abs=0.1))
    assert found["unit_is_enough"] is True
    assert found["load"] == [{"after_s": 0.0, "watts": 49.0}]
    assert (found["health"], found["temperature_c"], found["sureness"]) == (0.8, 25.0, 0.95)
    sizes = [option["watt_hours"] for option in found["options"]]
    assert sizes == sorted(sizes)
    for option in found["options"]:
        assert option["is_enough"] is (option["watt_hours"] >= found["watt_hours"])
        assert option["is_enough"] is (option["sure_h"] >= 2.0 * 0.98)
        assert option["sure_h"] < option["likely_h"]
    enough = [option for option in found["options"] if option["is_enough"]]
    assert [option["name"] for option in enough if option["is_smallest"]] == [found["smallest"]]
    assert enough[0]["name"] == found["smallest"]
    assert {option["name"] for option in found["options"]} == {c["name"] for c in found["curve"]}
    assert [(v["name"], v["watts"], v["hours"]) for v in found["variants"]] == [
        ("as it is, by day", 44.0, 2.0),
        ("as it is, by night", 49.0, 2.0),
    ]


def test_check_beside_it_is_the_product_of_its_factors(tmp_path: Path) -> None:
    """IEEE 485, in the room of the file; the temperature's factor is the table's 1.11."""
    site = write_yard(
        tmp_path, CABINET.replace("2025-03-01", "2025-03-01, temperature_c = 15.6"), DEVICES
    )

    check = _sized(site, "--hours", "2").document["check_ieee485"]

    assert check["temperature_factor"] == 1.11
    assert (check["design_margin"], check["ageing_factor"]) == (1.10, 1.25)
    product = check["duty_wh"] * check["rate_factor"] * 1.11 * 1.10 * 1.25 / check["per_nominal"]
    assert check["watt_hours"] == pytest.approx(product, rel=0.002)


def test_text_says_what_to_buy_what_is_doubt_and_what_is_dangerous(tmp_path: Path) -> None:
    """The number alone would be taken for a promise."""
    done = lastwatt("size", write_yard(tmp_path), "--hours", "2")

    assert done.status == 0
    assert "Needed: a unit of at least 67 W and 127 VA" in done.out
    assert "the smallest that is enough" in done.out
    assert "Nothing was measured, and most of this is doubt" in done.out
    assert "IEEE 485 as a check" in done.out
    assert "CAUTION" in done.out
    assert "begins to stop what holds data after about" in done.out


def test_changes_are_held_against_the_site_as_it_is(tmp_path: Path) -> None:
    """Ten cameras more, no recorder, a cold room, an old battery: in one line."""
    site = write_yard(tmp_path)
    plain = _sized(site, "--hours", "2").document

    changed = _sized(
        site, "--hours", "2", "--add", "camera:10:4:8", "--drop", "gate recorder",
        "--temperature", "5", "--age", "6",
    ).document  # fmt: skip

    assert changed["watt_hours_as_it_is"] == plain["watt_hours"]
    assert changed["watt_hours"] > 1.5 * plain["watt_hours"]
    # 49 W, less 30 W, and 80 W through ports that lose a fifth and cables of 100 m: 5.5 % of 8 W.
    assert changed["load"][0]["watts"] == pytest.approx(19.0 + 80.0 / 0.8 * 1.09, rel=0.02)
    assert changed["changes"] == [
        "without gate recorder",
        "10 x camera more, 4 W each, 8 W by night, fed by yard switch",
        "its room at 5 °C",
        "a battery 6 years old",
    ]
    assert changed["health"] == pytest.approx(0.70, abs=0.01)  # exp(-0.035 a - 0.004 a^2)


def test_outage_by_day_takes_less_than_one_that_runs_into_the_night(tmp_path: Path) -> None:
    """Two hours from nine in the morning, and two from five in the afternoon."""
    site = write_yard(tmp_path)
    morning, evening, unsaid = (
        _sized(site, "--hours", "2", *at).document
        for at in (("--at", "2026-11-25 09:00"), ("--at", "2026-11-25 17:00"), ())
    )

    assert morning["watt_hours"] < evening["watt_hours"] < unsaid["watt_hours"]
    assert [step["watts"] for step in evening["load"]] == [44.0, 49.0]


def test_load_in_watts_needs_no_site() -> None:
    """Before anything is bought there is no file."""
    found = _sized("--watts", "40", "--night-watts", "55", "--hours", "3").document

    assert found["load"] == [{"after_s": 0.0, "watts": 55.0}]
    assert (found["watts"], found["va"]) == (82.5, 137.5)  # x 1.5, / 0.6: said as assumptions
    assert {option["volts"] for option in found["options"]} == {12.0, 24.0, 36.0, 48.0}
    assert all(option["is_enough"] for option in found["options"])
    assert any("1.5 times" in text for text in found["assumptions"])


def test_batteries_to_choose_from_can_be_named(tmp_path: Path) -> None:
    """The present one always stands beside them."""
    options = ("--battery", "36x18", "--battery", "rack=36x26x2")
    found = _sized(write_yard(tmp_path), "--hours", "2", *options).document

    assert [(o["name"], o["watt_hours"], o["is_present"]) for o in found["options"]] == [
        ("36 V 7 Ah", 252.0, True),
        ("36 V 18 Ah", 648.0, False),
        ("rack", 1872.0, False),
    ]
    assert found["options"][2]["strings"] == 2


def test_battery_a_watt_hour_short_is_too_small() -> None:
    """The line between yes and no is the size that is needed, nothing softer."""
    asked = ("--watts", "55", "--hours", "2")
    needed = round(_sized(*asked).document["watt_hours"])

    found = _sized(*asked, "--battery", f"1x{needed - 1}", "--battery", f"1x{needed + 1}").document

    assert [option["is_enough"] for option in found["options"]] == [False, True]


def test_target_that_no_battery_meets_is_a_no_with_what_to_do(tmp_path: Path) -> None:
    """Status 1, the size that it would take, and the ways out."""
    site = write_yard(tmp_path)

    done = lastwatt("size", site, "--hours", "700", "--battery", "36x7x2")
    beyond_all = lastwatt("size", "--watts", "500", "--hours", "700")

    for shown in (done, beyond_all):
        assert shown.status == 1
        assert "None of these is enough: it takes" in shown.out
        assert "--drop" in shown.out
        assert "generator" in shown.out


def test_unit_that_is_too_small_is_said(tmp_path: Path) -> None:
    """A battery of any size does not help a unit that trips when everything starts."""
    floods = '[[device]]\nname = "floods"\nfeed = "cabinet"\nwatts = 600\n'

    done = lastwatt("size", write_yard(tmp_path, CABINET, floods), "--hours", "0.2")

    assert "a unit of at least 900 W and 948 VA" in done.out
    assert "The unit there, 700 W and 1000 VA, is too small" in done.out


def test_picture_shows_every_battery_and_every_mark(tmp_path: Path) -> None:
    """It is looked at long after the table has scrolled away."""
    picture = tmp_path / "curves.svg"
    site = write_yard(tmp_path)
    found = _sized(site, "--hours", "2", "--add", "modem:1:9", "--svg", picture).document

    root = ET.fromstring(picture.read_text(encoding="utf-8"))
    texts = [text.text or "" for text in root.iter("{http://www.w3.org/2000/svg}text")]
    for option in found["options"]:
        assert any(text.startswith(option["name"]) for text in texts)
    marks = [text for text in texts if "by day" in text or "by night" in text]
    assert [mark.split("  ")[1].split(":")[0] for mark in marks] == [
        variant["name"] for variant in found["variants"]
    ]
    assert any(text == "2 h asked for" for text in texts)
    groups = [g for g in root.iter("{http://www.w3.org/2000/svg}g") if g.get("class") == "battery"]
    assert len(groups) == len(found["curve"])


def test_picture_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    """No traceback, and nothing half written."""
    done = _sized("--watts", "40", "--hours", "3", "--svg", tmp_path / "nowhere" / "x.svg")

    assert done.status == 2
    assert "nowhere" in done.complaint


def _save_fit(path: Path) -> None:
    """A fit of a battery of 24 V 9 Ah, two years old, its energy known to 4 %."""
    chance = np.random.default_rng(5)
    n = 1000
    draws = Draws(
        energy_wh=1.05 * 216.0 * np.exp(0.04 * chance.standard_normal(n)),
        available_share=np.full(n, 0.55),
        flow_per_h=np.full(n, 3.0),
        own_draw_w=np.full(n, 14.0),
        efficiency=np.full(n, 0.86),
    )
    runs = (StoredRun(60.0, 2.1, 1.0, 0.01), StoredRun(120.0, 0.9, 1.0, 0.01))
    save_fit(path, StoredFit(draws, runs, date(2026, 3, 1), "loft", 700.0, date(2024, 3, 1)))


def test_fit_of_a_sister_unit_makes_the_battery_smaller(tmp_path: Path) -> None:
    """What was measured need not be guessed, and the answer says what it rests on."""
    fit = tmp_path / "loft-fit.json"
    _save_fit(fit)

    guessed = _sized("--watts", "50", "--hours", "2").document
    measured = _sized(
        "--watts", "50", "--hours", "2", "--fit", fit, "--fit-battery", "24x9"
    ).document

    assert measured["watt_hours"] < 0.85 * guessed["watt_hours"]
    assert "loft-fit.json, a battery of 216 Wh, 2.0 years old then" in measured["measured"]
    # By hand, constant load: E = P [t + (1 - c)/c (1 - e^(-kt))/k], over 1.05 at two years of age,
    # at 0.8 of new, and what 1.645 standard deviations of 4 % cost.
    drawn_w = 50.0 / 0.86 + 14.0
    energy_wh = drawn_w * (2.0 + 0.45 / 0.55 * (1.0 - np.exp(-6.0)) / 3.0)
    new_wh = 1.05 / np.exp(-0.035 * 2.0 - 0.004 * 4.0)
    expected_wh = energy_wh / (new_wh * 0.8) * np.exp(1.645 * 0.04)
    assert measured["watt_hours"] == pytest.approx(expected_wh, rel=0.01)


def test_own_fit_that_the_file_names_is_used_when_it_is_there(tmp_path: Path) -> None:
    """The site's own measurements count without being asked for."""
    fitted = CABINET.replace("2025-03-01", '2025-03-01, fit = "cabinet-fit.json"')
    site = write_yard(tmp_path, fitted, DEVICES)

    before = _sized(site, "--hours", "2").document
    _save_fit(tmp_path / "cabinet-fit.json")
    after = lastwatt("size", site, "--hours", "2")

    assert before["measured"] is None
    assert "By what was measured (cabinet-fit.json, a battery of 252 Wh" in after.out
    assert "95 % sure and with 20 % in reserve" in after.out  # two full runs are known


def test_fit_of_one_chemistry_says_nothing_of_another(tmp_path: Path) -> None:
    """Lead-acid that was measured is no promise for lithium."""
    fitted = CABINET.replace("2025-03-01", '2025-03-01, fit = "cabinet-fit.json"')
    site = write_yard(tmp_path, fitted, DEVICES)
    path = tmp_path / "cabinet-fit.json"
    _save_fit(path)

    assert _sized(site, "--hours", "2", "--chemistry", "lithium").document["measured"] is None
    with pytest.raises(CommandError, match="this is a fit of a lead-acid battery"):
        size.main(
            f"--watts 40 --hours 2 --chemistry lithium --fit-battery 24x9 --fit {path}".split(),
            standalone_mode=False,
        )


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--watts", "40", "--hours", "0"], '"0" will not do: more than 0'),
        (["--watts", "40", "--hours", "nan"], '"nan" will not do'),
        (["--watts", "40", "--hours", "-3"], '"-3" will not do'),
        (["--watts", "40", "--hours", "4h"], '"4h" will not do'),
        (["--watts", "40", "--hours", "1e9"], "at most 720"),
        (["--watts", "0", "--hours", "4"], '"0" will not do: more than 0'),
        (["--watts", "40", "--hours", "4", "--battery", "36x0"], '"36x0" holds nothing'),
        (["--watts", "40", "--hours", "4", "--battery", "0x7"], '"0x7" holds nothing'),
        (["--watts", "40", "--hours", "4", "--battery", "36x7x0"], '"36x7x0" holds nothing'),
        (["--watts", "40", "--hours", "4", "--battery", "36 V"], "write volts x ampere-hours"),
        (["--watts", "40", "--hours", "4", "--battery", "36x1.2.3"], "holds nothing"),
        (["--watts", "40", "--hours", "4", "--add", "camera"], "write role:count:watts"),
        (["--watts", "40", "--hours", "4", "--add", "camra:1:5"], 'no role; write "camera"'),
        (["--watts", "40", "--hours", "4", "--add", "camera:0:5"], "adds nothing"),
        (["--watts", "40", "--hours", "4", "--temperature", "300"], "at most 80"),
        (["--watts", "40", "--hours", "4", "--age", "-1"], "at least 0"),
    ],
)
def test_figures_that_cannot_be_are_refused_with_what_to_write(
    options: list[str], said: str
) -> None:
    """A battery of zero Ah, no hours at all, watts that are text."""
    with pytest.raises(click.BadParameter) as refused:
        size.main(options, standalone_mode=False)

    assert said in refused.value.message


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--hours", "4"], "give either a site's FILE or --watts"),
        (["SITE", "--watts", "40", "--hours", "4"], "give either a site's FILE or --watts"),
        (["SITE", "--night-watts", "40", "--hours", "4"], "--night-watts goes with --watts"),
        (["--watts", "40", "--hours", "4", "--drop", "pc"], "--drop needs a site's FILE"),
        (["--watts", "40", "--hours", "4", "--at", "17:00"], "--at needs a site's FILE"),
        (["--watts", "40", "--hours", "4", "--add", "camera:1:5@x"], "needs a site's FILE"),
        (["--watts", "40", "--hours", "4", "--fit-battery", "24x9"], "--fit-battery needs --fit"),
        (["SITE", "--hours", "4", "--drop", "yard swich"], 'no device is called "yard swich"; wri'),
        (["SITE", "--hours", "4", "--add", "camera:1:5@swtch"], 'nothing is called "swtch"'),
        (["SITE", "--hours", "4", "--unit", "cabine"], 'no unit is called "cabine"; write "cabin'),
        (
            ["SITE", "--hours", "4", "--drop", "yard switch", "--drop", "gate recorder"],
            'nothing that "cabinet" feeds draws anything',
        ),
    ],
)
def test_options_that_do_not_fit_are_refused_with_what_to_do(
    tmp_path: Path, options: list[str], said: str
) -> None:
    """One sentence; no other question is answered instead."""
    site = write_yard(tmp_path)

    with pytest.raises(CommandError) as refused:
        size.main([str(site) if o == "SITE" else o for o in options], standalone_mode=False)

    assert said in str(refused.value)
    assert refused.value.status == 2


def test_site_with_several_units_is_asked_which(tmp_path: Path) -> None:
    """The sum of two units is the load of neither."""
    site = write_yard(tmp_path, CABINET, LOFT, DEVICES)

    done = _sized(site, "--hours", "4")

    assert done.status == 2
    assert 'say which one: --unit "cabinet", --unit "loft"' in done.complaint


def test_battery_of_which_only_runtimes_are_known_is_reckoned_with(tmp_path: Path) -> None:
    """By hand: 49 W for 2 h is 49 / 0.86 + 14 = 71 W, and 142 Wh and more before losses."""
    runtimes = 'runtimes = [{ watts = 49, lasts = "2h" }]'
    unit = CABINET.replace("volts = 36, amp_hours = 7, fitted = 2025-03-01", runtimes)

    found = _sized(write_yard(tmp_path, unit, DEVICES), "--hours", "1").document

    present = next(option for option in found["options"] if option["is_present"])
    assert present["name"] == "present battery"
    assert 142.0 / 1.08 < present["watt_hours"] < 1.5 * 142.0 / 1.08
    assert any("runtimes" in text for text in found["assumptions"])


def test_picture_that_cannot_be_written_is_one_document_too(tmp_path: Path) -> None:
    """A script that asked for JSON reads why, and nothing else."""
    done = lastwatt(
        "size", "--watts", "60", "--hours", "2", "--svg", tmp_path / "no/x.svg", "--json"
    )

    assert done.status == 2
    assert done.document["ok"] is False
    assert "no such file or directory" in done.document["error"]
