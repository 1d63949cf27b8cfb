"""`lastwatt restore` as a process: what it sends, to whom, how it ends; bad lists in a sentence."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from agent.owed.listing import MARK, Entry, OwedFile, with_program_part
from tests.agent.commands import Done, lastwatt, write_secret
from tests.peers.raw_http import RawPeer, raw_peer, reply, says

PASSWORD = "moor-her-fast-4"
SITE = "Quayside boatyard"
DEAD = 9  # the discard port of 127.0.0.9, where nobody listens


IDLED: dict[str, Any] = {"quiesce": {"path": "/idle", "restore": {"path": "/record"}}}


def entry(port: int, stages: dict[str, Any], *, act: str = "quiesced") -> Entry:
    """A recorder told over HTTP, and what undoes it."""
    access = {
        "scheme": "http", "port": port, "auth": "basic", "user": "keeper",
        "password": {"file": "password"},
    }  # fmt: skip
    return Entry.model_validate(
        {
            "device": "gate recorder",
            "address": "127.0.0.1",
            "acts": [act],
            "since": "2026-11-25T13:00:00+00:00",
            "drivers": dict.fromkeys(stages, "http"),
            "tables": {"http": access, **stages},
        }
    )


def write_list(folder: Path, *entries: Entry) -> Path:
    write_secret(folder / "password", PASSWORD)
    found = OwedFile(site=SITE, written="2026-11-25T13:00:05+00:00", owed=list(entries))
    path = folder / "owed.txt"
    path.write_text(with_program_part("What is owed.\n", found))
    return path


async def run(*arguments: str | Path) -> Done:
    """Run the command beside the loop that serves its peer."""
    return await asyncio.to_thread(lambda: lastwatt("restore", *arguments))


def asked(peer: RawPeer) -> list[str]:
    return [request.split(b" HTTP")[0].decode() for request in peer.requests]


async def test_recorder_left_idle_is_told_to_record(tmp_path: Path) -> None:
    """All that is needed stands in the list and in one secret's file."""
    async with raw_peer(says(reply(b"ok"))) as peer:
        path = write_list(tmp_path, entry(peer.port, IDLED))
        dry = await run(path, "--dry-run", "--json")
        sent_by_dry = asked(peer)
        done = await run(path, "--yes", "--json")

    assert (dry.status, sent_by_dry) == (0, [])
    assert (done.status, asked(peer)) == (0, ["POST /record"])
    described = [d["sent"] for d in dry.document["devices"]]
    assert described == [d["sent"] for d in done.document["devices"]]
    assert PASSWORD not in done.out + dry.out + path.read_text()
    assert done.document["devices"][0]["name"] == "gate recorder"


async def test_what_records_already_is_left_alone(tmp_path: Path) -> None:
    """The agent was quicker, or somebody ran this before."""
    confirm = {"path": "/state", "expect": {"json": {"state": "idle"}}}
    table = {"quiesce": {**IDLED["quiesce"], "confirm": confirm, "every": "9s"}}
    async with raw_peer(says(reply(b'{"state": "recording"}'))) as peer:
        done = await run(write_list(tmp_path, entry(peer.port, table)), "--yes")

    assert done.status == 0 and "nothing was sent" in done.out
    assert set(asked(peer)) == {"GET /state"}


async def test_refusal_is_status_4(tmp_path: Path) -> None:
    """A script that calls this knows that a person must mend something."""
    async with raw_peer(says(reply(b"no", status="403 Forbidden"))) as peer:
        done = await run(write_list(tmp_path, entry(peer.port, IDLED)), "--yes", "--json")

    assert (done.status, done.document["ok"]) == (4, False)


async def test_device_that_is_off_is_status_3_and_delays_no_report(tmp_path: Path) -> None:
    """The rest of the list is undone all the same."""
    async with raw_peer(says(reply(b"ok"))) as peer:
        dead = entry(DEAD, IDLED).model_copy(
            update={"device": "loft recorder", "address": "127.0.0.9"}
        )
        done = await run(write_list(tmp_path, dead, entry(peer.port, IDLED)), "--yes", "--json")

    assert done.status == 3
    assert [d["ok"] for d in done.document["devices"]] == [False, True]


async def test_device_that_only_a_hand_starts_is_named(tmp_path: Path) -> None:
    """The list holds no order for it, and says so."""
    alone = entry(DEAD, {}, act="stopped")
    done = await run(write_list(tmp_path, alone), "--yes")

    assert done.status == 1
    assert "start it by its own button" in done.out


async def test_nothing_is_sent_unless_the_sites_name_was_typed(tmp_path: Path) -> None:
    """Without a terminal nobody can type it; and --yes stands in for it."""
    async with raw_peer(says(reply(b"ok"))) as peer:
        done = await run(write_list(tmp_path, entry(peer.port, IDLED)))

    assert (done.status, asked(peer)) == (1, [])
    assert "type the name of the site" in done.err


async def test_list_that_owes_nothing_is_status_0(tmp_path: Path) -> None:
    """The copy outside stays there, and says so."""
    done = await run(write_list(tmp_path))

    assert done.status == 0 and "nothing is owed" in done.out


def _cut_off(text: str) -> str:
    return text[:-20]


def _newer(text: str) -> str:
    return text.replace('"format": 1', '"format": 2')


def _of_people(text: str) -> str:
    return text.partition(MARK)[0]


def _meddled(text: str) -> str:
    return text.replace('"since"', '"sinse"')


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (_cut_off, "another copy"),
        (_newer, "the release that wrote it"),
        (_of_people, "no list of what is owed"),
        (_meddled, "nobody edited"),
    ],
)
async def test_bad_list_is_a_sentence_and_status_2(
    tmp_path: Path, spoil: Callable[[str], str], said: str
) -> None:
    """Half a copy must not undo half a site."""
    path = write_list(tmp_path, entry(DEAD, IDLED))
    path.write_text(spoil(path.read_text()))
    done = await run(path, "--yes")

    assert (done.status, done.out) == (2, "")
    assert said in done.complaint


async def test_secret_that_is_not_there_is_named_and_nothing_is_sent(tmp_path: Path) -> None:
    """On another machine the secrets lie elsewhere: --site says where."""
    async with raw_peer(says(reply(b"ok"))) as peer:
        path = write_list(tmp_path, entry(peer.port, IDLED))
        (tmp_path / "password").unlink()
        done = await run(path, "--yes")

    assert (done.status, asked(peer)) == (2, [])
    assert "--site FILE" in done.complaint and "gate recorder" in done.complaint
