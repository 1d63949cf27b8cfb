"""What waits is on the disk: a real agent killed amid it, and the table it is kept in."""

from __future__ import annotations

import asyncio
import http.server
import json
import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import structlog

from agent.journal.journal import Journal
from agent.notices import KEEP_S, WAITING
from agent.notices.letter import to_json
from policies.events import NoticeRaised
from policies.telling import Topic
from tests.agent.commands import lastwatt, unit, write_site
from tests.agent.notices.telling import letter, telling, until
from tests.agent.test_cli_run import running
from tests.fakes import FakeClock
from tests.peers.raw_http import raw_peer, reply, says, silent
from tests.peers.snmpd import ON_BATTERY, Snmpd

OK = says(reply(b""))


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def receiver(port: int) -> Iterator[list[dict[str, Any]]]:
    """A web server in a thread, which takes each notice."""
    got: list[dict[str, Any]] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            """Say nothing."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield got
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.mark.peer
def test_what_waited_when_the_agent_was_killed_is_delivered_after_once(tmp_path: Path) -> None:
    """Mains fails, the way out is gone, the box loses its power; then both are back."""
    port = free_port()
    hook = (
        f'[notices]\nwebhooks = [{{ name = "pager", url = "http://127.0.0.1:{port}/" }}]\n'
        "path = []\n"
    )
    with Snmpd(tmp_path / "unit") as snmpd:
        flicker = 'flicker = "1s"'
        site = write_site(tmp_path, unit(snmpd.port, more=flicker), hook)
        with running(tmp_path, site) as agent:
            agent.until_said("learnt_unit")
            snmpd.put(ON_BATTERY)
            agent.until_said("mains has failed")
            agent.until_said("lost_receiver")
            shown = lastwatt("notices", "--state", agent.state, "--json").document
            agent.end(signal.SIGKILL)
        with receiver(port) as got:
            with running(tmp_path, site) as agent:
                agent.until(lambda: lost(got), "the notice")
                agent.until(lambda: waiting(agent.state) == 0, "an empty queue")
                agent.end(signal.SIGKILL)
            first = len(got)
            with running(tmp_path, site) as agent:
                agent.until_said("learnt_unit")
                agent.until(lambda: waiting(agent.state) == 0, "an empty queue")
                agent.end()

    (one,) = shown["receivers"]
    assert (one["name"], one["way"]) == ("pager", "webhook")
    assert one["waiting"] >= 1
    assert "connection refused" in one["why"]
    (said,) = lost(got)
    assert said["text"] == "mains has failed: cabinet runs on its battery"
    assert said["late_s"] > 0.0
    assert len({each["id"] for each in got[:first]}) == first


def lost(got: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [each for each in got if each["topic"] == Topic.MAINS_LOST]


def waiting(state: Path) -> int:
    done = lastwatt("notices", "--state", state, "--json")
    if done.status != 0:
        return -1
    return sum(int(one["waiting"]) for one in done.document["receivers"])


def opened(folder: Path, clock: FakeClock) -> Journal:
    return Journal.open(
        folder,
        dry_run=False,
        utc=clock.utc,
        monotonic=clock.monotonic,
        synced=lambda: True,
        boot="boot-1",
    )


async def test_table_keeps_what_waits_in_order_and_forgets_what_was_taken(tmp_path: Path) -> None:
    """What an agent that starts anew finds is what the last one had not delivered."""
    clock = FakeClock()
    journal = opened(tmp_path, clock)
    for number in (3, 1, 2):
        journal.keep_undelivered("owner", f"n{number}", to_json(letter(number=number)))
    journal.keep_undelivered("pager", "n1", "x")
    journal.drop_undelivered("owner", ["n1"])
    await journal.close()

    again = opened(tmp_path, clock)
    found = again.recall_undelivered()
    await again.close()
    assert [(receiver, notice) for receiver, notice, _ in found] == [
        ("owner", "n3"), ("owner", "n2"), ("pager", "n1"),
    ]  # fmt: skip


async def test_journal_that_was_set_aside_is_given_what_waits_once_more(tmp_path: Path) -> None:
    """A damaged file must not take the notices with it that memory still holds."""
    clock = FakeClock()
    journal = opened(tmp_path, clock)
    async with raw_peer(silent) as peer, telling(peer.port) as notices:
        for receiver in notices._receivers:
            receiver._store = journal
        notices.raise_notice(NoticeRaised(0.0, "error", "cabinet", "a"))
        journal.drop_undelivered("webhook 1", [x.id for x in notices._receivers[0]._waiting])
        notices.keep_again()
        await journal.commit()
        kept = journal.recall_undelivered()
        await journal.close()

    assert [name for name, _, _ in kept] == ["webhook 1"]


async def test_what_nobody_is_to_get_any_more_is_forgotten() -> None:
    """A receiver that the file no longer has, a notice of last week, a damaged row."""
    clock = FakeClock(at=KEEP_S + 1000.0)
    young, old = letter(at=KEEP_S), letter(at=1.0)
    async with raw_peer(silent) as peer, telling(peer.port, clock=clock) as notices:
        with structlog.testing.capture_logs() as logs:
            notices.take_up(
                [
                    ("webhook 1", young.id, to_json(young)),
                    ("gone", young.id, to_json(young)),
                    ("webhook 1", "old", to_json(old)),
                    ("webhook 1", "odd", "{"),
                ]
            )

        assert notices.deliveries()[0].waiting == 1
    assert [entry["event"] for entry in logs].count("dropped_notice") == 3


async def test_grave_notices_stay_when_too_many_wait() -> None:
    """Two hundred readings of a flapping alarm must not push out that mains is lost."""
    async with raw_peer(silent) as peer, telling(peer.port) as notices:
        lost_one = NoticeRaised(0.0, "error", "cabinet", "mains has failed", Topic.MAINS_LOST)
        notices.raise_notice(lost_one)
        for number in range(WAITING + 5):
            notices.raise_notice(
                NoticeRaised(0.0, "info", "cabinet", f"alarm {number}", Topic.ALARM)
            )
        (held,) = notices._receivers
        texts = [each.text for each in held._waiting]

    assert len(texts) == WAITING
    assert texts[0] == "mains has failed"
    assert texts[-1] == f"alarm {WAITING + 4}"


async def test_what_is_taken_leaves_the_disk(tmp_path: Path) -> None:
    """Exactly what was acknowledged is not sent again after a restart."""
    clock = FakeClock()
    journal = opened(tmp_path, clock)
    async with raw_peer(OK) as peer, telling(peer.port) as notices:
        for receiver in notices._receivers:
            receiver._store = journal
        notices.raise_notice(NoticeRaised(0.0, "error", "cabinet", "a"))
        await until(lambda: notices.deliveries()[0].waiting == 0)
        await asyncio.sleep(0)
        await journal.commit()
        kept = journal.recall_undelivered()
        await journal.close()

    assert kept == []
