"""From `[notices]` of the site's file to the ways of telling."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain

from agent.config.notice_tables import (
    MailTable,
    NoticesTable,
    ReceiverTable,
    ServiceTable,
    SyslogTable,
    WebhookTable,
)
from agent.notices.channel import Channel
from agent.notices.mail import MailChannel
from agent.notices.notices import Way
from agent.notices.rules import MOST_TOGETHER, Rules
from agent.notices.service import ServiceChannel, ServiceMissingError
from agent.notices.syslog import SyslogChannel
from agent.notices.webhook import WebhookChannel
from agent.notices.words import Sender
from drivers.base import Clock


@dataclass(frozen=True, slots=True)
class Refused:
    """A receiver that cannot be told anything, and why; without a secret."""

    name: str
    why: str


def ways_of(
    table: NoticesTable, sender: Sender, *, clock: Clock
) -> tuple[list[Way], list[Refused]]:
    """Return who is told, in the order of the file, and who cannot be."""
    ways: list[Way] = []
    refused: list[Refused] = []
    for name, one, make in chain(
        _webhooks(table, sender, clock), _mails(table, sender), _syslogs(table, sender),
        _services(table, sender),
    ):  # fmt: skip
        try:
            ways.append(Way(name, make(), rules_of(one)))
        except ServiceMissingError as error:
            refused.append(Refused(name, str(error)))
        except ValueError:  # its text may hold the address, and that a key
            refused.append(Refused(name, "its url is no address that can be used"))
    return ways, refused


def rules_of(table: ReceiverTable) -> Rules:
    """Return what a receiver wants."""
    batch_s = table.batch if isinstance(table, MailTable | ServiceTable) else 0.0
    return Rules(
        least=table.least,
        topics=frozenset(table.topics),
        quiet=None if table.quiet is None else (table.quiet.from_, table.quiet.to),
        batch_s=batch_s,
        together=1 if isinstance(table, WebhookTable) else MOST_TOGETHER,
    )


_Built = tuple[str, ReceiverTable, Callable[[], Channel]]


def _webhooks(table: NoticesTable, sender: Sender, clock: Clock) -> Iterator[_Built]:
    def maker(one: WebhookTable) -> Callable[[], Channel]:
        return lambda: WebhookChannel(one, sender, clock=clock)

    for number, one in enumerate(table.webhooks, start=1):
        yield one.name or f"webhook {number}", one, maker(one)


def _mails(table: NoticesTable, sender: Sender) -> Iterator[_Built]:
    def maker(one: MailTable, address: str) -> Callable[[], Channel]:
        return lambda: MailChannel(one, address, sender)

    for number, one in enumerate(table.mail, start=1):
        name = one.name or f"mail {number}"
        for address in one.to:
            whole = name if len(one.to) == 1 else f"{name}: {address}"
            yield whole, one, maker(one, address)


def _syslogs(table: NoticesTable, sender: Sender) -> Iterator[_Built]:
    def maker(one: SyslogTable) -> Callable[[], Channel]:
        return lambda: SyslogChannel(one, sender)

    for number, one in enumerate(table.syslog, start=1):
        yield one.name or f"syslog {number}", one, maker(one)


def _services(table: NoticesTable, sender: Sender) -> Iterator[_Built]:
    def maker(one: ServiceTable) -> Callable[[], Channel]:
        return lambda: ServiceChannel(one, sender)

    for number, one in enumerate(table.services, start=1):
        yield one.name or f"service {number}", one, maker(one)
