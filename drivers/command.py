"""Devices reached by a program of the owner's own, run on the box that lastwatt runs on.

The program is a fixed list of arguments and sees no shell. Its exit status says what came of it; it
gets no secret in its arguments, where every user of the box could read it, but in its input.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, Field, SecretStr

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.settings import Duration, Secret, Settings
from drivers.transports.programs import DryPrograms, OwnPrograms, Programs

_MASK = "***"


def _absolute(words: list[str]) -> list[str]:
    if not words[0].startswith("/"):
        raise ValueError(
            f'write the whole path of the program: "/usr/local/bin/{words[0]}"; where a service '
            "looks for programs is not where you do"
        )
    return words


_Words = Annotated[
    list[Annotated[str, Field(min_length=1, max_length=1000)]],
    Field(min_length=1, max_length=100),
    AfterValidator(_absolute),
]


class CommandAccess(Settings):
    """`[device.command]`.

    Attributes:
        secret: written to the input of every program, on one line.
    """

    secret: Secret | None = None


class Run(Settings):
    """`stop`: the program to run.

    Attributes:
        run: its whole path and its arguments.
        done: exit statuses that mean done.
        repeat: how it may be repeated when nobody knows whether it took effect.
    """

    run: _Words
    done: list[Annotated[int, Field(ge=0, le=255)]] = Field(default=[0], min_length=1)
    repeat: Literal["safe", "look first", "never"] = "look first"


class ConfirmedRun(Run):
    """`quiesce` or `start`: the program to run, and what says whether it took effect.

    Attributes:
        confirm: a program whose exit status 0 says yes, 1 not yet.
        every: how often that is run.
    """

    confirm: _Words | None = None
    every: Annotated[Duration, Field(gt=0)] = 2.0


class Verify(Settings):
    """`verify`: programs whose exit status 0 says that the device is gone, or runs; 1 not yet.

    Attributes:
        every: how often they are run.
    """

    gone: _Words | None = None
    running: _Words | None = None
    every: Annotated[Duration, Field(gt=0)] = 2.0


@dataclass(frozen=True, slots=True)
class _Task:
    """A program for an act.

    Attributes:
        every_s: how often it is run until it says yes; None = once.
    """

    words: tuple[str, ...]
    done: frozenset[int]
    repeat: Repeat
    every_s: float | None = None


_CONFIRMS = {Stage.QUIESCE: Act.CONFIRM_QUIESCED, Stage.START: Act.CONFIRM_RUNNING}
_ACTS = {Stage.QUIESCE: Act.QUIESCE, Stage.STOP: Act.STOP, Stage.START: Act.START}
_LOOK_S = 10.0
"""Longest that one look of a series may take."""


class CommandDriver:
    """One device behind a program; see the module."""

    def __init__(
        self,
        stages: Mapping[Stage, BaseModel],
        programs: Programs,
        clock: Clock,
        *,
        secret: SecretStr | None = None,
    ) -> None:
        self._programs = programs
        self._is_dry = isinstance(programs, DryPrograms)
        self._clock = clock
        self._secret = secret  # as it came, so that no `repr` shows it
        self._tasks: dict[Act, _Task] = {}
        for stage, settings in stages.items():
            self._plan(stage, settings)

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return {Act.PROBE: Repeat.SAFE, **{act: task.repeat for act, task in self._tasks.items()}}

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        if act is Act.PROBE:
            outcome = self._probe()
        elif act not in self._tasks:
            text = f"nothing was run: the file gives command nothing to do for {act.value}"
            outcome = Outcome(act, Verdict.REFUSED, text, "add it to the tables of this device")
        else:
            outcome = await self._do(act, self._tasks[act], deadline_at)
        return replace(outcome, took_s=max(0.0, self._clock.monotonic() - began_at))

    async def close(self) -> None:
        """Do nothing: no program outlives its act."""

    def _plan(self, stage: Stage, settings: BaseModel) -> None:
        if isinstance(settings, Run):
            done, repeat = frozenset(settings.done), Repeat(settings.repeat)
            self._tasks[_ACTS[stage]] = _Task(tuple(settings.run), done, repeat)
        if isinstance(settings, ConfirmedRun):
            self._look(_CONFIRMS[stage], settings.confirm, settings.every)
        if isinstance(settings, Verify):
            self._look(Act.CONFIRM_GONE, settings.gone, settings.every)
            self._look(Act.CONFIRM_RUNNING, settings.running, settings.every)

    def _look(self, act: Act, words: list[str] | None, every_s: float) -> None:
        if words is not None:
            self._tasks[act] = _Task(tuple(words), frozenset({0}), Repeat.SAFE, every_s)

    def _probe(self) -> Outcome:
        """Look whether the programs are there; none is run, as nobody knows what it does."""
        line = ("nothing; it is looked whether the programs are there",)
        if self._is_dry:
            return Outcome(Act.PROBE, Verdict.ASSUMED, "they were not looked for", sent=line)
        names = dict.fromkeys(task.words[0] for task in self._tasks.values())
        lacking = [name for name in names if shutil.which(name) is None]
        if lacking:
            text = f"there is no such program on this box: {', '.join(lacking)}"
            advice = "put it there, and let the user that lastwatt runs as execute it"
            return Outcome(Act.PROBE, Verdict.REFUSED, text, advice, line)
        text = f"{', '.join(names) or 'nothing'} is there; none was run"
        return Outcome(Act.PROBE, Verdict.DONE, text, sent=line)

    async def _do(self, act: Act, task: _Task, deadline_at: float) -> Outcome:
        while True:
            left_s = deadline_at - self._clock.monotonic()
            if left_s <= 0.0:
                return Outcome(act, Verdict.NO_ANSWER, "no time was left to run anything")
            within_s = left_s if task.every_s is None else min(left_s, _LOOK_S)
            outcome = await self._run(act, task, within_s)
            left_s = deadline_at - self._clock.monotonic()
            if task.every_s is None or outcome.verdict is not Verdict.NOT_YET:
                return outcome
            if left_s <= task.every_s:
                return outcome
            await self._clock.sleep(task.every_s)

    async def _run(self, act: Act, task: _Task, within_s: float) -> Outcome:
        name, is_look = task.words[0].rpartition("/")[2], task.every_s is not None
        secret = self._secret.get_secret_value() if self._secret is not None else ""
        sent = (" ".join(task.words) + (f" < {_MASK}" if secret else ""),)
        try:
            line = f"{secret}\n".encode() if secret else b""
            ran = await self._programs.run(task.words, timeout_s=within_s, given=line)
        except OSError as error:
            why = (error.strerror or "no reason given").lower()
            text = f"{name} could not be run: {why}"
            return Outcome(act, Verdict.REFUSED, text, "mend the program, or its path")
        if self._is_dry:
            return Outcome(act, Verdict.ASSUMED, "nothing was run: dry run", sent=sent)
        printed = ran.printed.replace(secret, _MASK) if secret else ran.printed
        said = f'; it printed "{printed}"' if printed else ""
        if ran.status is None:
            text = f"{name} did not end in {within_s:.1f} s, and was ended"
            return Outcome(act, Verdict.NO_ANSWER if is_look else Verdict.UNCERTAIN, text, "", sent)
        text = f"{name} ended with status {ran.status}{said}"
        if ran.status in task.done:
            return Outcome(act, Verdict.DONE, text, sent=sent)
        if is_look and ran.status == 1:
            return Outcome(act, Verdict.NOT_YET, text, sent=sent)
        advice = "run it by hand, as the user that lastwatt runs as"
        if ran.status < 0:  # a signal ended it in the midst of what it did
            return Outcome(act, Verdict.UNCERTAIN, text, advice, sent)
        return Outcome(act, Verdict.REFUSED, text, advice, sent)


def build(fitting: Fitting) -> Driver:
    """Make the driver of one device."""
    access = fitting.access
    assert isinstance(access, CommandAccess)
    programs = DryPrograms() if fitting.dry_run else OwnPrograms()
    return CommandDriver(fitting.stages, programs, fitting.clock, secret=access.secret)


def _no_port(access: BaseModel) -> int | None:
    """Return None: only the program knows how the device is reached."""
    return None


KIND = DriverKind(
    name="command",
    access=CommandAccess,
    stages={
        Stage.QUIESCE: ConfirmedRun,
        Stage.STOP: Run,
        Stage.START: ConfirmedRun,
        Stage.VERIFY: Verify,
    },
    build=build,
    port=_no_port,
)
"""What the registry knows of it."""
