"""Notices, delivered to real HTTP receivers on loopback."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import ssl
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import structlog
from pydantic import SecretStr

from agent.clock import LoopClock
from agent.config.notice_tables import NoticesTable, WebhookTable
from agent.notices import KEEP_S, WAITING, Notices, digest, signature
from agent.notices.build import ways_of
from agent.notices.letter import to_json
from drivers.http_settings import Tls
from policies.events import NoticeRaised
from policies.telling import Topic
from tests.agent.notices.telling import ZONE, advanced_until, letter, sender, telling, told, until
from tests.fakes import FakeClock
from tests.peers.certificates import self_signed
from tests.peers.raw_http import Answer, RawPeer, hangs_up, raw_peer, reply, says, silent

OK = says(reply(b"", status="204 No Content"))
BUSY = says(reply(b"busy", status="503 Service Unavailable"))
NO = says(reply(b"no", status="422 Unprocessable Content"))
AWAY = says(reply(b"no", status="401 Unauthorized"))
FAILED = NoticeRaised(10.0, "error", "cabinet", "mains has failed: cabinet runs on its battery")
BACK = NoticeRaised(20.0, "info", "cabinet", "mains is back at cabinet")


def sent(peer: RawPeer, number: int = 0) -> tuple[dict[str, str], bytes]:
    head, _, body = peer.requests[number].partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    fields = dict(line.split(": ", 1) for line in lines[1:])
    return {"": lines[0], **{name.lower(): value for name, value in fields.items()}}, body


def notice_of(peer: RawPeer, number: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(sent(peer, number)[1])
    return found


def test_primitive_gives_the_vector_of_rfc_4231() -> None:
    """RFC 4231 section 4.3, test case 2: what receivers elsewhere compute as well."""
    assert digest(SecretStr("Jefe"), b"what do ya want for nothing?") == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )


def test_signature_covers_time_and_body() -> None:
    """A body that was replayed later, or changed, does not verify."""
    secret = SecretStr("tide-tables")

    made = {
        signature(secret, unix_s=unix_s, body=body) for unix_s in (1, 2) for body in (b"a", b"b")
    }
    assert len(made) == 4
    assert all(text.startswith(("t=1,sha256=", "t=2,sha256=")) for text in made)


async def test_notice_arrives_as_documented() -> None:
    """A receiver is written against the module's docstring."""
    async with raw_peer(OK) as peer, telling(peer.port, path="/hook?team=7") as notices:
        notices.raise_notice(FAILED)
        await until(lambda: peer.requests)

        head, _ = sent(peer)
        said = notice_of(peer)
    assert head[""] == "POST /hook?team=7 HTTP/1.1"
    assert head["content-type"] == "application/json"
    assert "lastwatt-signature" not in head
    assert set(said) == {
        "format", "id", "site", "severity", "topic", "about", "text", "time", "late_s", "dry_run",
    }  # fmt: skip
    assert (said["format"], said["site"], said["severity"], said["about"], said["text"]) == (
        1, "boatyard", "error", "cabinet", "mains has failed: cabinet runs on its battery",
    )  # fmt: skip
    assert said["dry_run"] is False
    assert datetime.fromisoformat(said["time"]).utcoffset() is not None
    assert said["time"].endswith("Z")


async def test_signed_notice_verifies_at_the_receiver() -> None:
    """The receiver's own HMAC (RFC 2104, by the standard library) over what came on the wire."""
    async with raw_peer(OK) as peer, telling(peer.port, secret="tide-tables") as notices:
        notices.raise_notice(FAILED)
        await until(lambda: peer.requests)

        head, body = sent(peer)
    stamp, _, hexed = head["lastwatt-signature"].partition(",sha256=")
    unix_s = stamp.removeprefix("t=")
    expected = hmac.new(b"tide-tables", unix_s.encode() + b"." + body, hashlib.sha256).hexdigest()
    assert hmac.compare_digest(hexed, expected)
    assert abs(int(unix_s) - LoopClock().utc().timestamp()) < 60


async def test_dry_run_says_so_twice() -> None:
    """Whoever reads only the sentence must not drive to the site over a rehearsal."""
    async with raw_peer(OK) as peer, telling(peer.port, dry_run=True) as notices:
        notices.raise_notice(FAILED)
        await until(lambda: peer.requests)

        said = notice_of(peer)
    assert said["dry_run"] is True
    assert said["text"].startswith("dry run: mains has failed")


@pytest.mark.parametrize(
    "trouble",
    [BUSY, hangs_up(), hangs_up(b"\0garbage\r\n\r\n"), says(reply(b"", status="429 Slow Down"))],
    ids=["503", "hung up", "garbage", "429"],
)
async def test_notice_is_tried_again_until_it_is_received(trouble: Answer) -> None:
    """The receiver restarts; the notice is the same one, and says how late it is."""
    clock = FakeClock()
    async with (
        raw_peer(trouble, trouble, OK) as peer,
        telling(peer.port, clock=clock) as notices,
    ):
        notices.raise_notice(FAILED)
        took_s = await advanced_until(clock, lambda: notices.deliveries()[0].waiting == 0)

        tries = [notice_of(peer, number) for number in range(3)]
    assert took_s >= 3.0  # the pauses of 1 s and 2 s
    assert len({said["id"] for said in tries}) == 1
    assert tries[0]["late_s"] < tries[1]["late_s"] < tries[2]["late_s"]
    assert len({said["time"] for said in tries}) == 1
    assert notices.deliveries()[0].why == ""


async def test_silence_ends_a_try() -> None:
    """A receiver that takes the request and never answers holds nothing up for good."""
    async with raw_peer(silent, OK) as peer, telling(peer.port) as notices:
        notices.raise_notice(FAILED)
        await until(lambda: notices.deliveries()[0].waiting == 0)

        assert len(peer.requests) == 2


async def test_refusal_is_final_and_does_not_block_the_next() -> None:
    """A notice that a receiver will never take must not keep back those that it would."""
    async with raw_peer(NO, OK) as peer, telling(peer.port) as notices:
        with structlog.testing.capture_logs() as logs:
            notices.raise_notice(FAILED)
            notices.raise_notice(BACK)
            await until(lambda: notices.deliveries()[0].waiting == 0)

        assert [notice_of(peer, n)["text"] for n in range(2)] == [FAILED.text, BACK.text]
    assert [entry["why"] for entry in logs if entry["event"] == "dropped_notice"] == [
        "it answered 422 Unprocessable Content"
    ]
    (shown,) = notices.deliveries()
    assert (shown.given_up, shown.given_up_why) == (1, "it answered 422 Unprocessable Content")


@pytest.mark.parametrize(
    ("status", "hint"),
    [
        ("401 Unauthorized", "see whether its key has changed"),
        ("403 Forbidden", "see whether its key has changed"),
        ("404 Not Found", "see whether its address has changed"),
        ("410 Gone", "see whether its address has changed"),
        ("302 Found", ""),
    ],
)
async def test_receiver_that_is_being_changed_loses_no_notice(status: str, hint: str) -> None:
    """A key is rotated, a server set up anew, and mains fails in that hour."""
    clock = FakeClock()
    away = says(reply(b"", status=status))
    async with raw_peer(away, away, OK) as peer, telling(peer.port, clock=clock) as notices:
        notices.raise_notice(FAILED)
        await until(lambda: notices.deliveries()[0].why)
        (shown,) = notices.deliveries()
        took_s = await advanced_until(
            clock, lambda: notices.deliveries()[0].waiting == 0, step_s=20.0
        )

        assert [notice_of(peer, n)["text"] for n in range(3)] == [FAILED.text] * 3
    assert hint in shown.why
    assert shown.waiting == 1
    assert took_s >= 360.0  # seldom: after a minute, then after five
    assert notices.deliveries()[0].given_up == 0


async def test_receiver_that_comes_up_behind_its_proxy_is_tried_within_minutes() -> None:
    """After an outage nobody answers, then the proxy says 404 until what is behind it has begun."""
    clock = FakeClock()
    away = says(reply(b"", status="404 Not Found"))
    nobody = [hangs_up()] * 6
    async with raw_peer(*nobody, away, OK) as peer, telling(peer.port, clock=clock) as notices:
        notices.raise_notice(FAILED)
        await advanced_until(clock, lambda: len(peer.requests) == 7, step_s=2.0)
        took_s = await advanced_until(
            clock, lambda: notices.deliveries()[0].waiting == 0, step_s=20.0
        )

    assert took_s <= 300.0  # a minute; an hour comes only after that many refusals


async def test_what_gets_5xx_does_not_block_the_next_mains_lost() -> None:
    """One notice that makes a receiver stumble must not cost the owner all that follow it."""
    clock = FakeClock()
    needs = NoticeRaised(30.0, "error", "gate recorder", "gate recorder is not back")

    async def stumbles(writer: asyncio.StreamWriter) -> None:
        answer = BUSY if FAILED.text.encode() in peer.requests[-1] else OK
        await answer(writer)

    async with raw_peer(stumbles) as peer, telling(peer.port, clock=clock) as notices:
        notices.raise_notice(FAILED)
        await until(lambda: notices.deliveries()[0].why)
        again = NoticeRaised(25.0, "error", "cabinet", "mains is gone again", Topic.MAINS_LOST)
        for notice in (BACK, again, needs):
            notices.raise_notice(notice)
        took_s = await advanced_until(clock, lambda: notices.deliveries()[0].waiting == 1)

        told = [notice_of(peer, n)["text"] for n in range(len(peer.requests))]
        await advanced_until(clock, lambda: len(peer.requests) > len(told) + 3, step_s=5.0)
    others = [text for text in told if text != FAILED.text]
    assert others == [again.text, needs.text, BACK.text]
    assert took_s <= 5.0
    assert notices.deliveries()[0].waiting == 1


async def test_way_out_is_not_held_for_what_its_receiver_refuses() -> None:
    """A router that waits for a wrong key to come right takes its minutes from the battery."""
    async with raw_peer(AWAY) as peer, telling(peer.port) as notices:
        notices.raise_notice(FAILED)
        assert notices.waits
        await until(lambda: notices.deliveries()[0].why)

        assert not notices.waits


async def test_slow_receiver_delays_no_other() -> None:
    """The owner's pager must not wait for somebody's dashboard."""
    async with (
        raw_peer(silent) as slow,
        raw_peer(OK) as quick,
        telling(slow.port, quick.port) as notices,
    ):
        for _ in range(5):
            notices.raise_notice(FAILED)
        await until(lambda: notices.deliveries()[1].waiting == 0)

        assert len(quick.requests) == 5
        assert notices.deliveries()[0].waiting == 5


async def test_next_notice_hastens_the_one_that_waits() -> None:
    """The way out is back: what waits for its pause of a minute goes with the news of it."""
    clock = FakeClock()
    async with raw_peer(*[BUSY] * 8, OK) as peer, telling(peer.port, clock=clock) as notices:
        notices.raise_notice(FAILED)
        await advanced_until(clock, lambda: len(peer.requests) == 8, step_s=5.0)
        await until(lambda: clock.sleepers)
        notices.raise_notice(BACK)
        took_s = await advanced_until(
            clock, lambda: notices.deliveries()[0].waiting == 0, step_s=0.5
        )

        assert {notice_of(peer, n)["text"] for n in (8, 9)} == {FAILED.text, BACK.text}
    assert took_s <= 3.0


async def test_memory_is_bounded_and_the_newest_are_kept() -> None:
    """A receiver that is gone for good does not eat the box's memory."""
    async with raw_peer(silent) as peer, telling(peer.port) as notices:
        with structlog.testing.capture_logs() as logs:
            for _ in range(WAITING + 7):
                notices.raise_notice(FAILED)

        assert notices.deliveries()[0].waiting == WAITING
    assert [entry["event"] for entry in logs].count("dropped_notice") == 7


async def test_undeliverable_notice_is_given_up_after_a_week() -> None:
    """Last week's news stands in the journal; today's goes first."""
    clock = FakeClock(at=KEEP_S)
    old = to_json(letter("the old one", at=30.0))
    async with raw_peer(BUSY) as peer, telling(peer.port, clock=clock) as notices:
        with structlog.testing.capture_logs() as logs:
            notices.take_up([("webhook 1", "20260701T224107-1", old)])
            assert notices.deliveries()[0].waiting == 1
            await advanced_until(clock, lambda: notices.deliveries()[0].waiting == 0, step_s=5.0)

        assert "503" in notices.deliveries()[0].why
        assert len(peer.requests) > 1
    assert "dropped_notice" in [entry["event"] for entry in logs]


async def test_receiver_that_nobody_runs_costs_one_line_of_log() -> None:
    """A pause of hours is one fact, not a line a minute."""
    clock = FakeClock()
    async with raw_peer(OK) as peer:
        port = peer.port
    with structlog.testing.capture_logs() as logs:
        async with telling(port, clock=clock) as notices:
            notices.raise_notice(FAILED)
            await advanced_until(clock, lambda: clock.monotonic() > 300.0, step_s=10.0)
    assert [entry["event"] for entry in logs] == ["lost_receiver"]


async def test_nothing_secret_is_logged() -> None:
    """Neither what signs, nor the path, which at many services is the key itself."""
    clock = FakeClock()
    with structlog.testing.capture_logs() as logs:
        async with raw_peer(BUSY, hangs_up(), NO, OK) as peer:
            path = "/services/T0KEN-in-path?key=K3Y"
            hook = telling(peer.port, clock=clock, path=path, secret="moor-her-fast-4")
            async with hook as notices:
                notices.raise_notice(FAILED)
                notices.raise_notice(BACK)
                await advanced_until(clock, lambda: notices.deliveries()[0].waiting == 0)
                said = repr((logs, notices.deliveries(), vars(notices)))
    assert logs
    for secret in ("T0KEN", "K3Y", "moor-her-fast-4"):
        assert secret not in said


async def test_url_that_is_none_is_said_and_the_others_are_told() -> None:
    """A mistyped port in one address costs that one only."""
    async with raw_peer(OK) as peer:
        urls = [f"http://127.0.0.1:{port}/T0KEN" for port in (99999, peer.port)]
        table = NoticesTable(webhooks=[WebhookTable(url=url) for url in urls])
        ways, refused = ways_of(table, sender(), clock=LoopClock())
        notices = Notices(ways, clock=LoopClock(), zone=ZONE)
        task = asyncio.create_task(notices.run())
        notices.raise_notice(FAILED)
        await until(lambda: peer.requests)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert [one.name for one in refused] == ["webhook 1"]
    assert "T0KEN" not in repr((refused, ways))


async def test_receiver_with_a_certificate_of_its_own_is_pinned(tmp_path: Path) -> None:
    """A box on the site's own wire; a stranger at its address gets nothing."""
    issued, other = self_signed(tmp_path, "hook"), self_signed(tmp_path, "other")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(issued.certificate, issued.key)
    async with raw_peer(OK, tls=context) as peer:
        hooks = [
            WebhookTable(
                url=f"https://127.0.0.1:{peer.port}/", tls=Tls(fingerprint=each.fingerprint())
            )
            for each in (issued, other)
        ]
        async with told(NoticesTable(webhooks=hooks)) as notices:
            notices.raise_notice(FAILED)
            await until(lambda: notices.deliveries()[0].waiting == 0)
            await until(lambda: notices.deliveries()[1].why)

            assert "pinned" in notices.deliveries()[1].why
        assert len(peer.requests) == 1
