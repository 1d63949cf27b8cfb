"""What of one reading can be believed of the battery, without anything that was learnt of it."""

from __future__ import annotations

from dataclasses import dataclass

from policies.model import BatteryStatus, Chemistry, Reading, Unit

SAG_V_H = 0.5
"""Volts that a 12 V block loses for each time per hour that its energy is drawn."""

FULL = 0.995
"""A charge from here on is the end of a scale, and says nothing."""

_BLOCK_V = 12.0
_BLOCK_RANGE_V = (8.0, 15.0)


@dataclass(frozen=True, slots=True)
class Seen:
    """What one reading shows of the battery; None = nothing that can be believed.

    Attributes:
        load_w: what the unit carries, as logged.
        charge: a share 0..1; runtime_s: the unit's own minutes as seconds.
        block_v: volts for each 12 V of nominal voltage.
    """

    load_w: float
    charge: float | None = None
    runtime_s: float | None = None
    block_v: float | None = None

    @property
    def is_empty(self) -> bool:
        """Whether it shows nothing."""
        return self.charge is None and self.runtime_s is None and self.block_v is None


def believable_charge(reading: Reading) -> float | None:
    """Return the reported charge, unless the unit itself contradicts it."""
    charge = reading.trusted("charge")
    if charge is None or (charge < 0.05 and reading.battery_status is BatteryStatus.NORMAL):
        return None
    return charge


def block_v(unit: Unit, reading: Reading) -> float | None:
    """Return volts of a 12 V block, where the volts of lead-acid are known and make sense."""
    battery, volts = unit.battery, reading.trusted("battery_v")
    if volts is None or battery.volts is None or battery.chemistry is not Chemistry.LEAD_ACID:
        return None
    block = volts * _BLOCK_V / battery.volts
    low, high = _BLOCK_RANGE_V
    return block if low < block < high else None
