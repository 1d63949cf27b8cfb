"""What every way of telling people offers: one message, and an honest answer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from agent.notices.letter import Letter


class Verdict(StrEnum):
    """What became of one try."""

    TAKEN = "taken"
    LATER = "not yet"  # it may be taken if it is tried again
    REFUSED = "refused for now"  # as its receiver stands, not for what it says: tried on, seldom
    BARRED = "login refused"  # each more wrong one might lock the account
    NEVER = "refused"  # the same message will never be taken


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one try, and what the other side said, on one line and without secrets."""

    verdict: Verdict
    said: str
    is_heard: bool = True
    """Whether anybody answered at all."""


@dataclass(frozen=True, slots=True)
class Sending:
    """What is sent now.

    Attributes:
        letters: at least one, oldest first.
        now: site time, s.
        utc: wall time.
    """

    letters: tuple[Letter, ...]
    now: float
    utc: datetime

    def late_s(self, letter: Letter) -> float:
        """Return how long ago a notice was raised, in s."""
        return max(0.0, self.now - letter.at)


class Channel(Protocol):
    """One way to one receiver.

    Attributes:
        way: "webhook", "mail", "syslog" or "service".
        host: where it goes, as far as that may be shown; the rest of an address may be a key.
    """

    @property
    def way(self) -> str:
        """The way."""
        ...

    @property
    def host(self) -> str:
        """Where it goes."""
        ...

    async def send(self, sending: Sending) -> Answer:
        """Try once, within a bound of its own; never raises but for cancellation."""
        ...
