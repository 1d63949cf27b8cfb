"""Notices to a collector of syslog: RFC 5424 over TLS (RFC 5425), TCP (RFC 6587) or UDP (RFC 5426).

Syslog has no receipts. Over a stream a notice counts as taken once the collector has read to its
end and closed; where it does not close, and over UDP, once it was sent and nobody said no. What was
sent in a talk that broke off is sent again, with the same id.

Beside `timeQuality` (RFC 5424 section 7.1), which claims a synchronised clock only where the box
says so, each message holds the element `notice@<enterprise>` with the fields of a webhook's notice.
"""

from __future__ import annotations

import asyncio
import os
import socket
import ssl
from contextlib import suppress
from datetime import tzinfo

import structlog

from agent.config.notice_tables import SyslogTable
from agent.notices.channel import Answer, Sending, Verdict
from agent.notices.letter import LATE_S, Letter
from agent.notices.rfc5424 import FACILITIES, SEVERITIES, UDP_MOST, Record, encoded, framed
from agent.notices.words import Sender, sentence
from drivers.transports.pinning import PinMismatchError, for_people
from drivers.transports.tls import client_context
from policies.reasons import duration_text

log = structlog.get_logger()

TALK_S = 10.0
"""Longest that one talk may take, and that the collector is given to close a stream, in s."""

CLOSE_S = 3.0

NO_WAIT_S = 0.3
"""So long it is listened, after a datagram, for the word that nobody is there (ICMP)."""

_PORTS = {"tls": 6514, "tcp": 601, "udp": 514}


class SyslogChannel:
    """One collector."""

    way = "syslog"

    def __init__(self, table: SyslogTable, sender: Sender, *, box: str | None = None) -> None:
        """Prepare; *box* is the name of this box, None = as the system has it."""
        self._table = table
        self._sender = sender
        self._box = socket.gethostname() if box is None else box
        self._port = table.port or _PORTS[table.over]

    @property
    def host(self) -> str:
        """The collector."""
        return self._table.server

    async def send(self, sending: Sending) -> Answer:
        """Send some notices, in one talk."""
        most = UDP_MOST if self._table.over == "udp" else None
        messages = [encoded(self.record(letter, sending), most=most) for letter in sending.letters]
        try:
            async with asyncio.timeout(TALK_S):
                if self._table.over == "udp":
                    return await self._sent(messages)
                return await self._streamed(messages)
        except TimeoutError:
            return Answer(Verdict.LATER, f"{self._where} takes nothing in time", is_heard=False)
        except (OSError, ssl.SSLError) as error:
            return Answer(Verdict.LATER, self._trouble(error), is_heard=False)
        except Exception as error:  # telling must never end the agent
            log.error("failed_delivery", host=self.host, kind=type(error).__name__)
            return Answer(Verdict.LATER, "by a fault of the agent's own it could not be sent")

    def record(self, letter: Letter, sending: Sending) -> Record:
        """Return the message of one notice."""
        late_s = sending.late_s(letter)
        marks = "dry run: " if self._sender.dry_run else ""
        if late_s >= LATE_S:
            marks += f"late by {duration_text(late_s)}: "
        said = sentence(letter, self._sender.site)
        zone: tzinfo = self._sender.zone
        return Record(
            facility=FACILITIES[self._table.facility],
            severity=SEVERITIES.get(letter.severity, SEVERITIES["error"]),
            time=letter.utc.astimezone(zone),
            host=self._box,
            process=str(os.getpid()),
            message_id=letter.topic.value.replace(" ", "-"),
            structured={
                # Section 7.1.2: isSynced only where that is known.
                "timeQuality": {"tzKnown": "1", "isSynced": "1" if letter.synced else "0"},
                f"notice@{self._table.enterprise}": {
                    "id": letter.id,
                    "site": self._sender.site,
                    "severity": letter.severity,
                    "topic": letter.topic.value,
                    "about": letter.about,
                    "lateSeconds": f"{late_s:.1f}",
                    "dryRun": "true" if self._sender.dry_run else "false",
                },
            },
            text=f"{self._sender.site}: {marks}{said}",
        )

    @property
    def _where(self) -> str:
        return f"{self._table.server}:{self._port}"

    async def _streamed(self, messages: list[bytes]) -> Answer:
        table = self._table
        context = client_context(table.tls.trust()) if table.over == "tls" else None
        name = (table.tls.name or table.server) if context else None
        reader, writer = await asyncio.open_connection(
            table.server, self._port, ssl=context, server_hostname=name
        )
        try:
            for message in messages:
                writer.write(framed(message))
            await writer.drain()
            if await _is_read(reader, writer):
                return Answer(Verdict.TAKEN, "the collector read it to the end")
            return Answer(Verdict.TAKEN, "it was sent; syslog has no receipt")
        finally:
            writer.transport.abort()

    async def _sent(self, messages: list[bytes]) -> Answer:
        loop = asyncio.get_running_loop()
        transport, protocol = await loop.create_datagram_endpoint(
            _Datagrams, remote_addr=(self._table.server, self._port)
        )
        try:
            for message in messages:
                transport.sendto(message)
            with suppress(TimeoutError):
                async with asyncio.timeout(NO_WAIT_S):
                    raise await protocol.trouble
        finally:
            transport.close()
        return Answer(Verdict.TAKEN, "it was sent; over UDP nobody says whether it came")

    def _trouble(self, error: Exception) -> str:
        match error:
            case PinMismatchError():
                shown = for_people(error.presented) or "no certificate"
                return f"{self._where} shows the certificate {shown}, which is not the pinned one"
            case ssl.SSLCertVerificationError():
                why = error.verify_message
                return f"the certificate of {self._where} is not to be trusted: {why}"
            case ssl.SSLError():
                return f"TLS with {self._where} came to nothing: {error.reason or 'it hung up'}"
            case socket.gaierror():
                return f"nobody knows the address of {self._where}"
            case OSError(errno=int() as number):
                return f"nobody answers at {self._where}: {os.strerror(number).lower()}"
            case _:
                return f"{self._where} hung up"


async def _is_read(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
    """End our side of a stream, and wait for the other to close: then all of it was read.

    Raises:
        OSError: the other side broke off instead.
    """
    try:
        async with asyncio.timeout(CLOSE_S):
            if writer.can_write_eof():
                writer.write_eof()
                return await reader.read(1) == b""
            writer.close()  # TLS: waits for the other's close_notify
            await writer.wait_closed()
            return True
    except TimeoutError:
        return False


class _Datagrams(asyncio.DatagramProtocol):
    """Hears that nobody is there."""

    def __init__(self) -> None:
        self.trouble: asyncio.Future[Exception] = asyncio.get_running_loop().create_future()

    def error_received(self, exc: Exception) -> None:
        if not self.trouble.done():
            self.trouble.set_result(exc)
