"""The reports that the agent filed, for whoever opens the page after an outage.

They are whole documents with a style of their own, so each comes with a policy of its own: nothing
in it may run, load or lead anywhere, whatever a device's words in it may hold.
"""

from __future__ import annotations

import calendar
import re
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from agent.moment import shown
from agent.page.view_frame import Frame
from agent.reports.filing import FOLDER

PLACE = "/reports"
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)
"""Content Security Policy Level 3; with `sandbox` it cannot even reach the page beside it."""

_NAME = re.compile(r"outage-(?P<began>\d{8}T\d{6})Z\.html|month-(?P<month>\d{4}-\d{2})\.html")

_MONTHS = range(1, 13)


class Filed:
    """Shows what lies in the folder of reports, and nothing else."""

    def __init__(self, folder: Path, frame: Frame, *, site: str, zone: tzinfo) -> None:
        """Take the state directory, what pages are made in, and the site's name and zone."""
        self._folder = folder / FOLDER
        self._frame = frame
        self._site = site
        self._zone = zone

    @property
    def routes(self) -> list[Route]:
        """The list, and each report."""
        return [Route(PLACE, self._list), Route(f"{PLACE}/{{name}}", self._one)]

    async def _list(self, request: Request) -> Response:
        names = await run_in_threadpool(self._names)
        kinds: dict[str, list[tuple[str, str]]] = {"Outages": [], "Months": []}
        for name in sorted(names, reverse=True):
            kind, title = self._titled(name)
            kinds[kind].append((name, title))
        return self._frame.page("filed.html", site=self._site, kinds=kinds, place=PLACE)

    async def _one(self, request: Request) -> Response:
        name = request.path_params["name"]
        if not _NAME.fullmatch(name):
            raise HTTPException(404)
        try:
            text = await run_in_threadpool((self._folder / name).read_text, "utf-8")
        except OSError:
            raise HTTPException(404) from None
        return HTMLResponse(text, headers={"content-security-policy": POLICY})

    def _names(self) -> list[str]:
        try:
            return [path.name for path in self._folder.iterdir() if _NAME.fullmatch(path.name)]
        except OSError:
            return []

    def _titled(self, name: str) -> tuple[str, str]:
        """Say of what kind a file of that name is, and of when; in its name the time is UTC."""
        found = _NAME.fullmatch(name)
        assert found is not None
        if found["month"]:
            year, month = map(int, found["month"].split("-"))
            return "Months", f"{calendar.month_name[month]} {year}" if month in _MONTHS else name
        began = datetime.strptime(found["began"], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
        local = began.astimezone(self._zone)
        return "Outages", f"{local:%A} {local.day} {local:%B %Y}, {shown(local, '%H:%M')}"
