"""Grades as commands show them: by the file that there is now, and the journal that was kept."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from agent.checks.check import warnings
from agent.config import LoadedSite
from agent.grades.settings import fingerprints
from agent.grades.standings import as_fields, rehearsals_in, standings
from agent.status import document, lines
from policies.events import GradeEarned
from policies.grades import Grade
from policies.state import SiteState, fold, initial
from tests.agent.journals import open_journal
from tests.agent.site_files import TODAY, read
from tests.agent.test_check import QUIET
from tests.fakes import FakeClock

GATE = "gate recorder"


def loaded(folder: Path, text: str = QUIET) -> LoadedSite:
    return read(folder, text).loaded


def drilled(site: LoadedSite, *, days_ago: int = 0, settings: str = "") -> SiteState:
    on = TODAY - timedelta(days=days_ago)
    word = settings or fingerprints(site)[GATE]
    return fold(
        site.site, initial(site.site), GradeEarned(1.0, GATE, "drilled", on, "it came back", word)
    )


@pytest.mark.parametrize(
    ("days_ago", "settings", "codes"),
    [(0, "", []), (400, "", ["drill-stale"]), (0, "of another recorder", ["drill-stale"])],
    ids=["drilled", "long ago", "with other settings"],
)
def test_check_warns_of_a_recorder_whose_drill_no_longer_counts(
    tmp_path: Path, days_ago: int, settings: str, codes: list[str]
) -> None:
    """The owner relies on what was seen once; it has to be said when that is no longer so."""
    site = loaded(tmp_path)
    state = drilled(site, days_ago=days_ago, settings=settings)
    found = warnings(site, grades=standings(site, state, TODAY))
    assert [fault.code for fault in found if "drill" in fault.code] == codes


def test_check_warns_of_a_recorder_that_was_never_drilled(tmp_path: Path) -> None:
    """Its first trial would be the first outage."""
    site = loaded(tmp_path)
    found = warnings(site, grades=standings(site, initial(site.site), TODAY))
    (fault,) = (fault for fault in found if fault.code == "never-drilled")
    assert GATE in fault.key
    assert "planned only" in fault.message


def test_how_long_a_drill_counts_stands_in_the_file(tmp_path: Path) -> None:
    """A site that drills every quarter wants to hear of the one left out."""
    text = QUIET.replace("[[unit]]", '[agent]\ndrilled_lasts = "90d"\n[[unit]]', 1)
    site = loaded(tmp_path, text)
    found = standings(site, drilled(site, days_ago=100), TODAY)[GATE]
    assert found.grade is Grade.PLANNED


def test_the_status_says_since_when_a_device_is_known_to_work(tmp_path: Path) -> None:
    """One look has to tell which recorder to drill next."""
    site = loaded(tmp_path)
    state = drilled(site)
    shown = document(
        site.site, state, None, now=2.0, dry_run=False, grades=standings(site, state, TODAY)
    )
    (device,) = (d for d in shown["devices"] if d["name"] == GATE)
    assert device["grade"]["on"] == TODAY.isoformat()
    assert any(GATE in line and f"drilled {TODAY}" in line for line in lines(shown))


@pytest.mark.parametrize(
    ("old", "new", "is_changed"),
    [
        ('address = "192.0.2.20"', 'address = "192.0.2.99"', True),
        ('user = "keeper"', 'user = "porter"', True),
        ('start = { driver = "knock", takes = "2m" }', 'start = "by itself"', True),
        ('takes = "50s"', 'takes = "70s"', False),
        ("watts = 24", "watts = 31", False),
    ],
)
def test_a_fingerprint_changes_with_how_a_device_is_told_and_not_with_its_figures(
    tmp_path: Path, old: str, new: str, is_changed: bool
) -> None:
    """Writing down what a drill measured must not void the drill."""
    assert QUIET.count(old) == 1
    before = fingerprints(loaded(tmp_path))
    after = fingerprints(loaded(tmp_path, QUIET.replace(old, new)))
    assert (before[GATE] != after[GATE]) is is_changed
    assert before["yard switch"] == after["yard switch"]


async def test_what_a_dry_run_rehearsed_is_found_by_the_live_agent(tmp_path: Path) -> None:
    """Its entries are kept apart from the live ones; the grade must not be lost with them."""
    site = loaded(tmp_path).site
    journal = open_journal(tmp_path, FakeClock(), dry_run=True)
    await journal.commit(GradeEarned(1.0, GATE, "rehearsed", TODAY, "gone through dry", "word"))
    await journal.close()
    assert rehearsals_in(tmp_path, site)[GATE].on == TODAY


def test_json_has_the_grade_in_plain_words(tmp_path: Path) -> None:
    """Programs read it, and must not have to take a sentence apart."""
    site = loaded(tmp_path)
    fields = as_fields(standings(site, drilled(site, days_ago=400), TODAY)[GATE])
    assert fields["grade"] == "planned"
    assert fields["stale"] == {"drilled": (TODAY - timedelta(days=400)).isoformat()}
