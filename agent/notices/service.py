"""Notices to the many services that the library apprise knows; it is an extra, `lastwatt[notify]`.

The library is imported when the first such receiver is built, and nowhere else. An address of its
form holds keys, so that nothing of it is ever shown.
"""

from __future__ import annotations

import asyncio
import importlib
import logging
import warnings
from typing import Any

import structlog

from agent.config.notice_tables import ServiceTable
from agent.notices.channel import Answer, Sending, Verdict
from agent.notices.words import Sender, words_of
from drivers.errors import LastwattError
from drivers.transports.threads import in_own_thread

log = structlog.get_logger()

TALK_S = 30.0
_KINDS = ("info", "warning", "failure")


class ServiceMissingError(LastwattError):
    """The library that speaks with services is not installed; install it, and start anew."""

    def __init__(self) -> None:
        super().__init__(
            "the library for services is not installed; run: pip install 'lastwatt[notify]'"
        )


class ServiceChannel:
    """One service."""

    way = "service"

    def __init__(self, table: ServiceTable, sender: Sender) -> None:
        """Prepare; imports the library.

        Raises:
            ServiceMissingError: it is not there.
            ValueError: it does not know such an address.
        """
        self._sender = sender
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # its own affair
            self._apprise = _library().Apprise()
            if not self._apprise.add(table.url.get_secret_value()):
                raise ValueError("no service is known by such an address")
        self._name = str(self._apprise[0].service_name or "service")

    @property
    def host(self) -> str:
        """The kind of service; all else may be a key."""
        return self._name

    async def send(self, sending: Sending) -> Answer:
        """Send some notices as one message."""
        words = words_of(sending, self._sender)
        kind = _KINDS[max(letter.rank for letter in sending.letters)]
        title, body = words.subject, words.text.rstrip()

        def notify() -> bool:
            return bool(self._apprise.notify(body=body, title=title, notify_type=kind))

        try:
            async with asyncio.timeout(TALK_S):
                is_taken = await in_own_thread(notify, name="service")
        except TimeoutError:
            return Answer(Verdict.LATER, "it did not answer in time", is_heard=False)
        except Exception as error:  # other people's code; its text may hold the address
            log.error("failed_delivery", host=self.host, kind=type(error).__name__)
            return Answer(Verdict.LATER, "the library failed at it", is_heard=False)
        if is_taken:
            return Answer(Verdict.TAKEN, "the service took it")
        # The library does not say why: a wrong key, or no way out.
        return Answer(Verdict.LATER, "it did not take it, or was not reached", is_heard=False)


def _library() -> Any:
    """Import the library; kept quiet, since it may log addresses.

    Raises:
        ServiceMissingError: it is not there.
    """
    try:
        library = importlib.import_module("apprise")
    except ImportError as error:
        raise ServiceMissingError from error
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    return library
