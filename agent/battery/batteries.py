"""The batteries of a site: what discharges teach of them is kept, and their end is told in time.

Hears every event, as the load watch does; what it finds goes the way of every event, through the
journal, so that it outlives the agent. Asked by `lastwatt battery`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from datetime import date, datetime, time, tzinfo
from typing import Any

import structlog

from agent.battery import view as view
from agent.battery.check import file_day
from agent.config import LoadedSite
from agent.control import Ask
from agent.engine import Engine
from drivers.base import Clock
from drivers.errors import LastwattError
from policies.battery import SAME_BATTERY_DAYS, as_fitted
from policies.discharge import lesson_of
from policies.events import (
    BatteryFitted,
    BatteryJudged,
    BatteryMeasured,
    Event,
    PollMissed,
    ReadingTaken,
)
from policies.health import Ageing, ageing_of
from policies.reasons import names_text
from policies.supply import UnitState
from policies.telling import Topic

log = structlog.get_logger()

LOOK_EVERY_S = 6 * 3600.0
"""A forecast comes nearer by itself; it is looked at so often."""

BY_FILE = "the site's file"
_WAITING = 20

Who = Callable[[Mapping[str, Any]], Awaitable[str]]
"""Names whoever asks."""

Estimate = Callable[[str], tuple[float, float, float] | None]
"""By unit: what the full battery holds, in Wh, likely, at least and at most; None = not known."""


class Batteries:
    """Keeps the history of each unit's battery, and tells of one that ages."""

    def __init__(
        self,
        engine: Engine,
        loaded: LoadedSite,
        *,
        clock: Clock,
        who: Who,
        estimate: Estimate = lambda unit: None,
    ) -> None:
        """Prepare; `run` begins.

        Args:
            engine: through which everything is recorded and told.
            loaded: the site, for the days that its file names.
            clock: of days and of site time.
            who: names whoever asks.
            estimate: what is believed of a full battery; asked when a discharge has ended.
        """
        self._engine = engine
        self._loaded = loaded
        self._clock = clock
        self._who = who
        self._estimate = estimate
        self._before: dict[str, UnitState] = dict(engine.state.units)
        self._found: asyncio.Queue[BatteryMeasured] = asyncio.Queue(_WAITING)

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by them."""
        return {"battery": self._answer_battery, "fitted": self._answer_fitted}

    def hear(self, event: Event) -> None:
        """Note what a discharge taught that this event has ended."""
        match event:
            case ReadingTaken(reading=reading):
                unit = reading.unit
            case PollMissed(unit=unit):
                pass
            case _:
                return
        after = self._engine.state.units.get(unit)
        if after is None:
            return
        before, self._before[unit] = self._before.get(unit, after), after
        lesson = lesson_of(self._engine.site.units[unit], before, after)
        if lesson is None or self._found.full():
            return
        estimate = self._estimate(unit)
        band, how = (lesson.energy_wh, lesson.low_wh, lesson.high_wh), lesson.how
        if estimate is not None:
            band, how = estimate, f"{how}, all its readings weighed"
        self._found.put_nowait(BatteryMeasured(event.at, unit, self._today(), *band, how=how))

    async def run(self) -> None:
        """Record what is found and look how the batteries age, for ever; cancel to end."""
        await self._take_up_file()
        while True:
            await self._look()
            await self._record_found()

    async def _record_found(self) -> None:
        """Record what comes, until it is time to look anew."""
        finding = asyncio.ensure_future(self._found.get())
        sleeping = asyncio.ensure_future(self._clock.sleep(LOOK_EVERY_S))
        try:
            await asyncio.wait({finding, sleeping}, return_when=asyncio.FIRST_COMPLETED)
            if finding.done():
                await self._engine.record(finding.result())
        finally:
            finding.cancel()
            sleeping.cancel()

    # What the file says

    async def _take_up_file(self) -> None:
        """Take a day that the file names, and the journal does not know, for another battery."""
        for name in self._engine.site.units:
            on = self.file_day(name)
            known = self._engine.state.units[name].battery.fitted_on
            if on is None or (known is not None and (on - known).days <= SAME_BATTERY_DAYS):
                continue
            await self._record_fitted(name, on, BY_FILE, is_first=known is None)
            if known is not None:
                text = f"another battery, fitted on {on} by the site's file: {view.STARTS_ANEW}"
                await self._engine.notice("info", name, text, Topic.BATTERY)

    def file_day(self, unit: str) -> date | None:
        """Return the day on which the battery was put in as the site's file has it."""
        return file_day(self._loaded.document, unit)

    async def _record_fitted(self, unit: str, on: date, who: str, *, is_first: bool) -> None:
        now = self._clock.monotonic()
        began = datetime.combine(on, time(), tzinfo=self._zone)
        fitted_at = now - max(0.0, (self._clock.utc() - began).total_seconds())
        await self._engine.record(BatteryFitted(now, unit, on, fitted_at, who, is_first=is_first))

    # Ageing

    async def _look(self) -> None:
        today = self._today()
        for name, state in self._engine.state.units.items():
            unit = as_fitted(self._engine.site.units[name], state.battery, self._now())
            trend = view.trend(unit, state.battery, today)
            grade = ageing_of(trend, today)
            # Who was told that it is worn need not be told that it soon will be.
            if grade is Ageing.FINE or {grade, Ageing.WORN} & set(state.battery.judged):
                continue
            text = f"battery ageing: {view.ageing_sentence(trend, name)}"
            await self._engine.record(BatteryJudged(self._now(), name, grade.value, text))
            severity = "error" if grade is Ageing.WORN else "warning"
            await self._engine.notice(severity, name, text, Topic.BATTERY)

    # Answers

    async def _answer_battery(self, request: dict[str, Any]) -> dict[str, Any]:
        asked = request.get("unit")
        if asked is not None and asked not in self._engine.site.units:
            return self._unknown(asked)
        names = [asked] if asked is not None else list(self._engine.site.units)
        return {"site": self._engine.site.name, "units": [self._document(name) for name in names]}

    def _document(self, name: str) -> dict[str, Any]:
        state, access = self._engine.state.units[name], self._loaded.units[name]
        return view.document(
            self._engine.site.units[name],
            state.battery,
            file_day=self.file_day(name),
            fit=access.fit is not None,
            today=self._today(),
            now=self._now(),
        )

    async def _answer_fitted(self, request: dict[str, Any]) -> dict[str, Any]:
        name = request.get("unit")
        if not isinstance(name, str) or name not in self._engine.site.units:
            return self._unknown(name)
        on = self._day(request.get("date"))
        who = await self._who(request)
        notes = self._notes(name, on)
        answer = {"unit": name, "date": on.isoformat(), "who": who, "notes": notes}
        if request.get("preview") is True:
            return answer
        log.info("took_battery", unit=name, on=on.isoformat(), who=who)
        await self._record_fitted(name, on, who, is_first=False)
        text = f"another battery, fitted on {on}, as {who} said: {view.STARTS_ANEW}"
        await self._engine.notice("info", name, text, Topic.BATTERY)
        await self._engine.consider()
        return answer

    def _day(self, said: object) -> date:
        if said is None:
            return self._today()
        try:
            on = date.fromisoformat(said if isinstance(said, str) else "")
        except ValueError:
            raise LastwattError("the day is no date; write it like 2026-03-01") from None
        if on > self._today():
            raise LastwattError(f"{on} is yet to come; tell it when the battery is in")
        return on

    def _notes(self, name: str, on: date) -> list[str]:
        """What whoever tells of a battery should know."""
        history = self._engine.state.units[name].battery
        notes = [view.STARTS_ANEW]
        if history.fitted_on is not None and abs((on - history.fitted_on).days) <= (
            SAME_BATTERY_DAYS
        ):
            notes.insert(0, f"a battery fitted on {history.fitted_on} is known already")
        kept = sum(point.on > on for point in history.points)
        if kept:
            one = "one measurement" if kept == 1 else f"{kept} measurements"
            notes.append(f"{one} since that day: the new battery's, and kept")
        fit = self._loaded.units[name].fit is not None
        return notes + view.stale(on, file_day=self.file_day(name), fit=fit)

    def _unknown(self, name: object) -> dict[str, Any]:
        listed = names_text(list(self._engine.site.units), most=20)
        error = f"the site's file lists no unit {name!r}; it lists: {listed}"
        return {"ok": False, "unknown": True, "error": error}

    # Time

    @property
    def _zone(self) -> tzinfo:
        return self._loaded.time_zone

    def _now(self) -> float:
        return self._clock.monotonic()

    def _today(self) -> date:
        return self._clock.utc().astimezone(self._zone).date()
