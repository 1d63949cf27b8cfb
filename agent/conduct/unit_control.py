"""The seam that a unit's own output is switched through, and RFC 1628 over SNMP behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from agent.errors import BackupUnitError, UnitTrouble
from agent.units import rfc1628
from drivers.base import Clock
from drivers.errors import DeviceRefusedError, DeviceSilentError, DriverError
from drivers.transports.snmp import SnmpPeer
from drivers.transports.snmp_values import Value

NONE = -1
"""What a countdown reads while it is not running, and what withdraws it."""

ON = 1
"""upsAutoRestart: on."""

OUTPUT_ONLY = 1
"""upsShutdownType: the output, and not what speaks for the unit."""


@dataclass(frozen=True, slots=True)
class Control:
    """What the control group reads, RFC 1628 section 4.8; None = the unit has no such object.

    Attributes:
        shutdown_s, startup_s, reboot_s: seconds left, NONE while nothing counts.
    """

    shutdown_type: int | None = None
    shutdown_s: int | None = None
    startup_s: int | None = None
    reboot_s: int | None = None
    auto_restart: int | None = None


class UnitControl(Protocol):
    """One backup unit whose output can be switched."""

    async def read(self, *, deadline_at: float) -> Control:
        """Return what the unit's control group reads now.

        Raises:
            BackupUnitError: it was silent, refused, or talked nonsense.
        """
        ...

    async def write(self, name: str, value: int, *, deadline_at: float) -> None:
        """Write one object by its RFC 1628 name; read it back, for that is all that counts.

        Raises:
            BackupUnitError: as for `read`; after silence it may be written all the same.
        """
        ...


ControlOf = Callable[[str], UnitControl]


class SnmpControl:
    """A `UnitControl` over SNMP."""

    def __init__(self, peer: SnmpPeer, *, unit: str, clock: Clock) -> None:
        """Prepare; nothing is sent.

        Args:
            peer: asked and told in the name of somebody who may write.
            unit: its name, for errors.
            clock: what deadlines mean.
        """
        self._peer = peer
        self._unit = unit
        self._clock = clock

    async def read(self, *, deadline_at: float) -> Control:
        """Return what the control group reads; each object is asked for by itself.

        Version 1 answers nothing at all where one of several is missing.
        """
        read = {name: await self._get(name, deadline_at) for name in rfc1628.CONTROL}
        return Control(
            shutdown_type=read["upsShutdownType"],
            shutdown_s=read["upsShutdownAfterDelay"],
            startup_s=read["upsStartupAfterDelay"],
            reboot_s=read["upsRebootWithDuration"],
            auto_restart=read["upsAutoRestart"],
        )

    async def write(self, name: str, value: int, *, deadline_at: float) -> None:
        """Write one object by its RFC 1628 name."""
        try:
            await self._peer.set(rfc1628.CONTROL[name], value, within_s=self._left_s(deadline_at))
        except DriverError as error:
            raise self._error(error) from error

    async def _get(self, name: str, deadline_at: float) -> int | None:
        try:
            answer = await self._peer.get(
                [rfc1628.CONTROL[name]], within_s=self._left_s(deadline_at)
            )
        except DriverError as error:
            raise self._error(error) from error
        value: Value = answer.values[0][1] if answer.values else None
        return value if isinstance(value, int) else None

    def _left_s(self, deadline_at: float) -> float:
        return max(0.0, deadline_at - self._clock.monotonic())

    def _error(self, error: DriverError) -> BackupUnitError:
        trouble = UnitTrouble.GARBLED
        if isinstance(error, DeviceSilentError):
            trouble = UnitTrouble.SILENT
        elif isinstance(error, DeviceRefusedError):
            trouble = UnitTrouble.REFUSED
        what, _, advice = str(error).partition("; ")
        return BackupUnitError(f'unit "{self._unit}": {what}', trouble=trouble, advice=advice)
