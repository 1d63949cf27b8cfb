"""`lastwatt report`, as it is typed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.agent.commands import lastwatt
from tests.agent.reports.pages import Page
from tests.agent.story.telling import rows_of, write_journal
from tests.agent.story.test_story import yard_ride
from tests.agent.yards import Yard


@pytest.fixture
async def state(tmp_path: Path) -> Path:
    return write_journal(tmp_path / "state", rows_of(await yard_ride()), Yard().site)


def test_an_outage_is_told_on_the_terminal_and_into_a_file(state: Path, tmp_path: Path) -> None:
    """The same story in both."""
    shown = lastwatt("report", "outage", "--state", state)
    into = tmp_path / "outage.html"
    written = lastwatt("report", "outage", "--state", state, "--outage", "1", "-o", into)

    assert (shown.status, written.status) == (0, 0)
    assert "Mains failed on Sunday 1 March 2026 at 22:17:05" in shown.out
    assert Page(into.read_text()).faults == []
    assert str(into) in written.out


def test_json_is_one_document(state: Path) -> None:
    """Programs of the integrator's read it."""
    found = lastwatt("report", "outage", "--state", state, "--json").document

    assert found["ok"]
    assert found["outage"]["fates"][0]["fate"] == "came to rest in order"
    assert lastwatt("report", "year", "--state", state, "--year", "2026", "--json").document["year"]
    month = ("report", "month", "--state", state, "--month", "2026-03", "--json")
    assert lastwatt(*month).document["month"]["mains"]["count"] == 1


def test_month_and_year_are_shown_and_written(state: Path, tmp_path: Path) -> None:
    """Text without a file, a page with one."""
    month = lastwatt("report", "month", "--state", state, "--month", "2026-03")
    year = lastwatt("report", "year", "--state", state, "--year", "2026")
    for word, option in (("month", "2026-03"), ("year", "2026")):
        into = tmp_path / f"{word}.html"
        done = lastwatt("report", word, "--state", state, f"--{word}", option, "-o", into)
        assert done.status == 0
        assert Page(into.read_text()).faults == []

    assert "mains failed once" in month.out
    assert "outage 1  1 March 2026, 22:17:05" in year.out


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("outage", "--outage", "7"), 2, 'there is no outage "7"'),
        (("outage", "--outage", "²"), 2, "there is no outage"),
        (("month", "--month", "0001-01"), 2, "is no year to tell of"),
    ],
)
def test_what_cannot_be_told_is_said_in_a_line(
    state: Path, arguments: tuple[str, ...], status: int, said: str
) -> None:
    """No traceback, and what to write instead."""
    done = lastwatt("report", *arguments, "--state", state)

    assert done.status == status
    assert said in done.complaint


def test_a_folder_without_a_journal_is_unreadable(tmp_path: Path) -> None:
    """Status 2, as of every command that reads one."""
    done = lastwatt("report", "outage", "--state", tmp_path)

    assert done.status == 2
    assert "holds no journal" in done.complaint
