"""A machine of the virtual site: its power, its phases, and what losing power does to it.

What it serves, and over which protocol, is its face: opened when it runs, really closed when it
does not. All durations are the loop's, and so virtual.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from policies.model import HOLDS_DATA, Role


class Phase(StrEnum):
    """What a machine is doing."""

    OFF = "off"
    STARTING = "starting"
    RUNNING = "running"
    STOPPING = "stopping"


class Face(Protocol):
    """What a machine shows to the network while it runs."""

    def open(self) -> None:
        """Listen, at the same address and port each time."""
        ...

    def close(self) -> None:
        """Stop listening and break every connection off, at once; safe to call twice."""
        ...


@dataclass(frozen=True, slots=True)
class Nature:
    """What a machine is.

    Attributes:
        watts: draw at its plug while it is on in any phase, without what it feeds.
        standby_w: draw while it is off and its feed is not; what keeps its network card listening.
        stop_s: from the order to power off until it is off, its files closed before.
        start_s: from power on until it serves.
        starts_with_power: whether it starts when its feed comes back, as some are set to.
        mac: hardware address that wakes it, "" where nothing does.
    """

    name: str
    role: Role
    watts: float
    standby_w: float = 1.0
    stop_s: float = 20.0
    start_s: float = 45.0
    starts_with_power: bool = False
    mac: str = ""


@dataclass(slots=True)
class Fate:
    """What truly happened to a machine, in loop time; None = it did not happen.

    Attributes:
        told_at: when it was first told to power off.
        quiesced_at: since when its files have been closed.
        off_at: when it went off in order.
        lost_at: when its power went, whatever it was doing.
        damage: what was lost with the power, "" where nothing was.
    """

    told_at: float | None = None
    quiesced_at: float | None = None
    off_at: float | None = None
    lost_at: float | None = None
    damage: str = ""

    @property
    def rest_at(self) -> float | None:
        """When it came to rest: off in order, or at least quiesced or without power, unharmed."""
        if self.damage:
            return None
        return next(
            (t for t in (self.off_at, self.quiesced_at, self.lost_at) if t is not None), None
        )


class Machine:
    """A machine that runs from the beginning, on power that is there."""

    def __init__(self, nature: Nature, face: Face | None, *, on_change: Callable[[], None]) -> None:
        """Build it running; `open` shows its face.

        Args:
            nature: what it is.
            face: what it serves, None for a machine that nobody talks to.
            on_change: called whenever its draw, or what it feeds, may have changed.
        """
        self.nature = nature
        self.phase = Phase.RUNNING
        self.powered = True
        self.fate = Fate()
        self._loop = asyncio.get_running_loop()
        self._face = face
        self._on_change = on_change
        self._next: asyncio.TimerHandle | None = None

    @property
    def watts(self) -> float:
        """What it draws now, in W."""
        if not self.powered:
            return 0.0
        return self.nature.standby_w if self.phase is Phase.OFF else self.nature.watts

    def open(self) -> None:
        """Show its face for the first time."""
        self._show()

    def close(self) -> None:
        """Let go of every timer and socket; safe to call twice."""
        self._cancel()
        self._hide()

    def power_off(self) -> None:
        """Obey an order to power off, in order; more orders of the kind change nothing."""
        if self.phase is not Phase.RUNNING:
            return
        self.fate.told_at = self.fate.told_at or self._loop.time()
        self.phase = Phase.STOPPING
        self._after(self._closing_s() + self.nature.stop_s, self._is_off)

    def wake(self) -> None:
        """Start, if it is off and its feed is there: the magic packet has come."""
        if self.phase is Phase.OFF and self.powered:
            self._start()

    def power_goes(self) -> None:
        """Lose power in the midst of whatever it is doing."""
        if not self.powered:
            return
        now = self._loop.time()
        if self.fate.lost_at is None:
            self.fate.lost_at = now
            self.fate.damage = self._damage()
        self._cancel()
        self._hide()
        self.powered, self.phase = False, Phase.OFF

    def power_comes(self) -> None:
        """Have its feed back; it starts if it is set to."""
        if self.powered:
            return
        self.powered = True
        if self.nature.starts_with_power:
            self._start()

    def _closing_s(self) -> float:
        """How long closing files takes from now on, in s."""
        return 0.0

    def _damage(self) -> str:
        """What losing power this very moment costs, "" for nothing."""
        if self.phase is Phase.OFF or self.nature.role not in HOLDS_DATA:
            return ""
        return f"its power went while it was {self.phase}"

    def _show(self) -> None:
        if self._face is not None:
            self._face.open()

    def _hide(self) -> None:
        if self._face is not None:
            self._face.close()

    def _start(self) -> None:
        self.phase = Phase.STARTING
        self._after(self.nature.start_s, self._is_on)
        self._on_change()

    def _is_on(self) -> None:
        self.phase = Phase.RUNNING
        self._show()

    def _is_off(self) -> None:
        self.phase = Phase.OFF
        self.fate.off_at = self.fate.off_at or self._loop.time()
        self._hide()
        self._on_change()

    def _after(self, seconds: float, then: Callable[[], None]) -> None:
        self._cancel()
        self._next = self._loop.call_later(seconds, then)

    def _cancel(self) -> None:
        if self._next is not None:
            self._next.cancel()
            self._next = None
