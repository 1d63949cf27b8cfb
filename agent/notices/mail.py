"""Notices by mail: RFC 5322 messages through a submission server, each talk bounded.

Submission is by port 587 with STARTTLS (RFC 6409, RFC 3207), or 465 with TLS from the start
(RFC 8314); without TLS only where the file insists, and then without a login. Each address gets a
mail of its own. A reply 4yz is tried again, 5yz is final for that mail (RFC 5321 section 4.2.1); a
login that is refused says nothing of the mail, which is then tried again seldom.
"""

from __future__ import annotations

import asyncio
import hashlib
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import structlog

from agent.config.notice_tables import MailTable
from agent.notices.channel import Answer, Sending, Verdict
from agent.notices.letter import plain
from agent.notices.words import Sender, words_of
from drivers.transports.pinning import PinMismatchError, for_people
from drivers.transports.threads import in_own_thread
from drivers.transports.tls import client_context

log = structlog.get_logger()

TALK_S = 30.0
"""Longest that one talk with a mail server may take, in real seconds."""

STEP_S = 10.0
"""Longest that the server may be silent within it."""

REPORT_MOST = 2_000_000
"""Longest report that is attached, in bytes; one has some 50 kB."""

_PORTS = {"starttls": 587, "tls": 465, "plain": 25}
_SAID_MOST = 200


@dataclass(frozen=True, slots=True)
class Talk:
    """How long a talk with a mail server may take, in real seconds: as a whole, and one silence."""

    whole_s: float = TALK_S
    step_s: float = STEP_S


class MailChannel:
    """One mail address, through one server."""

    way = "mail"

    def __init__(
        self, table: MailTable, address: str, sender: Sender, *, talk: Talk | None = None
    ) -> None:
        """Prepare; *address* is one of those that *table* names."""
        self._table = table
        self._address = address
        self._sender = sender
        self._talk = talk or Talk()
        self._port = table.port or _PORTS[table.security]

    @property
    def host(self) -> str:
        """The server."""
        return self._table.server

    def message(self, sending: Sending, *, bare: bool = False) -> EmailMessage:
        """Return the mail of several notices, with the reports that they tell of unless *bare*."""
        reports = {} if bare else self._reports(sending)
        words = words_of(sending, self._sender, more=[f"Attached: {name}." for name in reports])
        message = EmailMessage(policy=SMTP)
        message["From"] = self._table.from_
        message["To"] = self._address
        message["Subject"] = words.subject
        message["Date"] = format_datetime(sending.utc.astimezone(self._sender.zone))
        message["Message-ID"] = self._message_id(sending)
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no vacation notice answers it
        message.set_content(words.text, cte="quoted-printable")
        message.add_alternative(words.html, subtype="html", cte="quoted-printable")
        for name, report in reports.items():
            message.add_attachment(report, maintype="text", subtype="html", filename=name)
        return message

    def _reports(self, sending: Sending) -> dict[str, bytes]:
        """Return the reports that go along, by name, as they are by now."""
        folder, found = self._sender.reports, dict[str, bytes]()
        if folder is None or not self._table.report:
            return found
        for name in {Path(letter.report).name: "" for letter in sending.letters if letter.report}:
            with suppress(OSError):  # its newest sixty are kept
                content = (folder / name).read_bytes()
                if len(content) <= REPORT_MOST:
                    found[name] = content
        return found

    def _message_id(self, sending: Sending) -> str:
        """The same for the same notices, so that a second copy of them is known as such."""
        ids = "\n".join([self._sender.site, self._address, *(x.id for x in sending.letters)])
        domain = self._table.from_.rpartition("@")[2]
        return f"<{hashlib.sha256(ids.encode()).hexdigest()[:32]}@{domain}>"

    async def send(self, sending: Sending) -> Answer:
        """Send one mail."""
        try:
            async with asyncio.timeout(self._talk.whole_s + self._talk.step_s):
                return await in_own_thread(lambda: self._sent(sending), name="mail")
        except TimeoutError:  # the name of the server, that nobody can look up, say
            return Answer(Verdict.LATER, "it did not answer in time", is_heard=False)
        except Exception as error:  # telling must never end the agent
            log.error("failed_delivery", host=self.host, kind=type(error).__name__)
            return Answer(Verdict.LATER, "by a fault of the agent's own it could not be sent")

    def _sent(self, sending: Sending) -> Answer:
        """Send one mail; what is refused for good is tried once without what is attached."""
        message = self.message(sending)
        answer = self._converse(message)
        if answer.verdict is Verdict.NEVER and any(message.iter_attachments()):
            return self._converse(self.message(sending, bare=True))
        return answer

    def _converse(self, message: EmailMessage) -> Answer:
        """Talk with the server; blocks, within its bound."""
        try:
            said = self._handed_over(message)
        except smtplib.SMTPRecipientsRefused as error:
            code, text = error.recipients[self._address]
            return self._judged(code, text)
        except smtplib.SMTPAuthenticationError as error:
            answer = self._judged(error.smtp_code, error.smtp_error)
            is_final = answer.verdict is Verdict.NEVER
            return Answer(Verdict.BARRED if is_final else Verdict.LATER, f"login: {answer.said}")
        except (smtplib.SMTPConnectError, smtplib.SMTPHeloError) as error:
            answer = self._judged(error.smtp_code, error.smtp_error)
            return Answer(Verdict.LATER, answer.said)  # it has not judged the mail
        except smtplib.SMTPResponseException as error:
            return self._judged(error.smtp_code, error.smtp_error)
        except smtplib.SMTPNotSupportedError as error:
            why = f"nothing was sent, since the server lacks what the file asks for: {error}"
            return Answer(Verdict.LATER, plain(why, most=_SAID_MOST))
        except (smtplib.SMTPException, OSError) as error:
            return Answer(Verdict.LATER, self._trouble(error), is_heard=False)
        return Answer(Verdict.TAKEN, said)

    def _handed_over(self, message: EmailMessage) -> str:
        table = self._table
        name = table.tls.name or table.server
        with _connected(table.server, self._port, self._talk) as connection:
            if table.security == "tls":
                context = client_context(table.tls.trust())
                connection = context.wrap_socket(connection, server_hostname=name)
            smtp = _Smtp(connection, name, self._port, self._talk.step_s)
            try:
                self._submit(smtp, message)
                with suppress(smtplib.SMTPException, OSError):  # it has taken the mail
                    smtp.quit()
            finally:
                smtp.close()
        return "the server took it"

    def _submit(self, smtp: smtplib.SMTP, message: EmailMessage) -> None:
        table = self._table
        smtp.ehlo_or_helo_if_needed()
        if table.security == "starttls":
            smtp.starttls(context=client_context(table.tls.trust()))
            smtp.ehlo()
        if table.password is not None:
            _log_in(smtp, table.user, table.password.get_secret_value())
        smtp.send_message(message, table.from_, [self._address])

    def _judged(self, code: int, text: bytes | str) -> Answer:
        """Return what a reply means, RFC 5321 section 4.2.1."""
        said = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
        if self._table.password is not None:
            said = said.replace(self._table.password.get_secret_value(), "***")
        verdict = Verdict.NEVER if 500 <= code < 600 else Verdict.LATER
        return Answer(verdict, plain(f"it answered {code} {said}", most=_SAID_MOST))

    def _trouble(self, error: Exception) -> str:
        where = f"{self._table.server}:{self._port}"
        match error:
            case PinMismatchError():
                shown = for_people(error.presented) or "no certificate"
                return f"{where} shows the certificate {shown}, which is not the pinned one"
            case ssl.SSLCertVerificationError():
                return f"the certificate of {where} is not to be trusted: {error.verify_message}"
            case ssl.SSLError():
                return f"TLS with {where} came to nothing: {error.reason or 'it hung up'}"
            case smtplib.SMTPServerDisconnected():
                return f"{where} hung up, or was silent for too long"
            case TimeoutError():
                return f"nobody answers at {where} in time"
            case socket.gaierror():
                return f"nobody knows the address of {where}"
            case OSError():
                return f"nobody answers at {where}: {(error.strerror or 'no connection').lower()}"
            case _:
                return f"{where} speaks no SMTP"


class _Smtp(smtplib.SMTP):
    """A talk over a connection that was made already."""

    def __init__(self, connection: socket.socket, name: str, port: int, step_s: float) -> None:
        self._connection = connection
        host = connection.getsockname()[0]
        literal = f"[IPv6:{host}]" if ":" in host else f"[{host}]"  # RFC 5321 section 4.1.3
        super().__init__(name, port, local_hostname=literal, timeout=step_s)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        return self._connection


def _log_in(smtp: smtplib.SMTP, user: str, password: str) -> None:
    """Log in by one mechanism: after a refusal, the next would count as one more wrong login."""
    offered = str(smtp.esmtp_features.get("auth", "")).upper().split()
    known: dict[str, Any] = {
        "PLAIN": smtp.auth_plain,
        "LOGIN": smtp.auth_login,
        "CRAM-MD5": smtp.auth_cram_md5,
    }
    mechanism = next((name for name in known if name in offered), None)
    if mechanism is None:
        raise smtplib.SMTPNotSupportedError("a login of a kind known here")
    smtp.user, smtp.password = user, password
    smtp.auth(mechanism, known[mechanism])


@contextmanager
def _connected(host: str, port: int, talk: Talk) -> Iterator[socket.socket]:
    """A connection that is cut off when the exchange has taken too long, whoever holds it by then.

    Each read has a bound of its own, and a server that sends a byte now and then keeps to it.
    """
    with (
        socket.create_connection((host, port), timeout=talk.step_s) as connection,
        connection.dup() as handle,
    ):
        watchdog = threading.Timer(talk.whole_s, _cutter(handle))
        watchdog.daemon = True
        watchdog.start()
        try:
            yield connection
        finally:
            watchdog.cancel()


def _cutter(handle: socket.socket) -> Callable[[], None]:
    def cut() -> None:
        with suppress(OSError):
            handle.shutdown(socket.SHUT_RDWR)

    return cut
