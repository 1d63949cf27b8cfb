"""The pause: for a limited time no automatic order is given, and everybody is told so.

Somebody may have a hand in the cabinet: so neither a low battery nor a last moment overrides it.
They are said all the louder.
"""

from __future__ import annotations

import asyncio
import math
from datetime import timedelta, tzinfo
from typing import Any

import structlog

from agent.engine import Engine
from agent.moment import shown
from drivers.base import Clock
from policies.by_hand import PAUSE_MOST_S, missed_starts
from policies.events import Event, PauseSet
from policies.reasons import duration_text, names_text

log = structlog.get_logger()

LOOK_EVERY_S = 1.0
"""While it lasts, its end and what it holds back are looked for that often."""

_OVER = "its time limit"
_END = "`lastwatt pause --end` gives the site back"


class Pause:
    """Sets the pause, ends it when its time is over, and says what it keeps from being done."""

    def __init__(self, engine: Engine, *, clock: Clock, zone: tzinfo) -> None:
        """Prepare; `run` begins.

        Args:
            engine: whose automatic orders are held back.
            clock: what its end is counted by.
            zone: the site's, for what people are told.
        """
        self._engine = engine
        self._clock = clock
        self._zone = zone
        self._changed = asyncio.Event()
        self._said: set[tuple[str, str]] = set()

    def hear(self, event: Event) -> None:
        """Note that the pause changed, whoever changed it."""
        if isinstance(event, PauseSet):
            self._changed.set()

    async def begin(self, *, for_s: float, who: str) -> dict[str, Any]:
        """Pause for so long from now on, in place of what was set before; return the answer."""
        assert 0.0 < for_s <= PAUSE_MOST_S, "whoever asks has checked it"
        now = self._clock.monotonic()
        was_paused = self._is_paused(now)
        warnings = self._warnings(now)
        await self._engine.record(PauseSet(now, now + for_s, who))
        until = self._until_text(now + for_s - self._clock.monotonic())
        again = "again " if was_paused else ""
        text = (
            f"paused {again}by {who} for {duration_text(for_s)}, until {until}: no automatic "
            f"orders. What is under way is carried through; {_END}."
        )
        await self._engine.notice("warning", self._engine.site.name, text)
        return {"paused_s": for_s, "until": until, "who": who, "warnings": warnings}

    async def end(self, *, who: str) -> dict[str, Any]:
        """End it now, if there is one; return the answer."""
        now = self._clock.monotonic()
        was_paused = self._is_paused(now)
        if was_paused:
            await self._give_back(now, who, f"the pause was ended by {who}")
        return {"paused_s": None, "was_paused": was_paused, "who": who}

    async def run(self) -> None:
        """End it when its time is over, and say what it holds back, for ever; cancel to end."""
        while True:
            self._changed.clear()
            now = self._clock.monotonic()
            until_at = self._engine.state.paused_until_at
            if until_at is None:
                self._said.clear()
                await self._changed.wait()
            elif until_at <= now:
                by = self._engine.state.paused_by
                await self._give_back(now, _OVER, f"the pause set by {by} is over")
            else:
                await self._say(now)
                await self._clock.sleep(min(LOOK_EVERY_S, until_at - now))

    async def _give_back(self, now: float, who: str, text: str) -> None:
        await self._engine.record(PauseSet(now, now, who))
        about = self._engine.site.name
        await self._engine.notice("warning", about, f"{text}: orders are given again")
        await self._engine.consider()

    def _is_paused(self, now: float) -> bool:
        until_at = self._engine.state.paused_until_at
        return until_at is not None and until_at > now

    def _until_text(self, left_s: float) -> str:
        now = self._clock.utc()
        until = (now + timedelta(seconds=left_s)).astimezone(self._zone)
        is_today = until.date() == now.astimezone(self._zone).date()
        return shown(until, "%H:%M" if is_today else "%Y-%m-%d %H:%M")

    def _warnings(self, now: float) -> list[str]:
        """What whoever begins a pause should know at once."""
        outage_at = self._engine.state.outage_at
        if outage_at is None:
            return []
        lasting = duration_text(now - outage_at)
        return [f"mains has been away for {lasting}: while paused, nothing is stopped by itself"]

    async def _say(self, now: float) -> None:
        """Say, once for each outage, what is not done because of the pause."""
        state = self._engine.state
        if state.outage_at is None:
            self._said.clear()
            return
        left_s = (state.paused_until_at or now) - now
        held = f"lastwatt is paused by {state.paused_by} for {duration_text(left_s)} more"
        if self._is_news("outage"):
            await self._warn(
                f"mains has failed, and {held}: nothing is stopped by itself until then; {_END}"
            )
        for name, unit in state.units.items():
            if unit.is_low and self._is_news("low", name):
                await self._warn(
                    f"the battery of {name} is low, and {held}: what it feeds may lose its power "
                    f"without having been brought to rest; {_END}"
                )
        await self._say_missed(now, held)

    async def _say_missed(self, now: float, held: str) -> None:
        engine = self._engine
        if engine.decision is None:
            return
        missed = missed_starts(engine.site, engine.state, engine.decision.timeline, now)
        news = [name for name in missed if self._is_news("missed", name)]
        if news:
            lower_s = min(engine.decision.timeline.unit_lower_s.values(), default=math.inf)
            await self._warn(
                f"the latest safe start has passed for {names_text(news)}, and {held}: the battery "
                f"lasts at least {duration_text(lower_s)}, which may not suffice to bring that to "
                f"rest; {_END}, and `lastwatt stop` stops by hand"
            )

    def _is_news(self, what: str, name: str = "") -> bool:
        is_new = (what, name) not in self._said
        self._said.add((what, name))
        return is_new

    async def _warn(self, text: str) -> None:
        await self._engine.notice("error", self._engine.site.name, text)
