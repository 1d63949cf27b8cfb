"""Looks after devices that are off: one that runs again is in danger again."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Protocol

import structlog

from drivers.base import Clock, Outcome, Verdict
from policies.model import Site
from policies.state import Phase, SiteState

log = structlog.get_logger()

LOOK_EVERY_S = 20.0
LOOKS = 2
"""Consecutive looks that make a device believed to run again."""

LOOK_S = 3.0
"""How long one look may take."""


class Look(Protocol):
    """Looks whether a device runs, read-only; None where nothing can tell."""

    async def __call__(self, device: str, *, within_s: float) -> Outcome | None:
        """Return what was seen within so many seconds."""
        ...


class Lookout:
    """Sees devices that came back by themselves, or by somebody's hand."""

    def __init__(
        self,
        site: Site,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        look: Look,
        on_seen: Callable[[str, str], Awaitable[None]],
    ) -> None:
        """Prepare; `run` begins.

        Args:
            site: whose devices.
            clock: what the pace is kept by.
            state: the present state.
            look: looks at one device; never raises.
            on_seen: awaited with a device that runs again, and the evidence.
        """
        self._site = site
        self._clock = clock
        self._state = state
        self._look = look
        self._on_seen = on_seen
        self._seen: dict[str, int] = {}

    async def run(self) -> None:
        """Look for ever; cancel to end."""
        while True:
            await self._clock.sleep(LOOK_EVERY_S)
            await self._look_round()

    async def _look_round(self) -> None:
        names = [name for name in self._state().devices if self._should_be_off(name)]
        looks = [self._look(name, within_s=LOOK_S) for name in names]
        outcomes = dict(zip(names, await asyncio.gather(*looks), strict=True))
        running = {n: o for n, o in outcomes.items() if o and o.verdict is Verdict.DONE}
        # Whoever was not seen this time begins anew.
        self._seen = {name: self._seen.get(name, 0) + 1 for name in running}
        for name, outcome in running.items():
            # While it was looked at, an order may have come between.
            if self._seen[name] >= LOOKS and self._should_be_off(name):
                log.info("saw_device", device=name, evidence=outcome.evidence)
                await self._on_seen(name, outcome.evidence)

    def _should_be_off(self, name: str) -> bool:
        device = self._state().devices[name]
        return (
            device.phase in (Phase.AT_REST, Phase.NEEDS_HAND)
            and device.order is None
            and not device.is_assumed
            and self._site.devices[name].stop_s is not None
        )
