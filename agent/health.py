"""Whether the agent does its work: the one judgement behind `/health` and the service's watchdog.

It asks what was done, not whether a process is there: a poll loop that hangs looks alive to
everybody else. A unit that does not answer is the unit's trouble; it is told, and the agent that
goes on asking it is well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from policies.reasons import duration_text

SLACK_S = 30.0
"""A loop may be so late, in s: a busy box, or a disk that keeps each turn waiting."""

BEGIN_WITHIN_S = 60.0
"""Longest that the first turn of each loop may take, in s, after the agent's start."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What is looked at; every time is site time, in s.

    Attributes:
        now: the present.
        began_at: when the agent began.
        due_at: loop -> by when it is to have turned again; None = it did not turn yet, infinity =
            it waits for something to happen.
        is_journal_healthy: what happens reaches the disk, in time.
        has_fallen: the policies fail, and the floor beneath them has taken over.
        lost_at: unit -> since when it does not answer, for those that do not.
    """

    now: float
    began_at: float
    due_at: Mapping[str, float | None]
    is_journal_healthy: bool = True
    has_fallen: bool = False
    lost_at: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Health:
    """How the agent is, in sentences.

    Attributes:
        stuck: loops that turn no more; starting the agent anew helps.
        failing: what else keeps it from its work; a new start helps little, and may do harm.
        noted: trouble that is not the agent's own.
    """

    stuck: tuple[str, ...] = ()
    failing: tuple[str, ...] = ()
    noted: tuple[str, ...] = ()

    @property
    def is_well(self) -> bool:
        """Whether it does its work: what `/health` answers by."""
        return not (self.stuck or self.failing)

    @property
    def is_turning(self) -> bool:
        """Whether its loops turn: what the service's watchdog is fed by.

        A full disk is no reason to be ended, since nobody would then stop a recorder.
        """
        return not self.stuck


def judge(signs: Signs) -> Health:
    """Return how an agent is that shows these signs."""
    failing = []
    if not signs.is_journal_healthy:
        failing.append(
            "the journal cannot be written in time: look after the disk of the state directory"
        )
    if signs.has_fallen:
        failing.append(
            "planning fails, and only the plain floor beneath it is left: see the agent's log"
        )
    return Health(
        stuck=tuple(
            f"{loop} is stuck: it should have turned {duration_text(late_s)} ago"
            for loop, due_at in signs.due_at.items()
            if (late_s := _late_s(signs, due_at)) > 0.0
        ),
        failing=tuple(failing),
        noted=tuple(
            f"{unit} has not answered for {duration_text(max(0.0, signs.now - lost_at))}"
            for unit, lost_at in signs.lost_at.items()
        ),
    )


def _late_s(signs: Signs, due_at: float | None) -> float:
    """Return by how much a loop is too late, in s; zero or less where it is in time."""
    if due_at is None:
        return signs.now - signs.began_at - BEGIN_WITHIN_S
    return -math.inf if math.isinf(due_at) else signs.now - due_at - SLACK_S
