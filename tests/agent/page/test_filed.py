"""Reports at the page: those that were filed, under a policy in which nothing can run."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.page.filed import POLICY
from tests.agent.page.page_site import page_site, serving
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

NAME = "outage-20261025T003015Z.html"
"""In the hour that comes twice in Lisbon: half past one, summer time."""


async def test_reports_are_listed_newest_first_and_shown_as_they_are(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Whoever opens the page after a night finds what happened in it."""
    folder = tmp_path / "state" / "reports"
    folder.mkdir(parents=True)
    for name in (NAME, "outage-20270101T120000Z.html", "month-2026-10.html"):
        (folder / name).write_text("<!doctype html><style>p { }</style><p>all at rest", "utf-8")
    (folder / "notes.txt").write_text("not a report", "utf-8")
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        listed = await served.web.get("/reports")
        shown = await served.web.get(f"/reports/{NAME}")
        others = [
            await served.web.get(f"/reports/{name}")
            for name in ("notes.txt", "..%2fjournal.db", "outage-20200101T000000Z.html")
        ]

    newest, older = "Friday 1 January 2027, 12:00<", "Sunday 25 October 2026, 01:30 WEST<"
    assert listed.text.index(newest) < listed.text.index(older) < listed.text.index(">Months<")
    assert "October 2026<" in listed.text and "notes.txt" not in listed.text
    assert "all at rest" in shown.text
    assert shown.headers["content-security-policy"] == POLICY
    assert {other.status_code for other in others} == {404}


async def test_without_any_report_the_list_says_so(tmp_path: Path, snmpd: Snmpd) -> None:
    """A new site has had no outage."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        listed = await served.web.get("/reports")

    assert listed.status_code == 200 and "None was filed yet" in listed.text
