"""Tells that the report of an outage is there: once it is whole, or after a while as far as it is.

What was told is kept in the journal, since the agent's own box may go down in an outage and files
the same report again after it.
"""

from __future__ import annotations

from collections.abc import Callable

from agent.config import PageSettings
from agent.notices.alarms import Say
from agent.reports.filing import FOLDER, Filed
from policies.telling import Topic

NAME = "told_report"
"""Under this name the journal keeps of which report was told, and whether that was whole."""

WHOLE_WITHIN_S = 1800.0
"""So long a report may wait to be whole; then it is told of as far as it has gone."""

MEND_MOST = 3


class ReportNews:
    """Hears of each report that was filed, and tells of it."""

    def __init__(
        self,
        *,
        site: str,
        page: PageSettings | None,
        say: Say,
        now: Callable[[], float],
        told: str,
        remember: Callable[[str, str], None],
    ) -> None:
        """Prepare.

        Args:
            site: its name.
            page: how the page is served that shows reports; None = there is none.
            say: raises a notice.
            now: site time, s.
            told: what an earlier run of the agent had kept; "" = nothing.
            remember: keeps a fact by name.
        """
        self._site = site
        self._page = page
        self._say = say
        self._now = now
        self._told = told
        self._remember = remember
        self._first: tuple[str, float] = ("", 0.0)

    def hear(self, filed: Filed) -> str | None:
        """Tell of a report, if that is due; return what was said."""
        name, now = filed.path.name, self._now()
        if self._first[0] != name:
            self._first = (name, now)
        stage = f"{name} whole" if filed.is_final else f"{name} so far"
        is_due = filed.is_final or now - self._first[1] >= WHOLE_WITHIN_S
        if not is_due or self._told in (stage, f"{name} whole"):
            return None
        self._told = stage
        self._remember(NAME, stage)
        text = self._text(filed)
        self._say("warning" if filed.mend else "info", self._site, text, Topic.OVER)
        return text

    def _text(self, filed: Filed) -> str:
        what = "is ready" if filed.is_final else "as far as it has gone is ready"
        text = f"the report of the outage {what}: {self._where(filed)}."
        if filed.mend:
            more = len(filed.mend) - MEND_MOST
            mend = " ".join(filed.mend[:MEND_MOST])
            text = f"{text} To be mended: {mend}{f' And {more} more.' if more > 0 else ''}"
        return text

    def _where(self, filed: Filed) -> str:
        file = f"the file {filed.path} on the agent's box"
        address = None if self._page is None else self._page.address
        if self._page is None or address is None:
            return file
        only = " on that box itself" if self._page.is_here_only else ""
        return f"{address}{FOLDER}/{filed.path.name}{only}, which is {file}"
