"""The grades of a site's devices: earned as things are seen to work, voided as their file changes.

Hears every event, as what keeps batteries does; what it finds goes the way of every event.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from datetime import date
from types import MappingProxyType
from typing import Any

from agent.control import Ask
from agent.engine import Engine
from drivers.base import Clock
from policies.events import (
    DeviceSeen,
    Ending,
    Event,
    GradeEarned,
    GradeVoided,
    NoticeRaised,
    OrderClosed,
)
from policies.grades import LASTS, RANKED, Earned, Grade, Lasts, Standing, standing
from policies.model import Task

_WAITING = 200


class Grading:
    """Keeps what was shown to work of each device."""

    def __init__(
        self,
        engine: Engine,
        *,
        clock: Clock,
        today: Callable[[], date],
        settings: Mapping[str, str],
        lasts: Lasts = LASTS,
        rehearsed: Mapping[str, Earned] = MappingProxyType({}),
    ) -> None:
        """Prepare; `run` begins.

        Args:
            engine: through which everything is recorded.
            clock: of site time.
            today: the site's day.
            settings: fingerprints of the devices' settings in the site's file.
            lasts: for how long grades hold.
            rehearsed: what an agent in dry run has shown; its journal is kept apart from ours.
        """
        self._rehearsed = rehearsed
        self._engine = engine
        self._clock = clock
        self._today = today
        self._settings = settings
        self._lasts = lasts
        self._found: asyncio.Queue[GradeEarned] = asyncio.Queue(_WAITING)

    def standing(self, name: str) -> Standing:
        """Return where a device stands today."""
        return standing(
            self._engine.state.devices[name].grades,
            settings=self._settings.get(name, ""),
            today=self._today(),
            lasts=self._lasts,
        )

    def hear(self, event: Event) -> None:
        """Note the grade that a device has just earned, if it has."""
        match event:
            case OrderClosed(task=Task.START, ending=Ending.RUNNING) | DeviceSeen():
                self._hear_return(event)
            case OrderClosed(task=Task.REST, ending=Ending.ASSUMED):
                self.earn(event.device, Grade.REHEARSED, "an order to rest was gone through dry")

    def _hear_return(self, event: OrderClosed | DeviceSeen) -> None:
        known = self._engine.state.devices.get(event.device)
        if known is not None and known.seen_back_at == event.at:
            said = "stopped in order, seen to be gone, and seen to run again"
            self.earn(event.device, Grade.DRILLED, f"{said}: {event.evidence}")

    def earn(self, device: str, grade: Grade, evidence: str) -> None:
        """Have it recorded that a device earned a grade today."""
        if self._found.full():
            return
        settings = self._settings.get(device, "")
        now, today = self._clock.monotonic(), self._today()
        self._found.put_nowait(GradeEarned(now, device, grade, today, evidence, settings))

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"probed": self._answer_probed}

    async def _answer_probed(self, request: dict[str, Any]) -> dict[str, Any]:
        """Note that a probe was let in; only where its file says of the device what ours does."""
        told = request.get("devices")
        told = told if isinstance(told, Mapping) else {}
        names = [n for n, word in self._settings.items() if word and told.get(n) == word]
        for name in names:
            self.earn(name, Grade.LOGIN_CHECKED, "a probe reached it, and was let in")
        return {"noted": names}

    async def run(self) -> None:
        """Record what is found, for ever; cancel to end."""
        await self._void()
        await self._take_up_rehearsals()
        while True:
            await self._engine.record(await self._found.get())

    async def _take_up_rehearsals(self) -> None:
        """Count what was rehearsed with the settings that the file has now, and is not known."""
        now = self._clock.monotonic()
        for name, found in self._rehearsed.items():
            known = self._engine.state.devices.get(name)
            before = None if known is None else known.grades.get(Grade.REHEARSED)
            is_new = before is None or before.on < found.on
            if known is not None and is_new and found.settings == self._settings.get(name):
                earned = GradeEarned(
                    now, name, Grade.REHEARSED, found.on, found.evidence, found.settings
                )
                await self._engine.record(earned)

    async def _void(self) -> None:
        """Void what was shown with other settings than the file has now, and say so."""
        now = self._clock.monotonic()
        for name, known in self._engine.state.devices.items():
            settings = self._settings.get(name, "")
            gone = [
                grade
                for grade in reversed(RANKED)
                if (found := known.grades.get(grade.value)) is not None
                and settings
                and found.settings not in ("", settings)
            ]
            if not gone:
                continue
            on = known.grades[gone[0].value].on
            why = "what the site's file says of it was changed since"
            text = f"{name} counts as {gone[0]} no longer ({on}): {why}; drill it again"
            voided = (GradeVoided(now, name, grade, why) for grade in gone)
            await self._engine.record(*voided, NoticeRaised(now, "warning", name, text))
