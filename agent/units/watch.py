"""Watches one backup unit: polls its source at a pace, hands on what comes or that nothing did."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

import structlog

from agent.errors import BackupUnitError, UnitTrouble
from agent.units.source import Source, UnitIdentity
from drivers.base import Clock
from policies.model import Reading

__all__ = ["READ_WITHIN_S", "Source", "UnitIdentity", "Watch"]

log = structlog.get_logger()

READ_WITHIN_S = 5.0
"""The longest that a poll takes: room for two tries of the usual requests, and to learn anew."""
_GRACE_S = 1.0
_SHORTEST_WAIT_S = 0.005  # the confirming poll of a first sign of battery must not wait


class Watch:
    """One unit, polled for ever.

    Attributes:
        due_at: site time by which the next poll is to be over, in s; None before the first is.
    """

    def __init__(
        self,
        source: Source,
        *,
        clock: Clock,
        unit: str,
        pace: Callable[[], float],
        on_reading: Callable[[Reading], Awaitable[None]],
        on_silence: Callable[[BackupUnitError, float], Awaitable[None]],
        read_within_s: float = READ_WITHIN_S,
    ) -> None:
        """Prepare; `run` begins.

        Args:
            source: where the readings come from.
            clock: what the pace is kept by.
            unit: its name, for the log.
            pace: seconds from one poll's beginning to the next one's; asked after each poll, so
                that it can be shorter on battery.
            on_reading: awaited with each reading before the next poll.
            on_silence: awaited with what went wrong and the site time of it, in s.
            read_within_s: the longest that one poll may take.
        """
        self._source = source
        self._clock = clock
        self._unit = unit
        self._pace = pace
        self._on_reading = on_reading
        self._on_silence = on_silence
        self._read_within_s = read_within_s
        self._hastened = asyncio.Event()
        self.due_at: float | None = None

    def hasten(self) -> None:
        """Have the next poll begin now, or as soon as the present one is over.

        Calls that come meanwhile make one poll together.
        """
        self._hastened.set()

    async def run(self) -> None:
        """Poll until cancelled; a bad answer, or none, is handed on and the polling goes on.

        What *on_reading* and *on_silence* raise is their owner's, and ends it.
        """
        while True:
            began_at = self._clock.monotonic()
            self._hastened.clear()
            try:
                reading = await self._bounded_read()
            except BackupUnitError as error:
                await self._on_silence(error, self._clock.monotonic())
            else:
                await self._on_reading(reading)
            await self._wait(began_at)

    async def _bounded_read(self) -> Reading:
        deadline_at = self._clock.monotonic() + self._read_within_s
        reading = asyncio.ensure_future(self._source.read(deadline_at=deadline_at))
        try:
            # A source ends by its deadline; one that does not must not end the watch over it.
            await self._first(reading, self._clock.sleep(self._read_within_s + _GRACE_S))
            if reading.done():
                return reading.result()
        except BackupUnitError:
            raise
        except Exception as error:  # one of the outermost loops: a unit is watched whatever comes
            log.exception("failed_poll", unit=self._unit)
            raise BackupUnitError(
                f'unit "{self._unit}": its answer could not be made sense of',
                trouble=UnitTrouble.GARBLED,
                advice="see the agent's log, and report it",
            ) from error
        finally:
            reading.cancel()
        raise BackupUnitError(
            f'unit "{self._unit}": no reading in time',
            trouble=UnitTrouble.SILENT,
            advice="check that the unit and the path to it are on",
        )

    async def _wait(self, began_at: float) -> None:
        now = self._clock.monotonic()
        wait_s = self._pace() - (now - began_at)
        self.due_at = now + max(0.0, wait_s) + self._read_within_s + _GRACE_S
        hastened = asyncio.ensure_future(self._hastened.wait())
        try:
            await self._first(hastened, self._clock.sleep(max(_SHORTEST_WAIT_S, wait_s)))
        finally:
            hastened.cancel()

    @staticmethod
    async def _first(one: asyncio.Future[Any], other: Coroutine[Any, Any, None]) -> None:
        """Return when either is done; the other coroutine is then cancelled."""
        racing = asyncio.ensure_future(other)
        try:
            await asyncio.wait({one, racing}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            racing.cancel()
