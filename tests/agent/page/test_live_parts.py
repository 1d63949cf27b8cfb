"""What goes out to those who have the page open: what changed, once, and a sign of life."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, AsyncIterator

from agent.page.live_parts import LiveParts


def parsed(chunk: bytes) -> dict[str, str]:
    """Return the fields of one server-sent event (HTML standard, section 9.2)."""
    fields = (line.partition(": ") for line in chunk.decode().strip().splitlines())
    return {name: value for name, _, value in fields}


async def after_beat(stream: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """Take the first sign of life."""
    assert parsed(await anext(stream))["event"] == "beat"
    return stream


async def test_only_what_changed_goes_out() -> None:
    """The picture is thirty times the sentence."""
    live = LiveParts(release="1")
    live.put({"said": "a", "ride": "b"})
    stream = await after_beat(live.listen(live.mark))

    live.put({"said": "c", "ride": "b"})
    got = parsed(await anext(stream))

    assert json.loads(got["data"]) == {"said": "c"}
    assert got["id"] == live.mark


async def test_who_comes_with_a_mark_gets_what_he_missed() -> None:
    """A phone that was in a pocket for an hour catches up by itself."""
    live = LiveParts(release="1")
    live.put({"said": "a", "ride": "b", "power": "c"})
    mark = live.mark
    live.put({"said": "d"})
    live.put({"ride": "e"})
    stream = await after_beat(live.listen(mark))

    assert json.loads(parsed(await anext(stream))["data"]) == {"said": "d", "ride": "e"}


async def test_a_mark_of_another_run_or_a_forged_one_gets_everything() -> None:
    """After a restart of the agent nothing that is open is up to date."""
    live = LiveParts(release="1")
    live.put({"said": "a", "ride": "b"})

    for mark in ("", "feedbeef-1", "-", "x-y", "9" * 5000):
        stream = await after_beat(live.listen(mark))
        assert json.loads(parsed(await anext(stream))["data"]) == {"said": "a", "ride": "b"}


async def test_who_is_slow_gets_the_latest_and_holds_up_nobody() -> None:
    """However many changes pass meanwhile, one message brings a listener up to date."""
    live = LiveParts(release="1")
    live.put({"said": "0"})
    stream = await after_beat(live.listen(live.mark))

    for number in range(1, 500):
        live.put({"said": str(number)})
    got = json.loads(parsed(await anext(stream))["data"])

    assert got == {"said": "499"}


async def test_a_change_is_put_into_words_once_for_all() -> None:
    """Fifty open pages cost one encoding."""
    live = LiveParts(release="1")
    live.put({"said": "a"})
    streams = [await after_beat(live.listen(live.mark)) for _ in range(50)]
    live.put({"said": "b"})

    chunks = [await anext(stream) for stream in streams]

    assert all(chunk is chunks[0] for chunk in chunks)


async def test_listeners_are_forgotten_when_they_go() -> None:
    """A page that is closed costs nothing; and who waits for watchers hears of the first."""
    live = LiveParts(release="1")
    waiting = asyncio.create_task(live.watched())
    stream = live.listen("")
    await anext(stream)
    async with asyncio.timeout(30):
        await waiting
    assert live.is_watched

    assert isinstance(stream, AsyncGenerator)
    await stream.aclose()

    assert not live.is_watched


async def test_text_with_line_breaks_stays_one_event() -> None:
    """A name with a line break in it must not end an event, nor begin one."""
    live = LiveParts(release="1")
    live.put({"said": "a\nevent: parts\n\ndata: x"})
    stream = await after_beat(live.listen(""))
    chunk = (await anext(stream)).decode()

    assert chunk.count("\nevent:") + chunk.startswith("event:") == 1
    assert json.loads(parsed(chunk.encode())["data"])["said"] == "a\nevent: parts\n\ndata: x"
