"""Rehearsals that a running agent is asked for: each in a process of its own, ended by an outage.

What is rehearsed can neither touch the live run nor hold up its loop: it shares nothing with it but
what it was told as it began.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import structlog

import agent
from agent.config import LoadedSite
from agent.control import Ask
from agent.engine import Engine
from agent.grades.grading import Grading
from agent.moment import MomentError, moment_of
from agent.rehearsal import store
from agent.rehearsal.compare import Comparison, as_fields, compare
from agent.rehearsal.known import Known, to_text
from agent.rehearsal.result import Result, as_document, from_text
from agent.rehearsal.terms import LONGEST_S, Strength, Terms, digest_of
from drivers.base import Clock
from drivers.errors import LastwattError
from drivers.transports.threads import in_own_thread
from policies.events import Event, RehearsalBegan, RehearsalEnded
from policies.grades import Grade

log = structlog.get_logger()

PACE = 60.0
PACE_MOST = 3600.0
AHEAD_MOST = timedelta(days=2)
LINE_BYTES = 64 * 2**20
ENDS_WITHIN_S = 2.0

_PROGRESS = b'{"progress":'

Who = Callable[[Mapping[str, Any]], Any]


class RehearsalRefusedError(LastwattError):
    """No rehearsal can be begun now; its text says why."""


@dataclass(slots=True)
class Run:
    """A rehearsal under way, or the last one that was.

    Attributes:
        progress: how far it is, as JSON of a `terms.Progress`; b"" before the first report. Read as
            seldom as may be: of a large site it is large.
        seen: grows with every change.
        result: what came of it; None while it goes on, or where nothing did.
        why: how it ended, "" while it goes on.
        compared: with the one before; None where there is none.
    """

    terms: Terms
    progress: bytes = b""
    result: Result | None = None
    compared: Comparison | None = None
    why: str = ""
    seen: int = 0
    changed: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def is_over(self) -> bool:
        """Whether it has ended, one way or the other."""
        return bool(self.why)


class Rehearsals:
    """Runs one rehearsal at a time for whoever asks; the page, a command, the calendar.

    Attributes:
        run: the one under way, or the last one; None before the first.
    """

    def __init__(
        self,
        engine: Engine,
        loaded: LoadedSite,
        folder: Path,
        *,
        clock: Clock,
        grading: Grading,
        who: Who,
    ) -> None:
        """Prepare; starts nothing.

        Args:
            engine: whose state is begun with, and through which all is recorded.
            loaded: the site's file.
            folder: the state directory; results are kept there.
            clock: of the live run.
            grading: is told of the devices that were gone through.
            who: returns who asks, given a request of the control socket.
        """
        self._engine, self._loaded, self._folder = engine, loaded, folder
        self._clock, self._grading, self._who = clock, grading, who
        self._file = digest_of(loaded)
        self.run: Run | None = None
        self._task: asyncio.Task[None] | None = None
        self._process: asyncio.subprocess.Process | None = None

    # What others use

    async def start(
        self,
        *,
        who: str,
        at: str = "now",
        mains_after_s: float | None = None,
        pace: float | None = None,
        strength: Strength = Strength.LIKELY,
    ) -> Run:
        """Begin one, and return it; what comes of it is found there.

        Args:
            who: asks, for the journal.
            at: when mains fails in it: "now", "17:00", "2026-12-21 17:00"; a time of day that is
                past means tomorrow's.
            mains_after_s: when mains returns; None = once everything is at rest.
            pace: site seconds in a real one, such as `PACE`; None = as fast as can be.
            strength: of the batteries.

        Raises:
            RehearsalRefusedError: one is under way, mains is away, or it makes no sense.
        """
        self._check(mains_after_s, pace)
        utc = self._clock.utc()
        terms = Terms(store.name_at(utc), self._begins(at, utc), who, mains_after_s, pace, strength)
        run = self.run = Run(terms)
        log.info("began_rehearsal", name=terms.name, who=who)
        self._task = asyncio.create_task(self._carry(run), name="rehearsal")
        return run

    async def watch(self, run: Run) -> AsyncIterator[Run]:
        """Yield *run* at once, whenever it has come further, and once more when it is over."""
        seen = -1
        while True:
            if run.seen != seen:
                seen = run.seen
                yield run
            if run.is_over and run.seen == seen:
                return
            run.changed.clear()
            if run.seen == seen:
                await run.changed.wait()

    def names(self) -> list[str]:
        """Return the names of the rehearsals that are kept, from old to new; reads the disk."""
        return store.names(self._folder)

    def result(self, name: str | None = None) -> Result | None:
        """Return one that is kept, or the latest; None where there is none. Reads the disk."""
        return store.latest(self._folder) if name is None else store.kept(self._folder, name)

    def compared(self, name: str | None = None) -> Comparison | None:
        """Return what changed from the one before it to that one, or to the latest."""
        now = self.result(name)
        before = None if now is None else store.latest(self._folder, before=now.name)
        return None if now is None or before is None else compare(before, now)

    async def cancel(self, why: str) -> None:
        """End the one under way, if any, and wait for that."""
        self._end(why)
        if self._task is not None:
            await asyncio.wait({self._task}, timeout=ENDS_WITHIN_S)

    def hear(self, event: Event) -> None:
        """End it at once if a real outage begins."""
        if self._engine.state.outage_at is not None:
            self._end("mains has failed in truth")

    async def close(self) -> None:
        """End what is under way with the agent."""
        await self.cancel("the agent ends")
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    # Beginning

    def _check(self, mains_after_s: float | None, pace: float | None) -> None:
        if self.run is not None and not self.run.is_over:
            raise RehearsalRefusedError(
                f"a rehearsal is under way, begun by {self.run.terms.who}: one at a time"
            )
        if self._engine.state.outage_at is not None:
            raise RehearsalRefusedError("mains is away: this is no rehearsal")
        if mains_after_s is not None and not 1.0 <= mains_after_s <= LONGEST_S:
            raise RehearsalRefusedError("mains comes back after 1 s to 24 h, or when all rests")
        if pace is not None and not 1.0 <= pace <= PACE_MOST:
            raise RehearsalRefusedError(f"a pace is 1 to {PACE_MOST:.0f} times real time")

    def _begins(self, at: str, utc: datetime) -> datetime:
        try:
            begins = moment_of(at, zone=self._loaded.time_zone, now=utc, is_to_come=True)
        except MomentError as error:
            raise RehearsalRefusedError(str(error)) from error
        if not timedelta(0) <= begins - utc + timedelta(seconds=1) <= AHEAD_MOST:
            raise RehearsalRefusedError("a rehearsal begins now, or within two days")
        return begins

    # Running

    async def _carry(self, run: Run) -> None:
        terms = run.terms
        await self._engine.record(RehearsalBegan(self._clock.monotonic(), terms.name, terms.who))
        try:
            await self._through(run)
        except Exception as error:
            log.exception("failed_rehearsal")
            run.why = run.why or f"lastwatt's own code failed ({type(error).__name__})"
        finally:
            self._process = None
            run.why = run.why or "it was broken off"
            run.seen += 1
            run.changed.set()
        is_well = run.result is not None and run.result.ok
        await self._engine.record(
            RehearsalEnded(self._clock.monotonic(), terms.name, is_well, run.why)
        )
        log.info("ended_rehearsal", name=terms.name, well=is_well, why=run.why)

    async def _through(self, run: Run) -> None:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "agent.rehearsal",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            env=_environment(),
            limit=LINE_BYTES,
        )  # fmt: skip
        self._process = process
        assert process.stdin is not None and process.stdout is not None
        try:
            if run.is_over:
                return
            state, now, utc = self._engine.state, self._clock.monotonic(), self._clock.utc()
            known = Known(state, now, utc)
            process.stdin.write(
                await in_own_thread(lambda: self._request(run.terms, known), name="rehearsal")
            )
            await process.stdin.drain()
            while line := await process.stdout.readline():
                if run.is_over:
                    return
                await self._hear_line(run, line)
        except (ConnectionError, ValueError):
            run.why = run.why or "its process broke off"
        finally:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    def _request(self, terms: Terms, known: Known) -> bytes:
        said = {
            "file": str(self._loaded.path),
            "folder": str(self._folder),
            "known": to_text(known),
            "terms": {
                **asdict(terms),
                "begins": terms.begins.isoformat(),
                "strength": terms.strength.value,
            },
        }
        return json.dumps(said).encode() + b"\n"

    async def _hear_line(self, run: Run, line: bytes) -> None:
        if line.startswith(_PROGRESS):
            # Not taken apart here: the live loop has better things to do.
            run.progress = line[len(_PROGRESS) : line.rindex(b"}")].strip()
            run.seen += 1
            run.changed.set()
            return
        result, why = await in_own_thread(lambda: self._ended(line), name="rehearsal")
        if isinstance(result, str):
            run.why = result
            return
        run.result, run.compared = result, why
        for name, found in store.earned_by(result).items():
            if result.file == self._file:
                self._grading.earn(name, Grade.REHEARSED, found.evidence)
        run.why = result.sentence

    def _ended(self, line: bytes) -> tuple[Result | str, Comparison | None]:
        """Return the result that a line holds, kept, and what changed; or what went wrong."""
        said = json.loads(line)
        if "result" not in said:
            return str(said.get("error", "its process broke off")), None
        result = from_text(said["result"])
        return result, self._keep(result)

    def _keep(self, result: Result) -> Comparison | None:
        before = store.latest(self._folder, before=result.name)
        try:
            store.keep(self._folder, result)
        except OSError as error:
            log.warning("kept_no_rehearsal", why=str(error))
        return None if before is None else compare(before, result)

    def _end(self, why: str) -> None:
        run = self.run
        if run is None or run.is_over:
            return
        run.why = f"broken off: {why}"
        if self._process is not None:
            with suppress(ProcessLookupError):
                self._process.kill()

    # The control socket

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by them."""
        return {"rehearse": self._answer_rehearse, "rehearsed": self._answer_rehearsed}

    async def _answer_rehearse(self, request: dict[str, Any]) -> dict[str, Any]:
        who = await self._who(request)
        if request.get("end") is True:
            await self.cancel(f"{who} asked for it")
            return {"name": None if self.run is None else self.run.terms.name}
        if request.get("file") not in (None, self._file):
            return {"ok": False, "other_file": True, "error": _OTHER_FILE}
        at, pace, after_s = request.get("at"), request.get("pace"), request.get("mains_after_s")
        try:
            run = await self.start(
                who=who,
                at=at if isinstance(at, str) else "now",
                pace=None if pace is None else float(pace),
                mains_after_s=None if after_s is None else float(after_s),
                strength=Strength(request.get("strength", Strength.LIKELY)),
            )
        except (RehearsalRefusedError, TypeError, ValueError) as error:
            return {"ok": False, "refused": True, "error": str(error)}
        return {"name": run.terms.name, "begins": run.terms.begins.isoformat()}

    async def _answer_rehearsed(self, request: dict[str, Any]) -> dict[str, Any]:
        """Say how far the rehearsal of that name is, or what came of it; the latest without one."""
        name, run = request.get("name"), self.run
        if run is not None and name in (None, run.terms.name):
            return _as_answer(run)
        wanted = name if isinstance(name, str) else None
        result = await in_own_thread(lambda: self.result(wanted), name="rehearsal")
        if result is None:
            raise LastwattError("there is no such rehearsal; `lastwatt rehearse` runs one")
        compared = await in_own_thread(lambda: self.compared(result.name), name="rehearsal")
        return _fields(result.name, True, result.sentence, b"", result, compared)


_OTHER_FILE = "the agent runs by another version of the site's file"


def _as_answer(run: Run) -> dict[str, Any]:
    return {
        **_fields(run.terms.name, run.is_over, run.why, run.progress, run.result, run.compared),
        "begins": run.terms.begins.isoformat(),
    }


def _fields(
    name: str,
    is_over: bool,
    why: str,
    progress: bytes,
    result: Result | None,
    compared: Comparison | None,
) -> dict[str, Any]:
    return {
        "name": name,
        "done": is_over,
        "why": why,
        "progress": json.loads(progress) if progress else None,
        "result": None if result is None else as_document(result),
        "compared": None if compared is None else as_fields(compared),
    }


def _environment() -> dict[str, str]:
    """The agent's own, in which its code is found however it was started."""
    home = str(Path(agent.__path__[0]).parent)
    path = os.pathsep.join(filter(None, (home, os.environ.get("PYTHONPATH", ""))))
    return {**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1"}
