"""Files of full runs: what is read, and what is told line by line when it cannot be."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from agent.battery.runs import RunRow, RunsFile, read_runs
from agent.config.faults import Severity
from agent.errors import ConfigError

TODAY = date(2026, 11, 25)


def read(folder: Path, text: str) -> RunsFile:
    """Write *text* as a file of runs, and read it."""
    path = folder / "runs.csv"
    path.write_text(text, encoding="utf-8")
    return read_runs(path, today=TODAY)


def test_every_column_is_read_in_any_order(tmp_path: Path) -> None:
    """A note with a comma, blank lines and remarks are what people write."""
    found = read(
        tmp_path,
        "hours, Watts,note,charge,temperature_c,date,or_watts\n"
        "# of the new battery\n\n"
        '2.5,40,"lamp, metered",95,12.5,2026-03-01,44\n'
        "0.5,200,,,,,\n",
    )

    assert found.faults == ()
    assert found.rows == (
        RunRow(4, 40.0, 2.5, 95.0, 12.5, date(2026, 3, 1), "lamp, metered", 44.0),
        RunRow(5, 200.0, 0.5),
    )


def test_a_file_from_a_spreadsheet_is_read(tmp_path: Path) -> None:
    """A byte-order mark, carriage returns and empty columns at the end."""
    found = read(tmp_path, "\ufeffwatts,hours\r\n40,2.5,,\r\n")

    assert found.is_readable
    assert found.rows == (RunRow(2, 40.0, 2.5),)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("40,2.5\n", {(1, "no-header")}),
        ("watts;hours\n40;2,5\n", {(1, "wrong-delimiter")}),
        ("W,minutes\n40,150\n", {(1, "no-column")}),
        ("watts,hours,watts\n", {(1, "duplicate-column")}),
        ("watts,hours\n-40,2\n40,-2\n40,0\n", {(2, "negative"), (3, "negative"), (4, "negative")}),
        ("watts,hours\n40 W,2\n40,2h48\nnan,2\n40,inf\n",
         {(n, "bad-number") for n in (2, 3, 4, 5)}),
        ("watts,hours\n40\n,2\n40,2,3\n40,2,5,1\n",
         {(2, "wrong-count"), (3, "no-value"), (4, "wrong-count"), (5, "wrong-count")}),
        ("watts,hours\n1e9,2\n40,1e9\n1e999,2\n", {(n, "too-large") for n in (2, 3, 4)}),
        ("watts,hours,charge\n40,2,0\n40,2,101\n40,2,0.95\n",
         {(n, "bad-charge") for n in (2, 3, 4)}),
        ("watts,hours,date\n40,2,yesterday\n40,2,2027-01-01\n",
         {(2, "bad-date"), (3, "bad-date")}),
        ("watts,hours,temperature_c\n40,2,294\n", {(2, "bad-temperature")}),
        ("watts,hours,or_watts\n40,2,-3\n40,2,0\n", {(2, "negative"), (3, "negative")}),
        ("watts,hours,charge,date\nx,0,2000,never\n",
         {(2, "bad-number"), (2, "negative"), (2, "bad-charge"), (2, "bad-date")}),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told_by_line(
    tmp_path: Path, text: str, told: set[tuple[int, str]]
) -> None:
    """All of it in one go, each with what to write instead, and nothing is guessed."""
    found = read(tmp_path, text)

    assert {(fault.line, fault.code) for fault in found.faults} == told
    assert all(fault.fix and fault.severity is Severity.ERROR for fault in found.faults)
    assert not found.is_readable


def test_minutes_are_answered_with_hours(tmp_path: Path) -> None:
    """The commonest wrong unit."""
    found = read(tmp_path, "watts,minutes\n40,150\n")

    assert "33 minutes are 0.55 hours" in found.faults[0].fix


def test_a_column_that_is_not_known_is_told_and_the_rest_is_read(tmp_path: Path) -> None:
    """A slip in a name must not pass for a figure that was given."""
    found = read(tmp_path, "watts,hours,chrage\n40,2.5,80\n")

    assert found.is_readable and len(found.rows) == 1
    assert [(f.line, f.code, f.severity) for f in found.faults] == [
        (1, "unknown-column", Severity.WARNING)
    ]
    assert "charge" in found.faults[0].fix


def test_more_runs_than_anybody_makes_are_refused(tmp_path: Path) -> None:
    """A log of minutes is no file of full runs."""
    found = read(tmp_path, "watts,hours\n" + "40,2.5\n" * 1001)

    assert [(f.line, f.code) for f in found.faults] == [(1002, "too-many")]


@pytest.mark.parametrize("content", [b"", b"\n# nothing\n", b"\xff\xfe\x00w", b"x" * 1_000_001])
def test_what_is_no_such_file_at_all_is_one_sentence(tmp_path: Path, content: bytes) -> None:
    """Empty, of another encoding, or far too large."""
    path = tmp_path / "runs.csv"
    path.write_bytes(content)

    with pytest.raises(ConfigError, match=r"runs\.csv: .+;|megabyte"):
        read_runs(path, today=TODAY)


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    """With what to do."""
    with pytest.raises(ConfigError, match="no such file or directory; name a CSV"):
        read_runs(tmp_path / "none.csv", today=TODAY)
