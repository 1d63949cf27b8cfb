"""Has units test their batteries by the calendar, when that is safe, and says what came of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

import structlog

from agent.engine import Engine
from agent.regular.due_times import Attended
from agent.regular.works import Came
from agent.units.self_test import SelfTest, Tested, TestVerdict
from drivers.base import Clock
from policies.events import SelfTestBegan, SelfTestEnded
from policies.self_test import STEADY_S, TEST_MOST_S, abort_reason, refusal

log = structlog.get_logger()

OVER_S = 60.0
"""After the longest that a test may run: until mains must carry the load again."""

WAITS_S = 30.0
"""So long another test is waited for: ours has to be over by the time that was told of."""

_SEVERITY = {TestVerdict.PASSED: "info", TestVerdict.FAILED: "error"}


class SelfTests:
    """Tests one battery at a time."""

    def __init__(
        self,
        engine: Engine,
        *,
        clock: Clock,
        zone: ZoneInfo,
        attended: Attended | None,
        test_of: Callable[[str], SelfTest],
        steady_s: float = STEADY_S,
    ) -> None:
        """Prepare.

        Args:
            engine: whose state says whether it is safe, and through which all is recorded.
            clock: of the wall and of deadlines.
            zone: the site's.
            attended: when somebody is there; None = never.
            test_of: returns what tells a unit, by its name.
            steady_s: how long mains has to have been there.
        """
        self._steady_s = steady_s
        self._engine, self._clock, self._zone = engine, clock, zone
        self._attended, self._test_of = attended, test_of

    async def test(self, name: str, due: datetime) -> Came:
        """Test the battery of a unit, if that is safe now."""
        why = self._refusal(name)
        if why:
            return Came(False, f"the battery of {name} was not tested: {why}")
        engine, now = self._engine, self._clock.monotonic()
        until_at = now + TEST_MOST_S + OVER_S
        # Before anything is sent: the first reading on battery must not look like an outage.
        await engine.record(SelfTestBegan(now, name, until_at))
        log.info("began_self_test", unit=name)
        tested = Tested(TestVerdict.UNKNOWN, "it was broken off")
        try:
            tested = await self._test_of(name).run(
                within_s=TEST_MOST_S,
                stop=lambda: abort_reason(engine.state, name),
                refuse=lambda: self._refusal(name, by=now + WAITS_S),
            )
        finally:
            at = self._clock.monotonic()
            ended = SelfTestEnded(at, name, tested.verdict.value, tested.evidence)
            await engine.record(ended)
        return await self._say(name, tested)

    def _refusal(self, name: str, *, by: float = math.inf) -> str:
        """Why the battery may not be tested now, or no more after *by* (site time, s)."""
        if self._clock.monotonic() > by:
            return "another test was under way for too long"
        is_attended = self._attended is not None and self._attended.covers(
            self._clock.utc(), self._zone
        )
        engine = self._engine
        return refusal(
            engine.site,
            engine.state,
            name,
            self._clock.monotonic(),
            is_attended=is_attended,
            steady_s=self._steady_s,
        )

    async def _say(self, name: str, tested: Tested) -> Came:
        text = f"the battery of {name} was tested: {tested.verdict.value} ({tested.evidence})"
        if tested.verdict is TestVerdict.FAILED:
            text += "; plan for a new one, and do not rely on it in an outage"
        severity = _SEVERITY.get(tested.verdict, "warning")
        await self._engine.notice(severity, name, text)
        return Came(True, text)
