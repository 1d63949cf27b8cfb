"""Whether the path to a device was there for as long as the device was silent.

A switch that reboots makes everything behind it look off. So while a device is watched go, the
devices of its path are looked at again and again, each by one watch however many devices lie
behind it; a silence proves rest only where the whole path was heard throughout.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

from agent.conduct.steps import HEARD
from drivers.base import Clock, Outcome, Verdict
from policies.model import Device

LOOK_S = 10.0
"""How long one look at a device of a path may take: slow ones log in slowly."""

EVERY_S = 2.0
"""Pause between two looks."""

GAP_LEAST_S = 5.0
GAP_MOST_S = 20.0
"""A path not heard for so long was away: half of the silence to be proven, within these bounds.

Shorter gaps are lost packets; no switch is back from a reboot so soon.
"""

_KEPT = 512  # looks remembered of each; far more than any silence lasts


class Look(Protocol):
    """Looks whether a device runs, read-only; None where nothing can tell."""

    async def __call__(self, device: str, *, within_s: float) -> Outcome | None:
        """Return what was seen within so many seconds."""
        ...


@dataclass(slots=True)
class _Watched:
    """One device of a path while somebody behind it is watched go."""

    users: int = 0
    task: asyncio.Task[None] | None = None
    heard_at: list[float] = field(default_factory=list)


class PathWatch:
    """Watches the paths of devices that are watched go."""

    def __init__(self, *, clock: Clock, look: Look, is_off: Callable[[str], bool]) -> None:
        """Prepare; looks at nothing.

        Args:
            clock: what its times mean.
            look: looks at one device; never raises.
            is_off: whether a device that nothing can look at is known to be off.
        """
        self._clock = clock
        self._look = look
        self._is_off = is_off
        self._watched: dict[str, _Watched] = {}

    @asynccontextmanager
    async def over(self, device: Device) -> AsyncIterator[None]:
        """Look at the path of *device* again and again meanwhile."""
        for name in device.path:
            watched = self._watched.setdefault(name, _Watched())
            watched.users += 1
            if watched.task is None:
                watched.task = asyncio.create_task(self._keep(name, watched), name=f"path {name}")
        try:
            yield
        finally:
            for name in device.path:
                self._leave(name)

    async def gap_in(self, device: Device, *, since_at: float) -> str | None:
        """Return a device of the path that was not heard throughout since then, or None.

        To be asked while `over` lasts. What cannot be asked counts as there unless it is off.
        """
        most_s = min(GAP_MOST_S, max(GAP_LEAST_S, (self._clock.monotonic() - since_at) / 2.0))
        looks = [self._look(name, within_s=LOOK_S) for name in device.path]
        for name, outcome in zip(device.path, await asyncio.gather(*looks), strict=True):
            if outcome is None:
                if self._is_off(name):
                    return name
            elif outcome.verdict is Verdict.ASSUMED:
                continue
            elif outcome.verdict not in HEARD:
                return name
            else:
                heard_at = [at for at in self._watched[name].heard_at if at > since_at]
                moments = [since_at, *heard_at, self._clock.monotonic()]
                if any(after - before > most_s for before, after in pairwise(moments)):
                    return name
        return None

    async def _keep(self, name: str, watched: _Watched) -> None:
        while True:
            outcome = await self._look(name, within_s=LOOK_S)
            if outcome is None:
                return
            if outcome.verdict in HEARD:
                watched.heard_at = [*watched.heard_at[-_KEPT:], self._clock.monotonic()]
            await self._clock.sleep(EVERY_S)

    def _leave(self, name: str) -> None:
        watched = self._watched[name]
        watched.users -= 1
        if watched.users == 0:
            if watched.task is not None:
                watched.task.cancel()
            del self._watched[name]
