"""What is legal under `[notices]` and keeps people from being told when it counts."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator

from agent.checks.power import Scene
from agent.config import Fault
from agent.config.document import Route


def notice_warnings(scene: Scene) -> Iterator[Fault]:
    """Find what passes in clear text, what is missing, and a way out that nobody knows."""
    yield from _clear_text(scene)
    table = scene.loaded.notices
    if table.services and importlib.util.find_spec("apprise") is None:
        yield scene.document.warning(
            ("notices", "services"),
            "notices-library-missing",
            "the library that speaks with services is not installed here",
            "run: pip install 'lastwatt[notify]', where the agent runs",
        )
    if table.has_receivers and table.path is None and not scene.site.way_out:
        yield scene.document.warning(
            ("notices",),
            "notices-way-unknown",
            "the file lists no router or modem, so notices may be cut off by a stop of ours",
            'add path = ["…"], what they go through on their way out, or path = [] for nothing',
        )


def _clear_text(scene: Scene) -> Iterator[Fault]:
    table = scene.loaded.notices
    found: list[tuple[Route, str]] = []
    for place, hook in enumerate(table.webhooks):
        if hook.url.startswith("http:"):
            found.append((("notices", "webhooks", place, "url"), 'an "https" address'))
    for place, mail in enumerate(table.mail):
        if mail.security == "plain":
            fix = 'security = "starttls" or "tls"'
            found.append((("notices", "mail", place, "security"), fix))
    for place, log in enumerate(table.syslog):
        if log.over != "tls":
            found.append((("notices", "syslog", place, "over"), 'over = "tls"'))
    if table.heartbeat is not None and table.heartbeat.url.startswith("http:"):
        found.append((("notices", "heartbeat", "url"), 'an "https" address'))
    for route, fix in found:
        yield scene.document.warning(
            route,
            "notices-clear-text",
            "whoever is on the wire reads along when the site has no power, and could alter it",
            f"use {fix}, unless it stays on a wire of the site's own",
        )
