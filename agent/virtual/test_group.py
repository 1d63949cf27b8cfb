"""The test group of RFC 1628 (section 4.7) as a unit keeps it, with the quirks of real ones."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from agent.virtual import ups_mib
from drivers.transports.snmp_values import Oid, Status

LOCK = "upsTestSpinLock"
TEST_ID = "upsTestId"

PASS, ERROR, ABORTED, IN_PROGRESS, NONE = 1, 3, 4, 5, 6
"""Values of upsTestResultsSummary."""

LOCK_MOST = 2_147_483_647
"""A TestAndIncr wraps to 0 after it, RFC 2579 section 2."""

_WELL_KNOWN: Oid = (*ups_mib.UPS, 1, 7, 7)
ABORT: Oid = (*_WELL_KNOWN, 2)
GENERAL: Oid = (*_WELL_KNOWN, 3)
QUICK: Oid = (*_WELL_KNOWN, 4)


class TestQuirk(StrEnum):
    """Where a unit's tests differ from the standard's text."""

    __test__ = False

    NO_QUICK_TEST = "it knows no battery test: basic compliance asks for none"
    FAILS = "its battery does not pass"
    SAYS_NOTHING = "it raises no alarm TestInProgress"


@dataclass(slots=True)
class TestGroup:
    """The tests of one unit.

    Attributes:
        lock: what the spin lock reads now.
        started_at: of the last test, in the owner's s.
    """

    __test__ = False

    quirks: frozenset[TestQuirk] = frozenset()
    lock: int = 1
    test_id: Oid = ups_mib.NO_TESTS_INITIATED
    summary: int = NONE
    detail: str = ""
    started_at: float = 0.0
    ended_at: float = 0.0

    @property
    def is_testing(self) -> bool:
        """Whether a test is under way."""
        return self.summary == IN_PROGRESS

    def take_lock(self, value: object) -> Status:
        """Write the spin lock: taken with its present value alone, and is one more then."""
        if value != self.lock:
            return Status.INCONSISTENT_VALUE
        self.lock = 0 if self.lock >= LOCK_MOST else self.lock + 1
        return Status.NO_ERROR

    def take_test(self, value: object, at: float) -> Status:
        """Write upsTestId: a test begins, or the one under way is aborted."""
        if value == ABORT:
            if self.is_testing:
                self.end(ABORTED, "aborted", at)
            return Status.NO_ERROR
        is_known = value == QUICK and TestQuirk.NO_QUICK_TEST not in self.quirks
        if not is_known or self.is_testing:
            return Status.INCONSISTENT_VALUE
        self.test_id, self.summary, self.detail, self.started_at = QUICK, IN_PROGRESS, "", at
        return Status.NO_ERROR

    def end(self, summary: int, detail: str, at: float) -> None:
        """The test is over."""
        self.summary, self.detail, self.ended_at = summary, detail, at

    def elapsed_s(self, at: float) -> float:
        """Return how long the last test took, or has taken so far."""
        if self.summary == NONE:
            return 0.0
        return (at if self.is_testing else self.ended_at) - self.started_at
