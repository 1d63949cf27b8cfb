"""`lastwatt plan`: the question as an owner types it, and the answer."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from policies.events import LoadFound
from policies.night import Light
from tests.agent.commands import Done, lastwatt
from tests.agent.journals import open_journal
from tests.agent.plan_yard import CAMERA, DESK, RECORDER, device, write_plan_yard
from tests.agent.yard_site import CABINET
from tests.fakes import FakeClock

BIG = CABINET.replace("amp_hours = 7", "amp_hours = 40")
EVENING = ("--at", "2026-11-25 17:00")


def _planned(site: Path, *options: str | Path) -> Done:
    return lastwatt("plan", site, *EVENING, *options)


def test_answer_holds_together(tmp_path: Path) -> None:
    """Everything a script reads: the plan, its chance, and what each device has before it."""
    done = _planned(write_plan_yard(tmp_path, unit=BIG), "--json")
    found = done.document

    assert (done.status, found["ok"], found["not_saved"]) == (0, True, [])
    assert found["begins"] == "2026-11-25T17:00:00+00:00"
    (unit,) = found["units"]
    assert unit["name"] == "cabinet"
    assert unit["stops_end_s"] < unit["lower_s"] < unit["median_s"]
    assert unit["outages"] >= 10_000
    assert 0.95 < found["all_well"] <= 1.0
    # By hand: 9 + 30 + 60 W and 5.5 W by day through a port of 90 %, its cable's 100 m.
    assert unit["load"][0]["watts"] == pytest.approx(99.0 + 5.5 / 0.9, rel=0.02)
    devices = {each["name"]: each for each in found["devices"]}
    assert devices["gate recorder"]["hold_met"] is True
    assert devices["gate recorder"]["on_until_s"] >= 7200.0 - 1.0
    assert devices["gate recorder"]["at_rest_s"] <= unit["lower_s"]
    assert devices["desk"]["starts"] == "by hand"


def test_conclusion_comes_first_and_status_1_says_that_a_hold_time_is_unmet(
    tmp_path: Path,
) -> None:
    """By how many Wh, and the cheapest ways out: what an owner can do about it."""
    done = _planned(write_plan_yard(tmp_path))

    assert done.status == 1
    first = done.out.splitlines()[0]
    assert "gate recorder cannot stay on as long as wished; the battery lacks" in first
    assert "cabinet lacks" in done.out
    assert "cut the hold time of gate recorder to" in done.out
    assert "fit a battery of" in done.out
    assert "desk " in done.out
    assert "gives way to slipway camera" in done.out  # worth what its recorder is
    assert "2 h NOT met" in done.out


def test_ways_out_are_ways_out(tmp_path: Path) -> None:
    """The battery that it names meets all hold times; the cut that it names is met."""
    (way,) = _planned(write_plan_yard(tmp_path), "--json").document["ways_out"]

    assert way["short_wh"] > 0.0
    bought = CABINET.replace("amp_hours = 7", f"amp_hours = {way['battery']['amp_hours']:g}")
    assert _planned(write_plan_yard(tmp_path, unit=bought)).status == 0
    minutes = int(way["cut"][0]["to_s"] // 60) - 1
    held = RECORDER.replace('"2h"', f'"{minutes}m"')
    assert _planned(write_plan_yard(tmp_path, held, CAMERA, DESK)).status == 0


def test_outage_into_the_night_is_shorter_than_one_by_day(tmp_path: Path) -> None:
    """Infrared lights of ten cameras; sunset of the site's place, not of noon."""
    cameras = [CAMERA.replace("slipway camera", f"camera {i}") for i in range(10)]
    site = write_plan_yard(tmp_path, RECORDER, *cameras)

    day, night = (
        lastwatt("plan", site, "--at", f"2026-11-25 {at}", "--json").document["units"][0]
        for at in ("09:00", "17:00")
    )

    assert night["lower_s"] < day["lower_s"]
    assert len(night["load"]) > len([s for s in day["load"] if s["after_s"] < day["lower_s"]]) - 1


def test_owners_threshold_is_shown_with_what_it_costs(tmp_path: Path) -> None:
    """Owners who want plain thresholds get them; in hours times worth, and in per cent."""
    plain = RECORDER.replace('hold = "2h"', 'stop_when = { on_battery_for = "20m" }')
    done = _planned(write_plan_yard(tmp_path, plain, CAMERA, unit=BIG))
    document = _planned(write_plan_yard(tmp_path, plain, CAMERA, unit=BIG), "--json").document

    assert "By its owner's threshold gate recorder stops. Against the best plan" in done.out
    assert document["worth"] < 0.5 * document["best_worth"]
    stop = next(d for d in document["devices"] if d["name"] == "gate recorder")
    assert (stop["why"], stop["on_until_s"]) == ("owner", pytest.approx(1200.0, abs=1.0))


def test_threshold_that_cuts_into_the_hold_time_is_warned_of(tmp_path: Path) -> None:
    """Two wishes of one owner that cannot both be had are no matter of the battery."""
    both = RECORDER.replace('hold = "2h"', 'hold = "2h"\nstop_when = { on_battery_for = "20m" }')
    done = _planned(write_plan_yard(tmp_path, both, CAMERA, unit=BIG))

    assert done.status == 1
    assert "WARNING  gate recorder: its own threshold, on_battery_for" in done.out
    assert "change one of the two" in done.out


def test_recorder_that_cannot_be_saved_is_named(tmp_path: Path) -> None:
    """Invariant 3: before an outage, in the plan; status 1."""
    untold = device("loft recorder", "recorder", 20)
    slow = RECORDER.replace('"50s"', '"5h"').replace('hold = "2h"\n', "")
    done = _planned(write_plan_yard(tmp_path, slow, untold))

    assert done.status == 1
    assert "NOT SAVED  gate recorder: its stop and what follows it take longer" in done.out
    assert "NOT SAVED  loft recorder: nothing says how to bring it to rest" in done.out


def test_who_stays_off_and_who_cannot_be_held_off_is_said(tmp_path: Path) -> None:
    """Invariants 6 and 7, on a unit whose output nothing switches."""
    done = _planned(write_plan_yard(tmp_path))

    assert "Will not come back by themselves: desk; somebody has to switch them on" in done.out
    assert (
        "nothing can hold them off until mains is steady and the battery holds enough for one "
        "more orderly stop: gate recorder."
    ) in done.out
    assert "Nothing switches the output of cabinet" in done.out
    assert "gate recorder stays off until somebody sees to it" in done.out


def test_startup_delay_is_said_to_buy_time_and_no_charge(tmp_path: Path) -> None:
    """A unit that cycles its output brings all back, however little is in its battery."""
    v3 = (
        'snmp = { version = "3", user = "watch", auth = "sha256", auth_secret = { env = "A" }, '
        'privacy = "aes128", privacy_secret = { env = "B" } }'
    )
    old = 'snmp = { version = "2c", community = { env = "LASTWATT_TEST_NOT_SET" } }'
    output = CABINET.replace(old, v3) + '[unit.output]\noff_for = "3m"\n'
    warden = device("warden", "agent box", 6) + '[agent]\nbox = "warden"\n'
    site = write_plan_yard(tmp_path, RECORDER, DESK, warden, unit=output)
    done = _planned(site)

    assert "stays off for 3 min at least, and returns with mains" in done.out
    assert "That startup delay buys time, not charge" in done.out
    assert "Nothing switches the output" not in done.out
    assert _planned(site, "--json").document["units"][0]["output_is_switched"] is True


def test_energy_saver_that_would_switch_off_is_warned_of(tmp_path: Path) -> None:
    """Below its least load the unit ends the outage by itself, with a recorder on it."""
    saver = CABINET + "min_load = 200\n"
    done = _planned(write_plan_yard(tmp_path, unit=saver))

    assert "WARNING  cabinet: for" in done.out
    assert "carries less than 200 W, and may switch itself off" in done.out


def test_horizon_limits_what_is_planned_for(tmp_path: Path) -> None:
    """An hour beyond it is worth nothing."""
    long, short = (
        _planned(write_plan_yard(tmp_path, unit=BIG), "--horizon", span, "--json").document
        for span in ("6h", "30m")
    )

    assert (long["horizon_s"], short["horizon_s"]) == (21600.0, 1800.0)
    assert short["worth"] < long["worth"]


def test_picture_is_written_beside_the_answer(tmp_path: Path) -> None:
    """Valid SVG, with the conclusion in it."""
    picture = tmp_path / "plan.svg"
    done = _planned(write_plan_yard(tmp_path), "--svg", picture)

    root = ElementTree.fromstring(picture.read_text(encoding="utf-8"))
    assert done.status == 1
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    description = root.find("{http://www.w3.org/2000/svg}desc")
    assert description is not None
    assert description.text == done.out.splitlines()[0]


def test_same_question_has_the_same_answer(tmp_path: Path) -> None:
    """Chances are counted over drawn outages; whoever prints it twice compares."""
    site = write_plan_yard(tmp_path)

    assert _planned(site, "--json").out == _planned(site, "--json").out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--at", "25:00"], '"25:00" is no time here; write 17:00'),
        (["--at", "yesterday"], '"yesterday" is no time here'),
        (["--at", ""], '"" is no time here'),
        (["--horizon", "0h"], '"0h" is no span to plan for; write --horizon 6h, at most 30d'),
        (["--horizon", "6"], '"6" is no span to plan for'),
        (["--horizon", "31d"], "at most 30d"),
        (["--svg", "/nowhere/at/all/plan.svg"], "/nowhere/at/all"),
        (["--of", "3"], "No such option"),
    ],
)
def test_bad_option_is_one_sentence_with_what_to_write(
    tmp_path: Path, options: list[str], said: str
) -> None:
    """Status 2, nothing planned."""
    done = lastwatt("plan", write_plan_yard(tmp_path), *options)

    assert done.status == 2
    assert said in done.err.splitlines()[-1]
    assert done.out == ""


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        (CABINET.replace("amp_hours = 7", "amp_hours = 0"), "amp_hours"),
        (CABINET.replace("volts = 36, amp_hours = 7, ", ""), "battery"),
        (CABINET.replace("watts = 700", "watts = -5"), "watts"),
    ],
)
def test_site_that_cannot_be_planned_names_its_line(tmp_path: Path, broken: str, said: str) -> None:
    """A battery of zero Ah, one of which nothing is known, a rating below nothing."""
    done = lastwatt("plan", write_plan_yard(tmp_path, unit=broken))

    assert done.status == 1
    assert any(said in line and "site.toml:" in line for line in done.err.splitlines())
    assert "mend that first" in done.err.splitlines()[-1]


def test_file_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    """And its JSON says the same."""
    done = lastwatt("plan", tmp_path / "none.toml", "--json")

    assert done.status == 2
    assert done.document["ok"] is False
    assert "none.toml" in done.document["error"]


async def test_load_that_the_journal_found_is_planned_with(tmp_path: Path) -> None:
    """A heater that nobody listed would end the battery long before a plan by the file says."""
    state = tmp_path / "state"
    journal = open_journal(state, FakeClock())
    found = [LoadFound(9.0, "cabinet", Light.NIGHT, watts, 1.0, False) for watts in (300.0, 160.0)]
    assert await journal.commit(*found, LoadFound(9.0, "cabinet", Light.DAY, 104.0, 1.0, False))
    await journal.close()
    more = f'[agent]\nstate = "{state}"\n'
    by_file = _planned(write_plan_yard(tmp_path, unit=BIG), "--at", "2026-11-25 22:00", "--json")
    site = write_plan_yard(tmp_path, unit=BIG, more=more)
    by_night = _planned(site, "--at", "2026-11-25 22:00", "--json").document
    by_day = _planned(site, "--at", "2026-11-25 12:00", "--json").document

    (gap,) = by_night["measured"]
    assert (gap["unit"], gap["light"], gap["measured_w"]) == ("cabinet", "night", 160.0)
    assert by_night["units"][0]["load"][0]["watts"] == pytest.approx(160.0, abs=0.1)
    assert by_night["units"][0]["lower_s"] < by_file.document["units"][0]["lower_s"]
    assert by_day["measured"] == []  # what fits is noise
    assert "more than the file explains" in _planned(site, "--at", "2026-11-25 22:00").out
