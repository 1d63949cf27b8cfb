"""What a unit says of itself over RFC 1628: its gauge's view of the truth, and its lies."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable

from agent.errors import BackupUnitError, UnitTrouble
from agent.simulation.scenario import Charge, Meter, Minutes, Quirks, Status, is_in
from agent.simulation.truth import Plant, SiteTruth
from agent.units.rfc1628 import ALARMS, COLUMNS, POLLED, decode_reading
from agent.units.source import UnitIdentity
from drivers.base import Clock
from drivers.transports.snmp_values import SYS_UP_TIME, Oid, Value
from policies.model import Alarm, BatteryStatus, OutputSource, Reading, Unit

_DIP_S = 0.9
"""How long a tired battery looks low at transfer."""

_RESTART_S = 15.0
_BOOTED_BEFORE_S = 1e6
_ROWS = {alarm: oid for oid, alarm in ALARMS.items()}
_SWAPPED = {OutputSource.NORMAL: 2, OutputSource.BATTERY: 4}


class Gauge:
    """One unit's card."""

    def __init__(
        self,
        unit: Unit,
        quirks: Quirks,
        *,
        truth: SiteTruth,
        pump: Callable[[], float],
        on_answer: Callable[[bool], None],
        seed: int,
    ) -> None:
        """Prepare.

        Args:
            unit: as the file has it.
            quirks: how it lies.
            truth: the site.
            pump: brings the truth up to the present loop time, and returns that.
            on_answer: called as it answers, with whether that is an odd single reading.
            seed: of its noise.
        """
        self._unit = unit
        self._quirks = quirks
        self._truth = truth
        self._pump = pump
        self._on_answer = on_answer
        self._chance = random.Random(f"{seed} gauge {unit.name}")
        self._held: dict[str, int] = {}
        self._odd_at = list(quirks.odd_at)
        self._gauged_minutes = 0

    @property
    def _plant(self) -> Plant:
        return self._truth.plants[self._unit.name]

    @property
    def answers(self) -> bool:
        """Whether its card answers now: it needs power, from mains or the battery."""
        now, plant, quirks = self._truth.now, self._plant, self._quirks
        is_restarting = any(at <= now < at + _RESTART_S for at in quirks.restarts)
        return (plant.output or plant.mains) and not is_restarting and not is_in(
            quirks.silences, now
        )  # fmt: skip

    async def read(self, clock: Clock, *, deadline_at: float) -> Reading:
        """Return one reading.

        Raises:
            BackupUnitError: it did not answer.
        """
        self._pump()
        await asyncio.sleep(self._quirks.answer_s)
        self._pump()
        if not self.answers or self._chance.random() < self._quirks.unheard:
            await clock.sleep(deadline_at - clock.monotonic())
            raise self._silent()
        self._gauged_minutes = self._plant.battery.gauged_minutes(self._truth.now)
        alarms = self._alarms()
        return decode_reading(
            self._values(alarms),
            [_ROWS[alarm] for alarm in alarms],
            unit=self._unit.name,
            at=clock.monotonic(),
            output_sources=(
                {2: OutputSource.NORMAL, 4: OutputSource.BATTERY} if self._quirks.is_swapped else {}
            ),
        )

    async def control(self, clock: Clock, *, deadline_at: float) -> None:
        """Take a question or an order about its control group; nothing if its card answers.

        Raises:
            BackupUnitError: it did not answer.
        """
        self._pump()
        await asyncio.sleep(self._quirks.answer_s)
        self._pump()
        if not self.answers or self._chance.random() < self._quirks.unheard:
            await clock.sleep(deadline_at - clock.monotonic())
            raise self._silent()

    def _silent(self) -> BackupUnitError:
        return BackupUnitError(
            f'unit "{self._unit.name}": no answer',
            trouble=UnitTrouble.SILENT,
            advice="check that the unit and the path to it are on",
        )

    def _values(self, alarms: list[Alarm]) -> dict[Oid, Value]:
        now = self._truth.now
        values = self._honest(alarms)
        is_odd = bool(self._odd_at) and now >= self._odd_at[0]
        if is_odd:
            del self._odd_at[0]
            values |= self._odd()
        self._on_answer(is_odd)
        said: dict[Oid, Value] = {POLLED[name]: v for name, v in values.items() if v is not None}
        said[SYS_UP_TIME] = int(100.0 * (now - self._booted_at()))
        said |= self._metered()
        return said

    def _honest(self, alarms: list[Alarm]) -> dict[str, int | None]:
        """What it says when no single reading is odd."""
        plant, quirks, now = self._plant, self._quirks, self._truth.now
        source = OutputSource.BATTERY if plant.is_on_battery else OutputSource.NORMAL
        if not plant.output:
            source = OutputSource.NONE
        number = _SWAPPED.get(source, int(source)) if quirks.is_swapped else int(source)
        seconds = 0
        if plant.is_on_battery and plant.begun_at is not None:
            seconds = int(now - max(plant.begun_at, self._booted_at()))
        return {
            "upsBatteryStatus": self._status(),
            "upsSecondsOnBattery": max(0, seconds) if quirks.counts_seconds else None,
            "upsEstimatedMinutesRemaining": self._minutes(),
            "upsEstimatedChargeRemaining": self._charge(),
            "upsBatteryVoltage": int(10.0 * plant.battery.volts(now)),
            "upsInputLineBads": plant.bads,
            "upsOutputSource": number,
            "upsAlarmsPresent": len(alarms),
        }

    def _odd(self) -> dict[str, int | None]:
        """What a single reading says that has nothing to do with the truth."""
        chance = self._chance
        wild: dict[str, int | None] = {
            "upsBatteryStatus": chance.randint(1, 4),
            "upsSecondsOnBattery": chance.choice([None, 0, 7, 5000]),
            "upsEstimatedMinutesRemaining": chance.choice([None, 0, 1, 65535]),
            "upsEstimatedChargeRemaining": chance.choice([None, 0, 100, 200]),
            "upsOutputSource": chance.choice([None, 1, 2, 3, 4, 5, 6, 7, 9]),
        }
        return {name: value for name, value in wild.items() if chance.random() < 0.7}

    def _booted_at(self) -> float:
        past = [at for at in self._quirks.restarts if at <= self._truth.now]
        return max(past, default=-_BOOTED_BEFORE_S)

    def _status(self) -> int:
        plant, quirks = self._plant, self._quirks
        if quirks.status is Status.UNKNOWN:
            return BatteryStatus.UNKNOWN
        if quirks.status is Status.NORMAL:
            return BatteryStatus.NORMAL
        begun_at = plant.begun_at
        if (
            quirks.status is Status.DIPS
            and plant.is_on_battery
            and begun_at is not None
            and self._truth.now - begun_at < _DIP_S
        ):
            return BatteryStatus.LOW
        is_low = plant.is_on_battery and self._gauged_minutes <= quirks.low_minutes
        return BatteryStatus.LOW if is_low else BatteryStatus.NORMAL

    def _minutes(self) -> int | None:
        quirks, gauged = self._quirks, self._gauged_minutes
        match quirks.minutes:
            case Minutes.GAUGED:
                return gauged
            case Minutes.ABSENT:
                return None
            case Minutes.ZERO:
                return 0
            case Minutes.ROSY:
                return int(gauged * quirks.rosiness)
            case Minutes.STUCK:
                return self._stuck("minutes", gauged)

    def _charge(self) -> int | None:
        plant, quirks = self._plant, self._quirks
        gauged = int(100.0 * plant.battery.gauged_charge(self._truth.now))
        match quirks.charge:
            case Charge.GAUGED:
                return gauged
            case Charge.ABSENT:
                return None
            case Charge.ZERO:
                return 0
            case Charge.STUCK:
                return self._stuck("charge", gauged)

    def _stuck(self, name: str, value: int) -> int:
        """The value of the last moment on mains."""
        if not self._plant.is_on_battery:
            self._held[name] = value
        return self._held.get(name, value)

    def _metered(self) -> dict[Oid, Value]:
        load_w = self._plant.load_w if self._plant.output else 0.0
        noisy_w = max(0, round(load_w * self._chance.uniform(0.97, 1.03)))
        power = (*COLUMNS["upsOutputPower"], 1)
        share = (*COLUMNS["upsOutputPercentLoad"], 1)
        percent = round(100.0 * noisy_w / self._unit.rating_w)
        match self._quirks.meter:
            case Meter.WATTS:
                return {power: noisy_w, share: percent}
            case Meter.SHARE:
                return {share: percent}
            case Meter.ZERO:
                return {power: 0, share: percent}
            case Meter.NOTHING:
                return {}

    def _alarms(self) -> list[Alarm]:
        plant, quirks = self._plant, self._quirks
        alarms: list[Alarm] = []
        if plant.is_on_battery:
            alarms.append(Alarm.ON_BATTERY)
        if plant.is_testing and quirks.tells_tests:
            alarms.append(Alarm.TEST_IN_PROGRESS)
        if self._status() == BatteryStatus.LOW:
            alarms.append(Alarm.LOW_BATTERY)
        if not plant.output:
            alarms.append(Alarm.UPS_OUTPUT_OFF)
        if plant.control.is_counting:
            alarms.append(Alarm.SHUTDOWN_PENDING)
        if is_in(quirks.comms_lost, self._truth.now):
            alarms.append(Alarm.COMMUNICATIONS_LOST)
        return alarms


class GaugeSource:
    """A card as a source of readings, for one run of the agent."""

    def __init__(self, gauge: Gauge, clock: Clock) -> None:
        self._gauge = gauge
        self._clock = clock

    async def read(self, *, deadline_at: float) -> Reading:
        """Return a reading taken now; see agent.units.source.Source."""
        return await self._gauge.read(self._clock, deadline_at=deadline_at)

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        """Return nothing of use."""
        return UnitIdentity()

    async def close(self) -> None:
        """Do nothing."""
