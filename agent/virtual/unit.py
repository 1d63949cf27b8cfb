"""A backup unit that answers real SNMP on loopback, from a battery that really empties.

It serves the objects of RFC 1628 from live values and sends that RFC's notifications. Of what it
serves, the control group, upsConfigLowBattTime and upsIdentAttachedDevices can be set by whoever
may read.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from agent.virtual import control_group, test_group, ups_mib
from agent.virtual.battery import VirtualBattery
from agent.virtual.control_group import ControlGroup, Quirk
from agent.virtual.test_group import TestGroup, TestQuirk
from drivers.transports.snmp_responder import (
    SYS_UP_TIME,
    Kind,
    Listener,
    Oid,
    SnmpResponder,
    Status,
    UsmUser,
    Value,
)
from drivers.transports.snmp_values import Written
from policies.model import BatteryStatus, OutputSource

_REPEAT_TRAP_S = 60.0  # RFC 1628: upsTrapOnBattery again each minute until off battery
_TRAP_APART_S = 5.0  # RFC 1628: no notification more often than this to one receiver
_LOOK_S = 10.0  # how often the unit looks at its own battery between other events
_RESTART_S = 5.0  # from mains returning to its output coming back
_ATTACHED_MOST = 63  # RFC 1628 section 4.1
_LOW_STEPS_MIN = (2, 5, 7, 10, 15, 20, 30)  # of our own making; RFC 1628: rounded up to a step
_INPUT_V, _MAINS_HZ = 231, 50.0
_POWER_FACTOR = 0.92
_SYS_DESCR: Oid = (1, 3, 6, 1, 2, 1, 1, 1, 0)
_SYS_OBJECT_ID: Oid = (1, 3, 6, 1, 2, 1, 1, 2, 0)
_SYS_NAME: Oid = (1, 3, 6, 1, 2, 1, 1, 5, 0)
_EXAMPLE_PRODUCT: Oid = (1, 3, 6, 1, 4, 1, 32473, 1)  # RFC 5612: enterprise number for examples

# Numbers of RFC 1628 section 4.6.
_ON_BATTERY, _LOW, _DEPLETED, _INPUT_BAD, _OVERLOAD, _OUTPUT_OFF = 2, 3, 4, 6, 8, 14
_OFF_AS_REQUESTED, _TEST_FAILED, _SHUTDOWN_PENDING, _TESTING = 11, 19, 22, 24

TEST_S = 20.0
"""How long its quick battery test takes."""


@dataclass(frozen=True, slots=True)
class Plate:
    """What stands on the unit's rating plate, and when it calls its battery low."""

    name: str
    va: float
    watts: float
    attached: str = ""
    low_battery_min: int = 2


@dataclass(frozen=True, slots=True)
class Alarming:
    """A row of the alarm table: its number, which alarm, and sysUpTime when it was seen."""

    row: int
    alarm: int
    since_ticks: int


class VirtualUnit:
    """One backup unit: mains comes in, a battery stands by, an output carries the site.

    `mains_fails`, `mains_returns` and `load` are what happens to it; `on_output` is told, at once,
    whenever its output goes off or on.

    Attributes:
        tests: its test group; test_s: how long its battery test takes.
    """

    def __init__(
        self,
        plate: Plate,
        battery: VirtualBattery,
        *,
        on_output: Callable[[bool], None],
        address: str,
        community: str,
        users: Sequence[UsmUser] = (),
        listeners: Sequence[Listener] = (),
        quirks: Collection[Quirk] = (),
        test_quirks: Collection[TestQuirk] = (),
    ) -> None:
        """Build it on mains with its output on; `start` makes it answer.

        Args:
            plate: rating and name.
            battery: carries the load from the moment mains fails.
            on_output: called with False when the output ends, True when it is back.
            address: numeric; the port is any free one.
            community: what versions 1 and 2c may ask with, "" for version 3 only.
            users: who may ask in version 3.
            listeners: where notifications go.
            quirks: where its control differs from the standard's text.
            test_quirks: where its self-test does.
        """
        self._loop = asyncio.get_running_loop()
        self._plate = plate
        self._battery = battery
        self._on_output = on_output
        self._listeners = tuple(listeners)
        self._responder = SnmpResponder(
            self.objects,
            address=address,
            communities=[community] if community else [],
            users=users,
            write=self._write,
        )
        self._control = ControlGroup.of(quirks)
        self.tests = TestGroup(frozenset(test_quirks))
        self.test_s = TEST_S
        self._test_end: asyncio.TimerHandle | None = None
        self._started_at = self._loop.time()
        self._load_w = 0.0
        self._line_bads = 0
        self._battery_since: float | None = None
        self._alarms: dict[int, Alarming] = {}
        self._rows = 0
        self._end: asyncio.TimerHandle | None = None
        self._following: asyncio.TimerHandle | None = None
        self._mains_at = -math.inf
        self._was_told_off = False
        self._look: asyncio.TimerHandle | None = None
        self._trapped_at = -math.inf
        self._sending: set[asyncio.Task[bool]] = set()
        self.mains = True
        self.output = True

    @property
    def address(self) -> tuple[str, int]:
        """Where it answers, once started."""
        return self._responder.address

    async def start(self) -> None:
        """Answer from now on."""
        await self._responder.start()

    def close(self) -> None:
        """Fall silent and let go of everything; safe to call twice."""
        for timer in (self._end, self._following, self._look, self._test_end):
            if timer is not None:
                timer.cancel()
        for task in self._sending:
            task.cancel()
        self._responder.close()

    def listen(self, listener: Listener) -> None:
        """Send notifications to *listener* too."""
        self._listeners = (*self._listeners, listener)

    def mains_fails(self) -> None:
        """Transfer to the battery, which carries what is on."""
        if not self.mains:
            return
        self._end_test(test_group.ABORTED, "mains failed")
        self.mains = False
        self._line_bads += 1
        self._control.mains_failed(output=self.output)
        if self.output:
            self._battery_since = self._loop.time()
        else:
            self._responder.deaf = True
        self._rebalance()
        self._tell_on_battery()
        self._follow()

    def mains_returns(self) -> None:
        """Transfer back; an output that had ended comes back as its control group has it."""
        if self.mains:
            return
        self.mains, self._mains_at = True, self._loop.time()
        self._battery_since = None
        if not self.output:
            self._wake_up()
        self._rebalance()
        self._follow()

    def load(self, load_w: float) -> None:
        """Carry *load_w* W at the output from now on."""
        self._load_w = load_w
        self._rebalance()

    def objects(self) -> dict[Oid, Value]:
        """Return every object as it is now, by its OID."""
        self._watch_alarms()
        found = {ups_mib.oid(name): value for name, value in self._live().items()}
        found |= {ups_mib.oid(name): value for name, value in self._fixed().items()}
        for alarming in self._alarms.values():
            found[(*ups_mib.ALARM_ROW, 2, alarming.row)] = _descr(alarming)
            found[(*ups_mib.ALARM_ROW, 3, alarming.row)] = Value(Kind.TICKS, alarming.since_ticks)
        found |= self._controls()
        found[_SYS_DESCR] = _text("virtual backup unit")
        found[_SYS_OBJECT_ID] = Value(Kind.OID, _EXAMPLE_PRODUCT)
        found[SYS_UP_TIME] = Value(Kind.TICKS, self._ticks())
        found[_SYS_NAME] = _text(self._plate.name)
        return found

    def _rebalance(self) -> None:
        """Connect the battery as mains, output and load now ask, and foresee its end."""
        now = self._loop.time()
        if self._end is not None:
            self._end.cancel()
            self._end = None
        if self.mains and not self.tests.is_testing:
            self._battery.charge(self._load_w if self.output else 0.0, at=now)
        elif self.output:
            self._battery.carry(self._load_w, at=now)
            self._end = self._loop.call_at(self._battery.ends_at, self._output_ends)
        else:
            self._battery.rest(at=now)
        self._watch_alarms()
        self._look_again()

    def _begin_test(self) -> None:
        """Carry the load from the battery for a while, though mains is there."""
        self._battery_since = self._loop.time()
        self._rebalance()
        self._test_end = self._loop.call_later(self.test_s, self._test_over)

    def _test_over(self) -> None:
        if TestQuirk.FAILS in self.tests.quirks:
            self._end_test(test_group.ERROR, "battery below its limit")
        else:
            self._end_test(test_group.PASS, "")

    def _end_test(self, summary: int, detail: str) -> None:
        """End a test under way, and go back to mains."""
        if self.tests.is_testing:
            self.tests.end(summary, detail, self._loop.time())
            self._test_settled()

    def _test_settled(self) -> None:
        if self._test_end is not None:
            self._test_end.cancel()
            self._test_end = None
        self._battery_since = None
        self._rebalance()

    def _output_ends(self) -> None:
        self._control.went_off(mains=False)
        self._switch_off(by_command=False)
        self._follow()

    def _switch_off(self, *, by_command: bool) -> None:
        """End the output; without mains the unit's own agent ends too, for nothing runs it."""
        self.output, self._battery_since, self._was_told_off = False, None, by_command
        self._rebalance()
        if not self.mains:
            self._responder.deaf = True
        self._on_output(False)

    def _wake_up(self) -> None:
        """Start the unit's agent anew, with counters at nought."""
        self._responder.deaf = False
        self._started_at, self._line_bads, self._rows = self._loop.time(), 0, 0
        self._alarms.clear()
        self._control.card_restarted()

    def _switch_on(self) -> None:
        self.output, self._was_told_off = True, False
        if not self.mains:
            self._responder.deaf, self._battery_since = False, self._loop.time()
        self._rebalance()
        self._on_output(True)

    def _write(self, oid: Oid, value: Written) -> Status:
        """Take one SET: of the control and test groups, or of what its administrator sets."""
        if oid == ups_mib.oid(test_group.LOCK):
            return Status.WRONG_TYPE if isinstance(value, bytes) else self.tests.take_lock(value)
        if oid == ups_mib.oid(test_group.TEST_ID):
            return Status.WRONG_TYPE if isinstance(value, bytes) else self._write_test(value)
        if oid == ups_mib.oid("upsIdentAttachedDevices"):
            return self._attach(value)
        if not isinstance(value, int):
            return Status.WRONG_TYPE
        if oid == ups_mib.oid("upsConfigLowBattTime"):
            return self._warn_at(value)
        names = {ups_mib.oid(name): name for name in control_group.NAMES}
        if oid not in names:
            return Status.NOT_WRITABLE
        status = self._control.write(names[oid], value, self._loop.time())
        # The answer goes out first: what speaks for the unit may lose its own power by this.
        self._loop.call_soon(self._follow)
        return status

    def _write_test(self, value: int | Oid) -> Status:
        was_testing = self.tests.is_testing
        status = self.tests.take_test(value, self._loop.time())
        if status is not Status.NO_ERROR:
            self.tests.lock -= 1  # taken just before in the same request, which is refused whole
        elif self.tests.is_testing and not was_testing:
            self._begin_test()
        elif was_testing and not self.tests.is_testing:
            self._test_settled()
        return status

    def _attach(self, value: Written) -> Status:
        if not isinstance(value, bytes):
            return Status.WRONG_TYPE
        if len(value) > _ATTACHED_MOST or not value.isascii():
            return Status.WRONG_VALUE
        self._plate = replace(self._plate, attached=value.decode("ascii"))
        return Status.NO_ERROR

    def _warn_at(self, minutes: int) -> Status:
        """Take the minutes at which its battery counts as low; in steps, as units do."""
        if minutes < 0:
            return Status.WRONG_VALUE
        step = next((step for step in _LOW_STEPS_MIN if step >= minutes), _LOW_STEPS_MIN[-1])
        self._plate = replace(self._plate, low_battery_min=step)
        return Status.NO_ERROR

    def _follow(self) -> None:
        """Switch the output as the control group asks now, and come again when it may next."""
        if self._following is not None:
            self._following.cancel()
            self._following = None
        now, when = self._loop.time(), {"restart_s": _RESTART_S, "mains_at": self._mains_at}
        wanted = self._control.wanted(now, mains=self.mains, output=self.output, **when)
        if wanted != self.output:
            if wanted:
                self._switch_on()
            else:
                self._switch_off(by_command=True)
        next_at = self._control.next_at(mains=self.mains, output=self.output, **when)
        if next_at < math.inf:
            self._following = self._loop.call_at(max(next_at, now), self._follow)
        self._watch_alarms()

    def _look_again(self) -> None:
        if self._look is not None:
            self._look.cancel()
            self._look = None
        if self._battery_since is not None:
            self._look = self._loop.call_later(_LOOK_S, self._look_now)

    def _look_now(self) -> None:
        self._watch_alarms()
        if self._loop.time() - self._trapped_at >= _REPEAT_TRAP_S:
            self._tell_on_battery()
        self._look_again()

    def _status(self) -> BatteryStatus:
        if not self.output and not self.mains:
            return BatteryStatus.DEPLETED
        minutes = self._battery.gauged_minutes(self._loop.time())
        is_low = minutes <= self._plate.low_battery_min
        return BatteryStatus.LOW if is_low else BatteryStatus.NORMAL

    def _source(self) -> OutputSource:
        if not self.output:
            return OutputSource.NONE
        on_mains = self.mains and not self.tests.is_testing
        return OutputSource.NORMAL if on_mains else OutputSource.BATTERY

    def _percent_load(self) -> int:
        """The worse of the two ratings, as RFC 1628 defines upsOutputPercentLoad."""
        if not self.output:
            return 0
        share = max(self._load_w / self._plate.watts, self._load_w / _POWER_FACTOR / self._plate.va)
        return min(200, round(100.0 * share))

    def _live(self) -> dict[str, Value]:
        now = self._loop.time()
        on_battery_s = 0 if self._battery_since is None else int(now - self._battery_since)
        output_w = self._load_w if self.output else 0.0
        output_v = _INPUT_V if self.output else 0
        return {
            "upsBatteryStatus": _integer(self._status()),
            "upsSecondsOnBattery": _integer(on_battery_s),
            "upsEstimatedMinutesRemaining": _integer(self._battery.gauged_minutes(now)),
            "upsEstimatedChargeRemaining": _integer(100.0 * self._battery.gauged_charge(now)),
            "upsBatteryVoltage": _integer(10.0 * self._battery.volts(now)),
            "upsBatteryCurrent": _integer(10.0 * self._battery.amperes(now)),
            "upsInputLineBads": Value(Kind.COUNTER, self._line_bads),
            "upsInputFrequency.1": _integer(10.0 * _MAINS_HZ if self.mains else 0),
            "upsInputVoltage.1": _integer(_INPUT_V if self.mains else 0),
            "upsOutputSource": _integer(self._source()),
            "upsOutputFrequency": _integer(10.0 * _MAINS_HZ if self.output else 0),
            "upsOutputVoltage.1": _integer(output_v),
            "upsOutputCurrent.1": _integer(10.0 * output_w / _POWER_FACTOR / _INPUT_V),
            "upsOutputPower.1": _integer(output_w),
            "upsOutputPercentLoad.1": _integer(self._percent_load()),
            "upsAlarmsPresent": Value(Kind.GAUGE, len(self._alarms)),
        }

    def _fixed(self) -> dict[str, Value]:
        return {
            "upsIdentManufacturer": _text("lastwatt"),
            "upsIdentModel": _text("virtual unit"),
            "upsIdentUPSSoftwareVersion": _text("1"),
            "upsIdentAgentSoftwareVersion": _text("1"),
            "upsIdentName": _text(self._plate.name),
            "upsIdentAttachedDevices": _text(self._plate.attached[:63]),
            "upsBatteryTemperature": _integer(21),
            "upsInputNumLines": _integer(1),
            "upsOutputNumLines": _integer(1),
            "upsTestId": Value(Kind.OID, self.tests.test_id),
            "upsTestSpinLock": _integer(self.tests.lock),
            "upsTestResultsSummary": _integer(self.tests.summary),
            "upsTestResultsDetail": _text(self.tests.detail),
            "upsTestStartTime": Value(Kind.TICKS, self._test_ticks()),
            "upsTestElapsedTime": _integer(100.0 * self.tests.elapsed_s(self._loop.time())),
            "upsConfigInputVoltage": _integer(230),
            "upsConfigInputFreq": _integer(10.0 * _MAINS_HZ),
            "upsConfigOutputVoltage": _integer(230),
            "upsConfigOutputFreq": _integer(10.0 * _MAINS_HZ),
            "upsConfigOutputVA": _integer(self._plate.va),
            "upsConfigOutputPower": _integer(self._plate.watts),
            "upsConfigLowBattTime": _integer(self._plate.low_battery_min),
            "upsConfigAudibleStatus": _integer(1),
            "upsConfigLowVoltageTransferPoint": _integer(190),
            "upsConfigHighVoltageTransferPoint": _integer(264),
        }

    def _controls(self) -> dict[Oid, Value]:
        now = self._loop.time()
        shown = {name: self._control.read(name, now) for name in control_group.NAMES}
        return {ups_mib.oid(n): _integer(value) for n, value in shown.items() if value is not None}

    def _test_ticks(self) -> int:
        if self.tests.summary == test_group.NONE:
            return 0
        return int(100.0 * max(0.0, self.tests.started_at - self._started_at)) % 2**32

    def _ticks(self) -> int:
        return int(100.0 * (self._loop.time() - self._started_at)) % 2**32

    def _present(self) -> set[int]:
        present = set()
        if self._battery_since is not None:
            present.add(_ON_BATTERY)
        if not self.mains:
            present.add(_INPUT_BAD)
        if not self.output:
            present.add(_OUTPUT_OFF)
            if self._was_told_off:
                present.add(_OFF_AS_REQUESTED)
        if self._control.is_counting:
            present.add(_SHUTDOWN_PENDING)
        if self.tests.is_testing and TestQuirk.SAYS_NOTHING not in self.tests.quirks:
            present.add(_TESTING)
        if self.tests.summary == test_group.ERROR:
            present.add(_TEST_FAILED)
        if self._percent_load() > 100:
            present.add(_OVERLOAD)
        match self._status():
            case BatteryStatus.LOW:
                present.add(_LOW)
            case BatteryStatus.DEPLETED:
                present.add(_DEPLETED)
        return present

    def _watch_alarms(self) -> None:
        """Bring the alarm table up to date, and tell of each row that came or went."""
        present = self._present()
        for alarm in sorted(present - self._alarms.keys()):
            self._rows += 1
            alarming = Alarming(self._rows, alarm, self._ticks())
            self._alarms[alarm] = alarming
            if alarm != _ON_BATTERY:  # that one has a notification of its own, RFC 1628
                self._tell_alarm(ups_mib.TRAP_ALARM_ENTRY_ADDED, alarming)
        for alarm in sorted(self._alarms.keys() - present):
            self._tell_alarm(ups_mib.TRAP_ALARM_ENTRY_REMOVED, self._alarms.pop(alarm))

    def _tell_alarm(self, trap: Oid, alarming: Alarming) -> None:
        row = (*ups_mib.ALARM_ROW, 1, alarming.row), _integer(alarming.row)
        self._tell(trap, [row, ((*ups_mib.ALARM_ROW, 2, alarming.row), _descr(alarming))])

    def _tell_on_battery(self) -> None:
        now = self._loop.time()
        if self._battery_since is None or now - self._trapped_at < _TRAP_APART_S:
            return
        self._trapped_at = now
        live, fixed = self._live(), self._fixed()
        names = ("upsEstimatedMinutesRemaining", "upsSecondsOnBattery", "upsConfigLowBattTime")
        self._tell(ups_mib.TRAP_ON_BATTERY, [(ups_mib.oid(n), (live | fixed)[n]) for n in names])

    def _tell(self, trap: Oid, objects: Sequence[tuple[Oid, Value]]) -> None:
        if self._responder.deaf:
            return
        for listener in self._listeners:
            task = self._loop.create_task(self._responder.notify(listener, trap, objects))
            self._sending.add(task)
            task.add_done_callback(self._sending.discard)


def _integer(value: float) -> Value:
    return Value(Kind.INTEGER, round(value))


def _text(value: str) -> Value:
    return Value(Kind.TEXT, value)


def _descr(alarming: Alarming) -> Value:
    return Value(Kind.OID, ups_mib.alarm(alarming.alarm))
