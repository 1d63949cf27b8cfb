"""The control group of RFC 1628 (section 4.8) as a unit keeps it, with the quirks of real ones.

It holds settings and countdowns and says what they ask of the output; whoever owns the output asks
it at every change, and no later than `next_at`. Times are the owner's, in s.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

from drivers.transports.snmp_values import Status

SHUTDOWN_TYPE = "upsShutdownType"
SHUTDOWN = "upsShutdownAfterDelay"
STARTUP = "upsStartupAfterDelay"
REBOOT = "upsRebootWithDuration"
AUTO_RESTART = "upsAutoRestart"
NAMES = (SHUTDOWN_TYPE, SHUTDOWN, STARTUP, REBOOT, AUTO_RESTART)

DELAY_MOST_S = 2_147_483_647
"""RFC 1628 prints one more than 32 bits hold."""

REBOOT_MOST_S = 300


class Quirk(StrEnum):
    """Where a unit's control differs from the standard's text."""

    READ_ONLY = "it refuses to be written"
    IGNORES = "it takes whatever is written, and does nothing"
    UNCANCELLABLE = "a shutdown countdown once begun cannot be withdrawn"
    NO_STARTUP = "it has no startup countdown"
    NO_RESTART = "its automatic restart is off, and cannot be switched on"
    RESTARTS_ANYHOW = "its startup countdown does not wait for mains"
    FORGETS = "its countdowns are lost when its card restarts"
    NO_CONTROL = "it has no such objects at all"


@dataclass(slots=True)
class ControlGroup:
    """Settings and countdowns of one unit; plain data, so that a copy is a unit of its own.

    Attributes:
        shutdown_at, startup_at: when a countdown ends; None while none is running.
        reboot_at: the same of upsRebootWithDuration, whose end is a startup.
        off_in_outage: its output went off while mains was away, by command or for want of power;
            that is what automatic restart is promised for.
    """

    quirks: frozenset[Quirk] = frozenset()
    shutdown_type: int = 1
    auto_restart: int = 1
    shutdown_at: float | None = None
    startup_at: float | None = None
    reboot_at: float | None = None
    off_in_outage: bool = False

    @classmethod
    def of(cls, quirks: Collection[Quirk] = ()) -> ControlGroup:
        """Return a unit's control with these quirks, nothing counting."""
        restart = 2 if Quirk.NO_RESTART in quirks else 1
        return cls(quirks=frozenset(quirks), auto_restart=restart)

    def read(self, name: str, at: float) -> int | None:
        """Return what an object shows; None where the unit has no such object."""
        if Quirk.NO_CONTROL in self.quirks or (name == STARTUP and Quirk.NO_STARTUP in self.quirks):
            return None
        match name:
            case "upsShutdownType":
                return self.shutdown_type
            case "upsShutdownAfterDelay":
                return _left(self.shutdown_at, at)
            case "upsStartupAfterDelay":
                return _left(self.startup_at, at)
            case "upsRebootWithDuration":
                return _left(self.reboot_at, at)
            case _:
                return self.auto_restart

    def write(self, name: str, value: int, at: float) -> Status:
        """Take one SET, and return how that ended (RFC 3416 section 4.2.5)."""
        if self.read(name, at) is None or Quirk.READ_ONLY in self.quirks:
            return Status.NOT_WRITABLE
        if not _is_in_range(name, value):
            return Status.WRONG_VALUE
        if name == AUTO_RESTART and Quirk.NO_RESTART in self.quirks:
            return Status.NOT_WRITABLE
        if Quirk.IGNORES not in self.quirks:
            self._take(name, value, at)
        return Status.NO_ERROR

    def _take(self, name: str, value: int, at: float) -> None:
        until = None if value < 0 else at + value
        match name:
            case "upsShutdownType":
                self.shutdown_type = value
            case "upsShutdownAfterDelay":
                if until is None and Quirk.UNCANCELLABLE in self.quirks:
                    return
                self.shutdown_at = until
            case "upsStartupAfterDelay":
                self.startup_at, self.reboot_at = until, None
            case "upsRebootWithDuration":
                # What -1 does here is undefined; taken as withdrawing.
                self.reboot_at = self.startup_at = until
                if until is not None:
                    self.shutdown_at = at
            case _:
                self.auto_restart = value

    @property
    def is_counting(self) -> bool:
        """Whether a shutdown countdown is running: alarm ShutdownPending."""
        return self.shutdown_at is not None

    def next_at(self, *, mains: bool, output: bool, restart_s: float, mains_at: float) -> float:
        """Return when `wanted` may next say something else than now; inf = not by itself.

        The arguments are those of `wanted`.
        """
        if output:
            return math.inf if self.shutdown_at is None else self.shutdown_at
        return self._comes_on_at(mains=mains, restart_s=restart_s, mains_at=mains_at)

    def wanted(
        self, at: float, *, mains: bool, output: bool, restart_s: float, mains_at: float
    ) -> bool:
        """Return whether the output is to be on from now on, and settle what that ends.

        Args:
            at: now.
            mains: whether mains is there.
            output: whether the output is on.
            restart_s: what the unit takes to put its output on again when mains is back.
            mains_at: since when mains has been there.
        """
        if output:
            if self.startup_at is not None and at >= self.startup_at:
                self.startup_at = self.reboot_at = None  # it is on already: no effect
            if self.shutdown_at is None or at < self.shutdown_at:
                return True
            self.went_off(mains=mains)
            return False
        if at < self._comes_on_at(mains=mains, restart_s=restart_s, mains_at=mains_at):
            return False
        self.startup_at = self.reboot_at = None
        self.off_in_outage = False
        return True

    def went_off(self, *, mains: bool) -> None:
        """The output has gone off, by this group's doing or for want of power."""
        self.shutdown_at = None
        self.off_in_outage = not mains

    def mains_failed(self, *, output: bool) -> None:
        """Mains has gone; an output that was off already is off in an outage from now on."""
        if not output and self.auto_restart == 1:
            self.off_in_outage = True

    def card_restarted(self) -> None:
        """What speaks for the unit has started anew."""
        if Quirk.FORGETS in self.quirks:
            self.shutdown_at = self.startup_at = self.reboot_at = None

    def _comes_on_at(self, *, mains: bool, restart_s: float, mains_at: float) -> float:
        counted_at = self.startup_at
        if not mains:
            anyhow = Quirk.RESTARTS_ANYHOW in self.quirks
            return counted_at if anyhow and counted_at is not None else math.inf
        ready_at = mains_at + restart_s
        if counted_at is not None:
            return max(counted_at, ready_at)
        return ready_at if self.off_in_outage and self.auto_restart == 1 else math.inf


def _left(until: float | None, at: float) -> int:
    return -1 if until is None else max(0, math.ceil(until - at - 1e-6))


def _is_in_range(name: str, value: int) -> bool:
    if name in (SHUTDOWN_TYPE, AUTO_RESTART):
        return value in (1, 2)
    return -1 <= value <= (REBOOT_MOST_S if name == REBOOT else DELAY_MOST_S)
