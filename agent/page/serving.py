"""The page as the agent keeps it up: it listens, or says why it cannot, and ends nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from agent.config import PageSettings
from agent.page.app import app_of
from agent.page.door import Door
from agent.page.server import PageServer, PageUnavailableError
from agent.page.view import Front
from policies.events import Event

AGAIN_S = 60.0
"""An address that is taken is tried again so often."""


class Page:
    """One site's page.

    Attributes:
        server: what listens.
    """

    def __init__(
        self, door: Door, settings: PageSettings, *, say: Callable[[str, str, str], None]
    ) -> None:
        """Prepare; opens nothing.

        Args:
            door: the agent behind the page.
            settings: how it is served.
            say: has a notice told: severity, about, text.
        """
        self._door = door
        self._say = say
        self._is_beyond_loopback = settings.has_tls or not settings.open_reading
        self._front = Front(door)
        self.server = PageServer(app_of(door, self._front), listen=settings.listen)

    def hear(self, event: Event) -> None:
        """Take in an event, for those who watch."""
        self._door.feed.hear(event)

    async def run(self) -> None:
        """Serve for ever; what keeps it from listening is said once, and tried again."""
        if self._is_beyond_loopback:
            self._say("warning", "page", "this version serves the page on loopback only, openly")
            return
        await asyncio.gather(self._front.run(), self._serve())

    async def _serve(self) -> None:
        said = ""
        while True:
            try:
                await self.server.run()
            except PageUnavailableError as error:
                if str(error) != said:
                    said = str(error)
                    self._say("warning", "page", said)
                await self._door.clock.sleep(AGAIN_S)
