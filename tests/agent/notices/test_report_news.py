"""That the report of an outage is there is told, once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from agent.config import PageSettings
from agent.notices.letter import from_json, to_json
from agent.notices.report_news import WHOLE_WITHIN_S, ReportNews
from agent.reports.filing import Filed
from tests.agent.notices.telling import letter

PATH = Path("/var/lib/lastwatt/reports/outage-20260701T224107Z.html")
WHOLE = Filed(3, PATH, ("Mains failed.",), (), is_final=True)
SO_FAR = replace(WHOLE, is_final=False)


class Told:
    """What was said, and kept, over the agent's restarts."""

    def __init__(self, page: PageSettings | None = None) -> None:
        self.said: list[tuple[str, str, str, str]] = []
        self.kept: dict[str, str] = {}
        self.now = 0.0
        self._page = page
        self.restart()

    def restart(self) -> None:
        self.news = ReportNews(
            site="boatyard",
            page=self._page,
            say=lambda *said: self.said.append(said),
            now=lambda: self.now,
            told=self.kept.get("told_report", ""),
            remember=self.kept.__setitem__,
        )


def test_report_is_told_of_once_over_restarts() -> None:
    """The box files it again whenever it starts within a day."""
    told = Told()
    told.news.hear(SO_FAR)
    told.news.hear(WHOLE)
    told.restart()
    told.news.hear(WHOLE)

    assert told.said == [
        ("info", "boatyard", f"the report of the outage is ready: the file {PATH} on the agent's "
         "box.", "over"),
    ]  # fmt: skip


def test_report_that_waits_for_a_device_is_told_of_as_far_as_it_is() -> None:
    """A recorder that nobody has switched on must not keep the owner waiting for the rest."""
    told = Told()
    for told.now in (0.0, 900.0, WHOLE_WITHIN_S, WHOLE_WITHIN_S + 900.0):
        told.news.hear(SO_FAR)
    told.news.hear(WHOLE)

    so_far, whole = (text for _, _, text, _ in told.said)
    assert "as far as it has gone" in so_far
    assert "as far as it has gone" not in whole


def test_what_is_to_be_mended_makes_it_a_warning() -> None:
    """Whoever asked for warnings only is told of the report that names work."""
    told = Told()
    told.news.hear(replace(WHOLE, mend=("A.", "B.", "C.", "D.", "E.")))

    ((severity, _, text, _),) = told.said
    assert severity == "warning"
    assert text.endswith(" To be mended: A. B. C. And 2 more.")


@pytest.mark.parametrize(
    ("page", "where"),
    [
        (
            PageSettings(("0.0.0.0", 8628), names=("yard.example",), has_tls=True),
            f"https://yard.example:8628/reports/{PATH.name}, which is the file {PATH}",
        ),
        (
            PageSettings(("127.0.0.1", 8628)),
            f"http://127.0.0.1:8628/reports/{PATH.name} on that box itself, which is",
        ),
        (PageSettings(("::1", 8628)), f"http://[::1]:8628/reports/{PATH.name} on that"),
        (PageSettings(("192.0.2.2", 0)), f": the file {PATH} on the agent's box."),
    ],
)
def test_page_that_shows_it_is_named(page: PageSettings, where: str) -> None:
    """The owner opens it with one touch."""
    told = Told(page)
    told.news.hear(WHOLE)

    assert where in told.said[0][2]


def test_letter_keeps_its_report_on_the_disk() -> None:
    """A mail that is sent after a restart brings it along as well."""
    told = replace(letter(), report=PATH.name)

    assert from_json(to_json(told)) == told
