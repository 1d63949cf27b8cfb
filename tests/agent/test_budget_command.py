"""`lastwatt budget`, run as people run it."""

from __future__ import annotations

from pathlib import Path

import pytest

from policies.events import LoadFound
from policies.night import Light
from tests.agent.commands import lastwatt
from tests.agent.journals import open_journal
from tests.agent.yard_site import CABINET, DEVICES, LOFT, write_yard
from tests.fakes import FakeClock

BOTH = DEVICES + '[[device]]\nname = "box"\nfeed = ["cabinet", "loft"]\nwatts = 6\n'


def test_document_adds_up_by_hand(tmp_path: Path) -> None:
    """The figures worked out beside the file of the tests; no secret needs to be there for them."""
    done = lastwatt("budget", write_yard(tmp_path), "--json")

    assert (done.status, done.document["ok"]) == (0, True)
    (cabinet,) = done.document["feeds"]
    assert cabinet == {
        "name": "cabinet",
        "watts_day": 44.0,
        "watts_night": 49.0,
        "boot_w": 67.0,
        "va_day": pytest.approx(83.3, abs=0.11),
        "va_night": pytest.approx(91.7, abs=0.11),
        "boot_va": pytest.approx(126.7, abs=0.11),
        "rating_w": 700.0,
        "rating_va": 1000.0,
    }
    lines = [
        (d["name"], d["is_loss"], d["watts_day"], d["boot_w"]) for d in done.document["devices"]
    ]
    assert lines == [
        ("yard switch", False, 9.0, 12.0),
        ("yard switch", True, 1.0, 2.0),
        ("slipway camera", False, 4.0, 8.0),
        ("gate recorder", False, 30.0, 45.0),
    ]
    assert done.document["warnings"] == []


def test_table_that_people_read_adds_up(tmp_path: Path) -> None:
    """Each column of each feed, summed from the text itself; so do the feeds."""
    done = lastwatt("budget", write_yard(tmp_path, CABINET, LOFT, BOTH))

    assert done.status == 0
    sums = [0.0] * 6
    feeds = [0.0] * 6
    for line in done.out.splitlines():
        cells = line.split()[-6:]
        if len(cells) < 6 or not all(c.replace(".", "").replace("-", "").isdigit() for c in cells):
            continue
        figures = [float(cell) for cell in cells]
        if line.strip().startswith("together"):
            assert figures == pytest.approx(sums, abs=0.01)
            feeds = [a + b for a, b in zip(feeds, sums, strict=True)]
            sums = [0.0] * 6
        elif line.startswith("less what stands under several feeds"):
            feeds = [a + b for a, b in zip(feeds, figures, strict=True)]
        elif line.startswith("in all"):
            assert figures == pytest.approx(feeds, abs=0.01)
            break
        else:
            sums = [a + b for a, b in zip(sums, figures, strict=True)]
    else:
        pytest.fail("the table has no last line")
    assert "box (also on loft)" in done.out


def test_outage_at_five_is_shown_to_run_into_the_night(tmp_path: Path) -> None:
    """Sunset in Lisbon on 25 November is at 17:17, the sunrise after it at 7:30."""
    site = write_yard(tmp_path)

    shown = lastwatt("budget", site, "--at", "2026-11-25 17:00").out
    steps = lastwatt("budget", site, "--at", "2026-11-25 17:00", "--json").document["steps"]

    assert "cabinet: 44.0 W, from 17:17 on 49.0 W, from 07:30 on 44.0 W" in shown
    assert [(step["unit"], step["watts"]) for step in steps] == [
        ("cabinet", 44.0),
        ("cabinet", 49.0),
        ("cabinet", 44.0),
    ]
    assert steps[0]["at"] == "2026-11-25T17:00:00+00:00"
    assert steps[1]["after_s"] == pytest.approx(17 * 60, abs=60)


def test_wall_clock_that_is_put_back_in_the_night_is_not_taken_for_elapsed_time(
    tmp_path: Path,
) -> None:
    """Summer time ends in Lisbon on 25 October 2026: the sun rises an hour earlier by the wall."""
    document = lastwatt(
        "budget", write_yard(tmp_path), "--at", "2026-10-24 20:00", "--json"
    ).document

    first, sunrise = document["steps"][0], document["steps"][1]
    assert first["at"] == "2026-10-24T20:00:00+01:00"
    assert sunrise["at"].startswith("2026-10-25T06:5")
    assert sunrise["at"].endswith("+00:00")
    assert sunrise["after_s"] == pytest.approx(11.9 * 3600, abs=600)


def test_without_a_place_the_greater_draw_counts_and_that_is_said(tmp_path: Path) -> None:
    """Nobody knows when it is dark there."""
    done = lastwatt("budget", write_yard(tmp_path, place=False), "--at", "12:00")

    assert "cabinet: 49.0 W" in done.out
    assert "the file gives no place" in done.out


@pytest.mark.parametrize(
    ("at", "said"),
    [
        ("2026-11-25 12:00", "56 W measured by day, 44 W listed: 12 W more than the file explains"),
        ("2026-11-25 20:00", "56 W measured by night, 49 W listed: 7 W more than the file"),
    ],
)
def test_what_the_unit_shows_is_held_against_the_file(tmp_path: Path, at: str, said: str) -> None:
    """The installer reads it off the unit's front, by day or by night."""
    done = lastwatt("budget", write_yard(tmp_path), "--at", at, "--measured", "cabinet=56")

    assert done.status == 0
    assert said in done.out


def test_gap_is_a_no_with_strict(tmp_path: Path) -> None:
    """A hand-over script is to stop at it."""
    site = write_yard(tmp_path)

    assert lastwatt("budget", site, "--measured", "cabinet=99", "--strict").status == 1


def test_overload_is_a_warning_and_with_strict_a_no(tmp_path: Path) -> None:
    """A contract with scripts: warnings end with 0, with --strict 1."""
    floods = '[[device]]\nname = "floods"\nfeed = "cabinet"\nwatts = 10\nnight_watts = 720\n'
    site = write_yard(tmp_path, CABINET, floods)

    done = lastwatt("budget", site)
    strict = lastwatt("budget", site, "--strict", "--json")

    assert done.status == 0
    assert "WARNING  cabinet: it is to carry 720 W by night, and is rated at 700 W" in done.out
    assert (strict.status, strict.document["ok"]) == (1, False)
    codes = [warning["code"] for warning in strict.document["warnings"]]
    assert codes == ["overload-w", "overload-va-boot"]
    assert all(warning["fix"] for warning in strict.document["warnings"])


def test_site_without_an_overload_says_so(tmp_path: Path) -> None:
    """Silence could mean that nobody looked."""
    done = lastwatt("budget", write_yard(tmp_path), "--strict")

    assert done.status == 0
    assert "No unit and no port is asked for more than it can give." in done.out


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--at", "25:00"], '"25:00" is no time here; write 17:00'),
        (["--at", "tomorrow"], '"tomorrow" is no time here'),
        (["--measured", "cabine=5"], 'no unit is called "cabine"; write "cabinet"'),
        (["--measured", "cabinet"], 'no unit is called ""'),
        (["--measured", "cabinet=much"], '"much" is no number of watts'),
        (["--measured", "cabinet=nan"], '"nan" is no number of watts'),
        (["--measured", "cabinet=-4"], '"-4" is no number of watts'),
    ],
)
def test_bad_options_are_one_sentence_with_what_to_write(
    tmp_path: Path, options: list[str], complaint: str
) -> None:
    """Status 2, on standard error, and the JSON document says the same."""
    done = lastwatt("budget", write_yard(tmp_path), *options, "--json")

    assert (done.status, done.document["ok"]) == (2, False)
    assert complaint in done.complaint
    assert done.document["error"] in done.complaint


def test_file_with_faults_is_not_added_up(tmp_path: Path) -> None:
    """Half a sum is worse than none."""
    site = write_yard(tmp_path, CABINET, DEVICES.replace("watts = 9", "watts = -9"))

    done = lastwatt("budget", site)

    assert (done.status, done.out) == (1, "")
    assert "watts" in done.err


def test_empty_site_is_no_fault(tmp_path: Path) -> None:
    """A file that is only begun."""
    done = lastwatt("budget", write_yard(tmp_path, CABINET), "--json")

    assert done.status == 0
    assert done.document["in_all"]["watts_day"] == 0.0


async def test_what_the_journal_found_is_held_against_the_file(tmp_path: Path) -> None:
    """By day and by night, without anybody reading the unit's display."""
    state = tmp_path / "state"
    journal = open_journal(state, FakeClock())
    assert await journal.commit(
        LoadFound(9.0, "cabinet", Light.DAY, 44.0, 1.0, False),
        LoadFound(9.0, "cabinet", Light.NIGHT, 61.0, 1.0, False),
    )
    await journal.close()
    agent = f'[agent]\nstate = "{state}"\n'
    done = lastwatt("budget", write_yard(tmp_path, CABINET, DEVICES, agent), "--json")

    found = {gap["light"]: gap["unexplained_w"] for gap in done.document["measured"]}
    assert found == {"day": 0.0, "night": pytest.approx(12.0, abs=0.1)}
    told = lastwatt("budget", write_yard(tmp_path, CABINET, DEVICES, agent)).out
    assert "by night" in told and "12 W more than the file explains" in told
