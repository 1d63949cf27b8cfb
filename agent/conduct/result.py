"""How an order ended."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.base import Outcome
from policies.events import Ending


@dataclass(frozen=True, slots=True)
class Result:
    """How an order ended, and how that is known."""

    ending: Ending
    evidence: str


def in_words(outcome: Outcome) -> str:
    """Return what was seen, and what a person should mend."""
    return f"{outcome.evidence}; {outcome.advice}" if outcome.advice else outcome.evidence
