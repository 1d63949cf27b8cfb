"""What those who serve the page may see of the agent, and what they may ask of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from agent.config import LoadedSite
from agent.control import Ask
from agent.engine import Engine
from agent.health import Health
from agent.page.feed import Feed
from drivers.base import Clock
from drivers.errors import LastwattError
from policies.model import Place
from policies.plan import Plan

REHEARSED = "rehearsed"
"""The ask that tells of rehearsals."""


@dataclass(frozen=True, slots=True)
class Door:
    """The agent as the page sees it; everything here is read on the agent's own loop.

    Attributes:
        loaded: the site's file.
        folder: the state directory; the journal in it is read by `agent.journal.view`, off the
            loop.
        engine: to read `site`, `state`, `decision`, `learnt` and `beliefs` of. Whatever changes
            something goes through `asks`.
        clock: `monotonic()` is the site time that states and events are told in.
        dry_run: nothing is sent to any device.
        status: the document of `lastwatt status`, without `format` and `ok`.
        plan: the plan that is acted on, or None.
        today: the site's day.
        asks: what the control socket answers, by name; see `agent.page.actions` for who may ask.
        version: of lastwatt.
        is_journal_healthy: whether what happens reaches the disk, in time.
        health: whether the agent does its work, see `agent.health`.
        feed: what happens.
    """

    loaded: LoadedSite
    folder: Path
    engine: Engine
    clock: Clock
    dry_run: bool
    status: Callable[[], dict[str, Any]]
    plan: Callable[[], Plan | None]
    today: Callable[[], date]
    asks: Mapping[str, Ask]
    version: str
    is_journal_healthy: Callable[[], bool]
    health: Callable[[], Health]
    feed: Feed = field(default_factory=Feed)

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone, for times that people read."""
        return self.loaded.time_zone

    @property
    def place(self) -> Place | None:
        """Where the site lies, if its file says."""
        return self.loaded.place

    async def last_rehearsal(self) -> Mapping[str, Any] | None:
        """Return how the rehearsal under way, or the last one, is; None where there was none."""
        if REHEARSED not in self.asks:
            return None
        try:
            return await self.asks[REHEARSED]({"ask": REHEARSED})
        except LastwattError:  # there was none yet
            return None
