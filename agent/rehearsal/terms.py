"""What is asked of a rehearsal, and how far one is; imports nothing heavy."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from agent.config import LoadedSite
from agent.rehearsal.result import Told

LONGEST_S = 24 * 3600.0
"""So long mains is away at most."""


class Strength(StrEnum):
    """Which of the guesses is taken to be true."""

    LIKELY = "likely"  # half of them are better
    WEAK = "weak"  # as weak as the agent has to reckon with: its lower bound


@dataclass(frozen=True, slots=True)
class Terms:
    """What is asked for.

    Attributes:
        name: of the rehearsal, which sorts by when it was begun.
        begins: when mains fails, aware.
        who: asks.
        mains_after_s: when it comes back; None = once everything is at rest.
        pace: site seconds in a real one; None = as fast as can be.
        strength: of the batteries.
    """

    name: str
    begins: datetime
    who: str
    mains_after_s: float | None = None
    pace: float | None = None
    strength: Strength = Strength.LIKELY


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a rehearsal is.

    Attributes:
        at_s: seconds since mains failed, negative before.
        mains_away: whether mains is away.
        status: the site as `lastwatt status --json` has it, in the rehearsal; {} before the first,
            or while the agent's own box is off.
        orders: given so far.
    """

    at_s: float
    mains_away: bool
    status: dict[str, Any]
    orders: tuple[Told, ...]


def digest_of(loaded: LoadedSite) -> str:
    """Return a short word that changes with what the site's file says."""
    text = json.dumps(loaded.document.value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
