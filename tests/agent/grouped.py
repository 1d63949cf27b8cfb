"""A unit's control group in memory, as `agent.conduct.unit_control.UnitControl` reaches it."""

from __future__ import annotations

from agent.conduct.unit_control import Control
from agent.errors import BackupUnitError, UnitTrouble
from agent.virtual.control_group import (
    AUTO_RESTART,
    REBOOT,
    SHUTDOWN,
    SHUTDOWN_TYPE,
    STARTUP,
    ControlGroup,
    Quirk,
)
from drivers.base import Clock
from drivers.transports.snmp_values import Status


class Grouped:
    """The control group of RFC 1628 on a clock; it notes what is written.

    Attributes:
        written: names and values, in order, refused ones included.
        silent: it does not answer.
        takes_s: how long each answer takes.
    """

    def __init__(self, clock: Clock, *quirks: Quirk) -> None:
        self.group = ControlGroup.of(quirks)
        self.written: list[tuple[str, int]] = []
        self.silent = False
        self.takes_s = 0.1
        self._clock = clock

    async def read(self, *, deadline_at: float) -> Control:
        """Return what the control group reads."""
        await self._talk(deadline_at)
        now = self._clock.monotonic()
        return Control(
            shutdown_type=self.group.read(SHUTDOWN_TYPE, now),
            shutdown_s=self.group.read(SHUTDOWN, now),
            startup_s=self.group.read(STARTUP, now),
            reboot_s=self.group.read(REBOOT, now),
            auto_restart=self.group.read(AUTO_RESTART, now),
        )

    async def write(self, name: str, value: int, *, deadline_at: float) -> None:
        """Write one object."""
        await self._talk(deadline_at)
        self.written.append((name, value))
        status = self.group.write(name, value, self._clock.monotonic())
        if status is not Status.NO_ERROR:
            raise BackupUnitError(
                f"it says {status.name}", trouble=UnitTrouble.REFUSED, advice="look"
            )

    async def _talk(self, deadline_at: float) -> None:
        if self.silent:
            await self._clock.sleep(deadline_at - self._clock.monotonic())
            raise BackupUnitError("no answer", trouble=UnitTrouble.SILENT, advice="look")
        await self._clock.sleep(self.takes_s)
