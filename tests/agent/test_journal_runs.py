"""Full runs out of the journal: what went to the end at one load, and what did not, with why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from agent.battery.runs import read_runs
from agent.journal.runs import Discharge, csv_lines, discharges
from agent.journal.view import rows
from policies.events import Event, PollMissed, ReadingTaken
from policies.model import BatteryStatus, OutputSource, Reading
from tests.agent.commands import lastwatt
from tests.agent.journals import open_journal
from tests.fakes import FakeClock

MAINS, BATTERY = OutputSource.NORMAL, OutputSource.BATTERY
LOW, DEPLETED = BatteryStatus.LOW, BatteryStatus.DEPLETED


def polled(
    minute: float,
    source: OutputSource = BATTERY,
    *,
    watts: float | None = 40.0,
    status: BatteryStatus = BatteryStatus.NORMAL,
    unit: str = "cabinet",
    charge: float | None = None,
) -> ReadingTaken:
    """Return a reading so many minutes from the start."""
    reading = Reading(
        unit,
        60.0 * minute,
        output_source=source,
        battery_status=status,
        charge=charge,
        output_w=watts,
    )
    return ReadingTaken(reading.at, reading)


def on_battery(minutes: range, watts: float | None = 40.0) -> list[Event]:
    """Return a reading a minute on battery, the first with the charge."""
    return [polled(m, watts=watts, charge=1.0 if m == minutes[0] else None) for m in minutes]


async def written(folder: Path, events: Sequence[Event]) -> None:
    """Write a real journal of *events*."""
    journal = open_journal(folder, FakeClock())
    assert await journal.commit(*events)
    await journal.close()


async def seen(folder: Path, events: Sequence[Event]) -> list[Discharge]:
    """Return the discharges of the cabinet in a real journal of *events*."""
    await written(folder, events)
    return list(discharges(rows(folder), "cabinet"))


FULL: list[Event] = [
    polled(0, MAINS),
    *on_battery(range(1, 151)),
    polled(151, status=DEPLETED),
    polled(152, status=DEPLETED),
    polled(160, MAINS),
]
"""150 minutes at 40 W, to the end."""


async def test_an_outage_to_the_end_is_a_full_run(tmp_path: Path) -> None:
    """What the site lived through need not be measured again."""
    (run,) = await seen(tmp_path, FULL)

    assert run.missing == ""
    assert (run.watts, run.hours, run.charge_percent) == (40.0, 2.5, 100.0)


async def test_a_unit_that_falls_silent_behind_a_low_battery_is_at_its_end(tmp_path: Path) -> None:
    """Few units live to say that they are depleted."""
    events = [
        *on_battery(range(0, 60)),
        polled(60, status=LOW),
        PollMissed(3620.0, "cabinet", "no answer"),
    ]
    (run,) = await seen(tmp_path, events)

    assert (run.missing, run.hours) == ("", 1.0)


@pytest.mark.parametrize(
    ("events", "missing"),
    [
        ([*on_battery(range(0, 30)), polled(31, MAINS)], "mains came back before its end"),
        (on_battery(range(0, 30)), "nobody saw its end"),
        ([*on_battery(range(0, 30)), polled(90)], "nobody saw its end"),
        ([*on_battery(range(0, 30), 60.0), *on_battery(range(30, 60)), polled(60, status=DEPLETED)],
         "its load went from 40 to 60 W"),
        ([*on_battery(range(0, 30), None), polled(30, watts=None, status=DEPLETED)],
         "the unit did not tell its load"),
    ],
)  # fmt: skip
async def test_what_is_no_full_run_is_told_with_what_is_missing(
    tmp_path: Path, events: list[Event], missing: str
) -> None:
    """A run cut short would teach a battery half its size."""
    run, *_ = await seen(tmp_path, events)

    assert run.missing == missing


async def test_flickers_tests_and_other_units_are_no_runs(tmp_path: Path) -> None:
    """A self-test runs on battery, and is over before it tells anything."""
    others = [polled(m, unit="loft") for m in range(0, 60)]
    events = [polled(0), polled(1), polled(2, MAINS), *others]

    assert await seen(tmp_path, events) == []


async def test_a_missed_poll_in_mid_run_ends_nothing(tmp_path: Path) -> None:
    """One lost packet is no empty battery."""
    events = [*FULL[:60], PollMissed(3545.0, "cabinet", "no answer"), *FULL[60:]]
    (run,) = await seen(tmp_path, events)

    assert (run.missing, run.hours) == ("", 2.5)


async def test_what_is_offered_is_a_file_of_runs(tmp_path: Path) -> None:
    """It can be fitted as it stands; the rest stays in it as remarks."""
    short = [*on_battery(range(1000, 1030), 90.0), polled(1031, MAINS)]
    found = await seen(tmp_path, [*FULL, *short])
    path = tmp_path / "runs.csv"
    path.write_text("\n".join(csv_lines(found)))
    read = read_runs(path, today=found[0].on)

    assert read.faults == ()
    assert [(row.watts, row.hours, row.charge_percent) for row in read.rows] == [(40.0, 2.5, 100.0)]
    assert "# " in path.read_text() and "mains came back" in path.read_text()


async def test_the_command_offers_them(tmp_path: Path) -> None:
    """Status 0 where there is one, 1 where there is none, 2 where there is no journal."""
    await written(tmp_path, FULL)
    done = lastwatt("fit", "--journal", tmp_path, "--unit", "cabinet")
    as_json = lastwatt("fit", "--journal", tmp_path, "--unit", "cabinet", "--json").document
    none = lastwatt("fit", "--journal", tmp_path, "--unit", "loft")
    nowhere = lastwatt("fit", "--journal", tmp_path / "none", "--unit", "cabinet")
    unsaid = lastwatt("fit", "--journal", tmp_path)
    both = lastwatt("fit", "runs.csv", "--journal", tmp_path, "--unit", "cabinet")

    assert (done.status, done.err) == (0, "")
    assert re.fullmatch(
        r"watts,hours,charge,date,note\n40\.0,2\.5,100,\d{4}-\d\d-\d\d,from the journal\n", done.out
    )
    assert as_json["discharges"][0]["missing"] is None
    assert (none.status, nowhere.status, unsaid.status, both.status) == (1, 2, 2, 2)
    assert '"loft"' in none.complaint and "--unit" in unsaid.complaint
