"""Looking at a device again and again, until it shows what is due, or time is up."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Protocol, TypeVar

from drivers.base import Clock, Verdict

LOOK_S = 10.0
"""Longest that one look of a series may take."""

_PENDING = frozenset({Verdict.NOT_YET, Verdict.NO_ANSWER})


class Judged(Protocol):
    """What a look found."""

    @property
    def verdict(self) -> Verdict:
        """What it means."""
        ...


F = TypeVar("F", bound=Judged)
Look = Callable[[float], Awaitable[tuple[F, tuple[str, ...]]]]
"""Looks once, by a time; returns what was found and what was sent."""


async def look_until(
    look: Look[F], *, clock: Clock, every_s: float, deadline_at: float
) -> tuple[F, tuple[str, ...]]:
    """Return the first look that is not pending, or the last one that says something."""
    before: tuple[F, tuple[str, ...]] | None = None
    while True:
        found = await look(min(deadline_at, clock.monotonic() + LOOK_S))
        if found[0].verdict not in _PENDING:
            return found
        if deadline_at - clock.monotonic() <= every_s:
            # A last look that time cut short says less than the one before it.
            was_cut = found[0].verdict is Verdict.NO_ANSWER
            return before if before is not None and was_cut else found
        before = found
        await clock.sleep(every_s)
