"""A loop whose time runs faster than real time, except while a real conversation is under way.

A virtual outage of an hour should pass in a minute, but an SSH handshake takes its real tenth of a
second however fast the clock of the site runs; judged in virtual seconds it would look like six.
So time slows to real pace while anybody talks, and hurries only while everybody waits.
"""

from __future__ import annotations

import asyncio
import functools
import selectors
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import ParamSpec, Protocol, TypeVar

_P = ParamSpec("_P")
_T = TypeVar("_T")
Ready = list[tuple[selectors.SelectorKey, int]]

DEFAULT_FACTOR = 60.0


class Pace(Protocol):
    """How a loop's time passes: what its clock says, and how it waits for its sockets.

    A pace that jumps over idle stretches is one more class with these two methods: its `wait`
    polls the sockets without waiting and, where none is ready, moves its own clock on.
    """

    def now(self) -> float:
        """Return the loop's time, in s; it never runs backwards."""
        ...

    def wait(self, select: Callable[[float | None], Ready], timeout_s: float | None) -> Ready:
        """Return what *select* (which takes real seconds) finds within *timeout_s* loop seconds.

        None waits for ever, zero or less not at all.
        """
        ...


class SpedUpPace:
    """Time at a factor of real time, and at real pace while anybody holds `at_real_pace`.

    Any thread may ask or change it. Each change of pace starts a new segment from the exact
    instant reached, so that nothing is lost or gained, however often the pace changes.
    """

    def __init__(
        self, factor: float = DEFAULT_FACTOR, *, real: Callable[[], float] = time.monotonic
    ) -> None:
        """Start at *real*'s own time.

        Args:
            factor: loop seconds in a real second, >= 1.
            real: monotonic real time, in s.

        Raises:
            ValueError: *factor* is below 1.
        """
        if not factor >= 1.0:
            raise ValueError("time can be sped up by a factor of 1 or more, not slowed down")
        self.factor = factor
        self._real = real
        self._lock = threading.Lock()
        self._conversations = 0
        self._since_real = real()
        self._since = self._since_real
        self._watchers: list[Callable[[], None]] = []

    @property
    def rate(self) -> float:
        """Loop seconds that pass in a real second at present."""
        return 1.0 if self._conversations else self.factor

    def now(self) -> float:
        """Return the loop's time, in s."""
        with self._lock:
            return self._reached(self._real())

    def wait(self, select: Callable[[float | None], Ready], timeout_s: float | None) -> Ready:
        """Wait for *select* for as many real seconds as *timeout_s* takes at the present rate."""
        return select(timeout_s if timeout_s is None or timeout_s <= 0 else timeout_s / self.rate)

    @contextmanager
    def at_real_pace(self) -> Iterator[None]:
        """Hold time to real pace; holds are counted, so that they may nest and overlap."""
        self._count(+1)
        try:
            yield
        finally:
            self._count(-1)

    def on_speed_up(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call *wake* whenever time begins to hurry, from any thread; return how to undo that.

        A loop that already waits for its sockets had its wait counted at real pace and would
        otherwise sleep too long. Slowing down needs no call: that loop wakes early, and waits on.
        """
        self._watchers.append(wake)
        return functools.partial(self._watchers.remove, wake)

    def _reached(self, real: float) -> float:
        return self._since + max(0.0, real - self._since_real) * self.rate

    def _count(self, change: int) -> None:
        with self._lock:
            real = self._real()
            self._since, self._since_real = self._reached(real), real
            self._conversations += change
            hurries = not self._conversations
        if hurries:
            for wake in tuple(self._watchers):
                wake()


class _PacedSelector(selectors.DefaultSelector):
    """The system's selector, waiting in a pace's seconds."""

    def __init__(self, pace: Pace) -> None:
        super().__init__()
        self._pace = pace

    def select(self, timeout: float | None = None) -> Ready:
        """Wait for at most *timeout* loop seconds."""
        return self._pace.wait(super().select, timeout)


class PacedLoop(asyncio.SelectorEventLoop):
    """An event loop that lives by a pace: its `time()`, timers and time-outs all follow it.

    `asyncio.Runner(loop_factory=PacedLoop)` runs a program sixty times as fast. Keep every
    conversation with something real inside `with loop.at_real_pace():`.
    """

    def __init__(self, pace: SpedUpPace | None = None) -> None:
        self.pace = pace or SpedUpPace()
        super().__init__(_PacedSelector(self.pace))
        self._unwatch: Callable[[], None] | None = self.pace.on_speed_up(self._wake)

    def time(self) -> float:
        """Return the loop's time, in s."""
        return self.pace.now()

    def at_real_pace(self) -> AbstractContextManager[None]:
        """Hold time to real pace while the context lasts; may nest, overlap, and cross threads."""
        return self.pace.at_real_pace()

    def close(self) -> None:
        """Close the loop and let go of its pace, which may go on without it."""
        if self._unwatch is not None:
            self._unwatch()
            self._unwatch = None
        super().close()

    def _wake(self) -> None:
        if not self.is_closed():
            self.call_soon_threadsafe(_nothing)


def _nothing() -> None:
    """Do nothing: what a loop is woken with."""


def real_pace() -> AbstractContextManager[None]:
    """Return `at_real_pace` of the running loop, or a context that does nothing on any other loop.

    So a transport can mark its conversations without knowing what kind of loop it runs on.
    """
    loop = asyncio.get_running_loop()
    return loop.at_real_pace() if isinstance(loop, PacedLoop) else nullcontext()


def conversing(talk: Callable[_P, Awaitable[_T]]) -> Callable[_P, Awaitable[_T]]:
    """Wrap a coroutine function so that each call of it runs at real pace."""

    @functools.wraps(talk)
    async def paced(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        with real_pace():
            return await talk(*args, **kwargs)

    return paced
