"""The journal in memory: what it took survives a kill exactly as far as the real one's would.

What was committed is durable; what was only noted goes with the next commit, or after five
seconds, as `agent.journal.writer` has it. A disk may be full, or slow: then a commit answers no,
at once or after half a second, and what it was given stays in memory until the disk takes it.
Only durations are simulated; entries are encoded, decoded and folded by the journal's own code.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from agent.journal.codec import VERSION, encode, kind_of
from agent.journal.file import SNAPSHOTS_KEPT, Row, Snapshot
from agent.journal.recall import Memory, Recalled
from agent.journal.writer import LIMIT_S, NOTES_WAIT_S, RETRY_S
from agent.simulation.scenario import Scenario, is_in
from policies.events import AgentEnded, Event
from policies.model import Site
from policies.state import SiteState


@dataclass(slots=True)
class _Entry:
    """One event or state, when it was put in, and from when on it is durable."""

    held: Event | SiteState
    at: float
    utc: datetime
    monotonic: float
    boot: str
    durable_at: float = math.inf


class Disk:
    """What outlives the agent: entries in order, each durable from a moment on.

    Attributes:
        estimates: what is known of each unit's battery; there at once unless the disk is full.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self.entries: list[_Entry] = []
        self.estimates: dict[str, bytes] = {}
        self._first_open = 0
        self._busy_until = 0.0

    def take_up(self, state: SiteState, *, at: float, utc: datetime) -> None:
        """Begin with what an agent knew that ended at site time *at*; before anything else."""
        assert not self.entries
        for held in (AgentEnded(at, "what follows is gone through apart from it"), state):
            self.entries.append(_Entry(held, 0.0, utc, at, "before", durable_at=0.0))
        self._first_open = len(self.entries)

    def append(self, entry: _Entry) -> None:
        """Queue an entry behind all others."""
        self.entries.append(entry)

    def flush(self, now: float) -> float:
        """Write all that is queued from *now* on, and return when it is durable."""
        done_at = self._writable_at(max(now, self._busy_until))
        if is_in(self._scenario.disk_slow, done_at):
            done_at += self._scenario.disk_s
        self._busy_until = done_at
        for entry in self.entries[self._first_open :]:
            entry.durable_at = done_at
        self._first_open = len(self.entries)
        return done_at

    def is_full(self, now: float) -> bool:
        """Whether nothing can be written now."""
        return is_in(self._scenario.disk_full, now)

    def _writable_at(self, at: float) -> float:
        for begin, end in self._scenario.disk_full:
            if begin <= at < end:
                return end + RETRY_S
        return at

    def tidy(self, now: float) -> None:
        """Write notes that have waited long enough by *now*."""
        if self._first_open < len(self.entries):
            due_at = self.entries[self._first_open].at + NOTES_WAIT_S
            if due_at <= now:
                late = [e for e in self.entries[self._first_open :] if e.at > due_at]
                self.flush(due_at)
                for entry in late:
                    entry.durable_at = math.inf
                self._first_open = len(self.entries) - len(late)
                self.tidy(now)

    def lose(self, now: float) -> None:
        """The agent dies: what is not durable by *now* never was."""
        self.tidy(now)
        self.entries = [entry for entry in self.entries if entry.durable_at <= now]
        self._first_open = len(self.entries)
        self._busy_until = now

    def recall(self, site: Site, *, now_utc: datetime, monotonic: float, boot: str) -> Recalled:
        """Return what the journal folds to, by the journal's own code."""
        rows: list[Row] = []
        snapshots: list[Snapshot] = []
        for entry in self.entries:
            utc = _rfc3339(entry.utc)
            if isinstance(entry.held, SiteState):
                body = encode(entry.held)
                snapshots.append(Snapshot(len(rows), VERSION, utc, False, body))
                continue
            kind, body = kind_of(type(entry.held)), encode(entry.held)
            event_at = entry.held.at
            rows.append(
                Row(
                    len(rows) + 1, VERSION, entry.boot, entry.monotonic, event_at, utc, True,
                    False, kind, body,
                )
            )  # fmt: skip
        memory = Memory(site, dry=False, troubles=())
        memory.read_entries(snapshots[-SNAPSHOTS_KEPT:][::-1], rows)
        return memory.recalled(now_utc=now_utc, now_monotonic=monotonic, boot=boot, set_aside=None)


class MemoryKeeper:
    """What one run of the agent writes to a disk by; after its death it takes nothing."""

    def __init__(
        self,
        disk: Disk,
        *,
        utc: Callable[[], datetime],
        monotonic: Callable[[], float],
        boot: str,
        on_write: Callable[[bool], bool],
    ) -> None:
        """Prepare.

        Args:
            disk: what is written to.
            utc: wall time.
            monotonic: raw monotonic time of this boot, in s.
            boot: its id.
            on_write: asked before (False) and after (True) a commit is durable whether the agent
                has died of it.
        """
        self._disk = disk
        self._utc = utc
        self._monotonic = monotonic
        self._boot = boot
        self._on_write = on_write
        self.is_dead = False
        self.has_failed = False

    async def commit(self, *events: Event) -> bool:
        """Make events durable; see agent.journal.journal.Journal."""
        await self._live(self._on_write(False))
        loop = asyncio.get_running_loop()
        began_at = loop.time()
        self._put(*events)
        self._disk.tidy(began_at)
        is_full = self._disk.is_full(began_at)
        done_at = self._disk.flush(began_at)
        wait_s = min(LIMIT_S, done_at - began_at)
        is_late = done_at - began_at > LIMIT_S
        if is_late and (is_full or self.has_failed):
            wait_s = 0.0  # an error comes at once; behind one nobody waits as long again
        self.has_failed = is_late
        if wait_s > 0.0:
            await asyncio.sleep(wait_s)
        await self._live(self._on_write(True))
        return not is_late

    def note(self, *events: Event) -> None:
        """Take events that go with the next commit."""
        if not self.is_dead:
            self._disk.tidy(asyncio.get_running_loop().time())
            self._put(*events)

    def rest(self, is_to_rest: bool) -> None:
        """Do nothing: a simulated file is always whole."""

    def snapshot(self, state: SiteState) -> None:
        """Take a state that holds every event given so far."""
        if not self.is_dead:
            self._put(state)

    def keep_estimate(self, unit: str, body: Callable[[], bytes] | None) -> None:
        """Keep what is known of a unit's battery; None = forget it."""
        if self.is_dead or self._disk.is_full(asyncio.get_running_loop().time()):
            return
        if body is None:
            self._disk.estimates.pop(unit, None)
        else:
            self._disk.estimates[unit] = body()

    def _put(self, *held: Event | SiteState) -> None:
        at, utc, monotonic = asyncio.get_running_loop().time(), self._utc(), self._monotonic()
        for each in held:
            self._disk.append(_Entry(each, at, utc, monotonic, self._boot))

    async def _live(self, has_died: bool) -> None:
        if has_died or self.is_dead:
            await asyncio.get_running_loop().create_future()  # the dead never go on


def _rfc3339(utc: datetime) -> str:
    return utc.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
