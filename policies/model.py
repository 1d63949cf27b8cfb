"""The words of a site: units, devices, readings, orders; all frozen, all in SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

MAINS_FEED = "mains"
"""The feed of a socket that no battery stands behind."""


class Role(StrEnum):
    """What a device is to the site."""

    RECORDER = "recorder"
    STORAGE = "storage"
    COMPUTER = "computer"
    AGENT_BOX = "agent box"  # the box that lastwatt runs on
    SWITCH = "switch"
    ROUTER = "router"
    MODEM = "modem"
    CAMERA = "camera"
    MONITOR = "monitor"
    OTHER = "other"


CABLE_M = 100.0
"""Length assumed of a cable that feeds a device: the longest that IEEE 802.3 reckons with."""

POE_EFFICIENCY = 0.9
"""Assumed of a device that feeds others: of 10 W that it takes for them, 9 leave its ports."""

HOLDS_DATA = frozenset({Role.RECORDER, Role.STORAGE, Role.COMPUTER})
"""Roles that may lose data when power goes; for the others an orderly stop saves nothing."""


class Starts(StrEnum):
    """How a device comes back after it was stopped."""

    BY_ORDER = "by order"  # the agent starts it
    BY_ITSELF = "by itself"  # it starts when power comes, and only then
    BY_HAND = "by hand"


@dataclass(frozen=True, slots=True)
class StopWhen:
    """An owner's own thresholds; any one suffices, and None means that it was not set.

    Attributes:
        runtime_below_s: our lower bound at the present load is below this, in s.
        charge_below: the unit's charge is below this, as a share 0..1.
        on_battery_for_s: the unit has been on battery for this long, in s.
    """

    runtime_below_s: float | None = None
    charge_below: float | None = None
    on_battery_for_s: float | None = None


@dataclass(frozen=True, slots=True)
class Device:
    """Anything that a backup unit powers.

    Attributes:
        watts: draw by day, at the device's own plug, without what it feeds; night_watts after dark.
        feeds: units, PoE-feeding devices or MAINS_FEED; safe until the last of them is gone.
        path: devices that the agent reaches it through.
        needs: devices that must run as long as this one does.
        hold_s: how long its owner wants it on in an outage; 0 = no wish.
        worth: worth of an hour of it against an hour of another, >= 0.
        quiesce_s: seconds that quiescing takes; None = it cannot be quiesced.
        stop_s: seconds from the order until it is gone; None = it cannot be stopped.
        settle_s: seconds of silence after which a gone device counts as at rest.
        start_s: seconds until it runs again after its start.
        boot_watts: most that it draws while it starts, at its own plug; None = unknown.
        power_factor: W / VA of its plug, 0..1; None = unknown.
        cable_m: length of the network cable that feeds it, where another device does.
        poe_efficiency: share of what its own supply takes that reaches the ports it feeds, 0..1.
        poe_watts: what its ports can give together, in W; None = unknown.
        is_cut: its stop takes its power away at the feed, and outlasts a power cycle until its
            start undoes it.
        by_writers: a recorder that nothing can be told: it is quiesced by bringing to rest what
            needs it, and by leaving it alone for quiesce_s then.
        can_restore: an order undoes its quiescing.
        cut_s: seconds that cutting its power at its feed takes, where that is what is left when its
            stop has failed; None = it is not.
    """

    name: str
    role: Role = Role.OTHER
    watts: float = 0.0
    night_watts: float = 0.0
    feeds: tuple[str, ...] = ()
    path: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    hold_s: float = 0.0
    worth: float = 1.0
    stop_when: StopWhen | None = None
    no_touch: bool = False
    dry_run: bool = False
    quiesce_s: float | None = None
    stop_s: float | None = None
    settle_s: float = 0.0
    starts: Starts = Starts.BY_HAND
    start_s: float = 0.0
    boot_watts: float | None = None
    power_factor: float | None = None
    cable_m: float = CABLE_M
    poe_efficiency: float = POE_EFFICIENCY
    poe_watts: float | None = None
    is_cut: bool = False
    by_writers: bool = False
    can_restore: bool = False
    cut_s: float | None = None

    @property
    def is_passive(self) -> bool:
        """Whether there is nothing to tell it: it may lose power at any time."""
        return self.quiesce_s is None and self.stop_s is None

    @property
    def is_only_cut(self) -> bool:
        """Whether its stop saves nothing but power, and leaves it dark until it is undone."""
        return self.is_cut and self.role not in HOLDS_DATA

    @property
    def rest_s(self) -> float:
        """Seconds that bringing it to rest takes from the order on, by both ways to stop it."""
        if self.stop_s is None:
            return self.quiesce_s or 0.0
        return (self.quiesce_s or 0.0) + self.stop_s + self.settle_s + (self.cut_s or 0.0)


class Chemistry(StrEnum):
    """What the battery is made of."""

    LEAD_ACID = "lead-acid"
    LITHIUM = "lithium"


@dataclass(frozen=True, slots=True)
class RunPoint:
    """One figure of a runtime table: a full battery carries *watts* for *lasts_s*."""

    watts: float
    lasts_s: float


@dataclass(frozen=True, slots=True)
class Battery:
    """The battery of a unit as its file describes it; at least one figure is given.

    Attributes:
        volts, amp_hours: nominal figures of the whole battery, strings in parallel counted in.
        watt_hours: usable energy, if the owner knows it; beats volts x amp_hours.
        table: measured or published runtimes, by rising watts; beats both where it speaks.
        age_years: since it was fitted, >= 0; None = unknown.
        temperature_c: of its room, in °C.
    """

    volts: float | None = None
    amp_hours: float | None = None
    watt_hours: float | None = None
    table: tuple[RunPoint, ...] = ()
    chemistry: Chemistry = Chemistry.LEAD_ACID
    age_years: float | None = None
    temperature_c: float = 25.0


class WhenLost(StrEnum):
    """What to do when a unit no longer answers."""

    ALARM = "alarm"  # say so, change nothing
    CARRY_ON = "carry on"  # on battery: go on along the lower bound
    STOP = "stop"  # after the set time, bring what it feeds to rest


@dataclass(frozen=True, slots=True)
class OutputControl:
    """How a unit's own output may be switched, RFC 1628 section 4.8; in s.

    Attributes:
        drops_after_s: from the moment that it is armed until it drops.
        off_for_s: how long it stays off at the least.
        unmetered: arm it though the unit does not measure its load, so that nobody can tell whether
            something hangs on it that the file does not list.
    """

    drops_after_s: float = 120.0
    off_for_s: float = 60.0
    unmetered: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """One backup unit.

    Attributes:
        flicker_s: how long it must be on battery before that counts as an outage.
        lost_after_s: seconds without an answer until it counts as lost.
        when_lost_on_mains, when_lost_on_battery: what to do then; STOP acts lost_stop_after_s
            after the unit was lost.
        min_load_w: on battery it switches itself off under a lesser load; 0 = it does not.
        path: devices that the agent reaches it through.
        output: how its output may be switched; None = never.
    """

    name: str
    rating_va: float
    rating_w: float
    battery: Battery
    flicker_s: float = 10.0
    lost_after_s: float = 30.0
    lost_stop_after_s: float = 120.0
    when_lost_on_mains: WhenLost = WhenLost.ALARM
    when_lost_on_battery: WhenLost = WhenLost.CARRY_ON
    min_load_w: float = 0.0
    path: tuple[str, ...] = ()
    output: OutputControl | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a site lies, in degrees; north and east are positive."""

    latitude: float
    longitude: float


@dataclass(frozen=True, slots=True)
class Site:
    """One premises.

    Attributes:
        reserve: share of the lower bound kept back for what holds data, 0 <= reserve < 1.
        mains_steady_s: how long mains must be back before devices are started.
        return_charge: charge (share 0..1) a unit must report, where it does, before then.
        floor_after_s: seconds on battery after which the floor stops everything, should the
            planning code itself fail.
        horizon_s: how long an outage is planned for; an hour beyond it is worth nothing.
        patience_s: in the first so many seconds nothing is given up for the sake of another.
        way_out: devices that notices go through on their way out of the site.
        notices_s: how long these wait, at most, for notices to get out before they are stopped.
    """

    name: str
    units: Mapping[str, Unit]
    devices: Mapping[str, Device]
    reserve: float = 0.2
    mains_steady_s: float = 120.0
    return_charge: float = 0.3
    floor_after_s: float = 300.0
    horizon_s: float = 8 * 3600.0
    patience_s: float = 120.0
    way_out: frozenset[str] = frozenset()
    notices_s: float = 0.0


class OutputSource(IntEnum):
    """upsOutputSource of RFC 1628, numbered as the object's definition has it."""

    OTHER = 1
    NONE = 2
    NORMAL = 3
    BYPASS = 4
    BATTERY = 5
    BOOSTER = 6
    REDUCER = 7


class BatteryStatus(IntEnum):
    """upsBatteryStatus of RFC 1628."""

    UNKNOWN = 1
    NORMAL = 2
    LOW = 3
    DEPLETED = 4


class Alarm(StrEnum):
    """The well-known alarms of RFC 1628 section 4.6, by their RFC names."""

    BATTERY_BAD = "upsAlarmBatteryBad"
    ON_BATTERY = "upsAlarmOnBattery"
    LOW_BATTERY = "upsAlarmLowBattery"
    DEPLETED_BATTERY = "upsAlarmDepletedBattery"
    TEMP_BAD = "upsAlarmTempBad"
    INPUT_BAD = "upsAlarmInputBad"
    OUTPUT_BAD = "upsAlarmOutputBad"
    OUTPUT_OVERLOAD = "upsAlarmOutputOverload"
    ON_BYPASS = "upsAlarmOnBypass"
    BYPASS_BAD = "upsAlarmBypassBad"
    OUTPUT_OFF_AS_REQUESTED = "upsAlarmOutputOffAsRequested"
    UPS_OFF_AS_REQUESTED = "upsAlarmUpsOffAsRequested"
    CHARGER_FAILED = "upsAlarmChargerFailed"
    UPS_OUTPUT_OFF = "upsAlarmUpsOutputOff"
    UPS_SYSTEM_OFF = "upsAlarmUpsSystemOff"
    FAN_FAILURE = "upsAlarmFanFailure"
    FUSE_FAILURE = "upsAlarmFuseFailure"
    GENERAL_FAULT = "upsAlarmGeneralFault"
    DIAGNOSTIC_TEST_FAILED = "upsAlarmDiagnosticTestFailed"
    COMMUNICATIONS_LOST = "upsAlarmCommunicationsLost"
    AWAITING_POWER = "upsAlarmAwaitingPower"
    SHUTDOWN_PENDING = "upsAlarmShutdownPending"
    SHUTDOWN_IMMINENT = "upsAlarmShutdownImminent"
    TEST_IN_PROGRESS = "upsAlarmTestInProgress"


@dataclass(frozen=True, slots=True)
class Reading:
    """What one poll of a backup unit said, in SI units; None = absent.

    Attributes:
        at: site time of the answer, s.
        runtime_s: upsEstimatedMinutesRemaining as seconds.
        charge, load_share: shares 0..1 (load up to 2).
        output_w: true power over all output lines.
        uptime_s: sysUpTime of the unit's SNMP agent.
        doubts: fields that are not to be trusted alone, each with the reason.
    """

    unit: str
    at: float
    output_source: OutputSource | None = None
    battery_status: BatteryStatus | None = None
    on_battery_s: float | None = None
    runtime_s: float | None = None
    charge: float | None = None
    battery_v: float | None = None
    output_w: float | None = None
    load_share: float | None = None
    line_bads: int | None = None
    uptime_s: float | None = None
    alarms: frozenset[Alarm] = frozenset()
    doubts: Mapping[str, str] = field(default_factory=dict)

    def trusted(self, name: str) -> float | None:
        """Return the numeric field *name*, or None where it is absent or in doubt."""
        value: float | None = getattr(self, name)
        return None if name in self.doubts or value is None or math.isnan(value) else value


class Task(StrEnum):
    """What an order asks for."""

    REST = "rest"  # quiesce, stop, verify
    START = "start"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: a sentence for the site's owner, and the numbers behind it.

    Attributes:
        code: stable word for machines, such as "latest_safe_start".
        figures: the numbers that the sentence was made from, in SI units.
    """

    code: str
    sentence: str
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Order:
    """One instruction to one device.

    Attributes:
        deadline_at: site time by which its outcome must be there.
        in_short: drop what is optional, since time is short.
    """

    device: str
    task: Task
    deadline_at: float
    reason: Reason
    in_short: bool = False
