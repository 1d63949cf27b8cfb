"""A thread of its own for each call that blocks, never the loop's shared pool.

In the pool a few hung calls would keep every other device waiting; here a call that outlives its
welcome is abandoned: its thread is a daemon, and its result, should one come, is dropped.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

T = TypeVar("T")


async def in_own_thread(call: Callable[[], T], *, name: str) -> T:
    """Return what *call* returns in a daemon thread called *name*; raise what it raises.

    When cancelled, the thread is left to itself: see to it that *call* ends.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def deliver(settle: Callable[[], None]) -> None:
        def once() -> None:
            if not future.done():
                settle()

        with suppress(RuntimeError):  # the loop is closed: nobody waits any more
            loop.call_soon_threadsafe(once)

    def work() -> None:
        try:
            result = call()
        except Exception as error:  # carried over to whoever waits
            caught = error
            deliver(lambda: future.set_exception(caught))
        else:
            deliver(lambda: future.set_result(result))

    threading.Thread(target=work, name=name, daemon=True).start()
    return await future
