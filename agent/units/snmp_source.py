"""Readings of a backup unit by RFC 1628 over SNMP: what the unit has is learnt, then polled."""

from __future__ import annotations

from collections import deque
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import structlog

from agent.errors import BackupUnitError, UnitTrouble
from agent.units import rfc1628
from agent.units.source import UnitIdentity
from drivers.base import Clock
from drivers.errors import DeviceRefusedError, DeviceSilentError, DriverError
from drivers.transports.snmp import SnmpPeer
from drivers.transports.snmp_values import SYS_UP_TIME, Oid, Status, Value, dotted
from policies.model import OutputSource, Reading

log = structlog.get_logger()

_BATCH_MOST = 32
_BATCH_LEAST = 4
"""So many objects fit into the 484 octets that every unit must manage (RFC 3417 section 3.2)."""
_RELEARN_S = 600.0
"""How long a unit that lacks something is believed to lack it: some of them wake up slowly."""
_SILENCES_DOUBTED = 2

_Got = TypeVar("_Got")
Values = dict[Oid, Value]


class UnitNoticeKind(StrEnum):
    """What may be worth telling somebody about how a unit is read."""

    ENGINE_ID_CHANGED = "engine id changed"
    AGENT_RESTARTED = "agent restarted"


@dataclass(frozen=True, slots=True)
class UnitNotice:
    """Something that happened to what speaks for the unit; its text is for people."""

    unit: str
    kind: UnitNoticeKind
    text: str


@dataclass(frozen=True, slots=True)
class _Learnt:
    """What a unit has: the instances that a poll asks for, and the names of what it lacks."""

    polled: tuple[Oid, ...]
    missing: tuple[str, ...]
    at: float


@dataclass(slots=True)
class _Seen:
    """What the last answer said, to notice changes by."""

    at: float | None = None
    uptime_s: float | None = None
    engine_id: bytes | None = None


class SnmpSource:
    """A `Source` for one backup unit that speaks RFC 1628."""

    def __init__(
        self,
        peer: SnmpPeer,
        *,
        unit: str,
        clock: Clock,
        output_sources: Mapping[int, OutputSource] | None = None,
        on_notice: Callable[[UnitNotice], None] = lambda notice: None,
    ) -> None:
        """Prepare; nothing is sent.

        Args:
            peer: who is asked; its settings say how long one answer may take, and how many tries.
            unit: the unit's name, for readings and errors.
            clock: what deadlines and readings are timed by.
            output_sources: what the unit's own numbers of upsOutputSource mean.
            on_notice: called on the loop where something is to be told; must not block.
        """
        self._peer = peer
        self._unit = unit
        self._clock = clock
        self._output_sources = dict(output_sources or {})
        self._on_notice = on_notice
        self._batch = _BATCH_MOST
        self._learnt: _Learnt | None = None
        self._fits = False
        self._gone: set[Oid] = set()
        self._missing: tuple[str, ...] = ()
        self._seen = _Seen()
        self._silences = 0

    async def read(self, *, deadline_at: float) -> Reading:
        """Return a reading taken now; what the unit has is learnt first, where it is not known."""
        return await self._translated(self._read(deadline_at))

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        """Return what the unit says of itself, and what it lacks."""
        return await self._translated(self._identify(deadline_at))

    async def close(self) -> None:
        """Do nothing: the sockets are the hub's."""

    async def _read(self, deadline_at: float) -> Reading:
        learnt = self._learnt
        if learnt is None or self._is_stale(learnt):
            learnt = await self._learn(deadline_at)
        values = await self._fetch(learnt.polled, deadline_at, is_learning=not self._fits)
        self._fits = True
        if not _has_any(values):
            self._learnt = None
            raise self._nothing_there()
        at = self._now()
        rows = await self._alarm_rows(values, deadline_at)
        reading = rfc1628.decode_reading(
            values, rows, unit=self._unit, at=at, output_sources=self._output_sources
        )
        self._notice_changes(reading)
        return reading

    async def _identify(self, deadline_at: float) -> UnitIdentity:
        learnt = await self._learn(deadline_at)
        asked = (SYS_UP_TIME, rfc1628.NUM_LINES, *rfc1628.STATIC.values())
        batch = self._batch
        try:
            values = await self._fetch(asked, deadline_at, is_learning=True)
        finally:
            self._batch = batch  # these are long texts: what they need says nothing of a poll
        lacking = [name for name, oid in rfc1628.STATIC.items() if values.get(oid) is None]
        engine_id = self._peer.engine_id
        return rfc1628.decode_identity(
            values,
            missing=(*learnt.missing, *lacking),
            engine_id=None if engine_id is None else engine_id.hex(),
        )

    # Learning

    async def _learn(self, deadline_at: float) -> _Learnt:
        """Find out which objects the unit has. The first question is small: it may be all alone."""
        values = await self._fetch((SYS_UP_TIME,), deadline_at)
        self._gone.clear()
        self._batch = min(_BATCH_MOST, 2 * self._batch)
        asked = (*rfc1628.POLLED.values(), rfc1628.NUM_LINES, *rfc1628.line_oids([1]))
        values |= await self._fetch(asked, deadline_at, is_learning=True)
        lines = rfc1628.decode_lines(values.pop(rfc1628.NUM_LINES))
        further = rfc1628.line_oids(range(2, (lines or 1) + 1))
        values |= await self._fetch(further, deadline_at, is_learning=True)
        if not _has_lines(values):
            values |= await self._walk_lines(deadline_at)
        if not _has_any(values):
            raise self._nothing_there()
        polled = tuple(oid for oid, value in values.items() if value is not None)
        missing = tuple(_missing(polled))
        tell = log.debug if self._learnt is not None and missing == self._missing else log.info
        tell("learnt_unit", unit=self._unit, missing=missing)
        self._missing = missing
        self._learnt, self._fits = _Learnt(polled, missing, self._now()), False
        return self._learnt

    def _is_stale(self, learnt: _Learnt) -> bool:
        lacks = bool(learnt.missing or self._gone)
        return lacks and self._now() >= learnt.at + _RELEARN_S

    def _nothing_there(self) -> BackupUnitError:
        return BackupUnitError(
            f'unit "{self._unit}": it answers over SNMP, but has no object of the standard UPS MIB '
            f"({dotted(rfc1628.UPS)})",
            trouble=UnitTrouble.GARBLED,
            advice="check that the address is the unit's, that its card supports RFC 1628, and "
            "that these credentials may read it",
        )

    async def _walk_lines(self, deadline_at: float) -> Values:
        """Look for output lines that are numbered otherwise than from 1."""
        found: Values = {}
        for column in rfc1628.COLUMNS.values():
            found |= await self._peer.column(
                column, most=rfc1628.LINES_MOST, within_s=self._left_s(deadline_at)
            )
        return found

    # Asking

    async def _fetch(
        self, oids: Sequence[Oid], deadline_at: float, *, is_learning: bool = False
    ) -> Values:
        """Return every object asked for with its value, None where the unit has none to give.

        Each turn either settles an object or halves what is asked at once, so the number of
        requests is bounded by that of the objects.
        """
        values: Values = dict.fromkeys(oids)
        known = [oid for oid in oids if oid not in self._gone]
        waiting = deque(self._batches(known))
        while waiting:
            batch = waiting.popleft()
            try:
                answer = await self._peer.get(batch, within_s=self._left_s(deadline_at))
            except DeviceSilentError:
                # What does not fit is sometimes not even refused (RFC 3416 section 4.2.1).
                if not is_learning or len(batch) <= _BATCH_LEAST:
                    raise
                waiting.extendleft(reversed(self._halved(batch)))
                continue
            if answer.status == 0:
                values.update(answer.values)
            elif 0 < answer.index <= len(batch) and answer.status != Status.TOO_BIG:
                if rest := self._without(batch, answer.index - 1, answer.status):
                    waiting.appendleft(rest)
            elif len(batch) > 1:
                waiting.extendleft(reversed(self._halved(batch)))
        return values

    def _batches(self, oids: Sequence[Oid]) -> list[Sequence[Oid]]:
        return [oids[at : at + self._batch] for at in range(0, len(oids), self._batch)]

    def _halved(self, batch: Sequence[Oid]) -> list[Sequence[Oid]]:
        self._batch = max(1, min(self._batch, (len(batch) + 1) // 2))
        return self._batches(batch)

    def _without(self, batch: Sequence[Oid], named: int, status: int) -> Sequence[Oid]:
        """Return the batch less what the answer named; version 1 gives nothing else with it.

        What does not exist is not asked again until learnt anew; what merely failed is.
        """
        if status == Status.NO_SUCH_NAME:
            self._gone.add(batch[named])
        return [*batch[:named], *batch[named + 1 :]]

    async def _alarm_rows(self, values: Values, deadline_at: float) -> list[Value] | None:
        """Return the alarm rows, None where there is no need, or they did not come in time.

        Without them the reading is still worth having.
        """
        present = values.get(rfc1628.POLLED["upsAlarmsPresent"])
        if present == 0:
            return []
        most = rfc1628.ALARM_ROWS_MOST
        if isinstance(present, int):
            most = min(most, max(1, present) + 1)  # one more than due, to see that there is none
        try:
            rows = await self._peer.column(
                rfc1628.ALARM_DESCR,
                most=most,
                within_s=self._left_s(deadline_at),
            )
        except DriverError as error:
            log.debug("missed_alarms", unit=self._unit, why=str(error))
            return None
        return [value for _, value in rows]

    def _left_s(self, deadline_at: float) -> float:
        return max(0.0, deadline_at - self._now())

    def _now(self) -> float:
        return self._clock.monotonic()

    # Noticing

    def _notice_changes(self, reading: Reading) -> None:
        seen, self._seen = (
            self._seen,
            _Seen(
                at=reading.at,
                uptime_s=reading.uptime_s,
                engine_id=self._peer.engine_id,
            ),
        )
        if None not in (seen.engine_id, self._seen.engine_id) and (
            seen.engine_id != self._seen.engine_id
        ):
            self._tell(
                UnitNoticeKind.ENGINE_ID_CHANGED,
                "its SNMPv3 engine ID has changed: its management card was swapped or reset; if "
                "nobody did that, look who answers there",
            )
            self._learnt = None
        if (
            seen.at is not None
            and seen.uptime_s is not None
            and reading.uptime_s is not None
            and rfc1628.has_restarted(
                before_s=seen.uptime_s,
                now_s=reading.uptime_s,
                elapsed_s=reading.at - seen.at,
            )
        ):
            self._tell(
                UnitNoticeKind.AGENT_RESTARTED,
                "its SNMP agent has restarted: its counters begin anew, and a countdown that was "
                "running in it may be lost",
            )
            self._learnt = None

    def _tell(self, kind: UnitNoticeKind, text: str) -> None:
        self._on_notice(UnitNotice(self._unit, kind, f'unit "{self._unit}": {text}'))

    async def _translated(self, asking: Awaitable[_Got]) -> _Got:
        """Return what *asking* gives, its errors in the agent's own words."""
        try:
            got = await asking
        except DriverError as error:
            raise self._error(error) from error
        self._silences = 0
        return got

    def _error(self, error: DriverError) -> BackupUnitError:
        trouble = UnitTrouble.GARBLED
        if isinstance(error, DeviceSilentError):
            trouble = UnitTrouble.SILENT
            self._silences += 1
            if self._silences >= _SILENCES_DOUBTED:
                self._learnt = None
        elif isinstance(error, DeviceRefusedError):
            trouble = UnitTrouble.REFUSED
        # The transports write "where: what; what to do".
        what, _, advice = str(error).partition("; ")
        return BackupUnitError(f'unit "{self._unit}": {what}', trouble=trouble, advice=advice)


def _has_any(values: Values) -> bool:
    """Return whether any object of the standard UPS MIB is there."""
    ups = rfc1628.UPS
    return any(value is not None and oid[: len(ups)] == ups for oid, value in values.items())


def _has_lines(values: Values) -> bool:
    columns = rfc1628.COLUMNS.values()
    return any(value is not None and oid[:-1] in columns for oid, value in values.items())


def _missing(polled: Sequence[Oid]) -> list[str]:
    """Return the names of what every poll would ask for, were it there."""
    missing = [name for name, oid in rfc1628.POLLED.items() if oid not in polled]
    for name, column in rfc1628.COLUMNS.items():
        if not any(oid[:-1] == column for oid in polled):
            missing.append(name)
    return missing
