"""Regular work: what is due by the calendar is done once, though late, and stands in the journal.

What was due while no agent ran, or in an outage, is done when one runs and mains is there.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from zoneinfo import ZoneInfo

import structlog

from agent.engine import Engine
from agent.regular.due_times import Rule, last_due, utc_of
from agent.regular.schedule import Schedule
from drivers.base import Clock
from policies.events import Event, WorkDone, WorkPlanned

log = structlog.get_logger()

LATE_AFTER = timedelta(minutes=15)
SETTLES_S = 60.0
"""An agent that has just started looks at its site first."""

LOOK_EVERY_S = 60.0
"""How often it is looked whether mains is there, while work waits for it."""

MOST_S = 6 * 3600.0
"""No work may take longer; the others wait for it."""


@dataclass(frozen=True, slots=True)
class Came:
    """What came of some work, and why."""

    is_well: bool
    why: str


@dataclass(frozen=True, slots=True)
class Work:
    """One regular work.

    Attributes:
        name: as the journal has it; keeps its name for ever.
        do: does it, given the moment that it was due at.
        is_told: whether somebody is told by a notice when it cannot be done.
    """

    name: str
    rule: Rule
    do: Callable[[datetime], Awaitable[Came]]
    is_told: bool = True


class Works:
    """Does regular work, one after another."""

    def __init__(self, engine: Engine, *, clock: Clock, zone: ZoneInfo) -> None:
        """Prepare; `run` begins.

        Args:
            engine: whose state says what was done last, and through which all is recorded.
            clock: of the wall and of waiting.
            zone: the site's.
        """
        self._engine, self._clock, self._zone = engine, clock, zone
        self._works: dict[str, Work] = {}
        self._waiting: deque[str] = deque()
        self._woken = asyncio.Event()

    def add(self, work: Work) -> None:
        """Have some work done from now on."""
        assert work.name not in self._works, f"{work.name} is there already"
        self._works[work.name] = work

    def join(self, schedule: Schedule) -> None:
        """Have a calendar say when all of it is due."""
        for name, work in self._works.items():
            schedule.by(name, partial(self.begin, name), rule=work.rule)

    def begin(self, name: str) -> None:
        """Have some work done now, or as soon as may be."""
        if name not in self._waiting:
            self._waiting.append(name)
        self._woken.set()

    async def run(self) -> None:
        """Do what is due, for ever; cancel to end."""
        await self._clock.sleep(SETTLES_S)
        await self._look_back()
        while True:
            while self._waiting:
                await self._until_mains()
                await self._do(self._works[self._waiting.popleft()])
            self._woken.clear()
            await self._woken.wait()

    async def _look_back(self) -> None:
        """Find what was due while no agent ran; what is new was not."""
        now = utc_of(self._clock.utc())
        events: list[Event] = []
        for name, work in self._works.items():
            known = self._engine.state.works.get(name)
            # A clock that was far ahead once must not keep it from being done for years.
            if known is None or known > now + timedelta(days=1):
                events.append(WorkPlanned(self._clock.monotonic(), name, now))
            elif self._due(work) > known:
                log.info("missed_work", work=name)
                self.begin(name)
        if events:
            await self._engine.record(*events)

    def _due(self, work: Work) -> datetime:
        return utc_of(last_due(work.rule, self._clock.utc(), self._zone))

    async def _until_mains(self) -> None:
        while self._engine.state.outage_at is not None:
            await self._clock.sleep(LOOK_EVERY_S)

    async def _do(self, work: Work) -> None:
        due = self._due(work)
        is_late = utc_of(self._clock.utc()) - due > LATE_AFTER
        log.info("began_work", work=work.name, late=is_late)
        doing = asyncio.ensure_future(work.do(due.astimezone(self._zone)))
        limit = asyncio.ensure_future(self._clock.sleep(MOST_S))
        try:
            await asyncio.wait({doing, limit}, return_when=asyncio.FIRST_COMPLETED)
            came = doing.result() if doing.done() else Came(False, "it did not come to an end")
        except Exception as error:  # one of the outermost loops
            log.exception("failed_work", work=work.name)
            came = Came(False, f"lastwatt's own code failed ({type(error).__name__})")
        finally:
            doing.cancel()
            limit.cancel()
        now = self._clock.monotonic()
        await self._engine.record(WorkDone(now, work.name, due, is_late, came.is_well, came.why))
        if not came.is_well and work.is_told:
            await self._engine.notice("warning", work.name, f"{work.name}: {came.why}")
