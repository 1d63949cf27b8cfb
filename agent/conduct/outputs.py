"""Carry out what is decided of the units' own outputs, and keep looking at what was armed.

The intent is durable before anything is armed: unlike a stop, this waits for the journal. What is
withdrawn does not wait, since that only undoes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

import structlog

from agent.conduct.output_switch import OutputSwitch, Switched
from agent.conduct.unit_control import UnitControl
from agent.errors import BackupUnitError
from drivers.base import Clock
from policies.events import (
    Event,
    NoticeRaised,
    OutputArmed,
    OutputBegan,
    OutputDropped,
    OutputFailed,
    OutputReturned,
    OutputWithdrawn,
)
from policies.model import OutputSource, Reading, Site
from policies.output import OutputOrder, what_became
from policies.output_state import OutputPhase, OutputTask
from policies.state import SiteState

log = structlog.get_logger()

LOOK_EVERY_S = 15.0
"""How often an output that is armed is read back: its countdown may be lost with its card."""

_LOOKED_AFTER = (OutputPhase.ARMING, OutputPhase.ARMED, OutputPhase.STUCK)


@dataclass(slots=True)
class _Work:
    """One conversation under way.

    Attributes:
        stopped: it is not to arm anything any more.
    """

    task: OutputTask
    stopped: asyncio.Event = field(default_factory=asyncio.Event)


class Outputs:
    """The outputs of a site's units, as far as its file lets them be switched."""

    def __init__(
        self,
        site: Site,
        controls: Mapping[str, UnitControl],
        *,
        clock: Clock,
        commit: Callable[..., Awaitable[bool]],
        record: Callable[..., Awaitable[None]],
        state: Callable[[], SiteState],
    ) -> None:
        """Prepare; sends nothing.

        Args:
            site: whose units; those without an `output` are never switched.
            controls: by unit; one that has none here is never switched either.
            clock: what times mean.
            commit: folds events, and returns whether they are durable.
            record: folds events, and makes them durable as far as the disk lets it.
            state: the present state.
        """
        self._switches = {
            name: OutputSwitch(controls[name], unit.output, clock=clock)
            for name, unit in site.units.items()
            if unit.output is not None and name in controls
        }
        self._site = site
        self._clock = clock
        self._commit = commit
        self._record = record
        self._state = state
        self._works: dict[str, _Work] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    def give(self, order: OutputOrder) -> None:
        """Begin what is to be done to an output; what would arm it meanwhile stops at once."""
        if order.unit not in self._switches:
            return
        work = self._works.get(order.unit)
        if work is not None:
            if order.task is OutputTask.WITHDRAW:
                work.stopped.set()
            return
        self._begin(order.unit, order.task, self._do(order))

    async def run(self) -> None:
        """Look after what is armed, for ever; cancel to end. Over at once where nothing may be."""
        while self._switches:
            for name in () if self._state().watches_only else self._switches:
                is_due = self._state().units[name].output.phase in _LOOKED_AFTER
                if is_due and name not in self._works:
                    self._begin(name, OutputTask.ARM, self._look_after(name))
            await self._clock.sleep(LOOK_EVERY_S)

    async def close(self) -> None:
        """Let go of what is under way; what is armed stays so, and is on record."""
        for task in tuple(self._tasks):
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=0.3)

    async def hear(self, reading: Reading) -> None:
        """Take from a reading what became of an output."""
        name = reading.unit
        unit, control = self._state().units[name], self._site.units[name].output
        if control is None or name in self._works:
            return
        output = unit.output
        if output.phase in _LOOKED_AFTER:
            seen = what_became(unit, control, self._clock.monotonic())
            if seen is not None and not seen.is_on:
                await self._record(OutputDropped(self._clock.monotonic(), name, seen.evidence))
            elif seen is not None and output.phase is not OutputPhase.ARMING:
                await self._withdrawn(name, f"{seen.evidence}: its countdown was lost")
        elif output.phase is OutputPhase.DROPPED and _is_on(reading):
            await self._record(
                OutputReturned(self._clock.monotonic(), name, "its readings say so"),
                self._notice("info", name, f"{name}: its output is on"),
            )

    async def look(self, unit: str) -> Switched | None:
        """Return what counts at a unit now; None where that cannot be had."""
        if unit not in self._switches:
            return None
        try:
            return await self._switches[unit].look()
        except BackupUnitError:
            return None

    # Doing

    def _begin(self, unit: str, task: OutputTask, doing: Awaitable[None]) -> None:
        self._works[unit] = _Work(task)
        made = asyncio.ensure_future(self._guarded(unit, doing))
        self._tasks.add(made)
        made.add_done_callback(self._tasks.discard)

    async def _guarded(self, unit: str, doing: Awaitable[None]) -> None:
        try:
            await doing
        except Exception:  # one of the outermost loops: a unit's trouble stays its own
            log.exception("failed_output", unit=unit)
        finally:
            self._works.pop(unit, None)

    async def _do(self, order: OutputOrder) -> None:
        now, unit = self._clock.monotonic(), order.unit
        known = self._state().units[unit].output
        began = OutputBegan(now, unit, order.task, order.reason.sentence)
        is_again = known.phase in (OutputPhase.WITHDRAWING, OutputPhase.STUCK)
        log.info("gave_order", unit=unit, task=order.task.value, reason=order.reason.sentence)
        if order.task is OutputTask.ARM:
            if await self._commit(began):
                await self._arm(unit, order.reason.sentence)
            else:
                why = "the journal cannot be written, and the output waits for that"
                await self._failed(OutputFailed(now, unit, order.task, why))
            return
        if not is_again:
            await self._record(began)
        await self._withdraw(unit)

    async def _arm(self, unit: str, why: str) -> None:
        stopped = self._works[unit].stopped
        if stopped.is_set():
            await self._withdraw(unit)
            return
        switched = await self._switches[unit].arm(lambda: not stopped.is_set())
        if switched.done:
            await self._armed(unit, switched, why)
        else:
            await self._failed(
                OutputFailed(
                    self._clock.monotonic(), unit, OutputTask.ARM, switched.evidence,
                    switched.drops_at,
                )
            )  # fmt: skip

    async def _withdraw(self, unit: str) -> None:
        switched = await self._switches[unit].withdraw()
        if switched.done:
            await self._withdrawn(unit, switched.evidence)
        else:
            known = self._state().units[unit].output
            drops_at = switched.drops_at if known.drops_at is None else known.drops_at
            failed = OutputFailed(
                self._clock.monotonic(), unit, OutputTask.WITHDRAW, switched.evidence, drops_at
            )
            await self._failed(failed)
            await self._clock.sleep(LOOK_EVERY_S)

    async def _look_after(self, unit: str) -> None:
        """Read back what is armed; an armed output whose startup was lost gets it again."""
        before = self._state().units[unit].output
        try:
            seen = await self._switches[unit].look()
        except BackupUnitError as error:
            log.info("missed_output", unit=unit, why=str(error))
            return
        output = self._state().units[unit].output
        if output is not before:
            return
        if seen.done:
            if output.phase is OutputPhase.ARMING:
                await self._armed(unit, seen, output.why)
        elif seen.drops_at is not None or output.phase is OutputPhase.ARMING:
            await self._withdraw(unit)
        elif output.drops_at is not None and self._clock.monotonic() < output.drops_at - 5.0:
            await self._withdrawn(unit, f"{seen.evidence}: it was lost")

    # Recording

    async def _armed(self, unit: str, switched: Switched, why: str) -> None:
        assert switched.drops_at is not None
        assert switched.returns_at is not None
        now = self._clock.monotonic()
        log.info("armed_output", unit=unit, evidence=switched.evidence)
        await self._record(
            OutputArmed(now, unit, switched.drops_at, switched.returns_at, switched.evidence),
            self._notice("warning", unit, why),
        )

    async def _withdrawn(self, unit: str, evidence: str) -> None:
        now, why = self._clock.monotonic(), self._state().units[unit].output.why
        await self._record(
            OutputWithdrawn(now, unit, evidence),
            self._notice("info", unit, f"{unit}: its output stays on: {why}"),
        )

    async def _failed(self, failed: OutputFailed) -> None:
        what = "armed" if failed.task is OutputTask.ARM else "withdrawn"
        text = f"{failed.unit}: its output could not be {what}: {failed.evidence}"
        before = self._state().units[failed.unit].output
        events: list[Event] = [failed]
        if before.phase is not OutputPhase.STUCK:
            events.append(self._notice("error", failed.unit, text))
        await self._record(*events)

    def _notice(self, severity: str, unit: str, text: str) -> NoticeRaised:
        return NoticeRaised(self._clock.monotonic(), severity, unit, text)


def _is_on(reading: Reading) -> bool:
    return reading.output_source not in (None, OutputSource.NONE, OutputSource.OTHER)
