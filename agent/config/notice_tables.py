"""`[notices]` of the file: who is told of what, by which way, and what waits until they are."""

from __future__ import annotations

import re
from datetime import time
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from agent.config.faults import did_you_mean
from agent.config.fields import Address, Name, Names, Span, Url, refusal
from drivers.http_settings import Tls
from drivers.settings import Duration, Secret, Settings
from policies.telling import Topic

NOTICES_S = 20.0
"""How long devices on the way out wait at most for notices, where the file does not say."""

BATCH_S = 20.0
"""How long a mail waits for more to say, where the file does not say."""

_MAILBOX = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")


def _mailbox(value: str) -> str:
    if not _MAILBOX.fullmatch(value) or len(value) > 254:
        raise refusal(
            "bad-address", "this is no mail address", 'write it like "ana@example.net", alone'
        )
    return value


def _mailboxes(value: object) -> tuple[str, ...]:
    found = [value] if isinstance(value, str) else value
    if not isinstance(found, list | tuple) or not found:
        raise refusal("wrong-type", "a mail address or a list of them is due here", 'write "a@b"')
    if not all(isinstance(one, str) for one in found):
        raise refusal("wrong-type", "a mail address is text", 'write "ana@example.net"')
    return tuple(dict.fromkeys(_mailbox(one) for one in found))


def _topics(value: object) -> tuple[Topic, ...]:
    words = {word.value: word for word in Topic}
    found = [value] if isinstance(value, str) else value
    if not isinstance(found, list | tuple) or not found:
        raise refusal("wrong-type", "a list of words is due here", 'write ["needs you"]')
    for one in found:
        if not isinstance(one, str) or one not in words:
            raise refusal(
                "unknown-word", "no notice is of this topic", did_you_mean(str(one), words)
            )
    return tuple(words[str(one)] for one in found)


def _clock(value: object) -> time:
    if not isinstance(value, str) or not _CLOCK.fullmatch(value):
        raise refusal("bad-time", "a time of day is due here", 'write it like "22:00"')
    return time.fromisoformat(value)


Mailbox = Annotated[str, AfterValidator(_mailbox)]
Clock = Annotated[time, BeforeValidator(_clock)]
Port = Annotated[int, Field(ge=1, le=65535)]
Batch = Annotated[Duration, Field(le=600)]


class QuietTable(Settings):
    """`quiet`: hours of the site's day in which a receiver is told only what cannot wait."""

    from_: Annotated[Clock, Field(alias="from", examples=['from = "22:00"'])]
    to: Annotated[Clock, Field(examples=['to = "07:00"'])]


class ReceiverTable(Settings):
    """What every receiver may say of what it wants to hear.

    Attributes:
        least: the least severity.
        topics: () = all.
    """

    name: Name | None = None
    least: Literal["info", "warning", "error"] = "info"
    topics: Annotated[tuple[Topic, ...], BeforeValidator(_topics)] = ()
    quiet: QuietTable | None = None


class WebhookTable(ReceiverTable):
    """One of `webhooks`: each notice is posted there. Many services hide a key in the address."""

    url: Annotated[Url, Field(repr=False, examples=['url = "https://example.net/hook"'])]
    secret: Secret | None = None
    tls: Tls = Tls()


class MailTable(ReceiverTable):
    """One of `mail`: who is written to, and through which server.

    Attributes:
        port: None = 587, or 465 for security = "tls", or 25 for "plain".
        batch: how long a mail waits for more to say; the first of an outage never does.
        report: whether the report of an outage is attached to the mail that tells of it.
    """

    to: Annotated[
        tuple[str, ...], BeforeValidator(_mailboxes), Field(examples=['to = "ana@example.net"'])
    ]
    from_: Annotated[Mailbox, Field(alias="from", examples=['from = "lastwatt@example.net"'])]
    server: Annotated[Address, Field(examples=['server = "mail.example.net"'])]
    port: Port | None = None
    security: Literal["starttls", "tls", "plain"] = "starttls"
    user: str = ""
    password: Secret | None = None
    tls: Tls = Tls()
    batch: Batch = BATCH_S
    report: bool = True

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if bool(self.user) != (self.password is not None):
            raise refusal("mail-login", "user and password go together", "give both, or neither")
        if self.security == "plain" and self.password is not None:
            raise refusal(
                "mail-login",
                "without TLS the password would pass in clear text",
                'write security = "starttls" or "tls", or drop user and password',
            )
        if self.security == "plain" and self.tls != Tls():
            raise refusal("mail-tls", "tls has no meaning in plain", 'drop it, or "plain"')
        return self


class SyslogTable(ReceiverTable):
    """One of `syslog`: a collector that takes RFC 5424.

    Attributes:
        port: None = 6514 for "tls" (RFC 5425), 601 for "tcp" (RFC 6587), 514 for "udp" (RFC 5426).
        facility: RFC 5424 section 6.2.1, by its usual name.
        enterprise: private enterprise number that our structured data is named by; 32473 is the
            one that RFC 5612 keeps for examples, until you give your own.
    """

    server: Annotated[Address, Field(examples=['server = "192.0.2.31"'])]
    over: Literal["tls", "tcp", "udp"] = "tls"
    port: Port | None = None
    facility: Literal[
        "user", "daemon", "local0", "local1", "local2", "local3", "local4", "local5", "local6",
        "local7",
    ] = "daemon"  # fmt: skip
    enterprise: Annotated[int, Field(ge=0, lt=2**32)] = 32473
    tls: Tls = Tls()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.over != "tls" and self.tls != Tls():
            raise refusal("syslog-tls", "tls has no meaning here", 'drop it, or write over = "tls"')
        return self


class ServiceTable(ReceiverTable):
    """One of `services`: an address as the library apprise has it; it holds keys, so it is secret.

    It needs `pip install lastwatt[notify]`.
    """

    url: Annotated[Secret, Field(examples=['url = { credential = "pager" }'])]
    batch: Batch = BATCH_S


class HeartbeatTable(Settings):
    """`heartbeat`: an address that is called while all is well here, so that silence is noticed.

    Attributes:
        method: with "POST" the state of the site goes along.
    """

    url: Annotated[Url, Field(repr=False, examples=['url = "https://example.net/beat"'])]
    every: Annotated[Duration, Field(ge=10, le=86400)] = 300.0
    method: Literal["GET", "POST"] = "GET"
    secret: Secret | None = None
    tls: Tls = Tls()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.secret is not None and self.method == "GET":
            raise refusal("heartbeat-secret", "a GET has no body to sign", 'write method = "POST"')
        return self


class NoticesTable(Settings):
    """`[notices]`: who is told.

    Attributes:
        path: devices that notices go through on their way out; None = the routers and modems.
        path_waits: how long these wait at most, before they are stopped, for notices to get out.
    """

    webhooks: list[WebhookTable] = Field(default_factory=list)
    mail: list[MailTable] = Field(default_factory=list)
    syslog: list[SyslogTable] = Field(default_factory=list)
    services: list[ServiceTable] = Field(default_factory=list)
    heartbeat: HeartbeatTable | None = None
    path: Names | None = None
    path_waits: Annotated[Span, Field(le=120)] = NOTICES_S

    @property
    def has_receivers(self) -> bool:
        """Whether anybody is told anything."""
        return bool(self.webhooks or self.mail or self.syslog or self.services)
