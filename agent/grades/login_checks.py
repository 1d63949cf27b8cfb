"""The nightly check of all logins: one device at a time, and never again by one that was refused.

A password that was changed, and not here, is found while somebody can mend it. Each wrong try may
count towards a lock, so a refused login is not tried again until it changes; an outage alone tries
it once more, see `agent.conduct.steps`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

import structlog

from agent.conduct.perform import Cue, Performer
from agent.control import Ask
from agent.engine import Engine
from agent.grades.credentials import hashed, is_same
from agent.grades.grading import Grading
from drivers.base import Act, Clock, Driver, Outcome, Stage, Verdict
from drivers.transports.threads import in_own_thread
from policies.events import Event, LoginRefused, NoticeRaised, OrderGiven
from policies.grades import Grade
from policies.graph import may_be_stopped
from policies.state import Phase

log = structlog.get_logger()

WITHIN_S = 20.0
BETWEEN_S = 2.0
"""Pause between two devices: slow recorders share switches, and nothing here is urgent."""

PROBE_S = 60.0
"""For so long a probe has its turn, once one has begun outside of the agent."""


class LoginChecks:
    """Checks every device's login when told to."""

    def __init__(
        self,
        engine: Engine,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        grading: Grading,
        login: Callable[[str], bytes],
    ) -> None:
        """Prepare; asks nobody.

        Args:
            engine: through which everything is recorded.
            drivers: by device and stage.
            clock: what deadlines are counted by.
            grading: is told of the logins that worked.
            login: all that a device is logged in with; only ever hashed.
        """
        self._engine = engine
        self._drivers = drivers
        self._clock = clock
        self._grading = grading
        self._login = login
        self._performer = Performer(clock=clock)
        self._due = asyncio.Event()
        self._asked = ""
        self._ours_at = 0.0
        self._failures: list[str] = []
        self._hurry = Cue("since an order to it goes first")

    def begin(self) -> None:
        """Have all logins checked now."""
        self._due.set()

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"probing": self._answer_probing}

    async def _answer_probing(self, request: dict[str, Any]) -> dict[str, Any]:
        """Tell a probe whom to leave alone, and begin with no device while it has its turn.

        Many a device holds one session, and many an agent is logged in through an outage.
        """
        self._ours_at = self._clock.monotonic() + PROBE_S
        whys = {name: self._why_busy(name) for name in self._engine.site.devices}
        return {"busy": {name: why for name, why in whys.items() if why}}

    def _why_busy(self, name: str) -> str:
        """Return why a device is not to be logged in at by another; "" = it may be."""
        state, device = self._engine.state, self._engine.site.devices[name]
        if device.dry_run or state.watches_only or not self._drivers.get(name):
            return ""
        if state.devices[name].order is not None:
            return "the agent has an order for it under way"
        if state.outage_at is not None and may_be_stopped(self._engine.site, name):
            return "the site is on battery: the agent may be logged in there"
        return "the agent looks at its login right now" if name == self._asked else ""

    def hear(self, event: Event) -> None:
        """Make way: an order needs its device to itself, and an outage all of them."""
        is_order = isinstance(event, OrderGiven) and event.order.device == self._asked
        if self._asked and (is_order or self._engine.state.outage_at is not None):
            self._hurry.set()

    async def run(self) -> None:
        """Check whenever it is due, for ever; cancel to end."""
        while True:
            await self._due.wait()
            self._due.clear()
            await self.through()

    async def through(self) -> tuple[int, list[str]]:
        """Check all now; return how many were asked, and the names of those that failed."""
        asked, self._failures = 0, []
        for name in self._engine.site.devices:
            while (wait_s := self._ours_at - self._clock.monotonic()) > 0.0:
                await self._clock.sleep(wait_s)
            if await self._check(name):
                asked += 1
                await self._clock.sleep(BETWEEN_S)
        return asked, self._failures

    def _askable(self, name: str) -> list[Driver]:
        """Who is to be asked: what brings the device to rest, each once, while nothing is due."""
        engine = self._engine
        known, device = engine.state.devices[name], engine.site.devices[name]
        is_busy = known.order is not None or known.phase is not Phase.RUNNING
        is_busy = is_busy or engine.state.outage_at is not None
        if is_busy or engine.state.watches_only or device.dry_run:
            return []
        if not may_be_stopped(engine.site, name):
            return []
        stages = self._drivers.get(name, {})
        found = {
            id(stages[stage]): stages[stage]
            for stage in (Stage.QUIESCE, Stage.STOP, Stage.STOP_ELSE, Stage.CUT)
            if stage in stages and Act.PROBE in stages[stage].acts
        }
        return list(found.values())

    async def _check(self, name: str) -> bool:
        """Check one device; return whether it was asked anything."""
        drivers = self._askable(name)
        kept = self._engine.state.devices[name].refused_login
        if not drivers:
            return False
        if kept and await self._is_same(name, kept):
            log.info("skipped_login", device=name, why="it was refused, and is the same still")
            return False
        self._asked = name
        self._hurry.clear()
        try:
            for driver in drivers:
                deadline_at = self._clock.monotonic() + WITHIN_S
                found = await self._performer.perform(
                    driver, Act.PROBE, deadline_at=deadline_at, hurry=self._hurry
                )
                if found.verdict is Verdict.NOT_YET and not self._hurry.is_set():
                    await self._say_amiss(name, found)
                elif found.verdict is not Verdict.DONE:
                    await self._failed(name, found)
                    return True
        finally:
            self._asked = ""
        self._grading.earn(name, Grade.LOGIN_CHECKED, "the nightly check reached it, and got in")
        return True

    async def _is_same(self, name: str, kept: str) -> bool:
        # Slow on purpose: not on the loop.
        return await in_own_thread(lambda: is_same(self._login(name), kept), name="login")

    async def _say_amiss(self, name: str, found: Outcome) -> None:
        """Say what a probe that got in found, and an outage would meet."""
        why = "; ".join(filter(None, (found.evidence, found.advice)))
        text = f"{name}: the nightly check got in, and something is amiss: {why}"
        now = self._clock.monotonic()
        await self._engine.record(NoticeRaised(now, "warning", name, text))

    async def _failed(self, name: str, found: Outcome) -> None:
        """Say it, and where it was refused keep by what, so that it is not tried again."""
        if self._hurry.is_set():
            return  # it made way
        self._failures.append(name)
        now = self._clock.monotonic()
        grades = self._engine.state.devices[name].grades
        worked = {Grade.LOGIN_CHECKED.value, Grade.DRILLED.value} & set(grades)
        once = "its login worked before, and fails now" if worked else "its login does not work"
        why = "; ".join(filter(None, (found.evidence, found.advice)))
        if found.verdict is not Verdict.REFUSED:
            text = f"{name} could not be checked by night: {why}"
            await self._engine.record(NoticeRaised(now, "warning", name, text))
            return
        login = self._login(name)
        kept = await in_own_thread(lambda: hashed(login), name="login")
        rest = "it is not tried again by night until it is changed in the file"
        text = f"{name}: {once} ({why}); {rest}"
        await self._engine.record(
            LoginRefused(now, name, kept, found.evidence), NoticeRaised(now, "error", name, text)
        )
