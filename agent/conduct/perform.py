"""One act at one device, held to the contract whatever its driver does.

Drivers may be other people's: one that raises, hangs past its deadline, will not be cancelled or
answers nonsense costs its own device an outcome, and nobody anything else.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Coroutine, Iterable
from dataclasses import dataclass
from typing import Any

import structlog

from drivers.base import Act, Clock, Driver, Outcome, Verdict

log = structlog.get_logger()


class Cue(asyncio.Event):
    """Once set, an act is cut short; says why."""

    def __init__(self, why: str = "since the battery is about to end") -> None:
        """Begin unset."""
        super().__init__()
        self.why = why


OVERRUN_S = 1.0
"""A driver that outlives its deadline by this much is cut off."""

LET_GO_S = 0.3
"""How long a cut-off driver may take to end before it is left to itself."""

CHANGING = frozenset({Act.QUIESCE, Act.STOP, Act.CUT, Act.START, Act.RESTORE, Act.UNCUT})
"""The acts that change something; the others only look."""


async def first(waited: asyncio.Future[Any], *others: Coroutine[Any, Any, object]) -> None:
    """Return when *waited* or one of the others is done; only those others are then cancelled."""
    racing = [asyncio.ensure_future(other) for other in others]
    try:
        await asyncio.wait({waited, *racing}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for other in racing:
            other.cancel()


async def all_within(clock: Clock, tasks: Iterable[asyncio.Future[Any]], seconds: float) -> None:
    """Return when all tasks are done or *seconds* are over; none is cancelled by that."""
    left = {task for task in tasks if not task.done()}
    if not left:
        return
    ended = asyncio.ensure_future(asyncio.wait(left))
    try:
        await first(ended, clock.sleep(seconds))
    finally:
        ended.cancel()


@dataclass(frozen=True, slots=True)
class _Refused:
    """How often, and when last."""

    times: int
    at: float


class Performer:
    """Has acts done, each by its deadline."""

    def __init__(self, *, clock: Clock) -> None:
        self._clock = clock
        self._cut_off: set[asyncio.Task[Outcome]] = set()
        self._refused: dict[tuple[int, Act], _Refused] = {}

    async def perform(
        self, driver: Driver, act: Act, *, deadline_at: float, hurry: Cue | None = None
    ) -> Outcome:
        """Return what came of the act, little later than *deadline_at*; never raises.

        Args:
            driver: who does it.
            act: one of its acts.
            deadline_at: site time, s.
            hurry: once set, the act is cut short; whether it took effect is then not known.
        """
        began_at = self._clock.monotonic()
        doing = asyncio.create_task(_ask(driver, act, deadline_at), name=f"{act.value}")
        limit = self._clock.sleep(max(0.0, deadline_at - began_at) + OVERRUN_S)
        try:
            await first(doing, limit, *(() if hurry is None else (hurry.wait(),)))
            if not doing.done():
                self._cut(doing)
                # So that two conversations with one device do not overlap, if that can be had.
                await all_within(self._clock, [doing], LET_GO_S)
        finally:
            self._cut(doing)
        if doing.done() and not doing.cancelled():
            self._note(driver, doing.result())
            return doing.result()
        took_s = self._clock.monotonic() - began_at
        if hurry is not None and hurry.is_set():
            why = f"cut short, {hurry.why}"
        elif doing.cancelled() and self._clock.monotonic() < deadline_at:
            why = "its driver gave the act up"
        else:
            why = "its driver did not end in time"
        return Outcome(act, _unknown(act), why, took_s=took_s)

    def refusals(self, driver: Driver) -> int:
        """Return how often the driver was refused since it last was not, or since `forget`."""
        return sum(seen.times for (of, _), seen in self._refused.items() if of == id(driver))

    def refused_s(self, driver: Driver, act: Act | None = None) -> float:
        """Return how long ago *act*, or any act, was last refused, in s; inf = never."""
        at = max(
            (
                s.at
                for (of, by), s in self._refused.items()
                if of == id(driver) and act in (None, by)
            ),
            default=-math.inf,
        )
        return self._clock.monotonic() - at

    def forget(self) -> None:
        """Forget what was refused: another outage begins, or this one is over."""
        self._refused.clear()

    def _note(self, driver: Driver, outcome: Outcome) -> None:
        """Count refusals, whoever asked: each may be a login that counts towards a lock."""
        if outcome.verdict is Verdict.REFUSED:
            before = self._refused.get((id(driver), outcome.act), _Refused(0, 0.0))
            seen = _Refused(before.times + 1, self._clock.monotonic())
            self._refused[id(driver), outcome.act] = seen
        elif outcome.verdict is Verdict.DONE and outcome.act is not Act.CONFIRM_GONE:
            for key in [key for key in self._refused if key[0] == id(driver)]:
                del self._refused[key]

    async def close(self) -> None:
        """Wait a moment for what was cut off."""
        await all_within(self._clock, self._cut_off, LET_GO_S)

    def _cut(self, doing: asyncio.Task[Outcome]) -> None:
        if not doing.done() and doing not in self._cut_off:
            self._cut_off.add(doing)
            doing.add_done_callback(self._cut_off.discard)
            doing.cancel()


async def _ask(driver: Driver, act: Act, deadline_at: float) -> Outcome:
    try:
        outcome: object = await driver.perform(act, deadline_at=deadline_at)
    except Exception as error:  # other people's code: its trouble is its own device's
        # Not the traceback: nobody knows what secrets that code puts into its errors.
        log.error("failed_driver", act=act.value, error=type(error).__name__, where=_where(error))
        return Outcome(act, _unknown(act), f"its driver failed ({type(error).__name__})", _REPORT)
    if not isinstance(outcome, Outcome):
        log.error("failed_driver", act=act.value, error=f"returned {type(outcome).__name__}")
        return Outcome(act, _unknown(act), "its driver returned no outcome", _REPORT)
    return outcome


_REPORT = "see the agent's log, and tell whoever made that driver"


def _unknown(act: Act) -> Verdict:
    """What to say of an act that nobody knows the end of: it may have been sent."""
    return Verdict.UNCERTAIN if act in CHANGING else Verdict.NO_ANSWER


def _where(error: BaseException) -> str:
    """The line of code that an error came from."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "unknown"
    return f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}"
