"""Notices by mail, through aiosmtpd and servers that misbehave."""

from __future__ import annotations

import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from email import message_from_bytes, policy
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st
from pydantic import SecretStr

from agent.clock import real_monotonic
from agent.config.notice_tables import MailTable, NoticesTable
from agent.notices.channel import Verdict
from agent.notices.letter import plain
from agent.notices.mail import MailChannel, Talk
from drivers.http_settings import CaFile, Tls
from policies.events import NoticeRaised
from policies.telling import Topic
from tests.agent.notices.telling import (
    RAISED_UTC,
    advanced_until,
    letter,
    sender,
    sending,
    told,
    until,
)
from tests.fakes import FakeClock
from tests.peers.certificates import self_signed, with_authority
from tests.peers.mail_server import PASSWORD, USER, mail_server

# aiosmtpd's own advice; over TLS from the start it is beside the point.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")

TO = "ana@example.net"


def table_of(port: int, **more: Any) -> MailTable:
    fields: dict[str, Any] = {
        "to": TO,
        "from": "lastwatt@yard.example",
        "server": "127.0.0.1",
        "port": port,
        "security": "plain",
        **more,
    }
    return MailTable.model_validate(fields)


def channel_of(port: int, *, talk: Talk | None = None, **more: Any) -> MailChannel:
    return MailChannel(table_of(port, **more), TO, sender(), talk=talk)


async def test_mail_arrives_as_rfc_5322_has_it() -> None:
    """Read back by the standard library's parser: from, to, date of the site, id, both texts."""
    with mail_server() as box:
        answer = await channel_of(box.port).send(sending(letter()))

        (mail,) = box.mails
    assert answer.verdict is Verdict.TAKEN
    assert box.envelopes == [("lastwatt@yard.example", [TO])]
    assert mail["Subject"] == "boatyard: mains has failed: cabinet runs on its battery"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    date = parsedate_to_datetime(str(mail["Date"]))
    assert date == RAISED_UTC.replace(microsecond=0)
    assert date.utcoffset() == timedelta(hours=1)
    assert str(mail["Message-ID"]).endswith("@yard.example>")
    plain_part, html_part = mail.get_body(("plain",)), mail.get_body(("html",))
    assert plain_part is not None and html_part is not None
    assert "23:41:07  mains has failed" in plain_part.get_content()
    assert "mains has failed" in html_part.get_content()
    assert box.hosts == ["[127.0.0.1]"]  # RFC 5321 section 4.1.3: no name that means nothing


async def test_the_same_notices_have_the_same_message_id() -> None:
    """A mail that was taken, and whose receipt got lost, is known as a copy of itself."""
    channel = channel_of(1)
    first, second = letter("a", number=1), letter("b", number=2)

    again = channel.message(sending(first, second, late_s=500.0))["Message-ID"]
    assert channel.message(sending(first, second))["Message-ID"] == again
    assert channel.message(sending(first))["Message-ID"] != again


async def test_submission_with_starttls_and_login(tmp_path: Path) -> None:
    """Port 587 as RFC 6409 and RFC 3207 have it; a CA of the site's own."""
    authority, issued = with_authority(tmp_path, "mail.yard.example")
    tls = Tls(ca_file=CaFile(str(authority), authority.read_text()))
    with mail_server(starttls=issued, login=True) as box:
        channel = channel_of(
            box.port, security="starttls", tls=tls, user=USER, password=SecretStr(PASSWORD)
        )
        answer = await channel.send(sending(letter()))

    assert (answer.verdict, box.tls) == (Verdict.TAKEN, [True])


async def test_submission_with_tls_from_the_start_and_a_pinned_certificate(tmp_path: Path) -> None:
    """Port 465 (RFC 8314), of a server whose certificate only its fingerprint vouches for."""
    issued = self_signed(tmp_path, "mail")
    with mail_server(tls=issued, login=True) as box:
        tls = Tls(fingerprint=issued.fingerprint())
        channel = channel_of(
            box.port, security="tls", tls=tls, user=USER, password=SecretStr(PASSWORD)
        )
        answer = await channel.send(sending(letter()))

    assert answer.verdict is Verdict.TAKEN
    assert len(box.mails) == 1


@pytest.mark.parametrize("security", ["tls", "starttls"])
async def test_stranger_gets_no_password_and_no_mail(tmp_path: Path, security: str) -> None:
    """Somebody on the wire shows a certificate of his own."""
    issued, other = self_signed(tmp_path, "mail"), self_signed(tmp_path, "other")
    kinds: dict[str, Any] = {security: issued}
    with mail_server(**kinds, login=True) as box:
        more: dict[str, Any] = {"security": security, "user": USER, "password": SecretStr(PASSWORD)}
        pinned = Tls(fingerprint=other.fingerprint())
        answers = [
            await channel_of(box.port, tls=tls, **more).send(sending(letter()))
            for tls in (pinned, Tls())
        ]

        assert (box.logins, box.mails) == (0, [])
    assert [answer.verdict for answer in answers] == [Verdict.LATER, Verdict.LATER]
    assert "not the pinned one" in answers[0].said
    assert "not to be trusted" in answers[1].said


async def test_server_without_starttls_gets_nothing_in_plain() -> None:
    """Whoever strips the offer from the wire must not get the password for it."""
    with mail_server() as box:
        channel = channel_of(box.port, security="starttls", user=USER, password=SecretStr(PASSWORD))
        answer = await channel.send(sending(letter()))

        assert box.mails == []
    assert answer.verdict is Verdict.LATER
    assert "STARTTLS" in answer.said


def carrying(folder: Path, **more: Any) -> Callable[[int], MailChannel]:
    lisbon = replace(sender(), reports=folder)
    return lambda port: MailChannel(table_of(port, **more), TO, lisbon)


REPORT = "outage-20260701T224107Z.html"
TOLD = replace(letter("the report of the outage is ready", topic=Topic.OVER), report=REPORT)


async def test_report_comes_along_whole(tmp_path: Path) -> None:
    """An owner away from the site opens it where the notice is read."""
    whole = "<!doctype html><p>Slipway camera: gave way at 01:12 · ½ h</p>\n"
    (tmp_path / REPORT).write_text(whole)
    with mail_server() as box:
        taken = await carrying(tmp_path)(box.port).send(sending(TOLD, TOLD))
        bare = await carrying(tmp_path, report=False)(box.port).send(sending(TOLD))
        (tmp_path / REPORT).unlink()
        gone = await carrying(tmp_path)(box.port).send(sending(TOLD))

    assert {taken.verdict, bare.verdict, gone.verdict} == {Verdict.TAKEN}
    (attached,) = box.mails[0].iter_attachments()
    assert attached.get_filename() == REPORT
    assert attached.get_content_type() == "text/html"
    assert attached.get_payload(decode=True) == whole.encode()
    text = box.mails[0].get_body(("plain",))
    assert text is not None and f"Attached: {REPORT}." in text.get_content()
    assert not [*box.mails[1].iter_attachments(), *box.mails[2].iter_attachments()]


async def test_mail_that_is_refused_for_its_report_comes_without(tmp_path: Path) -> None:
    """Some servers take no HTML file; what the notice says must not be lost for that."""
    (tmp_path / REPORT).write_text("<p>")
    with mail_server() as box:
        box.answers = ["552 no such content", ""]
        answer = await carrying(tmp_path)(box.port).send(sending(TOLD))

    assert answer.verdict is Verdict.TAKEN
    (mail,) = box.mails
    assert not list(mail.iter_attachments())


async def test_refused_login_is_not_tried_again_at_once(tmp_path: Path) -> None:
    """Each more wrong one might lock the account; the notice waits."""
    issued = self_signed(tmp_path, "mail")
    clock = FakeClock()
    with mail_server(tls=issued, login=True) as box:
        mail = table_of(
            box.port,
            security="tls",
            tls=Tls(fingerprint=issued.fingerprint()),
            user=USER,
            password=SecretStr("wrong-2026"),
            batch="0s",
        )
        async with told(NoticesTable(mail=[mail]), clock=clock) as notices:
            notices.raise_notice(NoticeRaised(0.0, "error", "cabinet", "a"))
            await until(lambda: notices.deliveries()[0].why)
            notices.raise_notice(NoticeRaised(0.0, "warning", "cabinet", "b"))
            await until(lambda: clock.sleepers)
            for _ in range(25):
                await clock.advance(60.0)
            tried = box.logins
            for text in ("c", "d"):  # both must be known at once; one more login is risked
                notices.raise_notice(NoticeRaised(0.0, "error", "cabinet", text))
                await advanced_until(clock, lambda: box.logins == 2)
            await clock.advance(600.0)
            (delivery,) = notices.deliveries()
    assert tried == 1
    assert box.logins == 2
    assert delivery.waiting == 4
    assert delivery.why.startswith("login: it answered 535")
    assert "wrong-2026" not in delivery.why


@pytest.mark.parametrize(
    ("reply", "verdict"),
    [
        ("451 local error", Verdict.LATER),
        ("452 too full", Verdict.LATER),
        ("550 no such user", Verdict.NEVER),
        ("554 no", Verdict.NEVER),
    ],
)
@pytest.mark.parametrize("at", ["rcpt", "data"])
async def test_reply_4yz_is_tried_again_and_5yz_is_final(
    reply: str, verdict: Verdict, at: str
) -> None:
    """RFC 5321 section 4.2.1; greylisting is the usual 4yz."""
    with mail_server() as box:
        if at == "rcpt":
            box.rcpt = reply
        else:
            box.answers = [reply]
        answer = await channel_of(box.port).send(sending(letter()))

    assert answer.verdict is verdict
    assert answer.said == f"it answered {reply}"


async def test_greylisted_mail_arrives_late_and_says_so() -> None:
    """Twice 451, then taken: one mail, with the age of its news."""
    clock = FakeClock()
    with mail_server() as box:
        box.answers = ["451 later"] * 6 + [""]
        mail = table_of(box.port, batch="0s")
        async with told(NoticesTable(mail=[mail]), clock=clock) as notices:
            notices.raise_notice(NoticeRaised(0.0, "warning", "cabinet", "battery ageing"))
            await advanced_until(clock, lambda: notices.deliveries()[0].waiting == 0, step_s=30.0)
            (delivery,) = notices.deliveries()

        (got,) = box.mails
    assert str(got["Subject"]).startswith("boatyard: late by ")
    assert delivery.taken == 1
    assert (delivery.taken_late_s or 0.0) >= 110.0


async def test_next_mail_goes_at_its_time_though_an_older_one_is_put_off() -> None:
    """A server that puts one mail off again and again must not make the next wait its turn."""
    clock = FakeClock()
    with mail_server() as box:
        box.answers = ["451 later"] * 9 + [""]
        async with told(NoticesTable(mail=[table_of(box.port)]), clock=clock) as notices:
            notices.raise_notice(NoticeRaised(0.0, "warning", "cabinet", "battery ageing"))
            await advanced_until(clock, lambda: len(box.answers) == 2, step_s=5.0)
            notices.raise_notice(NoticeRaised(0.0, "error", "gate", "gate is not back"))
            took_s = await advanced_until(clock, lambda: box.mails)

        assert "gate is not back" in str(box.mails[0]["Subject"])
    assert took_s <= 60.0  # its batch; the older one is in a pause of 300 s


async def test_each_address_has_its_own_fate() -> None:
    """One full mailbox must not keep the other from the news, nor be told to it."""
    with mail_server() as box:
        mail = table_of(box.port, to=["ana@example.net", "rui@example.net"], name="owners")
        async with told(NoticesTable(mail=[mail])) as notices:
            lost = NoticeRaised(0.0, "error", "cabinet", "mains has failed", Topic.MAINS_LOST)
            notices.raise_notice(lost)
            await until(lambda: len(box.mails) == 2)
            names = [delivery.name for delivery in notices.deliveries()]

    assert sorted(str(mail["To"]) for mail in box.mails) == ["ana@example.net", "rui@example.net"]
    assert names == ["owners: ana@example.net", "owners: rui@example.net"]


async def test_first_goes_at_once_and_what_follows_in_one_mail() -> None:
    """Mains lost is out before the batch's time; the rest is read together."""
    clock = FakeClock()
    with mail_server() as box:
        async with told(NoticesTable(mail=[table_of(box.port)]), clock=clock) as notices:
            for text, topic in (
                ("an outage has begun", Topic.OUTAGE),
                ("recording ends at 23:59", Topic.RECORDING_ENDS),
            ):
                notices.raise_notice(NoticeRaised(0.0, "warning", "boatyard", text, topic))
            lost = NoticeRaised(0.0, "error", "cabinet", "mains has failed", Topic.MAINS_LOST)
            notices.raise_notice(lost)
            await until(lambda: len(box.mails) == 1)
            first_took_s = clock.monotonic()
            await advanced_until(clock, lambda: len(box.mails) == 2)

    assert first_took_s == 0.0
    assert "mains has failed" in str(box.mails[0]["Subject"])
    body = box.mails[1].get_body(("plain",))
    assert body is not None
    assert "an outage has begun" in body.get_content()
    assert "recording ends at 23:59" in body.get_content()


Serve = Callable[[socket.socket], None]


@asynccontextmanager
async def rude_server(serve: Serve) -> AsyncIterator[int]:
    """A server in a thread that does with each connection what *serve* does."""
    listener = socket.create_server(("127.0.0.1", 0))

    def accept() -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                try:
                    serve(connection)
                except OSError:
                    continue

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()


def _silent(connection: socket.socket) -> None:
    connection.recv(1)


def _dripping(connection: socket.socket) -> None:
    """A greeting that never ends, a byte at a time: each read is in time."""
    pause = threading.Event()
    while True:
        connection.sendall(b"2")
        pause.wait(0.05)


def _garbage(connection: socket.socket) -> None:
    connection.sendall(b"\x16\x03\x01\xff\xfe HTTP/1.1 \x00\r\n" * 3)
    connection.recv(100)


@pytest.mark.parametrize("serve", [_silent, _dripping, _garbage])
async def test_talk_with_a_server_that_never_ends_is_bounded(serve: Serve) -> None:
    """Neither silence nor a byte now and then holds a receiver up for good."""
    async with rude_server(serve) as port:
        began = real_monotonic()
        channel = channel_of(port, talk=Talk(whole_s=1.0, step_s=0.5))
        answer = await channel.send(sending(letter()))
        took_s = real_monotonic() - began

    assert answer.verdict is Verdict.LATER
    assert took_s < 20.0


async def test_mail_that_was_taken_is_not_sent_again_though_the_goodbye_failed() -> None:
    """A server that hangs up after 250 has the mail all the same."""

    def serve(connection: socket.socket) -> None:
        reader = connection.makefile("rb")
        connection.sendall(b"220 here\r\n")
        while line := reader.readline():
            word = line[:4].upper()
            if word == b"DATA":
                connection.sendall(b"354 go on\r\n")
                while reader.readline() != b".\r\n":
                    pass
                connection.sendall(b"250 taken\r\n")
            elif word == b"QUIT":
                connection.sendall(b"451 no goodbye\r\n")
                return
            else:
                connection.sendall(b"250 ok\r\n")

    async with rude_server(serve) as port:
        answer = await channel_of(port).send(sending(letter()))

    assert answer.verdict is Verdict.TAKEN


async def test_nobody_there_is_said_in_words() -> None:
    """The status names what is wrong, not an exception's class."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    answer = await channel_of(port).send(sending(letter()))

    assert answer.said == f"nobody answers at 127.0.0.1:{port}: connection refused"
    assert not answer.is_heard


@given(text=st.text(max_size=200), about=st.text(max_size=40), site=st.text(max_size=40))
def test_no_text_of_a_device_becomes_a_header(text: str, about: str, site: str) -> None:
    """Whatever a device answers, the mail has the headers that we wrote, and those alone."""
    hostile = letter(plain(f"x\r\nBcc: rui@example.net\r\n\r\n{text}"), about=plain(about))
    channel = MailChannel(table_of(1), TO, sender(site=plain(site) or "yard"))
    raw = channel.message(sending(hostile)).as_bytes()

    back = message_from_bytes(raw, policy=policy.default)
    assert [name.lower() for name in back] == [
        "from", "to", "subject", "date", "message-id", "auto-submitted", "mime-version",
        "content-type",
    ]  # fmt: skip
    assert all(len(line) <= 998 for line in raw.split(b"\r\n"))  # RFC 5322 section 2.1.1


async def test_password_is_never_said(tmp_path: Path) -> None:
    """A server that repeats what it was told must not have us show it."""

    def serve(connection: socket.socket) -> None:
        reader = connection.makefile("rb")
        connection.sendall(b"220 here\r\n")
        while line := reader.readline():
            if line[:4].upper() == b"EHLO":
                connection.sendall(b"250-here\r\n250 AUTH PLAIN\r\n")
            elif line[:4].upper() == b"AUTH":
                connection.sendall(b"535 wrong: " + PASSWORD.encode() + b"\r\n")
            else:
                connection.sendall(b"500 what\r\n")

    async with rude_server(serve) as port:
        # The file's own check refuses a login in plain; the reply is the same over TLS.
        table = table_of(port).model_copy(update={"user": USER, "password": SecretStr(PASSWORD)})
        with structlog.testing.capture_logs() as logs:
            answer = await MailChannel(table, TO, sender()).send(sending(letter()))

    assert answer.verdict is Verdict.BARRED
    assert PASSWORD not in repr((answer, logs, table))
