"""What the engine asks of a journal, and a guard that lets no journal's trouble through."""

from __future__ import annotations

from typing import Protocol

import structlog

from policies.events import Event
from policies.state import SiteState

log = structlog.get_logger()


class Keeper(Protocol):
    """Keeps what happens; the agent's own is agent.journal.journal.Journal."""

    async def commit(self, *events: Event) -> bool:
        """Make events durable within half a second; False = kept in memory for now."""
        ...

    def note(self, *events: Event) -> None:
        """Take events that need not be durable at once; they go with the next commit."""
        ...

    def snapshot(self, state: SiteState) -> None:
        """Keep the state, so that the next fold starts here."""
        ...

    def rest(self, is_to_rest: bool) -> None:
        """Write all out and let go of the file, but for what is committed; False = as usual."""
        ...


class SureKeeper:
    """A journal that never raises: no fault of it, and no event it has no form for, stops a stop.

    What it fails at is logged; nothing else can be done about it here.
    """

    def __init__(self, keeper: Keeper) -> None:
        self._keeper = keeper

    async def commit(self, *events: Event) -> bool:
        """Make events durable; False = they may not be."""
        try:
            return await self._keeper.commit(*events)
        except Exception as error:
            _say(error, *events)
            return False

    def note(self, *events: Event) -> None:
        """Take events that need not be durable at once."""
        try:
            self._keeper.note(*events)
        except Exception as error:
            _say(error, *events)

    def snapshot(self, state: SiteState) -> None:
        """Keep the state; where that fails, the next fold starts earlier."""
        try:
            self._keeper.snapshot(state)
        except Exception as error:
            _say(error)

    def rest(self, is_to_rest: bool) -> None:
        """Leave the file alone from now on; where that fails it is written on as usual."""
        try:
            self._keeper.rest(is_to_rest)
        except Exception as error:
            _say(error)


def _say(error: Exception, *events: Event) -> None:
    kinds = [type(event).__name__ for event in events]
    log.error("failed_journal", events=kinds, error=f"{type(error).__name__}: {error}")
