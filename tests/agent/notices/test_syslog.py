"""Notices to syslog: our form against rsyslogd's own parser, over UDP, TCP and TLS."""

from __future__ import annotations

import asyncio
import re
import socket
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.config.notice_tables import NoticesTable, SyslogTable
from agent.notices import syslog
from agent.notices.channel import Verdict
from agent.notices.letter import plain
from agent.notices.rfc5424 import UDP_MOST, Record, encoded, framed
from agent.notices.syslog import SyslogChannel
from drivers.http_settings import CaFile, Tls
from policies.events import NoticeRaised
from policies.telling import Topic
from tests.agent.notices.telling import RAISED_UTC, letter, sender, sending, told, until
from tests.peers.certificates import self_signed, with_authority
from tests.peers.rsyslog import Rsyslog

# RFC 5424 section 6, ABNF, as one expression: HEADER SP STRUCTURED-DATA [SP MSG].
FORM = re.compile(
    rb"<(?P<pri>[0-9]{1,3})>(?P<version>[1-9][0-9]{0,2}) "
    rb"(?P<time>[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:]{8}(?:\.[0-9]{1,6})?(?:Z|[+-][0-9]{2}:[0-9]{2})) "
    rb"(?P<host>[!-~]{1,255}) (?P<app>[!-~]{1,48}) (?P<process>[!-~]{1,128}) (?P<id>[!-~]{1,32}) "
    rb'(?P<sd>-|(?:\[[^ =\]"]{1,32}(?: [^ =\]"]{1,32}="(?:[^"\\\]]|\\.)*")*\])+)'
    rb"(?: (?P<msg>.*))?",
    re.DOTALL,
)


def channel_of(port: int, over: str, *, dry_run: bool = False, **more: Any) -> SyslogChannel:
    table = SyslogTable.model_validate(
        {"server": "127.0.0.1", "port": port, "over": over, "facility": "local3", **more}
    )
    return SyslogChannel(table, sender(dry_run=dry_run), box="warden")


HOSTILE = letter(
    plain('it said "no" [x] \\ and\r\n<11>1 - - - - - - forged 電池'),
    about=plain('yard "pc"]\n'),
    topic=Topic.NEEDS_YOU,
    number=2,
    synced=None,
)


@pytest.mark.peer
@pytest.mark.parametrize("over", ["udp", "tcp"])
async def test_rsyslog_reads_what_was_meant(over: str) -> None:
    """Every field, by a parser that nobody here wrote, and no line forged by a device."""
    with Rsyslog() as collector:
        answer = await channel_of(collector.port, over, dry_run=True).send(
            sending(letter(), HOSTILE, late_s=720.0)
        )
        await until(lambda: len(collector.said) >= 2)

        first, second = collector.said
    assert answer.verdict is Verdict.TAKEN
    assert (first["pri"], second["pri"]) == ("155", "155")  # 19 * 8 + 3: local3, error
    assert datetime.fromisoformat(first["time"]) == RAISED_UTC
    assert first["time"].endswith("+01:00")
    assert (first["version"], first["host"], first["app"]) == ("1", "warden", "lastwatt")
    assert (first["id"], second["id"]) == ("mains-lost", "needs-you")
    assert first["sd"]["timeQuality"] == {"tzKnown": "1", "isSynced": "1"}
    assert second["sd"]["timeQuality"] == {"tzKnown": "1", "isSynced": "0"}
    assert first["sd"]["notice@32473"] == {
        "id": "20260701T224107-1", "site": "boatyard", "severity": "error",
        "topic": "mains lost", "about": "cabinet", "lateSeconds": "720.0", "dryRun": "true",
    }  # fmt: skip
    assert second["sd"]["notice@32473"]["about"] == 'yard "pc"]'
    assert first["text"] == (
        "boatyard: dry run: late by 12 min: mains has failed: cabinet runs on its battery"
    )
    assert second["text"].lstrip("\ufeff") == (
        'boatyard: dry run: late by 12 min: yard "pc"]: it said "no" [x] \\ and '
        "<11>1 - - - - - - forged 電池"
    )


@pytest.mark.peer
@pytest.mark.parametrize("trust", ["pinned", "authority"])
async def test_rsyslog_reads_over_tls(tmp_path: Path, trust: str) -> None:
    """RFC 5425: TLS, octet counting; a certificate that is pinned, or vouched for by a CA."""
    authority, issued = with_authority(tmp_path, "collector.yard.example")
    tls = Tls(ca_file=CaFile(str(authority), authority.read_text()))
    if trust == "pinned":
        issued = self_signed(tmp_path, "collector")
        tls = Tls(fingerprint=issued.fingerprint())
    with Rsyslog(tls=issued) as collector:
        answer = await channel_of(collector.port, "tls", tls=tls).send(sending(letter(), HOSTILE))
        await until(lambda: len(collector.said) >= 2)

        assert [said["id"] for said in collector.said] == ["mains-lost", "needs-you"]
    assert answer.verdict is Verdict.TAKEN


@pytest.mark.peer
async def test_stranger_at_the_collectors_address_gets_nothing(tmp_path: Path) -> None:
    """Notices tell when a site has no power."""
    issued, other = self_signed(tmp_path, "collector"), self_signed(tmp_path, "other")
    with Rsyslog(tls=issued) as collector:
        tls = Tls(fingerprint=other.fingerprint())
        answer = await channel_of(collector.port, "tls", tls=tls).send(sending(letter()))

        assert collector.said == []
    assert answer.verdict is Verdict.LATER
    assert "not the pinned one" in answer.said


@pytest.mark.peer
async def test_notice_reaches_the_collector_when_it_is_back() -> None:
    """What was raised while the collector was away comes after, once."""
    with Rsyslog() as collector:
        port = collector.port
    table = SyslogTable.model_validate({"server": "127.0.0.1", "port": port, "over": "tcp"})
    async with told(NoticesTable(syslog=[table])) as notices:
        notices.raise_notice(NoticeRaised(0.0, "error", "cabinet", "mains has failed"))
        await until(lambda: notices.deliveries()[0].why)
        with Rsyslog(port=port) as collector:
            await until(lambda: notices.deliveries()[0].waiting == 0)
            await until(lambda: collector.said)

            assert len(collector.said) == 1


async def test_nobody_at_a_udp_port_is_noticed() -> None:
    """The one thing that UDP says: ICMP's word that nobody listens there."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    answer = await channel_of(port, "udp").send(sending(letter()))

    assert answer.verdict is Verdict.LATER
    assert answer.said == f"nobody answers at 127.0.0.1:{port}: connection refused"


async def test_collector_that_breaks_off_is_told_again() -> None:
    """A stream that was reset may not have been read."""

    async def reset(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        sock = writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
        writer.transport.abort()

    server = await asyncio.start_server(reset, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        answer = await channel_of(port, "tcp").send(sending(letter()))

    assert answer.verdict is Verdict.LATER


def test_form_is_that_of_the_rfcs_example() -> None:
    """RFC 5424 section 6.5, example 3, but for PROCID, which we always give, and the app's name."""
    record = Record(
        facility=20,
        severity=5,
        time=datetime.fromisoformat("2003-10-11T22:14:15.003000+00:00"),
        host="mymachine.example.com",
        process="",
        message_id="ID47",
        structured={
            "exampleSDID@32473": {
                "iut": "3", "eventSource": "Application", "eventID": "1011",
            }
        },
        text="An application event log entry...",
    )  # fmt: skip

    assert encoded(record) == (
        b"<165>1 2003-10-11T22:14:15.003000+00:00 mymachine.example.com lastwatt - ID47 "
        b'[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] '
        b"An application event log entry..."
    )


def test_frame_counts_octets_not_characters() -> None:
    """RFC 6587 section 3.4.1: MSG-LEN is the octet count."""
    assert framed("電池".encode()) == b"6 " + "電池".encode()


@given(text=st.text(max_size=400), about=st.text(max_size=60), host=st.text(max_size=300))
def test_no_text_breaks_the_form(text: str, about: str, host: str) -> None:
    """Whatever a device answers, the message matches the RFC's grammar, with our fields in it."""
    channel = SyslogChannel(SyslogTable(server="192.0.2.31"), sender(), box=host)
    raw = encoded(channel.record(letter(text, about=about), sending(letter())))

    found = FORM.fullmatch(raw)
    assert found is not None
    assert found["pri"] == b"27"
    assert found["sd"].count(b"[timeQuality ") == 1
    assert raw.isascii() or b"\xef\xbb\xbf" in raw


@given(st.text(alphabet="電池aé🔋", min_size=300, max_size=2000))
def test_datagram_is_cut_between_characters(text: str) -> None:
    """RFC 5426 section 3.2: 2048 octets; half a character would be no UTF-8."""
    channel = SyslogChannel(SyslogTable(server="192.0.2.31", over="udp"), sender(), box="warden")
    raw = encoded(channel.record(letter(text), sending(letter())), most=UDP_MOST)

    assert len(raw) <= UDP_MOST
    raw.decode("utf-8")


def test_talk_is_bounded() -> None:
    """A collector that is slow costs a try, not the receiver."""
    assert syslog.CLOSE_S < syslog.TALK_S <= 10.0
