"""A mail server that nobody here wrote: aiosmtpd, in a thread of its own, on loopback."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from tests.peers.certificates import Issued

USER, PASSWORD = "lastwatt", "heave-short-2026"


@dataclass(slots=True)
class Box:
    """What came in, and what the server is to answer.

    Attributes:
        answers: to each mail in turn; the last one again and again. "" = the server's own.
        rcpt: in place of the answer to RCPT, where it is not "".
        logins: how often somebody tried to log in.
        tls: whether each mail came over TLS.
    """

    mails: list[EmailMessage] = field(default_factory=list)
    envelopes: list[tuple[str, list[str]]] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)
    rcpt: str = ""
    logins: int = 0
    tls: list[bool] = field(default_factory=list)
    hosts: list[str] = field(default_factory=list)
    port: int = 0

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: Any
    ) -> str:
        if self.rcpt:
            return self.rcpt
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        answer = ""
        if self.answers:
            answer = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        if answer:
            return answer
        content = envelope.content
        assert isinstance(content, bytes)
        mail = message_from_bytes(content, policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        self.envelopes.append((envelope.mail_from or "", list(envelope.rcpt_tos)))
        self.tls.append(session.ssl is not None)
        self.hosts.append(session.host_name or "")
        return "250 taken"


class _Controller(Controller):
    """Told which port the system chose."""

    def _trigger_server(self) -> None:
        server = self.server
        assert isinstance(server, asyncio.base_events.Server)
        self.port = server.sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]  # the library's


@contextmanager
def mail_server(
    *, starttls: Issued | None = None, tls: Issued | None = None, login: bool = False
) -> Iterator[Box]:
    """Run one on a free port of 127.0.0.1; with *login* it takes USER and PASSWORD over TLS."""
    box = Box()

    def judge(
        server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        box.logins += 1
        is_right = isinstance(data, LoginPassword) and (data.login, data.password) == (
            USER.encode(),
            PASSWORD.encode(),
        )
        return AuthResult(success=is_right, handled=False)

    more: dict[str, Any] = {}
    if starttls is not None:
        more = {"tls_context": _context(starttls), "require_starttls": True}
    if login:
        more |= {"authenticator": judge, "auth_required": True}
        if tls is not None:
            more |= {"auth_require_tls": False}  # it is over TLS from the start
    controller = _Controller(
        box,
        hostname="127.0.0.1",
        port=0,
        ssl_context=None if tls is None else _context(tls),
        **more,
    )
    controller.start()
    try:
        box.port = controller.port
        yield box
    finally:
        controller.stop()


def _context(issued: Issued) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(Path(issued.certificate), Path(issued.key))
    return context
