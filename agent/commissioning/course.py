"""A drill of the whole site as the journal tells it: mains gone, everything to rest, and back.

It is folded from the journal alone, so that a drill in which the box itself lost its power is gone
on with after that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from policies.events import (
    AgentStarted,
    BoxLeft,
    DeviceSeen,
    Ending,
    Event,
    OrderClosed,
    OrderGiven,
    OutputArmed,
    OutputDropped,
    OutputReturned,
    OutputWithdrawn,
    StepBegan,
    SupplyJudged,
)
from policies.graph import may_be_stopped
from policies.model import HOLDS_DATA, Site, Task
from policies.supply import Supply


class Drill(StrEnum):
    """Which drill: until the output drops, or with mains returning while devices stop."""

    FULL = "full drill"
    SHORT = "drill with mains returning in mid-stop"


class Stage(StrEnum):
    """How far a drill is."""

    BEFORE = "mains is on"
    AWAY = "mains is off"
    RETURN = "mains is to be switched on"
    BACK = "mains is back"


@dataclass(slots=True)
class Fate:
    """What became of one device; times are site times in s.

    Attributes:
        told_at: when its order to rest was given; stopping_at: when its first act began.
        ending: how that order ended, "" = not yet; evidence: what was seen.
        back_at: when it was seen to run again.
    """

    told_at: float | None = None
    stopping_at: float | None = None
    rested_at: float | None = None
    ending: str = ""
    evidence: str = ""
    back_at: float | None = None


@dataclass(slots=True)
class Course:
    """A drill while it is folded.

    Attributes:
        failed_at, mains_at: when mains failed at the first unit, and was back at the last.
        away: units that are without mains now.
        dropped: unit -> when its output dropped; returned: and came back.
        left_at: when the agent's box powered itself off.
        armed: units whose output is about to drop; is_dark: nobody answers any more: it has.
        was_mid_stop: mains came back while a device was stopping.
    """

    site: Site
    drill: Drill
    fates: dict[str, Fate] = field(default_factory=dict)
    failed_at: float | None = None
    mains_at: float | None = None
    away: set[str] = field(default_factory=set)
    dropped: dict[str, float] = field(default_factory=dict)
    returned: dict[str, float] = field(default_factory=dict)
    left_at: float | None = None
    armed: set[str] = field(default_factory=set)
    is_dark: bool = False
    was_mid_stop: bool = False

    def __post_init__(self) -> None:
        """Begin with every device untold."""
        self.fates = {name: Fate() for name in self.site.devices}

    def hear(self, event: Event) -> None:
        """Take in one event; events of devices no longer listed are passed over."""
        self._hear_output(event)
        match event:
            case SupplyJudged(at=at, unit=unit, supply=supply):
                self._judged(at, unit, supply)
            case BoxLeft(at=at):
                self.left_at = at
            case OrderGiven(at=at, order=order) if order.device in self.fates:
                if order.task is Task.REST:
                    self._told(self.fates[order.device], at)
            case StepBegan(at=at, device=name) if name in self.fates:
                fate = self.fates[name]
                if fate.told_at is not None and fate.ending == "" and fate.stopping_at is None:
                    fate.stopping_at = at
            case OrderClosed(device=name) | DeviceSeen(device=name) if name in self.fates:
                self._ended(self.fates[name], event)

    def _hear_output(self, event: Event) -> None:
        match event:
            case OutputArmed(unit=unit):
                self.armed.add(unit)
            case OutputWithdrawn(unit=unit):
                self.armed.discard(unit)
            case AgentStarted(at=at):
                # It went with the box, whose power was about to drop: nobody could note that.
                for unit in self.armed:
                    self.dropped.setdefault(unit, at)
            case OutputDropped(at=at, unit=unit):
                self.dropped.setdefault(unit, at)
            case OutputReturned(at=at, unit=unit):
                self.returned[unit] = at

    def _judged(self, at: float, unit: str, supply: Supply) -> None:
        if supply is Supply.BATTERY:
            self.away.add(unit)
            if self.failed_at is None:
                self.failed_at = at
            self.mains_at = None
        elif supply.has_mains and unit in self.away:
            self.away.discard(unit)
            if not self.away:
                self.mains_at = at
                self.was_mid_stop = self._is_mid_stop

    def _told(self, fate: Fate, at: float) -> None:
        if fate.told_at is None:
            fate.told_at = at
        fate.ending, fate.back_at = "", None

    def _ended(self, fate: Fate, event: OrderClosed | DeviceSeen) -> None:
        if isinstance(event, OrderClosed) and event.task is Task.REST:
            fate.ending, fate.evidence = event.ending.value, event.evidence
            if event.ending is Ending.AT_REST:
                fate.rested_at = event.at
            elif event.ending is Ending.WITHDRAWN:
                fate.back_at = event.at  # it was never stopped
        elif isinstance(event, DeviceSeen) or event.ending is Ending.RUNNING:
            fate.back_at = fate.back_at if fate.told_at is None else event.at

    # What it means

    @property
    def units(self) -> tuple[str, ...]:
        """The units whose output is to drop; () = the site has none."""
        return tuple(name for name, unit in self.site.units.items() if unit.output is not None)

    @property
    def saved(self) -> tuple[str, ...]:
        """The devices that hold data and that an order can bring to rest."""
        return tuple(
            name
            for name, device in self.site.devices.items()
            if device.role in HOLDS_DATA and may_be_stopped(self.site, name) and not device.dry_run
        )

    @property
    def told(self) -> tuple[str, ...]:
        """The devices that were told to come to rest."""
        return tuple(name for name, fate in self.fates.items() if fate.told_at is not None)

    @property
    def stage(self) -> Stage:
        """How far it is."""
        if self.failed_at is None:
            return Stage.BEFORE
        if self.mains_at is not None:
            return Stage.BACK
        return Stage.RETURN if self._is_enough() else Stage.AWAY

    def _is_enough(self) -> bool:
        """Whether mains may return, as far as the drill goes."""
        if self.drill is Drill.SHORT:
            return self._is_mid_stop
        if self.units:
            gone = self.dropped.keys() | (self.armed if self.is_dark else set())
            return gone >= set(self.units)
        return all(self.fates[name].rested_at is not None for name in self.saved)

    @property
    def _is_mid_stop(self) -> bool:
        fates = self.fates.values()
        return any(fate.stopping_at is not None and fate.ending == "" for fate in fates)

    @property
    def waiting_for(self) -> tuple[str, ...]:
        """The devices that were told to come to rest, and are not seen to run again."""
        return tuple(name for name in self.told if self.fates[name].back_at is None)

    def lost(self, name: str) -> str:
        """Why a device that holds data counts as lost; "" where it was saved, or not told."""
        fate = self.fates[name]
        if fate.rested_at is None:
            if self.drill is Drill.SHORT:
                return ""  # mains came first
            return fate.evidence or "it was not brought to rest"
        dropped = [at for at in self.dropped.values() if at < fate.rested_at]
        return "the output dropped before it was at rest" if dropped else ""
