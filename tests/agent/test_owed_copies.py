"""Copies of the list outside the box: the newest arrives, and a place that is away is alone."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from pydantic import SecretStr

from agent.clock import LoopClock
from agent.config.site import OwedCopy
from agent.notices import digest
from agent.owed.copies import OwedCopies
from tests.peers.raw_http import RawPeer, raw_peer, reply, says

SECRET = SecretStr("tide-tables")


@asynccontextmanager
async def copying(*copies: OwedCopy) -> AsyncIterator[OwedCopies]:
    found = OwedCopies(copies, clock=LoopClock())
    task = asyncio.create_task(found.run())
    try:
        yield found
        assert not task.done()
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def until(holds: Callable[[], object]) -> None:
    async with asyncio.timeout(10):
        while not holds():  # noqa: ASYNC110  # a file and a peer, of which no event tells
            await asyncio.sleep(0.02)


def bodies(peer: RawPeer) -> list[bytes]:
    return [request.partition(b"\r\n\r\n")[2] for request in peer.requests]


async def test_each_place_gets_the_list_at_once(tmp_path: Path) -> None:
    """The box may lose its power a second later."""
    path = tmp_path / "owed.txt"
    async with raw_peer(says(reply(b""))) as peer:
        url = f"http://127.0.0.1:{peer.port}/owed?key=k"
        async with copying(OwedCopy(file=path), OwedCopy(url=url, secret=SECRET)) as copies:
            copies.put("first")
            await until(lambda: path.exists() and peer.requests)

    head = peer.requests[0].partition(b"\r\n\r\n")[0].decode()
    fields = dict(line.split(": ", 1) for line in head.split("\r\n")[1:])
    stamp, _, shown = fields["Lastwatt-Signature"].partition(",")
    assert path.read_text() == "first"
    assert head.startswith("PUT /owed?key=k ")
    assert bodies(peer) == [b"first"]
    assert shown == f"sha256={digest(SECRET, stamp[2:].encode() + b'.first')}"


async def test_many_changes_cost_two_messages_and_the_last_one_arrives(tmp_path: Path) -> None:
    """A stop of twenty devices changes the list forty times."""
    async with raw_peer(says(reply(b""))) as peer:
        url = f"http://127.0.0.1:{peer.port}/owed"
        async with copying(OwedCopy(url=url, method="POST")) as copies:
            copies.put("0")
            await until(lambda: peer.requests)
            for number in range(1, 40):
                copies.put(str(number))
                await asyncio.sleep(0.005)
            await until(lambda: b"39" in bodies(peer))

    assert bodies(peer) == [b"0", b"39"]
    assert peer.requests[0].startswith(b"POST ")


async def test_place_that_is_away_holds_up_no_other(tmp_path: Path) -> None:
    """A share that is not mounted, beside one that is."""
    away, there = tmp_path / "not there" / "owed.txt", tmp_path / "owed.txt"
    async with copying(OwedCopy(file=away), OwedCopy(file=there)) as copies:
        copies.put("first")
        await until(there.exists)
        away.parent.mkdir()
        copies.put("second")
        await until(lambda: away.exists() and there.read_text() == "second")

    assert away.read_text() == "second"
