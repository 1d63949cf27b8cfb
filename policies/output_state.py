"""What is known of a unit's own output, as far as lastwatt switches it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class OutputTask(StrEnum):
    """What is done to a unit's output."""

    ARM = "arm"  # have it drop after a delay, and return after a longer one
    WITHDRAW = "withdraw"


class OutputPhase(StrEnum):
    """Where a unit's output is."""

    ON = "on"
    ARMING = "being armed"  # something may have been written; in doubt until it is read back
    ARMED = "armed"
    WITHDRAWING = "being withdrawn"
    STUCK = "cannot be withdrawn"  # its countdown runs on, whatever is written
    DROPPED = "dropped"


_OURS = frozenset({OutputPhase.ARMING, OutputPhase.ARMED, OutputPhase.WITHDRAWING})


@dataclass(frozen=True, slots=True)
class OutputState:
    """One unit's output; times are site times in s.

    Attributes:
        since_at: when it came into its phase.
        drops_at, returns_at: when it will drop, and come back at the earliest; None = not armed.
        attempts: tries to arm it that failed in this outage.
        why: the sentence that it was armed or withdrawn for, or how it failed.
        is_final: the agent's own box is powering itself off: withdrawn now, nothing would start it.
        unsure_at: when it was last possible that it dropped and came back with nobody looking.
    """

    phase: OutputPhase = OutputPhase.ON
    since_at: float = 0.0
    drops_at: float | None = None
    returns_at: float | None = None
    attempts: int = 0
    why: str = ""
    is_final: bool = False
    unsure_at: float = 0.0

    @property
    def is_ours(self) -> bool:
        """Whether a shutdown countdown that is seen at the unit is one of ours, and wanted."""
        return self.phase in _OURS

    @property
    def is_pending(self) -> bool:
        """Whether what it feeds may lose its power any time soon, or has lost it."""
        return self.phase is not OutputPhase.ON
