"""The page in a real browser: on a virtual site at rest, and through a whole outage.

The agent is the code of `lastwatt run`, in a process of its own, on the virtual site; the browser
is Chromium, and accessibility is judged by axe-core (WCAG 2.1 A and AA, and its best practices).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]  # no stubs
from playwright.sync_api import Browser, Page, expect

from agent.control import ask
from tests.agent.page.people_here import ANA, write_people
from tests.agent.page.yard_page import YardPage, yard_page
from tests.peers.chromium import DESK, PHONE, Tab, chromium, tab

pytestmark = pytest.mark.peer

PARTS = ("Ride-through", "Devices", "Power", "Batteries", "Journal")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    expect.set_options(timeout=30_000)  # a busy machine is slow, and not wrong
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def at_rest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[YardPage]:
    """A site on mains on which nothing happens."""
    with yard_page(tmp_path_factory.mktemp("yard"), factor=3.0) as found:
        yield found


def until_known(page: Page) -> None:
    """Wait for the first reading to be on the page, and what an outage now would be."""
    expect(page.locator("#part-said strong")).to_contain_text("mains is there", timeout=60_000)
    expect(page.locator("#part-said p")).to_contain_text("would last", timeout=60_000)


def see_nothing_odd(opened: Tab) -> None:
    """No complaint on the console, and nothing asked of another host."""
    assert opened.complaints == []
    assert opened.elsewhere == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_page_answers_the_one_question_and_then_the_rest(
    browser: Browser, at_rest: YardPage, size: dict[str, Any]
) -> None:
    """Somebody opens it: are we all right, and for how long; everything else stands below."""
    with tab(browser, at_rest.url, **size) as opened:
        page = opened.page
        until_known(page)
        said = page.locator("#part-said p")
        expect(said).to_contain_text(re.compile(r"the battery would last \d+ min at least"))

        assert page.locator("h2").all_inner_texts() == list(PARTS)
        assert page.locator("svg.ride:visible").count() == 1
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        see_nothing_odd(opened)


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (PHONE, "dark"), (DESK, "dark")])
def test_axe_finds_nothing_serious(
    browser: Browser, at_rest: YardPage, size: dict[str, Any], scheme: str
) -> None:
    """Whoever reads by ear, by keyboard or in the dark has the same page."""
    with tab(browser, at_rest.url, color_scheme=scheme, **size) as opened:
        until_known(opened.page)

        assert serious(opened.page) == []


def serious(page: Page) -> list[str]:
    """Return what axe-core finds serious or critical."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {one['nodes'][0]['html']}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


def test_forms_are_for_everybody_too(browser: Browser, at_rest: YardPage) -> None:
    """Whoever signs in, and says what is to be done, may do so by ear and keyboard as well."""
    write_people(at_rest.state)
    with tab(browser, f"{at_rest.url}do/pause", color_scheme="dark", **PHONE) as opened:
        page = opened.page
        assert serious(page) == []
        page.get_by_label("Name").fill("Ana")
        page.get_by_label("Password").fill(ANA)
        page.keyboard.press("Enter")

        expect(page.get_by_role("button", name="Pause")).to_be_visible()
        assert serious(page) == []
        page.goto(f"{at_rest.url}do/stop?device=lodge+PC")
        expect(page.get_by_role("button", name="Stop lodge PC")).to_be_visible()
        assert serious(page) == []
        see_nothing_odd(opened)


def test_without_scripts_it_shows_the_same(browser: Browser, at_rest: YardPage) -> None:
    """An old phone, or a browser that blocks scripts, still answers the question."""
    with tab(browser, at_rest.url, **PHONE) as opened:
        until_known(opened.page)
    with tab(browser, at_rest.url, java_script_enabled=False, **PHONE) as opened:
        assert "mains is there" in opened.page.locator("#part-said").inner_text()
        assert opened.page.locator("svg.ride:visible").count() == 1
        assert "30" in (
            opened.page.locator("meta[http-equiv=refresh]").get_attribute("content") or ""
        )


def test_printed_it_is_the_wide_picture_in_black_on_white(
    browser: Browser, at_rest: YardPage
) -> None:
    """A sheet to pin up beside the cabinet."""
    with tab(browser, at_rest.url, color_scheme="dark", **PHONE) as opened:
        until_known(opened.page)
        opened.page.emulate_media(media="print", color_scheme="light")

        assert opened.page.locator("svg.ride.wide").is_visible()
        assert not opened.page.locator("svg.ride.narrow").is_visible()
        assert not opened.page.locator("nav").is_visible()
        assert opened.page.pdf(format="A4")[:5] == b"%PDF-"


def test_keyboard_reaches_everything_and_what_was_opened_stays(
    browser: Browser, at_rest: YardPage
) -> None:
    """A change that takes the focus away makes the page useless to who types."""
    with tab(browser, at_rest.url, **DESK) as opened:
        page = opened.page
        until_known(page)
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        summary = page.locator("summary").first
        summary.focus()
        page.keyboard.press("Enter")
        heard = page.locator("#part-heard time").first
        before = heard.inner_text()

        expect(heard).not_to_have_text(before, timeout=60_000)

        assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
        assert page.locator("details").first.get_attribute("open") is not None
        see_nothing_odd(opened)


def test_rehearsal_is_watched_to_its_end(browser: Browser, at_rest: YardPage) -> None:
    """Who rehearses sees each order as it would be given, and nothing is sent."""
    with tab(browser, f"{at_rest.url}rehearsal", **PHONE) as opened:
        page, head = opened.page, opened.page.locator("#part-said strong")
        expect(head).to_contain_text("There was no rehearsal yet")
        # Mains is away for two real seconds: what is looked for must not be over in a blink.
        began = ask(at_rest.state, {"ask": "rehearse", "pace": 300.0, "mains_after_s": 600.0})
        assert began["ok"], began

        expect(head).to_contain_text("A rehearsal is under way: mains is away", timeout=60_000)
        expect(page.get_by_role("link", name="End the rehearsal")).to_be_visible()
        expect(page.locator("svg.ride.narrow path.on.was").first).to_be_attached(timeout=60_000)
        expect(page.locator("#part-orders li").first).to_contain_text("lodge PC", timeout=60_000)
        expect(head).to_contain_text("Rehearsed: ", timeout=120_000)
        assert serious(page) == []
        see_nothing_odd(opened)


def test_outage_is_told_as_it_goes(browser: Browser, tmp_path: Path) -> None:
    """From mains failing to everything back: the sentence, the picture, the devices, live."""
    with yard_page(tmp_path, factor=90.0) as yard, tab(browser, yard.url, **PHONE) as opened:
        page = opened.page
        until_known(page)
        yard.tell("fail")

        head, why = page.locator("#part-said strong"), page.locator("#part-said p")
        expect(head).to_contain_text("On battery", timeout=60_000)
        expect(why).to_contain_text(re.compile(r"Mains failed at \d\d:\d\d"))
        expect(why).to_contain_text(re.compile(r"lasts until \d\d:\d\d at least \(.*95 % sure\)"))
        ride = page.locator("svg.ride.narrow")
        expect(ride.locator("path.on.was").first).to_be_visible()
        expect(ride.locator("path.on.will").first).to_be_visible(timeout=60_000)
        expect(ride.locator("path.ebb.was").first).to_be_attached(timeout=60_000)
        expect(head).to_contain_text("all that holds data is at rest", timeout=60_000)
        state = page.locator(".devices li", has_text="lock recorder").locator("dd").first
        expect(state).to_contain_text("at rest")
        assert serious(page) == []

        yard.tell("return")
        # The battery is as empty as the outage has left it, and the page says so.
        expect(head).to_contain_text("the battery is not full again", timeout=60_000)
        expect(page.locator(".journal").first).to_contain_text("lock recorder")
        # The agent's own box was without power for a while: its stream broke off, and only that.
        opened.complaints = [said for said in opened.complaints if "net::ERR_" not in said]
        see_nothing_odd(opened)


def test_page_says_when_it_is_stale_and_comes_back_by_itself(
    browser: Browser, at_rest: YardPage
) -> None:
    """A page that shows an hour-old "all is well" as if it were now would be worse than none."""
    with tab(browser, at_rest.url, clock=True, **PHONE) as opened:
        page, stale = opened.page, opened.page.locator("#stale")
        until_known(page)
        expect(stale).to_be_hidden()

        page.context.set_offline(True)
        page.clock.fast_forward(60_000)
        expect(stale).to_contain_text(re.compile(r"Not heard from the agent since \d\d:\d\d:\d\d"))

        page.context.set_offline(False)
        page.clock.fast_forward(60_000)
        expect(stale).to_be_hidden(timeout=60_000)
        until_known(page)
