"""The handover report and the sheet for the cabinet, of the boatyard's whole example file."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from agent.config import LoadedSite, load
from agent.planning.outlook import outlook
from agent.reports.handover import HandoverTold, handover_html, handover_told
from agent.reports.rack import rack_html, rack_told
from agent.reports.wiring_words import start_order
from policies.events import GradeEarned
from policies.graph import graph_of
from policies.state import fold, initial
from tests.agent.commands import (
    http_device,
    lastwatt,
    unit,
    write_secret,
    write_site,
)
from tests.agent.reports.pages import Page

LISBON = ZoneInfo("Europe/Lisbon")
MADE = datetime(2026, 11, 28, 12, tzinfo=UTC)
TODAY = date(2026, 11, 28)
EXAMPLE = Path("config.example.toml")


@pytest.fixture(scope="module")
def example() -> LoadedSite:
    loaded, faults = load(EXAMPLE, today=TODAY, secrets_must_exist=False)
    assert loaded is not None, faults
    return loaded


def told_of(loaded: LoadedSite) -> tuple[HandoverTold, str]:
    begins = datetime(2026, 11, 28, 17, tzinfo=LISBON)
    found = outlook(loaded, begins=begins, today=TODAY, outages=300)
    state = initial(loaded.site)
    drilled = GradeEarned(1.0, "gate recorder", "drilled", date(2026, 5, 3), "seen to run again")
    known = fold(loaded.site, state, drilled)
    told = handover_told(loaded, found, made=MADE, known=known, rehearsed=None)
    return told, handover_html(told, found)


def test_the_handover_says_what_is_wired_how(example: LoadedSite) -> None:
    """Golden facts of the example file, as somebody reads them off it."""
    told, html = told_of(example)
    page = Page(html)
    cabinet = told.wiring[0]
    devices = {device.name: device for device in cabinet.devices}

    assert (cabinet.name, cabinet.rating) == ("cabinet", "1000 VA, 700 W")
    assert cabinet.battery == "lead-acid, 36 V 7 Ah, fitted 1 March 2025"
    assert devices["slipway camera"].depth == 1
    assert devices["slipway camera"].draws == "5.5 W, 8 W by night"
    assert devices["gate recorder"].stops == "quiesced by http in 10 s, stopped by http in 50 s"
    assert "reached through yard switch" in devices["gate recorder"].remarks
    assert devices["door release"].stops == "never: no order may reach it"
    assert told.untouched == ("door release",)
    assert told.drill == "1 drilled so far; the last on 3 May 2026: gate recorder."
    assert next(g for g in told.grades if g.device == "gate recorder").grade == "drilled 2026-05-03"
    assert told.contacts[0].phone in page.text
    assert "Life safety first" in page.text
    assert page.faults == []


def test_every_device_starts_after_what_it_uses(example: LoadedSite) -> None:
    """Whoever starts by hand must not find a camera's switch off."""
    order = [device.name for device in start_order(example.site)]
    uses = graph_of(example.site).uses

    assert sorted(order) == sorted(example.site.devices)
    for place, name in enumerate(order):
        assert uses[name] <= set(order[:place]), name


def test_the_sheet_says_whom_to_call_and_how_to_undo(example: LoadedSite) -> None:
    """At night, without a screen."""
    told = rack_told(example, today=TODAY)
    page = Page(rack_html(example, made=MADE))
    steps = {step.names: step for step in told.steps}

    assert page.faults == []
    assert "Ana, boatyard office" in page.text
    assert "lastwatt restore owed.txt" in page.text
    assert "/var/lib/lastwatt/owed.txt" in page.text
    assert "Do not touch: door release." in page.text
    assert steps["gate recorder"].do.startswith("press its power button")
    assert steps["door release"].do == "leave it alone; see that it is on"
    assert [battery.unit for battery in told.batteries] == ["cabinet", "loft"]


def test_no_secret_is_in_any_document(tmp_path: Path) -> None:
    """They are mailed, printed and hung up."""
    more = 'auth = "basic"\nuser = "watch"\npassword = { file = "pass" }\n'
    secrets = {"pass": "hunter-of-herons", "auth": "SHA-of-the-quay", "privacy": "AES-of-the-quay"}
    path = write_site(tmp_path, unit(161), http_device(8080, more=more))
    for name, secret in secrets.items():
        write_secret(tmp_path / name, secret)
    for word in ("handover", "rack"):
        into = tmp_path / f"{word}.html"
        done = lastwatt("report", word, path, "-o", into)
        assert done.status == 0, done.err
        shown = lastwatt("report", word, path, "--json")
        for secret in secrets.values():
            assert secret not in into.read_text()
            assert secret not in shown.out + shown.err
        assert shown.document["ok"]


def test_a_document_of_a_site_wants_a_file_to_go_to(tmp_path: Path) -> None:
    """A page of HTML is nothing for a terminal."""
    shutil.copy(EXAMPLE, tmp_path / "site.toml")
    done = lastwatt("report", "rack", tmp_path / "site.toml")

    assert done.status == 2
    assert "name the file to write" in done.complaint


def test_a_contact_is_one_line(tmp_path: Path) -> None:
    """What breaks the sheet is refused where it is written."""
    path = write_site(tmp_path, unit(161), '[[contact]]\nname = "Ana\\nBruno"\n')
    loaded, faults = load(path, today=TODAY)

    assert loaded is None
    assert [fault.code for fault in faults] == ["bad-contact"]
