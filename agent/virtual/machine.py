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
        stop_s: from the order to power off until it is off, once its files are closed.
        hush_s: how long before it is off its network has fallen silent; disks are still written.
        start_s: from power on until it serves.
        starts_with_power: whether it starts when its feed comes back, as some are set to.
        mac: hardware address that wakes it, "" where nothing does.
    """

    name: str
    role: Role
    watts: float
    standby_w: float = 1.0
    stop_s: float = 20.0
    hush_s: float = 0.0
    start_s: float = 45.0
    starts_with_power: bool = False
    mac: str = ""


@dataclass(frozen=True, slots=True)
class Files:
    """The files that a machine records into.

    Attributes:
        streams: how many are open while it records: one a camera.
        closing_s: how long closing all of them takes.
    """

    streams: int = 2
    closing_s: float = 8.0


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
        self._loop: asyncio.AbstractEventLoop = asyncio.get_running_loop()
        self._face = face
        self._on_change = on_change
        self._timers: list[asyncio.TimerHandle] = []

    @property
    def watts(self) -> float:
        """What it draws now, in W."""
        if not self.powered:
            return 0.0
        return self.nature.standby_w if self.phase is Phase.OFF else self.nature.watts

    @property
    def is_running(self) -> bool:
        """Whether it runs, and serves what it serves."""
        return self.phase is Phase.RUNNING

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
        off_s = self._closing_s() + self.nature.stop_s
        self._after(max(0.0, off_s - self.nature.hush_s), self._hide)
        self._after(off_s, self._is_off)

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
        self._cancel()
        self.phase = Phase.STARTING
        self._after(self.nature.start_s, self._is_on)
        self._on_change()

    def _is_on(self) -> None:
        self.phase = Phase.RUNNING
        self._show()
        self._on_change()

    def _is_off(self) -> None:
        self._cancel()
        self.phase = Phase.OFF
        self.fate.off_at = self.fate.off_at or self._loop.time()
        self._hide()
        self._on_change()

    def _after(self, seconds: float, then: Callable[[], None]) -> None:
        self._timers.append(self._loop.call_later(seconds, then))

    def _cancel(self) -> None:
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()


class RecordingMachine(Machine):
    """A machine that records into files, which take their time to close.

    Power that goes before they are closed leaves them damaged. It records from the beginning.
    """

    def __init__(
        self, nature: Nature, face: Face | None, files: Files, *, on_change: Callable[[], None]
    ) -> None:
        """Build it recording into *files*; the rest is as in Machine."""
        super().__init__(nature, face, on_change=on_change)
        self.files = files
        self._closed: asyncio.TimerHandle | None = None
        self.recording = True
        self.open_files = files.streams
        self.damaged = False

    def stop_recording(self) -> None:
        """Close the files, from now on, and record no more."""
        if not self.recording:
            return
        self.recording = False
        self._closed = self._loop.call_later(self.files.closing_s, self._files_closed)

    def start_recording(self) -> None:
        """Open new files and record; what was still being closed is closed at once."""
        self._forget_closing()
        self.recording, self.open_files = True, self.files.streams

    def power_off(self) -> None:
        """Close the files, then power off."""
        if self.phase is Phase.RUNNING:
            self.stop_recording()
        super().power_off()

    def power_goes(self) -> None:
        """Lose power; files that are open are damaged."""
        if self.powered and self.open_files:
            self.damaged = True
        super().power_goes()
        self._forget_closing()
        self.recording, self.open_files = False, 0

    def close(self) -> None:
        """Let go of every timer and socket; safe to call twice."""
        self._forget_closing()
        super().close()

    def _closing_s(self) -> float:
        return 0.0 if self._closed is None else max(0.0, self._closed.when() - self._loop.time())

    def _damage(self) -> str:
        if self.open_files:
            return f"its power went with {self.open_files} recordings open"
        return super()._damage()

    def _is_on(self) -> None:
        super()._is_on()
        self.start_recording()

    def _files_closed(self) -> None:
        self._closed, self.open_files = None, 0
        if self.fate.quiesced_at is None:
            self.fate.quiesced_at = self._loop.time()

    def _forget_closing(self) -> None:
        if self._closed is not None:
            self._closed.cancel()
            self._closed = None
