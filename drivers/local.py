"""The box that lastwatt itself runs on: its disks written out, then its power off.

For the one device of role "agent box" only, and only as its last act: see policies.output. The
command is a fixed list of arguments, run without a shell. A service that may power off nothing has
a socket beside it, which the service manager listens on: see deploy/service.
"""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, Field

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.settings import Settings
from drivers.transports.programs import DryPrograms, OwnPrograms, Programs

POWER_OFF = ("systemctl", "poweroff")
"""systemctl(1): returns once it is queued; halt would leave the hardware powered."""

DOOR = Path("/run/lastwatt-power-off")
"""Whoever may connect to it powers off the box: it reads nothing, and answers with a line."""

TAKEN = "taken"
"""What it answers when the order was queued; anything else says why it was not."""

SYNC_MOST_S = 20.0
"""A disk that takes longer than that to write out is no reason to lose the rest."""

_TO_CONTINUE = "see what it says, and try it by hand as the user that lastwatt runs as"


class LocalAccess(Settings):
    """`[device.local]`: nothing to say."""


class LocalQuiesce(Settings):
    """`quiesce`: the disks are written out."""


class LocalStop(Settings):
    """`stop`: the disks are written out, then the command is run.

    Attributes:
        command: program and arguments, one each; no shell sees them. None = what is there: the
            service manager's socket (DOOR), else POWER_OFF.
    """

    command: Annotated[
        list[Annotated[str, Field(min_length=1, max_length=1000)]] | None, Field(min_length=1)
    ] = None


class LocalDriver:
    """This very box; see the module."""

    def __init__(
        self,
        stages: Mapping[Stage, BaseModel],
        programs: Programs,
        clock: Clock,
        *,
        door: Path = DOOR,
    ) -> None:
        self._programs = programs
        self._door = door
        self._is_dry = isinstance(programs, DryPrograms)
        self._clock = clock
        stop = stages.get(Stage.STOP)
        command = stop.command if isinstance(stop, LocalStop) else []
        self._may_use_door = command is None
        self._command = POWER_OFF if command is None else tuple(command)
        self._acts = {Act.PROBE: Repeat.SAFE}
        if Stage.QUIESCE in stages:
            self._acts[Act.QUIESCE] = Repeat.SAFE
        if self._command:
            self._acts[Act.STOP] = Repeat.SAFE  # a system that goes down already goes on doing so

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return self._acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        outcome = await self._do(act, deadline_at)
        return replace(outcome, took_s=max(0.0, self._clock.monotonic() - began_at))

    async def close(self) -> None:
        """Do nothing: no program outlives its act."""

    async def _do(self, act: Act, deadline_at: float) -> Outcome:
        if act not in self._acts:
            text = f"nothing was run: this box cannot serve as {act.value}"
            return Outcome(act, Verdict.REFUSED, text, "name another driver in that table")
        if self._clock.monotonic() >= deadline_at:
            return Outcome(act, Verdict.NO_ANSWER, "no time was left to run anything")
        match act:
            case Act.PROBE:
                return self._probe()
            case Act.QUIESCE:
                return await self._sync(act, deadline_at)
            case _:
                return await self._stop(deadline_at)

    def _probe(self) -> Outcome:
        line = ("nothing; it is looked whether the program is there",)
        if not self._command:
            return Outcome(Act.PROBE, Verdict.DONE, "it is this very box", sent=line)
        if self._is_dry:
            return Outcome(Act.PROBE, Verdict.ASSUMED, "it was not looked for", sent=line)
        if self._has_door():
            text = f"the service manager listens on {self._door}; it was not connected to"
            return Outcome(Act.PROBE, Verdict.DONE, text, sent=line)
        found = shutil.which(self._command[0])
        if found is None:
            text = f"there is no program {self._command[0]} on this box"
            return Outcome(Act.PROBE, Verdict.REFUSED, text, "mend `command`", line)
        return Outcome(Act.PROBE, Verdict.DONE, f"{found} is there; it was not run", sent=line)

    async def _sync(self, act: Act, deadline_at: float) -> Outcome:
        left_s = min(SYNC_MOST_S, deadline_at - self._clock.monotonic())
        if self._is_dry:
            return Outcome(act, Verdict.ASSUMED, "nothing was written out", sent=("sync",))
        try:
            async with asyncio.timeout(left_s):
                await self._programs.sync()
        except TimeoutError:
            text = f"its disks were not written out within {left_s:.0f} s"
            return Outcome(act, Verdict.UNCERTAIN, text, "look after its disk", ("sync",))
        return Outcome(act, Verdict.DONE, "its disks are written out", sent=("sync",))

    async def _stop(self, deadline_at: float) -> Outcome:
        synced = await self._sync(Act.STOP, deadline_at)
        if self._has_door():
            return await self._knock(synced, deadline_at)
        sent = (*synced.sent, " ".join(self._command))
        left_s = deadline_at - self._clock.monotonic()
        if left_s <= 0.0:
            return replace(synced, verdict=Verdict.NO_ANSWER, advice="allow it more time")
        try:
            ran = await self._programs.run(self._command, timeout_s=left_s)
        except OSError as error:
            why = (error.strerror or "no reason given").lower()
            text = f"{self._command[0]} could not be run: {why}"
            return Outcome(Act.STOP, Verdict.REFUSED, text, "mend `command`", synced.sent)
        if self._is_dry:
            return Outcome(Act.STOP, Verdict.ASSUMED, "nothing was run", sent=sent)
        said = f": {ran.printed}" if ran.printed else ""
        if ran.status is None:
            text = f"{self._command[0]} did not end in time"
            return Outcome(Act.STOP, Verdict.UNCERTAIN, text, _TO_CONTINUE, sent)
        if ran.status != 0:
            text = f"{self._command[0]} ended with status {ran.status}{said}"
            return Outcome(Act.STOP, Verdict.REFUSED, text, _TO_CONTINUE, sent)
        text = f"{synced.evidence}; {self._command[0]} took the order{said}"
        return Outcome(Act.STOP, Verdict.DONE, text, sent=sent)

    def _has_door(self) -> bool:
        return self._may_use_door and self._door.is_socket()

    async def _knock(self, synced: Outcome, deadline_at: float) -> Outcome:
        """Connect, and take the service manager's word for it."""
        sent = (*synced.sent, f"connect {self._door}")
        if self._is_dry:
            return Outcome(Act.STOP, Verdict.ASSUMED, "nothing was connected to", sent=sent)
        try:
            async with asyncio.timeout(max(0.0, deadline_at - self._clock.monotonic())):
                said = await self._programs.connect(self._door)
        except TimeoutError:
            text = f"{self._door} did not answer in time"
            return Outcome(Act.STOP, Verdict.UNCERTAIN, text, _TO_CONTINUE, sent)
        except OSError as error:
            why = (error.strerror or "no reason given").lower()
            text = f"{self._door} could not be connected to: {why}"
            advice = "see `systemctl status lastwatt-power-off.socket`"
            return Outcome(Act.STOP, Verdict.REFUSED, text, advice, synced.sent)
        if not said:
            text = f"{self._door} ended without a word: the box may be going down"
            return Outcome(Act.STOP, Verdict.UNCERTAIN, text, _TO_CONTINUE, sent)
        if said != TAKEN:
            text = f"{self._door} did not take the order: {said}"
            return Outcome(Act.STOP, Verdict.REFUSED, text, _TO_CONTINUE, sent)
        text = f"{synced.evidence}; the service manager took the order"
        return Outcome(Act.STOP, Verdict.DONE, text, sent=sent)


def build(fitting: Fitting) -> Driver:
    """Make the driver of this box."""
    programs = DryPrograms() if fitting.dry_run else OwnPrograms()
    return LocalDriver(fitting.stages, programs, fitting.clock)


def _no_port(access: BaseModel) -> int | None:
    """Return None: nothing is reached over a network."""
    return None


KIND = DriverKind(
    name="local",
    access=LocalAccess,
    stages={Stage.QUIESCE: LocalQuiesce, Stage.STOP: LocalStop},
    build=build,
    port=_no_port,
)
"""What the registry knows of it."""
