"""RFC 1628, the standard UPS MIB: its objects, and what their values mean. No I/O.

Names and numbers are those of RFC 1628, sections 4.1 to 4.9; the text of a doubt is kept free of
numbers that change from poll to poll, so that the same doubt reads the same.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import IntEnum
from typing import TypeVar

from agent.units.source import UnitIdentity
from drivers.transports.snmp_values import SYS_UP_TIME, Oid, Value
from policies.model import Alarm, BatteryStatus, OutputSource, Reading

UPS: Oid = (1, 3, 6, 1, 2, 1, 33)
TRAPS: Oid = (*UPS, 2)
ALARM_DESCR: Oid = (*UPS, 1, 6, 2, 1, 2)
WELL_KNOWN_ALARMS: Oid = (*UPS, 1, 6, 3)
ALARM_ROWS_MOST = 48
"""Twice the well-known alarms; a table that is longer is not read to its end."""
LINES_MOST = 12

STATIC: dict[str, Oid] = {
    "upsIdentManufacturer": (*UPS, 1, 1, 1, 0),
    "upsIdentModel": (*UPS, 1, 1, 2, 0),
    "upsIdentUPSSoftwareVersion": (*UPS, 1, 1, 3, 0),
    "upsIdentAgentSoftwareVersion": (*UPS, 1, 1, 4, 0),
    "upsIdentName": (*UPS, 1, 1, 5, 0),
    "upsIdentAttachedDevices": (*UPS, 1, 1, 6, 0),
    "upsConfigOutputVA": (*UPS, 1, 9, 5, 0),
    "upsConfigOutputPower": (*UPS, 1, 9, 6, 0),
    "upsConfigLowBattTime": (*UPS, 1, 9, 7, 0),
}
"""What changes only when a person changes it."""

NUM_LINES: Oid = (*UPS, 1, 4, 3, 0)
"""upsOutputNumLines."""

POLLED: dict[str, Oid] = {
    "upsBatteryStatus": (*UPS, 1, 2, 1, 0),
    "upsSecondsOnBattery": (*UPS, 1, 2, 2, 0),
    "upsEstimatedMinutesRemaining": (*UPS, 1, 2, 3, 0),
    "upsEstimatedChargeRemaining": (*UPS, 1, 2, 4, 0),
    "upsBatteryVoltage": (*UPS, 1, 2, 5, 0),
    "upsInputLineBads": (*UPS, 1, 3, 1, 0),
    "upsOutputSource": (*UPS, 1, 4, 1, 0),
    "upsAlarmsPresent": (*UPS, 1, 6, 1, 0),
}
"""What every poll asks for, beside sysUpTime and the columns."""

COLUMNS: dict[str, Oid] = {
    "upsOutputPower": (*UPS, 1, 4, 4, 1, 4),
    "upsOutputPercentLoad": (*UPS, 1, 4, 4, 1, 5),
}
"""What every poll asks for of each output line; the line's number is the last arc."""

CONTROL: dict[str, Oid] = {
    "upsShutdownType": (*UPS, 1, 8, 1, 0),
    "upsShutdownAfterDelay": (*UPS, 1, 8, 2, 0),
    "upsStartupAfterDelay": (*UPS, 1, 8, 3, 0),
    "upsRebootWithDuration": (*UPS, 1, 8, 4, 0),
    "upsAutoRestart": (*UPS, 1, 8, 5, 0),
}
"""What switches its output; the only objects that are ever written."""

ALARMS: dict[Oid, Alarm] = {
    (*WELL_KNOWN_ALARMS, number): alarm for number, alarm in enumerate(Alarm, start=1)
}

TRAP_NAMES: dict[int, str] = {
    1: "upsTrapOnBattery",
    2: "upsTrapTestCompleted",
    3: "upsTrapAlarmEntryAdded",
    4: "upsTrapAlarmEntryRemoved",
}

MINUTES_ABSURD = 65535
"""The largest number of 16 bits, and an estimate of more than six weeks."""
_UPTIME_WRAP_S = 2**32 / 100.0
_DIGITS = re.compile(rb"\s*([+-]?\d{1,12})[\s\0]*")
_DOTTED = re.compile(rb"\.?(\d{1,10}(?:\.\d{1,10}){2,127})\0?")
_Enumeration = TypeVar("_Enumeration", bound=IntEnum)


def line_oids(lines: Iterable[int]) -> tuple[Oid, ...]:
    """Return the columns of the output table that are polled, for these lines."""
    return tuple((*column, line) for line in lines for column in COLUMNS.values())


def name_of(oid: Oid) -> str:
    """Return the RFC 1628 name of an instance, with its line where it has one; "" if unknown."""
    for name, scalar in (*POLLED.items(), *STATIC.items(), ("upsOutputNumLines", NUM_LINES)):
        if oid == scalar:
            return name
    for name, column in COLUMNS.items():
        if oid[:-1] == column:
            return f"{name}.{oid[-1]}"
    return "sysUpTime" if oid == SYS_UP_TIME else ""


def trap_name(trap: Oid) -> str | None:
    """Return the RFC 1628 name of a notification by its snmpTrapOID, or None if it is no such.

    Both forms are known: upsTraps.k, and upsTraps.0.k, which a version 1 trap becomes where it is
    converted (RFC 3584 section 3.1).
    """
    if trap[: len(TRAPS)] != TRAPS:
        return None
    match trap[len(TRAPS) :]:
        case (number,) | (0, number):
            return TRAP_NAMES.get(number)
    return None


def has_restarted(*, before_s: float, now_s: float, elapsed_s: float) -> bool:
    """Return whether a unit's SNMP agent has restarted between two values of sysUpTime.

    The counter of 32 bits wraps after 497 days; that is no restart. Clocks may differ by 5 %.

    Args:
        before_s: sysUpTime of the earlier poll, in s.
        now_s: sysUpTime now.
        elapsed_s: our own time between the two.
    """
    slack_s = 30.0 + 0.05 * elapsed_s
    behind_s = before_s + elapsed_s - now_s
    if now_s < before_s:
        return abs(behind_s - _UPTIME_WRAP_S) > slack_s
    return behind_s > slack_s


def decode_reading(
    values: Mapping[Oid, Value],
    alarm_rows: Sequence[Value] | None,
    *,
    unit: str,
    at: float,
    output_sources: Mapping[int, OutputSource],
) -> Reading:
    """Return what the values of one poll mean; what makes no sense is marked, or left out.

    Args:
        values: by instance; an object that is absent may be missing, or be None.
        alarm_rows: the values of upsAlarmDescr, or None where the table was not read.
        unit: name of the unit.
        at: site time of the answer, in s.
        output_sources: what the unit's own numbers of upsOutputSource mean, for units that number
            otherwise; numbers that are not in it mean what RFC 1628 says.
    """
    decoding = _Decoding(values)
    uptime_ticks = decoding.natural(SYS_UP_TIME, "sysUpTime", "uptime_s")
    on_battery_s = decoding.quantity("upsSecondsOnBattery", "on_battery_s")
    uptime_s = None if uptime_ticks is None else uptime_ticks / 100.0
    load_percent = decoding.over_lines("upsOutputPercentLoad", "load_share", max)
    output_w = decoding.over_lines("upsOutputPower", "output_w", sum)
    reading = Reading(
        unit=unit,
        at=at,
        output_source=decoding.source(output_sources),
        battery_status=decoding.chosen("upsBatteryStatus", "battery_status", BatteryStatus),
        on_battery_s=on_battery_s,
        runtime_s=decoding.runtime_s(),
        charge=decoding.share("upsEstimatedChargeRemaining", "charge", 100),
        battery_v=decoding.quantity("upsBatteryVoltage", "battery_v", scale=10.0),
        output_w=None if output_w is None else float(output_w),
        load_share=decoding.bounded_share("upsOutputPercentLoad", "load_share", load_percent, 200),
        line_bads=decoding.counted("upsInputLineBads", "line_bads"),
        uptime_s=uptime_s,
        alarms=decoding.alarms(alarm_rows),
        doubts=decoding.doubts,
    )
    decoding.compare(reading)
    return reading


def decode_identity(
    values: Mapping[Oid, Value], *, missing: Iterable[str], engine_id: str | None
) -> UnitIdentity:
    """Return what the static objects say; numbers that make no sense are left out."""
    decoding = _Decoding(values)
    low_minutes = decoding.static("upsConfigLowBattTime")
    uptime_ticks = decoding.natural(SYS_UP_TIME, "sysUpTime", "")
    return UnitIdentity(
        manufacturer=decoding.text("upsIdentManufacturer"),
        model=decoding.text("upsIdentModel"),
        unit_version=decoding.text("upsIdentUPSSoftwareVersion"),
        agent_version=decoding.text("upsIdentAgentSoftwareVersion"),
        name=decoding.text("upsIdentName"),
        attached=decoding.text("upsIdentAttachedDevices"),
        rating_va=decoding.static("upsConfigOutputVA"),
        rating_w=decoding.static("upsConfigOutputPower"),
        low_battery_s=None if low_minutes is None else low_minutes * 60.0,
        output_lines=decoding.natural(NUM_LINES, "upsOutputNumLines", ""),
        missing=tuple(missing),
        engine_id=engine_id,
        uptime_s=None if uptime_ticks is None else uptime_ticks / 100.0,
    )


def decode_lines(value: Value) -> int | None:
    """Return upsOutputNumLines, at most LINES_MOST; None where it says nothing of use."""
    lines = _Decoding({NUM_LINES: value}).natural(NUM_LINES, "upsOutputNumLines", "")
    return min(lines, LINES_MOST) if lines else None


class _Decoding:
    """The values of one poll, and the doubts that come up on the way."""

    def __init__(self, values: Mapping[Oid, Value]) -> None:
        self._values = values
        self.doubts: dict[str, str] = {}

    def natural(self, oid: Oid, name: str, field: str) -> int | None:
        """Return a number that cannot be negative; None where it is absent, or no such thing."""
        number = self._number(oid, name, field)
        if number is not None and number < 0:
            self._doubt(field, f"{name} is negative")
            return None
        return number

    def counted(self, name: str, field: str) -> int | None:
        return self.natural(POLLED[name], name, field)

    def quantity(self, name: str, field: str, *, scale: float = 1.0) -> float | None:
        number = self.counted(name, field)
        return None if number is None else number / scale

    def share(self, name: str, field: str, most: int) -> float | None:
        return self.bounded_share(name, field, self.counted(name, field), most)

    def bounded_share(self, name: str, field: str, percent: int | None, most: int) -> float | None:
        if percent is not None and percent > most:
            self._doubt(field, f"{name} is above {most} %")
            return None
        return None if percent is None else percent / 100.0

    def runtime_s(self) -> float | None:
        name, field = "upsEstimatedMinutesRemaining", "runtime_s"
        minutes = self.counted(name, field)
        if minutes == 0:
            self._doubt(field, f"{name} is 0, which RFC 1628 does not allow")
        elif minutes is not None and minutes >= MINUTES_ABSURD:
            self._doubt(field, f"{name} is {MINUTES_ABSURD} or more: that is no estimate")
        return None if minutes is None else minutes * 60.0

    def source(self, meanings: Mapping[int, OutputSource]) -> OutputSource | None:
        name, field = "upsOutputSource", "output_source"
        number = self._number(POLLED[name], name, field)
        if number is not None and number in meanings:
            return meanings[number]
        return self._member(number, name, field, OutputSource)

    def chosen(self, name: str, field: str, kind: type[_Enumeration]) -> _Enumeration | None:
        return self._member(self._number(POLLED[name], name, field), name, field, kind)

    def over_lines(
        self, name: str, field: str, combine: Callable[[Iterable[int]], int]
    ) -> int | None:
        """Return the numbers of a column combined; None where no line has one."""
        column = COLUMNS[name]
        asked = [oid for oid in self._values if oid[:-1] == column]
        numbers = [self.natural(oid, f"{name}.{oid[-1]}", field) for oid in asked]
        there = [number for number in numbers if number is not None]
        if there and len(there) < len(asked):
            self._doubt(field, f"{name} came for some output lines only")
        return combine(there) if there else None

    def alarms(self, rows: Sequence[Value] | None) -> frozenset[Alarm]:
        """Return the well-known alarms among the rows; others count as rows only."""
        present = self.natural(POLLED["upsAlarmsPresent"], "upsAlarmsPresent", "alarms")
        if rows is None:
            if present:
                self._doubt("alarms", "there are alarms, but upsAlarmTable could not be read")
            return frozenset()
        if present is not None and present != len(rows):
            self._doubt("alarms", "upsAlarmsPresent is not the number of rows in upsAlarmTable")
        found = (self._alarm(row) for row in rows)
        return frozenset(alarm for alarm in found if alarm is not None)

    def compare(self, reading: Reading) -> None:
        """Mark values that cannot all be true."""
        load_share, output_w = reading.load_share or 0.0, reading.output_w
        if output_w == 0.0 and load_share > 0.0:
            self._doubt("output_w", "upsOutputPower is 0 while upsOutputPercentLoad is not")
        if reading.battery_v == 0.0:
            self._doubt("battery_v", "upsBatteryVoltage is 0")
        counted_s, uptime_s = reading.on_battery_s or 0.0, reading.uptime_s
        if uptime_s is not None and counted_s > uptime_s + 60.0:
            # Else garbage here would read as a long outage already behind us.
            self._doubt("on_battery_s", "upsSecondsOnBattery is more than sysUpTime")
        if reading.output_source is OutputSource.NONE and (load_share > 0.0 or output_w):
            self._doubt(
                "output_source",
                "upsOutputSource says that there is no output, yet power flows; if the unit "
                "numbers its sources otherwise, say so in output_source_map",
            )
        if reading.output_source is OutputSource.BYPASS and counted_s > 0.0:
            self._doubt(
                "output_source",
                "upsOutputSource says bypass while seconds on battery are counted; if the unit "
                "numbers its sources otherwise, say so in output_source_map",
            )

    def static(self, name: str) -> float | None:
        number = self.natural(STATIC[name], name, "")
        return float(number) if number else None

    def text(self, name: str) -> str:
        """Return printable text of at most 63 characters, as DisplayString allows."""
        value = self._values.get(STATIC[name])
        if not isinstance(value, bytes):
            return ""
        shown = "".join(c if c.isprintable() else " " for c in value.decode("utf-8", "replace"))
        return shown.strip()[:63]

    def _number(self, oid: Oid, name: str, field: str) -> int | None:
        value = self._values.get(oid)
        if value is None or isinstance(value, int):
            return value
        match = _DIGITS.fullmatch(value) if isinstance(value, bytes) else None
        if match is None:
            self._doubt(field, f"{name} is no number")
            return None
        self._doubt(field, f"{name} came as text")
        return int(match[1])

    def _member(
        self, number: int | None, name: str, field: str, kind: type[_Enumeration]
    ) -> _Enumeration | None:
        if number is None:
            return None
        try:
            return kind(number)
        except ValueError:
            self._doubt(field, f"{name} is {number}, which RFC 1628 does not know")
            return None

    def _alarm(self, row: Value) -> Alarm | None:
        if isinstance(row, bytes) and (match := _DOTTED.fullmatch(row)):
            self._doubt("alarms", "upsAlarmDescr came as text")
            row = tuple(int(arc) for arc in match[1].split(b"."))
        if not isinstance(row, tuple):
            self._doubt("alarms", "upsAlarmDescr is no object identifier")
            return None
        # Some write the name of an alarm like that of an instance, with a 0 behind it.
        return ALARMS.get(row) or (ALARMS.get(row[:-1]) if row[-1:] == (0,) else None)

    def _doubt(self, field: str, why: str) -> None:
        """Keep the last doubt about a field: comparisons come last, and weigh most."""
        self.doubts[field] = why
