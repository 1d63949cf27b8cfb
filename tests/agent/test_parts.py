"""What hangs on a running agent: the fault of one part stays its own."""

from __future__ import annotations

import asyncio

import pytest

from agent.parts import RESTART_S, Parts, kept_up
from policies.events import Event, NoticeRaised
from tests.fakes import FakeClock

NOTICE = NoticeRaised(1.0, "info", "cabinet", "mains is back")


def test_a_part_that_fails_at_an_event_keeps_no_other_from_it() -> None:
    """A fault in what serves people must not cost the estimate a reading."""
    heard: list[Event] = []
    parts = Parts()

    def fail(event: Event) -> None:
        raise RuntimeError("a fault")

    parts.join("faulty", hear=fail)
    parts.join("sound", hear=heard.append)
    parts.hear(NOTICE)

    assert heard == [NOTICE]


async def test_parts_end_last_joined_first_whatever_one_of_them_does() -> None:
    """What stands on another ends before it, and a failing end leaves nothing open."""
    ended: list[str] = []
    parts = Parts()

    def ending(name: str, *, fails: bool = False) -> None:
        async def close() -> None:
            ended.append(name)
            if fails:
                raise RuntimeError("a fault")

        parts.join(name, close=close)

    ending("first")
    ending("second", fails=True)
    ending("third")
    await parts.close()

    assert ended == ["third", "second", "first"]


async def test_two_parts_may_not_answer_the_same_ask() -> None:
    """Else a command would be answered by whichever was joined last."""

    async def answer(request: dict[str, object]) -> dict[str, object]:
        return {}

    parts = Parts()
    parts.join("one", asks={"status": answer})

    with pytest.raises(AssertionError, match="status"):
        parts.join("two", asks={"status": answer})


async def test_work_that_fails_is_begun_again_after_a_rest() -> None:
    """A part is back by itself, and does not spin."""
    clock, tries = FakeClock(), 0

    async def work() -> None:
        nonlocal tries
        tries += 1
        if tries < 3:
            raise RuntimeError("a fault")

    running = asyncio.create_task(kept_up("work", work, clock=clock))
    for _ in range(2):
        await clock.advance(RESTART_S)
    await running

    assert tries == 3
