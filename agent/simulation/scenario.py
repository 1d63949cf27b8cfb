"""What one seed draws: a site, what it truly is, how it lies and fails, and what mains does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

from agent.simulation.truth import DeviceBuild, What
from agent.virtual.battery import Build, Gauge
from agent.virtual.control_group import Quirk
from drivers.base import Act, Repeat, Stage
from policies.belief import Drawn
from policies.model import Site

Window = tuple[float, float]
"""From when until when, in loop seconds."""


def is_in(windows: tuple[Window, ...], at: float) -> bool:
    """Return whether a moment lies in one of the windows."""
    return any(begin <= at < end for begin, end in windows)


@dataclass(frozen=True, slots=True)
class Manners:
    """How a device's interface behaves.

    Attributes:
        acts: what its driver can do, and how each may be repeated.
        stages: where the site's file names that driver.
        talk_s: what one conversation takes.
        unheard: chance that a request is not heard, and no answer comes.
        dropped, cut: chance that a conversation breaks off after, or before, it was heard.
        hangs: chance that it is heard and nothing ever comes back.
        fails: chance that the driver itself raises.
        garbles: chance that it does as it is told, and answers nonsense.
        refuses, puts_off, is_mute: when it says no, says not yet, or does not answer at all.
        lies: it says done, and does nothing.
    """

    acts: Mapping[Act, Repeat]
    stages: frozenset[Stage]
    talk_s: float = 0.3
    unheard: float = 0.0
    dropped: float = 0.0
    cut: float = 0.0
    hangs: float = 0.0
    fails: float = 0.0
    garbles: float = 0.0
    refuses: tuple[Window, ...] = ()
    puts_off: tuple[Window, ...] = ()
    is_mute: tuple[Window, ...] = ()
    lies: bool = False


class Minutes(StrEnum):
    """How a unit's own estimate of the minutes left goes wrong."""

    GAUGED = "gauged"  # by a simple gauge, wrong in its own way
    ABSENT = "absent"
    STUCK = "stuck"  # at what it was when mains failed
    ROSY = "rosy"  # several times too much
    ZERO = "zero"


class Charge(StrEnum):
    """How a unit's charge goes wrong."""

    GAUGED = "gauged"
    ABSENT = "absent"
    STUCK = "stuck"
    ZERO = "zero"


class Status(StrEnum):
    """How a unit's battery status goes wrong."""

    GAUGED = "gauged"
    NORMAL = "always normal"
    DIPS = "low for a moment at transfer"
    UNKNOWN = "unknown"


class Meter(StrEnum):
    """What a unit says of its load."""

    WATTS = "watts"
    SHARE = "share"
    NOTHING = "nothing"
    ZERO = "zero"


@dataclass(frozen=True, slots=True)
class Quirks:
    """How one unit lies and fails, beside its gauge.

    Attributes:
        low_minutes: its own minutes at which it calls its battery low.
        rosiness: by how much rosy minutes are too many.
        answer_s: what an answer takes.
        unheard: chance that a poll gets no answer.
        silences: when its card says nothing; comms_lost: when it has lost touch with the unit.
        restarts: when its card starts anew.
        odd_at: when a single reading says whatever it likes.
        is_swapped: it numbers its sources by the compliance text of RFC 1628; the file says so.
        counts_seconds: upsSecondsOnBattery is there.
        tells_tests: its alarm TestInProgress is raised in self-tests.
        sends_traps: it sends a notification when mains fails or returns.
    """

    low_minutes: int = 2
    minutes: Minutes = Minutes.GAUGED
    rosiness: float = 1.0
    charge: Charge = Charge.GAUGED
    status: Status = Status.GAUGED
    meter: Meter = Meter.WATTS
    answer_s: float = 0.1
    unheard: float = 0.0
    silences: tuple[Window, ...] = ()
    comms_lost: tuple[Window, ...] = ()
    restarts: tuple[float, ...] = ()
    odd_at: tuple[float, ...] = ()
    is_swapped: bool = False
    counts_seconds: bool = True
    tells_tests: bool = True
    sends_traps: bool = False


class Blow(StrEnum):
    """What ends an agent."""

    AT_TIME = "at a time"
    BEFORE_WRITE = "before a write is durable"
    AFTER_WRITE = "after a write is durable, before anybody knows"
    AFTER_SENDING = "after something was sent, before its answer"
    ASKED = "asked to end"


@dataclass(frozen=True, slots=True)
class Kill:
    """One end of the agent.

    Attributes:
        at: earliest loop time, s.
        count: which write, or which sending, from then on, it is at.
        down_s: until it is started again.
        reboots: its box starts anew: another boot id, monotonic time from zero.
    """

    at: float
    blow: Blow
    count: int = 1
    down_s: float = 3.0
    reboots: bool = False


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that is to happen to the site."""

    at: float
    what: What
    name: str
    value: float = 0.0


@dataclass(frozen=True, slots=True)
class PlantBuild:
    """What a unit truly is; *missing* from a battery that is not full as it begins."""

    build: Build
    gauge: Gauge
    restart_s: float = 5.0
    missing: Drawn = field(default_factory=Drawn)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One ride-through to be.

    Attributes:
        site: as its file has it; devices in an order in which each uses only earlier ones.
        happenings: all that happens by itself, mains included.
        outages: from when until when mains is away somewhere, in order.
        disk_full, disk_slow: when the journal cannot be written, or only slowly.
        disk_s: what a write takes while the disk is slow.
        wall_steps: when, and by how many seconds, the wall clock is set.
        starts_at: when the agent is first started, s.
        start_utc: wall time at loop time 0.
        controls: by unit, where its control differs from the standard's text.
        unlisted_w: by unit, what hangs on it and is not in the file.
        ports: how the switch behaves that a device's power is cut at, as its second way to stop; a
            device whose only stop is a cut has its `manners` for that.
        themes: what kinds of trouble were drawn, for those who look into it.
        notices_out_s: how long a notice takes to get out; infinity = it never does.
    """

    seed: int
    site: Site
    plants: Mapping[str, PlantBuild]
    builds: Mapping[str, DeviceBuild]
    manners: Mapping[str, Manners]
    quirks: Mapping[str, Quirks]
    happenings: tuple[Happening, ...]
    outages: tuple[Window, ...]
    kills: tuple[Kill, ...] = ()
    disk_full: tuple[Window, ...] = ()
    disk_slow: tuple[Window, ...] = ()
    disk_s: float = 1.0
    wall_steps: tuple[tuple[float, float], ...] = ()
    starts_at: float = 10.0
    poll_on_mains_s: float = 10.0
    poll_on_battery_s: float = 5.0
    start_utc: datetime = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)
    controls: Mapping[str, frozenset[Quirk]] = field(default_factory=dict)
    unlisted_w: Mapping[str, float] = field(default_factory=dict)
    ports: Mapping[str, Manners] = field(default_factory=dict)
    themes: frozenset[str] = field(default_factory=frozenset)
    notices_out_s: float = 0.0

    def mains_away(self, unit: str) -> tuple[Window, ...]:
        """Return when one unit is without mains."""
        mine = [happening for happening in self.happenings if happening.name == unit]
        begins = [each.at for each in mine if each.what is What.MAINS_FAIL]
        ends = [each.at for each in mine if each.what is What.MAINS_RETURN]
        return tuple(zip(begins, ends, strict=True))
