"""The alarms of a unit, by the names that RFC 1628 prints, told once they last."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from policies.model import Alarm, Reading, Unit
from policies.state import SiteState
from policies.telling import Topic

WORDS: Mapping[Alarm, tuple[str, str]] = MappingProxyType(
    {
        Alarm.BATTERY_BAD: ("error", "a battery is to be replaced"),
        Alarm.ON_BATTERY: ("warning", "it draws its power from the battery"),
        Alarm.LOW_BATTERY: ("error", "its battery is nearly used up"),
        Alarm.DEPLETED_BATTERY: ("error", "its battery could not carry the load, were mains lost"),
        Alarm.TEMP_BAD: ("error", "a temperature is out of bounds"),
        Alarm.INPUT_BAD: ("warning", "its input is out of bounds"),
        Alarm.OUTPUT_BAD: ("error", "its output is out of bounds"),
        Alarm.OUTPUT_OVERLOAD: ("error", "it carries more than it can"),
        Alarm.ON_BYPASS: ("warning", "its load is on the bypass, with no battery behind it"),
        Alarm.BYPASS_BAD: ("warning", "its bypass is out of bounds"),
        Alarm.OUTPUT_OFF_AS_REQUESTED: ("warning", "its output is off, as it was told"),
        Alarm.UPS_OFF_AS_REQUESTED: ("warning", "it is off, as it was told"),
        Alarm.CHARGER_FAILED: ("error", "its charger has failed: the battery no longer fills"),
        Alarm.UPS_OUTPUT_OFF: ("warning", "its output is off"),
        Alarm.UPS_SYSTEM_OFF: ("warning", "it is off"),
        Alarm.FAN_FAILURE: ("error", "a fan has failed"),
        Alarm.FUSE_FAILURE: ("error", "a fuse has blown"),
        Alarm.GENERAL_FAULT: ("error", "it has found a fault in itself"),
        Alarm.DIAGNOSTIC_TEST_FAILED: ("error", "its last test of itself failed"),
        Alarm.COMMUNICATIONS_LOST: ("warning", "its own parts do not reach each other"),
        Alarm.AWAITING_POWER: ("warning", "its output is off, and waits for mains"),
        Alarm.SHUTDOWN_PENDING: ("warning", "it counts down to switching its output off"),
        Alarm.SHUTDOWN_IMMINENT: ("error", "it switches its output off within seconds"),
        Alarm.TEST_IN_PROGRESS: ("info", "it tests itself"),
    }
)
"""How grave each is, and what it means in plain words, after RFC 1628 section 4.6."""

Say = Callable[[str, str, str, str], None]
"""Takes severity, about, text and topic; never waits."""


@dataclass(slots=True)
class _Heard:
    """Of one unit: since when each alarm is there, and which were told of."""

    since_at: dict[Alarm, float] = field(default_factory=dict)
    told: set[Alarm] = field(default_factory=set)


class Alarms:
    """Tells of each alarm that lasts as long as the unit's flicker time, and of its end."""

    def __init__(self, units: Mapping[str, Unit], state: SiteState, *, say: Say) -> None:
        """Take what *state* knows for told already: an earlier run has done that."""
        self._units = units
        self._say = say
        self._heard = {name: _Heard() for name in units}
        for name, known in state.units.items():
            if name in self._heard and known.reading is not None:
                self._heard[name].told = set(known.reading.alarms)

    def hear(self, reading: Reading) -> None:
        """Take one reading of a unit."""
        unit, heard = self._units[reading.unit], self._heard[reading.unit]
        for alarm in reading.alarms:
            heard.since_at.setdefault(alarm, reading.at)
        for alarm in set(heard.since_at) - reading.alarms:
            del heard.since_at[alarm]
        for alarm in sorted(heard.told - reading.alarms):
            heard.told.discard(alarm)
            self._say("info", unit.name, f"{unit.name}: {alarm.value} is over", Topic.ALARM)
        for alarm, since_at in sorted(heard.since_at.items()):
            lasts_s = reading.at - since_at
            if alarm in heard.told or lasts_s <= 0.0 or lasts_s < unit.flicker_s:
                continue
            heard.told.add(alarm)
            severity, words = WORDS[alarm]
            text = f"{unit.name} raises {alarm.value}: {words}"
            self._say(severity, unit.name, text, Topic.ALARM)
