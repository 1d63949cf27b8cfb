"""The contract between the agent and a driver: acts in, outcomes with evidence out.

A driver speaks one language with one device. It never hangs (each act ends by its deadline), never
raises past its door (`perform` returns an Outcome whatever happens; cancellation alone passes
through), and knows nothing of why it is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol, runtime_checkable

from pydantic import BaseModel


class Stage(StrEnum):
    """A table of a device in the site's file; each names a driver and that driver's settings."""

    QUIESCE = "quiesce"
    STOP = "stop"
    STOP_ELSE = "stop else"  # the second table of a list under `stop`; its driver sees it as STOP
    CUT = "cut"  # the same where its driver cuts power at the feed; see drivers.feed_cut
    VERIFY = "verify"
    START = "start"


class Act(StrEnum):
    """One thing a driver can be asked to do."""

    PROBE = "probe"  # read-only: reach it, log in, change nothing
    PREPARE = "prepare"  # connect ahead of the next act, and hold on for minutes; change nothing
    REMEMBER = "remember"  # read what the next act changes, for RESTORE or START; change nothing
    QUIESCE = "quiesce"
    CONFIRM_QUIESCED = "confirm_quiesced"
    STOP = "stop"
    CONFIRM_GONE = "confirm_gone"
    START = "start"
    CONFIRM_RUNNING = "confirm_running"
    RESTORE = "restore"  # undo what quiesced it
    CUT = "cut"  # take its power away at the feed, after its stop failed; see drivers.feed_cut
    UNCUT = "uncut"  # give that power back


class Repeat(StrEnum):
    """How an act may be repeated when nobody knows whether it took effect."""

    SAFE = "safe"  # again is harmless
    LOOK_FIRST = "look first"  # ask the device's state, then decide
    NEVER = "never"


class Verdict(StrEnum):
    """What came of an act."""

    DONE = "done"  # the evidence shows it
    NOT_YET = "not yet"  # the device was heard, and the state asked about is not there
    UNCERTAIN = "uncertain"  # the conversation broke off after something was sent: look
    NO_ANSWER = "no answer"
    REFUSED = "refused"  # it said no; the same request again will be refused again
    GARBLED = "garbled"  # it answered, but not what this language allows
    ASSUMED = "assumed"  # dry run: nothing was sent


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one act.

    Attributes:
        evidence: one sentence that says what was seen; holds no secret.
        advice: what a person should mend, or "" where nothing is amiss.
        sent: what went over the wire (or would have, in dry run), in order, one exchange a line,
            each secret masked as "***" and each thing only a reply could supply as "<name>".
        took_s: seconds from the call to the outcome, >= 0.
        was: of REMEMBER: what the device is set to, in the driver's own words, without a secret; it
            is kept until it is undone, and given back by `Remembering.recall`.
    """

    act: Act
    verdict: Verdict
    evidence: str
    advice: str = ""
    sent: tuple[str, ...] = ()
    took_s: float = 0.0
    was: str = ""


class Clock(Protocol):
    """The only source of time outside policies."""

    def monotonic(self) -> float:
        """Return the site time in s: it never runs backwards, and is what deadlines mean."""
        ...

    def utc(self) -> datetime:
        """Return the wall time, aware and in UTC; for people only."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Return after that many seconds of site time."""
        ...


class Driver(Protocol):
    """One device spoken with in one language."""

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this driver can do for this device as configured, and how each may be repeated."""
        ...

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at* (Clock.monotonic, s).

        An act that is not in `acts` gives Verdict.REFUSED, never an exception.
        """
        ...

    async def close(self) -> None:
        """Let go of every connection; safe to call twice, returns within a second."""
        ...


@runtime_checkable
class Remembering(Protocol):
    """A driver that puts back exactly what it found: one that can REMEMBER."""

    def recall(self, was: str) -> None:
        """Take what the device was set to before it was changed; the next undoing puts that back.

        It comes from an earlier outcome's `was`, perhaps of another process.
        """
        ...


@dataclass(frozen=True, slots=True)
class Fitting:
    """Everything that a driver is built from.

    Attributes:
        device: the device's name, for evidence and logs.
        address: its address or host name; may be "" for drivers that need none.
        access: the device's own table named after the driver (login, port, pins), validated.
        stages: the stage tables that name this driver, validated by its `stage` model.
        dry_run: write down what would be sent, send nothing, end each act as ASSUMED.
    """

    device: str
    address: str
    access: BaseModel
    stages: Mapping[Stage, BaseModel]
    clock: Clock
    dry_run: bool = False


def _never(_: BaseModel) -> bool:
    return False


@dataclass(frozen=True, slots=True)
class DriverKind:
    """A device language as the registry knows it.

    Attributes:
        name: what `driver = "…"` says in the site's file; also the name of the access table.
        access: pydantic model of the access table (`extra="forbid"`, frozen, strict).
        stages: the stages it can serve, each with the pydantic model of that stage's table
            (without `driver` and `takes`, which the file's own model keeps).
        port: the TCP port that a fitting's device would be reached at, or None; what the default
            verification watches.
        build: makes the driver, and its transport, without any I/O.
        cuts: its stop takes power away at the feed, and that outlasts a power cycle until its start
            undoes it; a stop by such a driver is started and verified by it, where the file does
            not say otherwise. The file may say otherwise of this too: `cuts` of a stop table.
        restores: whether a driver with that quiesce table can RESTORE.
        feeder: key of the access table for the address of whatever feeds the device, or "". Where
            there is one, what the access table lacks is taken from the table of the same name of
            the device that feeds this one.
    """

    name: str
    access: type[BaseModel]
    stages: Mapping[Stage, type[BaseModel]]
    build: Callable[[Fitting], Driver]
    port: Callable[[BaseModel], int | None]
    cuts: bool = False
    restores: Callable[[BaseModel], bool] = _never
    feeder: str = ""
