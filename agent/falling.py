"""What happens while the policies fail: the floor acts when it is due, and people are told."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

import structlog

from agent.floor import Floor
from agent.news import log_notice
from drivers.base import Clock
from policies import reasons
from policies.events import Event, FloorTaken, NoticeRaised
from policies.model import Site
from policies.reasons import duration_text
from policies.state import SiteState

log = structlog.get_logger()

FALLEN_EVERY_S = 1.0
"""While the policies fail, they are tried again that often."""

SAY_AGAIN_S = 600.0
"""Policies that fail now and then are spoken of once in so long."""

_WHY_MOST = 300


class Falling:
    """Stands between policies that fail and the floor beneath them.

    Attributes:
        is_fallen: the policies fail, and the floor is all there is.
    """

    def __init__(
        self,
        site: Site,
        floor: Floor,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        record: Callable[..., Awaitable[None]],
    ) -> None:
        """Prepare.

        Args:
            site: what there is.
            floor: brings it to rest in its plain order.
            clock: of site time.
            state: the last one that the events folded to.
            record: folds events and makes them durable.
        """
        self._site = site
        self._floor = floor
        self._clock = clock
        self._state = state
        self._record = record
        self._said_at: float | None = None
        self.is_fallen = False

    def rise(self) -> None:
        """The policies work, again."""
        self.is_fallen = False

    async def fall(self, error: Exception) -> None:
        """The policies failed: let the floor act when it is due, and say so."""
        why = f"{type(error).__name__}: {error}"[:_WHY_MOST]
        now, state = self._clock.monotonic(), self._state()
        is_paused = state.paused_until_at is not None and now < state.paused_until_at
        if not is_paused and not state.watches_only:
            self._floor.take_if_due(reasons.floor(why))
        if self.is_fallen:
            return
        self.is_fallen = True
        if self._said_at is not None and now - self._said_at < SAY_AGAIN_S:
            return
        self._said_at = now
        log.exception("failed_decision")
        text = (
            f"the planning code failed ({why}): while it does, everything on battery is stopped in "
            f"the plain order of the site's file, once the unit is low or after "
            f"{duration_text(self._site.floor_after_s)}; report this"
        )
        notice = NoticeRaised(now, "error", self._site.name, text)
        log_notice(notice)
        events: tuple[Event, ...] = (FloorTaken(now, why), notice)
        await self._record(*events)
