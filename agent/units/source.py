"""The seam that readings come through: RFC 1628 over SNMP is one source, others can be added."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from policies.model import Reading


@dataclass(frozen=True, slots=True)
class UnitIdentity:
    """What a backup unit says of itself; None, or "", where it says nothing.

    Attributes:
        unit_version, agent_version: software of the unit, and of what speaks for it.
        name, attached: as its administrator wrote them into the unit.
        rating_va, rating_w: nominal output.
        low_battery_s: runtime at which the unit calls its battery low, in s.
        missing: names of the objects that it does not have, of those that would be read.
        engine_id: SNMPv3 engine ID in hex.
        uptime_s: since its SNMP agent was started, in s.
    """

    manufacturer: str = ""
    model: str = ""
    unit_version: str = ""
    agent_version: str = ""
    name: str = ""
    attached: str = ""
    rating_va: float | None = None
    rating_w: float | None = None
    low_battery_s: float | None = None
    output_lines: int | None = None
    missing: tuple[str, ...] = ()
    engine_id: str | None = None
    uptime_s: float | None = None


class Source(Protocol):
    """Where the readings of one backup unit come from."""

    async def read(self, *, deadline_at: float) -> Reading:
        """Return a reading taken now, by *deadline_at* (Clock.monotonic, s).

        Raises:
            BackupUnitError: it was silent, refused, or talked nonsense.
        """
        ...

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        """Return what the unit says of itself, by *deadline_at*; read-only.

        Raises:
            BackupUnitError: as for `read`.
        """
        ...

    async def close(self) -> None:
        """Let go of what is held for this unit; safe to call twice."""
        ...
