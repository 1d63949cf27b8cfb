"""Keeps a truth at the loop's time: woken when the next thing happens in it, asked in between."""

from __future__ import annotations

import asyncio
import math

from agent.simulation.truth import SiteTruth


class Pump:
    """Brings one truth forward; begins as it is made, on the loop that it is given."""

    def __init__(self, truth: SiteTruth, loop: asyncio.AbstractEventLoop) -> None:
        self._truth, self._loop = truth, loop
        self._armed_at = math.inf
        truth.on_sooner = self._arm
        self._arm(truth.next_at)

    def __call__(self) -> float:
        """Bring the truth up to the loop's time, and return that."""
        now = self._loop.time()
        self._truth.advance(now + 1e-6)  # a timer may be early by a rounding
        return now

    def _arm(self, at: float) -> None:
        if at < self._armed_at and at < math.inf:
            self._armed_at = at
            self._loop.call_at(at, self._wake)

    def _wake(self) -> None:
        self._armed_at = math.inf
        self()
        self._arm(self._truth.next_at)
