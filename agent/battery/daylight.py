"""Keeps the state told whether it is dark at the site: lights come on at dusk, and draw."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from drivers.base import Clock
from policies.events import Event, LightChanged
from policies.model import Place
from policies.night import light_steps
from policies.state import SiteState

LOOK_EVERY_S = 3600.0
"""The wall clock may be set while the agent runs."""

_AHEAD_S = 86400.0
_SAME_S = 120.0


class Daylight:
    """Records each change of the light, with the time of the next."""

    def __init__(
        self,
        place: Place | None,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        record: Callable[[Event], Awaitable[None]],
    ) -> None:
        """Prepare; `run` begins.

        Args:
            place: where the site lies; None = nobody knows when it is dark there.
            clock: of the sun's time and of site time.
            state: the fold of the journal.
            record: takes the event.
        """
        self._place = place
        self._clock = clock
        self._state = state
        self._record = record

    async def run(self) -> None:
        """Follow the light for ever; cancel to end."""
        while True:
            found = self._found()
            if not self._is_known(found):
                await self._record(found)
            left_s = LOOK_EVERY_S
            if found.until_at is not None:
                left_s = min(left_s, found.until_at - self._clock.monotonic())
            await self._clock.sleep(max(1.0, left_s))

    def _found(self) -> LightChanged:
        now = self._clock.monotonic()
        steps = light_steps(self._place, begins=self._clock.utc(), lasts_s=_AHEAD_S)
        until_at = now + steps[1].after_s if len(steps) > 1 else None
        return LightChanged(now, steps[0].light, until_at)

    def _is_known(self, found: LightChanged) -> bool:
        state = self._state()
        if state.light is not found.light or found.until_at is None:
            return state.light is found.light and state.light_until_at is None
        known_at = state.light_until_at
        return known_at is not None and abs(known_at - found.until_at) <= _SAME_S
