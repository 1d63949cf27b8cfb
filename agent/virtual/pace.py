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
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from contextvars import ContextVar
from typing import Protocol

from agent.conduct.unit_control import Control, UnitControl
from agent.units.source import Source, UnitIdentity
from drivers.base import Act, Driver, Outcome, Repeat, Stage
from policies.model import Reading

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


class _Hold:
    """One conversation's hold on the pace; it lets go while the conversation rests."""

    __slots__ = ("is_over", "rests")

    def __init__(self) -> None:
        self.rests = 0
        self.is_over = False

    @property
    def counts(self) -> bool:
        return not self.is_over and not self.rests


_holds: ContextVar[tuple[_Hold, ...]] = ContextVar("_holds", default=())
"""The holds that the running task (or thread) is inside of."""


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
        hold = _Hold()
        with self._lock:
            self._shift(+1)
        token = _holds.set((*_holds.get(), hold))
        try:
            yield
        finally:
            _holds.reset(token)
            self._revise((hold,), _end)

    @contextmanager
    def resting(self) -> Iterator[None]:
        """Let go of the holds that the running task is inside of: it waits, and nobody talks.

        A driver asks, waits a while and asks again, all in one act that is held to real pace;
        only its waiting can hurry.
        """
        holds = _holds.get()
        self._revise(holds, _rest)
        try:
            yield
        finally:
            self._revise(holds, _go_on)

    def on_speed_up(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call *wake* whenever time begins to hurry, from any thread; return how to undo that.

        A loop that already waits for its sockets had its wait counted at real pace and would
        otherwise sleep too long. Slowing down needs no call: that loop wakes early, and waits on.
        """
        self._watchers.append(wake)
        return functools.partial(self._watchers.remove, wake)

    def _reached(self, real: float) -> float:
        return self._since + max(0.0, real - self._since_real) * self.rate

    def _revise(self, holds: tuple[_Hold, ...], how: Callable[[_Hold], None]) -> None:
        with self._lock:
            before = sum(hold.counts for hold in holds)
            for hold in holds:
                how(hold)
            change = sum(hold.counts for hold in holds) - before
            hurries = self._shift(change)
        if hurries:
            for wake in tuple(self._watchers):
                wake()

    def _shift(self, change: int) -> bool:
        """Begin a segment with so many conversations more; say whether time hurries from now on."""
        real = self._real()
        self._since, self._since_real = self._reached(real), real
        self._conversations += change
        return change < 0 and not self._conversations


def _end(hold: _Hold) -> None:
    hold.is_over = True


def _rest(hold: _Hold) -> None:
    hold.rests += 1


def _go_on(hold: _Hold) -> None:
    hold.rests -= 1


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

    def resting(self) -> AbstractContextManager[None]:
        """Let time hurry while the running task, though inside `at_real_pace`, only waits."""
        return self.pace.resting()

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


class PacedDriver:
    """A driver whose acts are conversations at real pace, but for the waits within them."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What the driver can do."""
        return self._driver.acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act; see Driver."""
        with real_pace():
            return await self._driver.perform(act, deadline_at=deadline_at)

    async def close(self) -> None:
        """Let go of every connection."""
        await self._driver.close()


class PacedSource:
    """A source of readings that is asked at real pace."""

    def __init__(self, source: Source) -> None:
        self._source = source

    async def read(self, *, deadline_at: float) -> Reading:
        """Return a reading taken now; see Source."""
        with real_pace():
            return await self._source.read(deadline_at=deadline_at)

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        """Return what the unit says of itself; see Source."""
        with real_pace():
            return await self._source.identify(deadline_at=deadline_at)

    async def close(self) -> None:
        """Let go of what is held for this unit."""
        await self._source.close()


class PacedControl:
    """What switches a unit's output, spoken with at real pace."""

    def __init__(self, control: UnitControl) -> None:
        self._control = control

    async def read(self, *, deadline_at: float) -> Control:
        """Return what the control group reads; see UnitControl."""
        with real_pace():
            return await self._control.read(deadline_at=deadline_at)

    async def write(self, name: str, value: int, *, deadline_at: float) -> None:
        """Write one object; see UnitControl."""
        with real_pace():
            await self._control.write(name, value, deadline_at=deadline_at)


def paced_drivers(
    drivers: Mapping[str, Mapping[Stage, Driver]],
) -> Mapping[str, Mapping[Stage, Driver]]:
    """Return the drivers, each behind a PacedDriver; one that serves several stages stays one."""
    paced = {
        id(driver): PacedDriver(driver) for each in drivers.values() for driver in each.values()
    }
    return {
        device: {stage: paced[id(driver)] for stage, driver in stages.items()}
        for device, stages in drivers.items()
    }
