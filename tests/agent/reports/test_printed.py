"""Documents as a real browser shows and prints them: pages, widths, accessibility, no request."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]  # no stubs
from playwright.sync_api import Browser

from agent.config import LoadedSite, load
from agent.config.contacts import Contact
from agent.planning.outlook import outlook
from agent.reports.handover import handover_html, handover_told
from agent.reports.month import month_html
from agent.reports.outage import outage_html
from agent.reports.rack import MOST_STEPS, rack_html, rack_told
from agent.reports.year import year_html
from policies.model import Device, Role, Starts
from tests.agent.reports.test_period import MADE, year_rows
from tests.agent.story.telling import story_of
from tests.agent.story.test_story import yard_ride, yard_story
from tests.agent.yard_site import CABINET, DEVICES, LOFT, write_yard
from tests.agent.yards import Yard
from tests.peers.chromium import DESK, PHONE, chromium, tab

pytestmark = pytest.mark.peer

LISBON = ZoneInfo("Europe/Lisbon")
NAMES = ("outage", "month", "year", "handover", "rack")


def yard_loaded(folder: Path) -> LoadedSite:
    loaded, faults = load(
        write_yard(folder, CABINET, LOFT, DEVICES), today=date(2026, 11, 28),
        secrets_must_exist=False,
    )  # fmt: skip
    assert loaded is not None, faults
    return loaded


def with_devices(loaded: LoadedSite, count: int) -> LoadedSite:
    """Return a site with so many recorders, each a step of its own, and long names."""
    names = [f"recorder of the north quay, number {number}" for number in range(count)]
    devices = {
        name: Device(
            name, Role.RECORDER, 20.0, 20.0, ("cabinet",), quiesce_s=10.0, stop_s=50.0,
            starts=Starts.BY_HAND, start_s=180.0, can_restore=True,
        )
        for name in names
    }  # fmt: skip
    return replace(
        loaded,
        site=replace(loaded.site, devices=MappingProxyType(devices)),
        addresses=dict.fromkeys(names, "192.0.2.20"),
        contacts=tuple(Contact(f"Ana {n}", "keys", "+351 21 000 00 00") for n in range(4)),
    )


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, str]:
    """Every document, of the boatyard's own; made before the browser has its loop."""
    loaded = yard_loaded(tmp_path_factory.mktemp("yard"))
    found = outlook(
        loaded, begins=datetime(2026, 11, 28, 17, tzinfo=LISBON), today=date(2026, 11, 28),
        outages=500,
    )  # fmt: skip
    told = handover_told(loaded, found, made=MADE, known=None, rehearsed=None)
    ride, year = yard_story(asyncio.run(yard_ride())), story_of(year_rows(), Yard().site)
    return {
        "outage": outage_html(ride, ride.outages[0], zone=LISBON, made=MADE),
        "month": month_html(year, 2026, 3, zone=LISBON, made=MADE),
        "year": year_html(year, 2026, zone=LISBON, made=MADE),
        "handover": handover_html(told, found),
        "rack": rack_html(loaded, made=MADE),
        **{f"rack {n}": rack_html(with_devices(loaded, n), made=MADE) for n in (6, 13, 21, 80)},
    }


@pytest.fixture(scope="module")
def browser(documents: Mapping[str, str]) -> Iterator[Browser]:
    with chromium() as found:
        yield found


def written(folder: Path, html: str) -> str:
    path = folder / "document.html"
    path.write_text(html, encoding="utf-8")
    return path.as_uri()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_it_fits_the_screen_asks_for_nothing_and_reads_well(
    browser: Browser,
    documents: Mapping[str, str],
    tmp_path: Path,
    name: str,
    size: dict[str, Any],
) -> None:
    """No sideways scrolling, no request, no complaint; axe-core finds nothing serious."""
    with tab(browser, written(tmp_path, documents[name]), **size) as opened:
        wide = opened.page.evaluate("document.documentElement.scrollWidth")
        found = Axe().run(opened.page).response["violations"]
        serious = [one["id"] for one in found if one["impact"] in ("serious", "critical")]

    assert wide <= size["viewport"]["width"]
    assert serious == []
    assert opened.complaints == []
    assert opened.elsewhere == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["rack", "rack 6", "rack 13", "rack 21", "rack 80"])
def test_the_sheet_for_the_cabinet_is_one_page(
    browser: Browser, documents: Mapping[str, str], tmp_path: Path, name: str, paper: str
) -> None:
    """A second page would stay in the printer."""
    with tab(browser, written(tmp_path, documents[name]), **DESK) as opened:
        assert pages_of(opened.page.pdf(format=paper)) == 1


@pytest.mark.parametrize("name", ["outage", "month", "year", "handover"])
def test_the_others_print(
    browser: Browser, documents: Mapping[str, str], tmp_path: Path, name: str
) -> None:
    """On few pages, as an owner would want them."""
    with tab(browser, written(tmp_path, documents[name]), **DESK) as opened:
        assert 1 <= pages_of(opened.page.pdf(format="A4")) <= 6


def pages_of(pdf: bytes) -> int:
    """Count the page objects of a PDF (ISO 32000-1, 7.7.3.3)."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def test_steps_that_do_not_fit_are_counted(tmp_path: Path) -> None:
    """Nobody may take the sheet for the whole where it is not."""
    told = rack_told(with_devices(yard_loaded(tmp_path), 80), today=date(2026, 11, 28))

    assert len(told.steps) == MOST_STEPS
    assert told.left_out == 80 - MOST_STEPS


def test_dark_screens_show_paper(
    browser: Browser, documents: Mapping[str, str], tmp_path: Path
) -> None:
    """A report is paper: its picture must not turn to light ink on white."""
    with tab(browser, written(tmp_path, documents["outage"]), color_scheme="dark") as opened:
        paper = opened.page.evaluate(
            "getComputedStyle(document.querySelector('svg')).getPropertyValue('--paper')"
        )

    assert paper.strip() == "#fff"


def test_years_go_by(tmp_path: Path) -> None:
    """The day of a battery comes from its age, which the file's day gives."""
    told = rack_told(yard_loaded(tmp_path), today=date(2026, 11, 28))
    later = rack_told(
        yard_loaded(tmp_path), today=date(2026, 11, 28), fitted={"cabinet": date(2026, 11, 1)}
    )

    assert told.batteries[0].text == "lead-acid, 36 V 7 Ah, fitted 1 March 2025"
    assert later.batteries[0].text == "lead-acid, 36 V 7 Ah, fitted 1 November 2026"
