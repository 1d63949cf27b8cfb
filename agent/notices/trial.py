"""One test notice through every way of a site's file, for real, and what came back."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import Any

from agent.box.clock_sync import clock_is_synced
from agent.config import LoadedSite
from agent.notices.build import ways_of
from agent.notices.channel import Answer, Sending, Verdict
from agent.notices.heartbeat import Heartbeat
from agent.notices.letter import Letter
from agent.notices.words import Sender
from drivers.base import Clock
from policies.state import initial
from policies.telling import Topic

HEARTBEAT = "heartbeat"


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of one way; *is_heard* says whether anybody answered."""

    name: str
    way: str
    host: str
    verdict: str
    said: str
    is_heard: bool

    @property
    def went_well(self) -> bool:
        """Whether it was taken."""
        return self.verdict == Verdict.TAKEN


async def tried(
    loaded: LoadedSite, *, clock: Clock, who: str, only: str | None = None
) -> list[Tried]:
    """Send a test notice through each way at once, and the heartbeat, and return what came back.

    Args:
        loaded: the site's file.
        clock: of its time.
        who: who asks; it stands in the notice.
        only: the name of the one receiver that is to get it; of a mail to several, all of them.
    """
    sender = Sender(loaded.site.name, loaded.time_zone)
    ways, refused = ways_of(loaded.notices, sender, clock=clock)
    utc = clock.utc()
    letter = Letter(
        id=f"{utc:%Y%m%dT%H%M%S.%fZ}-test",
        severity="info",
        about=loaded.site.name,
        text=f"this is a test of notices, sent as {who} asked: nothing has happened",
        topic=Topic.OTHER,
        at=clock.monotonic(),
        utc=utc,
        synced=clock_is_synced(),
    )
    sending = Sending((letter,), clock.monotonic(), utc)
    work: list[tuple[str, str, str, Coroutine[Any, Any, Answer]]] = [
        (way.name, way.channel.way, way.channel.host, way.channel.send(sending))
        for way in ways
        if _is_meant(way.name, only)
    ]
    if loaded.notices.heartbeat is not None and only in (None, HEARTBEAT):
        work.append((HEARTBEAT, HEARTBEAT, "", _beaten(loaded, sender, clock)))
    answers = await asyncio.gather(*(each for _, _, _, each in work))
    found = [
        Tried(name, way, host, answer.verdict.value, answer.said, answer.is_heard)
        for (name, way, host, _), answer in zip(work, answers, strict=True)
    ]
    return found + [
        Tried(one.name, "", "", Verdict.NEVER.value, one.why, True)
        for one in refused
        if _is_meant(one.name, only)
    ]


def _is_meant(name: str, only: str | None) -> bool:
    return only is None or name == only or name.startswith(f"{only}: ")


async def _beaten(loaded: LoadedSite, sender: Sender, clock: Clock) -> Answer:
    assert loaded.notices.heartbeat is not None
    state = initial(loaded.site)
    try:
        heartbeat = Heartbeat(
            loaded.notices.heartbeat,
            sender,
            clock=clock,
            state=lambda: state,
            is_well=lambda: True,
        )
    except ValueError:
        return Answer(Verdict.NEVER, "its url is no address that can be used")
    return await heartbeat.beat()
