"""A real Chromium, driven by Playwright: each with a profile of its own, that nobody else has."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

PHONE: dict[str, Any] = {
    "viewport": {"width": 360, "height": 780},
    "device_scale_factor": 2,
    "has_touch": True,
}
DESK: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}

_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def chromium_path() -> str:
    """Return the path of Chromium; skip where it is absent, fail where CI is true."""
    path = shutil.which("chromium")
    if path is None:
        text = "chromium is not installed: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    return path


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run a Chromium with a fresh profile."""
    path = chromium_path()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(_FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@dataclass(slots=True)
class Tab:
    """An open page, and what went wrong or out in it.

    Attributes:
        complaints: messages on its console and faults of its scripts.
        elsewhere: requests that left the host it was opened from.
    """

    page: Page
    host: str
    complaints: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def hear(self) -> None:
        """Begin to note down."""
        self.page.on("console", lambda said: self.complaints.append(f"{said.type}: {said.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self._look(request.url))

    def _look(self, url: str) -> None:
        if urlsplit(url).netloc != self.host and not url.startswith("data:"):
            self.elsewhere.append(url)


@contextmanager
def tab(browser: Browser, url: str, *, clock: bool = False, **options: Any) -> Iterator[Tab]:
    """Open a page in a context of its own.

    Args:
        browser: the browser.
        url: of the page.
        clock: its clock can be put forward, by `page.clock`.
        options: Playwright's, of a context.
    """
    context: BrowserContext = browser.new_context(**options)
    try:
        opened = Tab(context.new_page(), urlsplit(url).netloc)
        opened.hear()
        if clock:
            opened.page.clock.install()
        opened.page.goto(url, wait_until="load")
        yield opened
    finally:
        context.close()
