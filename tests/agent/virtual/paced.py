"""Running a test's coroutine in the virtual site's own, faster time."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from agent.virtual.pace import PacedLoop, SpedUpPace

T = TypeVar("T")


def run_paced(main: Callable[[PacedLoop], Awaitable[T]], *, factor: float = 60.0) -> T:
    """Return what *main* returns, run on a loop of its own at *factor* of real time."""
    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(factor))) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, PacedLoop)

        async def run() -> T:
            return await main(loop)

        return runner.run(run())
