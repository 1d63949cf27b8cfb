"""A unit's own test of its battery by RFC 1628 section 4.7, with the procedure of its spin lock.

Whoever wants a test writes the lock and the test in one request. The lock is taken by the value
that it had, and is one more then (TestAndIncr, RFC 2579 section 2): so two who want one at a time
cannot both believe that theirs was begun, and a request that arrives twice begins one test.

A slow management card shows the new lock at once, and the results of the test before for a while
yet. So a result counts as ours once the test was seen under way, or once what the unit shows of its
last test (start, duration, summary, detail) is not what it showed before ours was begun; where that
is its start or duration only, once a while has passed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import structlog

from agent.units import rfc1628
from drivers.base import Clock
from drivers.errors import DeviceRefusedError, DeviceSilentError, DriverError
from drivers.transports.snmp import SnmpPeer
from drivers.transports.snmp_values import Oid

log = structlog.get_logger()

TEST_ID: Oid = (*rfc1628.UPS, 1, 7, 1, 0)
SPIN_LOCK: Oid = (*rfc1628.UPS, 1, 7, 2, 0)
SUMMARY: Oid = (*rfc1628.UPS, 1, 7, 3, 0)
DETAIL: Oid = (*rfc1628.UPS, 1, 7, 4, 0)
START: Oid = (*rfc1628.UPS, 1, 7, 5, 0)
ELAPSED: Oid = (*rfc1628.UPS, 1, 7, 6, 0)
_WELL_KNOWN: Oid = (*rfc1628.UPS, 1, 7, 7)
ABORT: Oid = (*_WELL_KNOWN, 2)
QUICK: Oid = (*_WELL_KNOWN, 4)

LOCK_MOST = 2_147_483_647
RACES = 5
"""So often somebody else may be first before it is given up."""

BUSY_MOST_S = 600.0
LOOK_EVERY_S = 2.0
ONE_WITHIN_S = 10.0

SHOWN_WITHIN_S = 60.0
"""So long a unit may show what it showed before, or half the time of the test where that is less;
then what is shown of ours is believed, and where nothing is, nobody knows what came of it."""


class Summary(IntEnum):
    """upsTestResultsSummary."""

    PASSED = 1
    WARNING = 2
    ERROR = 3
    ABORTED = 4
    IN_PROGRESS = 5
    NONE = 6


class TestVerdict(StrEnum):
    """What came of a test."""

    __test__ = False

    PASSED = "passed"
    WARNING = "with a warning"
    FAILED = "failed"
    ABORTED = "aborted"
    REFUSED = "refused"
    UNKNOWN = "not known"


_VERDICTS = {
    Summary.PASSED: TestVerdict.PASSED,
    Summary.WARNING: TestVerdict.WARNING,
    Summary.ERROR: TestVerdict.FAILED,
    Summary.ABORTED: TestVerdict.ABORTED,
}


@dataclass(frozen=True, slots=True)
class Tested:
    """How a test went, and what the unit said of it."""

    verdict: TestVerdict
    evidence: str


@dataclass(frozen=True, slots=True)
class _Seen:
    lock: int | None
    summary: int | None
    test: object
    detail: str
    start: object = None
    elapsed: object = None

    @property
    def result(self) -> tuple[object, ...]:
        """All that tells the last test apart from the one before."""
        return self.summary, self.detail, self.start, self.elapsed


class SelfTest:
    """Has one unit test its battery."""

    def __init__(self, peer: SnmpPeer, *, unit: str, clock: Clock) -> None:
        """Prepare; nothing is sent.

        Args:
            peer: asked and told in the name of somebody who may write.
            unit: its name.
            clock: of all waiting.
        """
        self._peer, self._unit, self._clock = peer, unit, clock

    async def run(
        self,
        *,
        within_s: float,
        stop: Callable[[], str],
        refuse: Callable[[], str] = lambda: "",
    ) -> Tested:
        """Begin a quick battery test, and return what came of it.

        Args:
            within_s: longest that it may take from its begin; then it is aborted.
            stop: returns why it is to be aborted now, "" while it may go on; asked often.
            refuse: returns why none may be begun now, "" where one may; asked just before, since
                somebody else's test may have been waited for.
        """
        try:
            begun = await self._begin(stop, refuse)
        except DriverError as error:
            refused = isinstance(error, DeviceRefusedError)
            verdict = TestVerdict.REFUSED if refused else TestVerdict.UNKNOWN
            return Tested(verdict, str(error))
        if isinstance(begun, Tested):
            return begun
        lock, before = begun
        return await self._result(lock, before, within_s=within_s, stop=stop)

    async def _begin(
        self, stop: Callable[[], str], refuse: Callable[[], str]
    ) -> tuple[int, _Seen] | Tested:
        """Return what the lock reads while ours is the last test, and what was shown before it."""
        for _ in range(RACES):
            seen = await self._free(stop)
            if isinstance(seen, Tested):
                return seen
            if why := refuse():
                return Tested(TestVerdict.REFUSED, f"it was not begun: {why}")
            assert seen.lock is not None
            ours = _next(seen.lock)
            index, is_silent = 0, False
            try:
                answer = await self._peer.set_together(
                    [(SPIN_LOCK, seen.lock), (TEST_ID, QUICK)], within_s=ONE_WITHIN_S
                )
                if not answer.status:
                    return ours, seen
                index = answer.index
            except DeviceSilentError:
                is_silent = True
            if index == 2:
                return Tested(TestVerdict.REFUSED, "the unit refuses to test its battery now")
            # Lost on the way, or sent again because its answer was: so it may be ours all the same.
            now = await self._look()
            if now.lock == ours and now.test == QUICK and now.summary == Summary.IN_PROGRESS:
                return ours, seen
            if index == 1 and now.lock == seen.lock:
                why = "the unit does not let us write its spin lock: give the user write access"
                return Tested(TestVerdict.REFUSED, why)
            if is_silent and now.lock == ours:
                return ours, seen  # it may be over already
        return Tested(TestVerdict.UNKNOWN, f"{RACES} times somebody else began a test just before")

    async def _free(self, stop: Callable[[], str]) -> _Seen | Tested:
        """Wait until no test is under way; the lock was read together with that."""
        until_at = self._clock.monotonic() + BUSY_MOST_S
        while True:
            why = stop()
            if why:
                return Tested(TestVerdict.ABORTED, f"it was not begun: {why}")
            seen = await self._look()
            if seen.lock is None or seen.summary is None:
                why = "the unit has no test group (RFC 1628 section 4.7), or does not show it"
                return Tested(TestVerdict.REFUSED, why)
            if seen.summary != Summary.IN_PROGRESS:
                return seen
            if self._clock.monotonic() > until_at:
                return Tested(TestVerdict.UNKNOWN, "another test is under way, and does not end")
            await self._clock.sleep(LOOK_EVERY_S)

    async def _result(
        self, lock: int, before: _Seen, *, within_s: float, stop: Callable[[], str]
    ) -> Tested:
        until_at, trouble, aborted = self._clock.monotonic() + within_s, "", ""
        shown_by_at = self._clock.monotonic() + min(0.5 * within_s, SHOWN_WITHIN_S)
        ours = _Ours(before)
        after = lock  # what it reads once we have aborted it
        while self._clock.monotonic() < until_at + ONE_WITHIN_S:
            try:
                seen = await self._look()
            except DriverError as error:
                trouble = str(error)
            else:
                if seen.lock not in (lock, after):
                    return Tested(TestVerdict.UNKNOWN, "somebody else began a test meanwhile")
                is_shown = self._clock.monotonic() >= shown_by_at
                if ours.is_result(seen, is_shown=is_shown):
                    return _tested(seen, aborted)
                if not ours.has_begun and is_shown:
                    return Tested(TestVerdict.UNKNOWN, aborted or _AS_BEFORE)
            is_late = self._clock.monotonic() >= until_at
            why = stop() or ("it took too long" if is_late else "")
            if why and not aborted:
                aborted, after = why, _next(lock)
                await self._abort(lock)
            await self._clock.sleep(LOOK_EVERY_S)
        return Tested(TestVerdict.UNKNOWN, trouble or aborted or "it did not come to an end")

    async def _abort(self, lock: int) -> None:
        """Have it end now; that it heard shows in what it says next."""
        try:
            await self._peer.set_together(
                [(SPIN_LOCK, lock), (TEST_ID, ABORT)], within_s=ONE_WITHIN_S
            )
        except DriverError as error:
            log.warning("aborted_no_test", unit=self._unit, why=str(error))

    async def _look(self) -> _Seen:
        asked = (SPIN_LOCK, SUMMARY, TEST_ID, DETAIL, START, ELAPSED)
        answer = await self._peer.get(asked, within_s=ONE_WITHIN_S)
        found = dict(answer.values)
        lock, summary, detail = found.get(SPIN_LOCK), found.get(SUMMARY), found.get(DETAIL)
        return _Seen(
            lock if isinstance(lock, int) else None,
            summary if isinstance(summary, int) else None,
            found.get(TEST_ID),
            detail.decode("utf-8", "replace") if isinstance(detail, bytes) else "",
            found.get(START),
            found.get(ELAPSED),
        )


_AS_BEFORE = (
    "the unit took the test, shows the results of the one before, and never that one is under way"
)


class _Ours:
    """Whether what a unit shows is of our test.

    Attributes:
        has_begun: it was seen under way, or shows other results than before.
    """

    def __init__(self, before: _Seen) -> None:
        self._before, self._last = before.result, before.result
        self._was_under_way = False

    @property
    def has_begun(self) -> bool:
        return self._was_under_way or self._last != self._before

    def is_result(self, seen: _Seen, *, is_shown: bool) -> bool:
        """Whether this is the result; what was not seen to run has to be shown twice the same.

        A card may show when ours was begun before it shows what came of it: so the words of the
        test before are ours only once *is_shown*, when all of it has had its time to be. What has
        no summary, as of a card that is busy, is none.
        """
        if seen.summary is None:
            return False
        is_same, self._last = seen.result == self._last, seen.result
        if seen.summary == Summary.IN_PROGRESS:
            self._was_under_way = True
            return False
        if self._was_under_way:
            return True
        is_said_anew = (seen.summary, seen.detail) != self._before[:2]
        return self._last != self._before and is_same and (is_said_anew or is_shown)


def _next(lock: int) -> int:
    return 0 if lock >= LOCK_MOST else lock + 1


def _tested(seen: _Seen, aborted: str) -> Tested:
    assert seen.summary is not None
    known = {int(summary): verdict for summary, verdict in _VERDICTS.items()}
    verdict = known.get(seen.summary, TestVerdict.UNKNOWN)
    if aborted and verdict is TestVerdict.ABORTED:
        return Tested(verdict, aborted)
    said = seen.detail.strip() or f"upsTestResultsSummary {seen.summary}"
    return Tested(verdict, said)
