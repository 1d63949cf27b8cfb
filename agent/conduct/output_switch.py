"""Arming and withdrawing a unit's output, step by step, each value read back.

RFC 1628 section 4.8: a unit may take a value and do nothing, round it, or lose it. The startup is
armed first and longer, so that the output comes back even if mains returns before it drops, when
automatic restart is not promised.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import structlog

from agent.conduct.unit_control import NONE, ON, OUTPUT_ONLY, Control, UnitControl
from agent.errors import BackupUnitError
from drivers.base import Clock
from policies.model import OutputControl
from policies.output import STARTUP_MARGIN_S
from policies.reasons import duration_text

log = structlog.get_logger()

TALK_S = 8.0
"""How long one question or one order may take."""

TRIES = 3
PAUSE_S = 1.0

EARLY_S = 5.0
ROUNDED_UP_S = 60.0
"""A countdown may read so much less, or more, than was asked for: units count in steps."""


@dataclass(frozen=True, slots=True)
class Switched:
    """What came of it.

    Attributes:
        done: as asked, and read back.
        evidence: one sentence.
        drops_at, returns_at: when it drops and returns, as read back; None = nothing counts.
    """

    done: bool
    evidence: str
    drops_at: float | None = None
    returns_at: float | None = None


class _RefusedError(Exception):
    """The unit does not do as it is told; its text is the evidence."""


class OutputSwitch:
    """Switches one unit's output."""

    def __init__(self, unit: UnitControl, settings: OutputControl, *, clock: Clock) -> None:
        """Prepare; sends nothing."""
        self._unit = unit
        self._settings = settings
        self._clock = clock

    async def look(self) -> Switched:
        """Return what counts at the unit now; done = it is armed as it should be.

        Raises:
            BackupUnitError: it did not answer.
        """
        return self._seen(await self._read())

    async def arm(self, may_go_on: Callable[[], bool]) -> Switched:
        """Arm the output: restart, startup, shutdown, in that order, each read back.

        Where it does not come to that, whatever counts by then is withdrawn.

        Args:
            may_go_on: asked before the shutdown is armed, which is what takes power away.
        """
        try:
            await self._prepare()
            startup_s = round(self._settings.drops_after_s + self._settings.off_for_s)
            await self._count("upsStartupAfterDelay", startup_s)
            if not may_go_on():
                raise _RefusedError("it was not to be armed any more")
            await self._count("upsShutdownAfterDelay", round(self._settings.drops_after_s))
            seen = self._seen(await self._read())
            if not seen.done:
                raise _RefusedError(seen.evidence)
        except (_RefusedError, BackupUnitError) as error:
            undone = await self.withdraw()
            return Switched(False, f"{_told(error)}; {undone.evidence}", undone.drops_at)
        return seen

    async def withdraw(self) -> Switched:
        """Withdraw both countdowns, the shutdown first; done = both read -1.

        Where the shutdown cannot be withdrawn, the startup is kept, or armed, beyond it.
        """
        evidence, left_s = "nothing could be asked", round(self._settings.drops_after_s)
        for tries in range(TRIES):
            if tries:
                await self._clock.sleep(PAUSE_S)
            try:
                await self._write_off("upsShutdownAfterDelay")
                read = await self._read()
                if read.shutdown_s not in (NONE, None):
                    left_s = read.shutdown_s
                    evidence = f"its countdown cannot be withdrawn ({duration_text(left_s)} left)"
                    continue
                await self._write_off("upsStartupAfterDelay")
                read = await self._read()
            except BackupUnitError as error:
                evidence = _told(error)
                continue
            if read.shutdown_s in (NONE, None):
                also = "" if read.startup_s in (NONE, None) else "; its startup counts on, idly"
                return Switched(True, f"no shutdown counts at the unit: -1 read back{also}")
        return await self._stuck(evidence, left_s)

    async def _stuck(self, evidence: str, left_s: int) -> Switched:
        """See that an output that will drop comes back."""
        now = self._clock.monotonic()
        try:
            read = await self._read()
            if read.shutdown_s in (NONE, None):
                return Switched(True, "no shutdown counts at the unit: -1 read back")
            left_s = read.shutdown_s
            startup_s = read.startup_s
            if startup_s is None or startup_s < left_s + STARTUP_MARGIN_S:
                startup_s = round(left_s + self._settings.off_for_s)
                await self._count("upsStartupAfterDelay", startup_s)
        except (_RefusedError, BackupUnitError) as error:
            return Switched(False, f"{evidence}; {_told(error)}", now + left_s)
        return Switched(False, evidence, now + left_s, now + startup_s)

    async def _prepare(self) -> None:
        """See that nothing counts yet, and that it will restart by itself."""
        read = await self._read()
        if read.shutdown_s is None or read.startup_s is None:
            raise _RefusedError(
                "it has no upsShutdownAfterDelay and upsStartupAfterDelay to be armed by"
            )
        if read.shutdown_s != NONE or read.reboot_s not in (NONE, None):
            raise _RefusedError("a countdown that is not ours runs in it")
        if read.auto_restart != ON:
            await self._write("upsAutoRestart", ON)
            if (await self._read()).auto_restart != ON:
                raise _RefusedError("its automatic restart (upsAutoRestart) stays off")
        if read.shutdown_type not in (OUTPUT_ONLY, None):
            try:
                await self._write("upsShutdownType", OUTPUT_ONLY)
            except BackupUnitError as error:  # it then goes off as a whole, and returns so too
                log.info("kept_shutdown_type", why=str(error))

    async def _count(self, name: str, seconds: int) -> None:
        """Start one countdown, and see that it runs."""
        began_at = self._clock.monotonic()
        await self._write(name, seconds)
        read = await self._read()
        left_s = read.startup_s if name == "upsStartupAfterDelay" else read.shutdown_s
        least_s = seconds - (self._clock.monotonic() - began_at) - EARLY_S
        if left_s is None or not least_s <= left_s <= seconds + ROUNDED_UP_S:
            said = "-1" if left_s == NONE else f"{left_s} s"
            raise _RefusedError(f"it took {name} = {seconds}, and reads {said}")

    def _seen(self, read: Control) -> Switched:
        now = self._clock.monotonic()
        if read.shutdown_s in (NONE, None):
            return Switched(False, "no shutdown counts at the unit")
        drops_at = now + read.shutdown_s
        if read.startup_s in (NONE, None):
            return Switched(False, "a shutdown counts at the unit, and no startup", drops_at)
        returns_at = now + read.startup_s
        if returns_at < drops_at + STARTUP_MARGIN_S:
            why = "its startup would end before the output has dropped"
            return Switched(False, why, drops_at, returns_at)
        text = (
            f"it drops in {duration_text(read.shutdown_s)} and returns in "
            f"{duration_text(read.startup_s)} at the earliest, as read back"
        )
        return Switched(True, text, drops_at, returns_at)

    async def _read(self) -> Control:
        return await self._unit.read(deadline_at=self._clock.monotonic() + TALK_S)

    async def _write(self, name: str, value: int) -> None:
        deadline_at = self._clock.monotonic() + TALK_S
        await self._unit.write(name, value, deadline_at=deadline_at)
        log.info("wrote_unit", object=name, value=value)

    async def _write_off(self, name: str) -> None:
        """Withdraw one countdown; what refuses is read back all the same."""
        try:
            await self._write(name, NONE)
        except BackupUnitError as error:
            log.info("failed_write", object=name, why=str(error))


def _told(error: Exception) -> str:
    advice = error.advice if isinstance(error, BackupUnitError) else ""
    return f"{error}; {advice}" if advice else str(error)
