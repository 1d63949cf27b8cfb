"""The page as the agent keeps it up: it listens, or says why it cannot, and ends nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from agent.clock import real_monotonic
from agent.config import PageSettings
from agent.page.access import Access
from agent.page.app import app_of
from agent.page.door import Door
from agent.page.live_ride import LiveRide
from agent.page.metrics import Counts
from agent.page.people import PeopleFile
from agent.page.server import PageServer, PageUnavailableError
from agent.page.tls import Certificate, CertificateError, keep_for_ever
from agent.page.view import Front
from policies.events import Event

AGAIN_S = 60.0
"""An address that is taken is tried again so often."""


class Page:
    """One site's page.

    Attributes:
        server: what listens.
        access: who is signed in.
    """

    def __init__(
        self,
        door: Door,
        settings: PageSettings,
        ride: LiveRide,
        *,
        say: Callable[[str, str, str], None],
        now: Callable[[], float] = real_monotonic,
    ) -> None:
        """Prepare; opens nothing.

        Args:
            door: the agent behind the page.
            settings: how it is served.
            ride: the ride-through, as the terminal has it too.
            say: has a notice told: severity, about, text.
            now: real monotonic time, in s, by which sessions end.
        """
        self._door = door
        self._say = say
        self._said: set[str] = set()
        self._certificate: Certificate | None = None
        if settings.has_tls:
            self._certificate = Certificate(settings, door.folder, utc=door.clock.utc)
        self.access = Access(settings, PeopleFile(door.folder), now=now, say=say)
        self._front = Front(door, ride)
        self._counts = Counts()
        self.server = PageServer(
            app_of(door, self._front, self.access, self._counts),
            listen=settings.listen,
            tls=None if self._certificate is None else self._certificate.context,
        )

    def hear(self, event: Event) -> None:
        """Take in an event, for those who watch."""
        self._counts.hear(event)
        self._door.feed.hear(event)

    async def run(self) -> None:
        """Serve for ever; what keeps it from listening is said once, and tried again."""
        async with asyncio.TaskGroup() as group:
            if self._certificate is not None:
                await self._begin_certificate(self._certificate)
                keeping = keep_for_ever(
                    self._certificate, self._door.clock, on_trouble=self._say_once
                )
                group.create_task(keeping)
            group.create_task(self._front.run())
            group.create_task(self._serve())

    async def _serve(self) -> None:
        while True:
            try:
                await self.server.run()
            except PageUnavailableError as error:
                self._say_once(str(error))
                await self._door.clock.sleep(AGAIN_S)

    async def _begin_certificate(self, certificate: Certificate) -> None:
        while True:
            try:
                certificate.keep_up()
            except CertificateError as error:
                self._say_once(str(error))
                await self._door.clock.sleep(AGAIN_S)
            else:
                return

    def _say_once(self, text: str) -> None:
        if text not in self._said:
            self._said.add(text)
            self._say("warning", "page", text)
