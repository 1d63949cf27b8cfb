"""A site as it truly is: mains, batteries, and devices that write, stop, go dark and come back.

It knows nothing of the agent. Whatever is to happen lies on one heap as plain data, so that a copy
of the whole can be taken at any moment and be ridden on by somebody who knows the future.
"""

from __future__ import annotations

import copy
import heapq
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from agent.virtual.battery import VirtualBattery
from agent.virtual.control_group import ControlGroup
from drivers.transports.snmp_values import Status
from policies.graph import graph_of, writers_of
from policies.model import HOLDS_DATA, MAINS_FEED, Device, Role, Site


class Body(StrEnum):
    """What a device is doing."""

    RUNNING = "running"
    STOPPING = "stopping"
    OFF = "off"  # by its own stop, or for want of power
    BOOTING = "booting"


class What(StrEnum):
    """What can happen to a site."""

    MAINS_FAIL = "mains fail"
    MAINS_RETURN = "mains return"
    BATTERY_END = "battery ends"
    OUTPUT_ON = "output comes on"
    OUTPUT_OFF = "output goes off as it was told to"
    CARD_RESTART = "a unit's card starts anew"
    CELL_DIES = "a cell dies"
    TEST_BEGIN = "a self-test begins"
    TEST_END = "a self-test ends"
    IDLE = "recording has stopped"
    WENT_OFF = "it went off"
    BOOTED = "it runs"
    WAKES = "it starts by itself"
    VANISHES = "its network is gone"
    HURT = "it lost power, or its store, in mid-writing"


@dataclass(frozen=True, slots=True)
class DeviceBuild:
    """What a device truly is.

    Attributes:
        watts: draw while it is not off, in W.
        quiesce_s, stop_s, boot_s: what these truly take from the order on.
        quiet_after: share of stop_s after which its network is gone, though it still writes.
        starts_with_power: it boots when power comes; set up in its firmware.
        stays_idle: a recording that was stopped stays so over a power cycle.
    """

    watts: float
    quiesce_s: float
    stop_s: float
    boot_s: float
    quiet_after: float = 0.7
    starts_with_power: bool = True
    stays_idle: bool = False


@dataclass(slots=True)
class Machine:
    """One device at one moment.

    Attributes:
        stamp: grows when what was begun is overtaken, so that its end no longer counts.
        quiet_at: while it stops: when its network goes.
        vanished: its network is gone for good, and it goes on all the same.
        is_cut: the port that feeds it is switched off.
        settles: a recorder that nothing can be told, while it writes out what it still holds.
        hurt_at: when it last lost power, or what it writes to, in mid-writing.
        recorded_s: for how long it has recorded so far; recording_at: since when it records now.
    """

    device: Device
    build: DeviceBuild
    body: Body = Body.RUNNING
    has_power: bool = True
    is_idle: bool = False
    stamp: int = 0
    quiet_at: float = math.inf
    vanished: bool = False
    is_cut: bool = False
    settles: bool = False
    hurt_at: float | None = None
    recorded_s: float = 0.0
    recording_at: float | None = None

    @property
    def is_writing(self) -> bool:
        """Whether losing power now would do harm."""
        return (
            self.device.role in HOLDS_DATA
            and self.body in (Body.RUNNING, Body.STOPPING)
            and not self.is_idle
        )

    @property
    def serves(self) -> bool:
        """Whether it does what it is there for."""
        return self.has_power and self.body is Body.RUNNING and not self.is_idle

    @property
    def gives_power(self) -> bool:
        """Whether what it feeds has power."""
        return self.has_power and self.body in (Body.RUNNING, Body.STOPPING)

    def recorded_until(self, at: float) -> float:
        """Return for how long it had recorded by then."""
        return self.recorded_s + (0.0 if self.recording_at is None else at - self.recording_at)


@dataclass(slots=True)
class Plant:
    """One backup unit at one moment.

    Attributes:
        output: whether its outputs have power.
        failed_at: when its mains failed; None while it is there. returned_at: when it came back.
        begun_at: since when it has been on battery, for whatever reason; None while it is not.
        mode: what its battery does: carries, charges, rests, or charges before the output wakes.
        restart_s: what it takes to put its output on again when mains is back.
        bads: how often its mains failed.
        control: its control group.
        unlisted_w: what hangs on it and is not in the site's file, in W.
        due_at: when its control group was last to be asked again.
    """

    battery: VirtualBattery
    restart_s: float
    output: bool = True
    failed_at: float | None = None
    returned_at: float = -math.inf
    begun_at: float | None = None
    is_testing: bool = False
    stamp: int = 0
    mode: str = ""
    load_w: float = 0.0
    bads: int = 0
    control: ControlGroup = field(default_factory=ControlGroup)
    unlisted_w: float = 0.0
    due_at: float = math.inf

    @property
    def mains(self) -> bool:
        """Whether mains is there."""
        return self.failed_at is None

    @property
    def is_on_battery(self) -> bool:
        """Whether its output runs on its battery."""
        return self.output and (not self.mains or self.is_testing)


Listener = Callable[[What, str, float], None]
Entry = tuple[float, int, What, str, float, int]
"""When, in which order, what, to whom, how much, and the stamp it was begun under."""


class SiteTruth:
    """The whole site; time moves only by `advance`.

    Attributes:
        now: how far it has come, in loop seconds.
        listener: told what happened to whom, as it happens: only ends, losses and returns.
    """

    def __init__(
        self,
        site: Site,
        plants: Mapping[str, Plant],
        builds: Mapping[str, DeviceBuild],
    ) -> None:
        """Start with everything running on mains.

        Args:
            site: its devices in an order in which each uses only earlier ones.
            plants: by unit.
            builds: by device.
        """
        self.site = site
        self.now = 0.0
        self.plants = dict(plants)
        self.machines = {name: Machine(site.devices[name], builds[name]) for name in site.devices}
        self.mains_feed = True
        self.listener: Listener | None = None
        self.on_sooner: Callable[[float], None] | None = None
        self._heap: list[Entry] = []
        self._count = 0
        self._paths = {name: _path_of(site, name) for name in site.devices}
        self._needs = _needed_by(site)
        self._writers = {
            name: writers_of(site, name) for name, d in site.devices.items() if d.by_writers
        }
        for machine in self.machines.values():
            self._note_recording(machine)
        self._settle()

    def copy(self) -> SiteTruth:
        """Return the same site at the same moment, to be ridden on apart from this one."""
        other = copy.copy(self)
        other.plants = {name: _copied(plant) for name, plant in self.plants.items()}
        other.machines = {name: copy.copy(machine) for name, machine in self.machines.items()}
        other._heap = list(self._heap)
        other.listener = other.on_sooner = None
        return other

    # Time

    @property
    def next_at(self) -> float:
        """When the next thing happens; inf if nothing is to come."""
        return self._heap[0][0] if self._heap else math.inf

    def plan(self, at: float, what: What, name: str, value: float = 0.0) -> None:
        """Have something happen at *at*."""
        self._push(at, what, name, value, -1)

    def advance(self, to: float) -> None:
        """Let everything happen that is due by *to*."""
        while self._heap and self._heap[0][0] <= to:
            at, _, what, name, value, stamp = heapq.heappop(self._heap)
            self.now = max(self.now, at)
            self._happen(what, name, value, stamp)
        self.now = max(self.now, to)

    def _push(self, at: float, what: What, name: str, value: float, stamp: int) -> None:
        self._count += 1
        heapq.heappush(self._heap, (at, self._count, what, name, value, stamp))
        if self.on_sooner is not None:
            self.on_sooner(at)

    # What devices are told

    def answers(self, name: str) -> bool:
        """Whether the device can be spoken with from the agent's box."""
        machine = self.machines[name]
        return (
            machine.has_power
            and not machine.vanished
            and (
                machine.body is Body.RUNNING
                or (machine.body is Body.STOPPING and self.now < machine.quiet_at)
            )
            and self.is_path_up(name)
        )

    def is_path_up(self, name: str) -> bool:
        """Whether everything between the agent and the device is up."""
        machines = self.machines
        return all(
            machines[via].has_power and machines[via].body is Body.RUNNING
            for via in self._paths[name]
        )

    def quiesce(self, name: str) -> None:
        """The device hears that it is to stop recording."""
        machine = self.machines[name]
        if machine.body is Body.RUNNING and not machine.is_idle:
            self._push(self.now + machine.build.quiesce_s, What.IDLE, name, 0.0, machine.stamp)

    def stop(self, name: str) -> None:
        """The device hears that it is to stop; again does no more."""
        machine = self.machines[name]
        if machine.body is not Body.RUNNING or not machine.has_power:
            return
        machine.body = Body.STOPPING
        machine.stamp += 1
        machine.quiet_at = self.now + machine.build.quiet_after * machine.build.stop_s
        self._push(self.now + machine.build.stop_s, What.WENT_OFF, name, 0.0, machine.stamp)
        self._note_recording(machine)

    def draws(self, watts: Mapping[str, float]) -> None:
        """From now on these devices draw so much, in W, as lights do at dusk."""
        for name, drawn_w in watts.items():
            machine = self.machines[name]
            machine.build = replace(machine.build, watts=drawn_w)
        self._settle()

    def start(self, name: str) -> None:
        """The device hears that it is to start, or to record again; or has its power again."""
        machine = self.machines[name]
        if machine.is_cut and machine.device.is_cut:
            self.uncut(name)
        if not machine.has_power:
            return
        if machine.body is Body.OFF:
            self._boot(machine)
        elif machine.body is Body.RUNNING and machine.is_idle:
            machine.is_idle = False
            machine.stamp += 1
            self._note_recording(machine)
        self._settle()

    def cut(self, name: str) -> None:
        """The port that feeds the device is switched off."""
        self.machines[name].is_cut = True
        self._settle()

    def uncut(self, name: str) -> None:
        """The port that feeds the device is switched on."""
        self.machines[name].is_cut = False
        self._settle()

    def write(self, unit: str, name: str, value: int) -> Status:
        """A unit takes one SET of its control group."""
        status = self.plants[unit].control.write(name, value, self.now)
        self._settle()
        return status

    # What happens

    def _happen(self, what: What, name: str, value: float, stamp: int) -> None:
        if name in self.machines:
            machine = self.machines[name]
            if stamp not in (-1, machine.stamp):
                return
            self._happen_to_device(what, machine)
        elif name == MAINS_FEED:
            self.mains_feed = what is What.MAINS_RETURN
        else:
            plant = self.plants[name]
            if stamp not in (-1, plant.stamp):
                return
            self._happen_to_unit(what, plant, name, value)
        self._settle()
        if what not in (What.OUTPUT_ON, What.OUTPUT_OFF):  # told as they come about
            self._tell(what, name)

    def _happen_to_device(self, what: What, machine: Machine) -> None:
        match what:
            case What.IDLE:
                machine.is_idle = True
            case What.WENT_OFF:
                machine.body = Body.OFF
                self._leave_writers(machine.device.name)
            case What.BOOTED:
                machine.body = Body.RUNNING
                machine.is_idle = machine.is_idle and machine.build.stays_idle
            case What.WAKES:
                if machine.body is Body.OFF and machine.has_power:
                    self._boot(machine)
            case What.VANISHES:
                machine.vanished = True
        self._note_recording(machine)

    def _happen_to_unit(self, what: What, plant: Plant, name: str, value: float) -> None:
        match what:
            case What.MAINS_FAIL if plant.mains:
                plant.failed_at = self.now
                plant.bads += 1
                if plant.begun_at is None:
                    plant.begun_at = self.now
                plant.control.mains_failed(output=plant.output)
            case What.MAINS_RETURN if not plant.mains:
                plant.failed_at, plant.returned_at, plant.begun_at = None, self.now, None
            case What.CARD_RESTART:
                plant.control.card_restarted()
            case What.BATTERY_END if plant.is_on_battery:
                # A battery that cannot carry its own test: mains takes the load back.
                plant.output, plant.is_testing, plant.begun_at = plant.mains, False, None
                if not plant.output:
                    plant.control.went_off(mains=False)
            case What.CELL_DIES:
                plant.battery.lose(value, at=self.now)
                plant.mode = ""  # so that its end is reckoned anew
            case What.TEST_BEGIN if plant.mains and plant.output:
                plant.is_testing, plant.begun_at = True, self.now
            case What.TEST_END if plant.is_testing:
                plant.is_testing = False
                if plant.mains:
                    plant.begun_at = None

    def _boot(self, machine: Machine) -> None:
        machine.body = Body.BOOTING
        machine.stamp += 1
        at = self.now + machine.build.boot_s
        self._push(at, What.BOOTED, machine.device.name, 0.0, machine.stamp)

    def _leave_writers(self, name: str) -> None:
        """Hurt what still writes to a store, or through a PC, that has just gone."""
        for user in self._needs[name]:
            machine = self.machines[user]
            if machine.is_writing and machine.has_power:
                self._hurt(machine)

    def _hurt(self, machine: Machine) -> None:
        machine.hurt_at = self.now
        if self.listener is not None:
            self.listener(What.HURT, machine.device.name, self.now)

    # What follows from it

    def _settle(self) -> None:
        """Work out who has power, and what each battery carries."""
        for name, plant in self.plants.items():
            self._follow(name, plant)
        machines = self.machines
        for machine in machines.values():
            had = machine.has_power
            machine.has_power = not machine.is_cut and any(map(self._gives, machine.device.feeds))
            if had and not machine.has_power:
                self._lose_power(machine)
            elif machine.has_power and not had and machine.build.starts_with_power:
                self._boot(machine)
        for name, writers in self._writers.items():
            self._follow_writers(machines[name], [machines[writer] for writer in writers])
        loads = {name: plant.unlisted_w for name, plant in self.plants.items()}
        for machine in machines.values():
            if machine.has_power and machine.body is not Body.OFF:
                self._add_load(loads, machine.device, machine.build.watts)
        for name, plant in self.plants.items():
            self._carry(name, plant, loads[name])

    def _follow(self, name: str, plant: Plant) -> None:
        """Switch an output as its control group asks now, and see to it that it is asked again."""
        restart_s, mains_at = plant.restart_s, plant.returned_at
        wanted = plant.control.wanted(
            self.now, mains=plant.mains, output=plant.output, restart_s=restart_s, mains_at=mains_at
        )
        if wanted != plant.output:
            self._tell(What.OUTPUT_ON if wanted else What.OUTPUT_OFF, name)
            plant.output, plant.is_testing = wanted, False
            plant.begun_at = self.now if wanted and not plant.mains else None
        due_at = plant.control.next_at(
            mains=plant.mains, output=plant.output, restart_s=restart_s, mains_at=mains_at
        )
        if due_at != plant.due_at and due_at < math.inf:
            what = What.OUTPUT_OFF if plant.output else What.OUTPUT_ON
            self._push(max(due_at, self.now), what, name, 0.0, -1)
        plant.due_at = due_at

    def _follow_writers(self, machine: Machine, writers: Sequence[Machine]) -> None:
        """A recorder that nothing can be told is idle a while after the last picture has come."""
        if machine.body is not Body.RUNNING:
            machine.settles = False
        elif any(writer.has_power and writer.body is not Body.OFF for writer in writers):
            if machine.settles or machine.is_idle:
                machine.stamp += 1
            machine.settles = machine.is_idle = False
            self._note_recording(machine)
        elif writers and not machine.settles and not machine.is_idle:
            machine.settles = True
            idle_at = self.now + machine.build.quiesce_s
            self._push(idle_at, What.IDLE, machine.device.name, 0.0, machine.stamp)

    def _gives(self, feed: str) -> bool:
        if feed in self.machines:
            return self.machines[feed].gives_power
        return self.mains_feed if feed == MAINS_FEED else self.plants[feed].output

    def _lose_power(self, machine: Machine) -> None:
        name = machine.device.name
        if machine.is_writing:
            self._hurt(machine)
        machine.stamp += 1
        if machine.body is not Body.OFF:
            machine.body = Body.OFF
            self._leave_writers(name)
        machine.is_idle = machine.is_idle and machine.build.stays_idle
        machine.quiet_at = math.inf
        self._note_recording(machine)
        self._tell(What.WENT_OFF, name)

    def _add_load(self, loads: dict[str, float], device: Device, watts: float) -> None:
        live = [feed for feed in device.feeds if self._gives(feed)]
        for feed in live:
            if feed in loads:
                loads[feed] += watts / len(live)
            elif feed in self.machines:
                self._add_load(loads, self.machines[feed].device, watts / len(live))

    def _carry(self, name: str, plant: Plant, load_w: float) -> None:
        if plant.is_on_battery:
            mode = "carries"
        elif plant.mains:
            mode = "charges" if plant.output else "wakes"
        else:
            mode = "rests"
        if (mode, load_w) == (plant.mode, plant.load_w):
            return
        plant.mode, plant.load_w = mode, load_w
        plant.stamp += 1
        battery = plant.battery
        match mode:
            case "carries":
                battery.carry(load_w, at=self.now)
                ends_at = max(self.now, battery.ends_at)
                self._push(ends_at, What.BATTERY_END, name, 0.0, plant.stamp)
            case "charges":
                battery.charge(load_w, at=self.now)
            case "wakes":
                battery.charge(0.0, at=self.now)
            case _:
                battery.rest(at=self.now)

    def _note_recording(self, machine: Machine) -> None:
        records = machine.device.role is Role.RECORDER and machine.serves
        if records and machine.recording_at is None:
            machine.recording_at = self.now
        elif not records and machine.recording_at is not None:
            machine.recorded_s += self.now - machine.recording_at
            machine.recording_at = None

    def _tell(self, what: What, name: str) -> None:
        if self.listener is not None:
            self.listener(what, name, self.now)


def _copied(plant: Plant) -> Plant:
    other = copy.copy(plant)
    other.battery = copy.copy(plant.battery)
    other.control = copy.copy(plant.control)
    return other


def _path_of(site: Site, name: str) -> tuple[str, ...]:
    """All network devices between the agent and the device, the agent's own box with them."""
    boxes = (n for n, d in site.devices.items() if d.role is Role.AGENT_BOX and n != name)
    found: dict[str, None] = dict.fromkeys(boxes)
    waiting = list(site.devices[name].path)
    while waiting:
        via = waiting.pop()
        if via not in found and via in site.devices:
            found[via] = None
            waiting += site.devices[via].path
    return tuple(found)


def _needed_by(site: Site) -> dict[str, tuple[str, ...]]:
    """Device -> those that hold data and cannot write without it."""
    graph = graph_of(site)
    devices = site.devices

    def writes_to(user: str, name: str) -> bool:
        return name in _closure(devices, user) and devices[user].role in HOLDS_DATA

    return {
        name: tuple(sorted(user for user in graph.users[name] if writes_to(user, name)))
        for name in devices
        if devices[name].role in HOLDS_DATA
    } | {name: () for name in devices if devices[name].role not in HOLDS_DATA}


def _closure(devices: Mapping[str, Device], name: str) -> set[str]:
    found: set[str] = set()
    waiting: list[str] = list(devices[name].needs)
    while waiting:
        other = waiting.pop()
        if other in devices and other not in found:
            found.add(other)
            waiting += devices[other].needs
    return found
