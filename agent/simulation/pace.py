"""A loop that jumps: while everybody waits its time moves on at once, so an hour takes no time.

It has no sockets and no threads: nothing but timers can wake it, and the same program takes the
same course every time.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from agent.clock import LoopClock
from agent.virtual.pace import Ready

TURN_S = 1e-6
"""What a turn of the loop takes: whoever waits for an instant too short to tell must get there."""


class JumpingPace:
    """Time that hardly moves while anybody works, and jumps to the next timer when all wait."""

    def __init__(self) -> None:
        self._now = 0.0

    def now(self) -> float:
        """Return the loop's time, in s."""
        return self._now

    def wait(self, select: Callable[[float | None], Ready], timeout_s: float | None) -> Ready:
        """Return what *select* finds at once, else move time on by *timeout_s*.

        Raises:
            RuntimeError: nothing is ready, and nothing ever will be.
        """
        ready = select(0.0)
        if not ready:
            if timeout_s is None:
                raise RuntimeError("everybody waits, and nothing is due: the simulation is stuck")
            self._now += max(TURN_S, timeout_s)
        return ready


class SteadyPace(JumpingPace):
    """Time that is never ahead of a factor of real time, for those who watch.

    What is done in it takes the same course as at any other pace.
    """

    def __init__(
        self, factor: float, *, real: Callable[[], float], sleep: Callable[[float], None]
    ) -> None:
        """Start now.

        Args:
            factor: loop seconds in a real second, > 0.
            real: monotonic real time, in s.
            sleep: waits for real seconds.
        """
        super().__init__()
        self._factor, self._real, self._sleep = factor, real, sleep
        self._began = real()

    def wait(self, select: Callable[[float | None], Ready], timeout_s: float | None) -> Ready:
        """Return what *select* finds at once, else let *timeout_s* pass."""
        ready = super().wait(select, timeout_s)
        left_s = self._began + self._now / self._factor - self._real()
        if left_s > 0.0:
            self._sleep(left_s)
        return ready


class _NoSockets(selectors.BaseSelector):
    """A selector that nothing is ever ready at; the loop's own pipe is noted, and never used."""

    def __init__(self, pace: JumpingPace) -> None:
        self._pace = pace
        self._keys: dict[Any, selectors.SelectorKey] = {}

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        """Note a file."""
        fd = fileobj if isinstance(fileobj, int) else fileobj.fileno()
        key = selectors.SelectorKey(fileobj, fd, events, data)
        self._keys[fd] = key
        return key

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        """Forget a file."""
        return self._keys.pop(fileobj if isinstance(fileobj, int) else fileobj.fileno())

    def select(self, timeout: float | None = None) -> Ready:
        """Let time pass."""
        return self._pace.wait(_nothing, timeout)

    def get_key(self, fileobj: Any) -> selectors.SelectorKey:
        """Return the note of a file; KeyError where there is none."""
        return self._keys[fileobj if isinstance(fileobj, int) else fileobj.fileno()]

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        """Return all notes."""
        return self._keys


def _nothing(_timeout_s: float | None) -> Ready:
    return []


class JumpingLoop(asyncio.SelectorEventLoop):
    """An event loop that lives by a pace that jumps; it starts at 0 s."""

    def __init__(self, pace: JumpingPace | None = None) -> None:
        self.pace = pace or JumpingPace()
        super().__init__(_NoSockets(self.pace))

    def time(self) -> float:
        """Return the loop's time, in s."""
        return self.pace.now()


class Wall:
    """The wall clock of the agent's box, which people and daemons set forward and back."""

    def __init__(self, start_utc: datetime) -> None:
        self._start_utc = start_utc
        self._stepped_s = 0.0

    def step(self, seconds: float) -> None:
        """Set it forward, or back if negative."""
        self._stepped_s += seconds

    def at(self, loop_s: float) -> datetime:
        """Return what it shows at a loop time."""
        return self._start_utc + timedelta(seconds=loop_s + self._stepped_s)


class BoxClock(LoopClock):
    """The agent's clock with a wall clock that is simulated too."""

    def __init__(self, wall: Wall, *, offset_s: float) -> None:
        super().__init__(offset_s=offset_s)
        self._wall = wall

    def utc(self) -> datetime:
        """Return what the box's wall clock shows."""
        return self._wall.at(asyncio.get_running_loop().time())
