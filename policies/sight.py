"""What of a reading may teach anything of the battery: what is absent, odd or stuck does not."""

from __future__ import annotations

from dataclasses import dataclass, replace

from policies.model import Reading, Unit
from policies.seen import FULL, Seen, believable_charge, block_v

_STUCK_CHARGE = 0.04
"""Of a whole discharge: a charge that stands still for longer than that is stuck."""

_STUCK_S, _STUCK_SHARE = 150.0, 0.10
"""Minutes that stand still for longer than both: so many seconds, and that share of themselves."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What was last shown, and since when it has not moved.

    Attributes:
        charge: a share; charge_since: how much of a discharge had passed when it was first shown.
        runtime_s: the unit's own minutes in s; runtime_at: when these were first shown, s.
    """

    charge: float | None = None
    charge_since: float = 0.0
    runtime_s: float | None = None
    runtime_at: float = 0.0


def look(
    sight: Sight, unit: Unit, reading: Reading, *, load_w: float, passed: float
) -> tuple[Sight, Seen]:
    """Return what is to be learnt from a reading on battery, and what to hold the next against.

    A gauge that has not moved while it should have is stuck, and counts as absent until it moves; a
    full battery's 100 % is the end of a scale and teaches nothing.

    Args:
        sight: of the readings before; a new one where the discharge began.
        unit: the unit as its file has it.
        reading: the new one.
        load_w: what it carries.
        passed: how much of a whole discharge has passed so far, as a share.
    """
    charge, runtime_s = believable_charge(reading), reading.trusted("runtime_s")
    if charge != sight.charge:
        sight = replace(sight, charge=charge, charge_since=passed)
    elif passed - sight.charge_since > _STUCK_CHARGE:
        charge = None
    if runtime_s != sight.runtime_s:
        sight = replace(sight, runtime_s=runtime_s, runtime_at=reading.at)
    elif runtime_s is not None:
        still_s = reading.at - sight.runtime_at
        if still_s > max(_STUCK_S, _STUCK_SHARE * runtime_s):
            runtime_s = None
    return sight, Seen(
        load_w=load_w,
        charge=None if charge is None or charge >= FULL else charge,
        runtime_s=runtime_s,
        block_v=block_v(unit, reading),
    )
