"""What the service manager is told: that the agent decides, how the site is, that it still works.

The protocol is sd_notify(3): lines of NAME=value in one datagram to the Unix socket that
NOTIFY_SOCKET names; sd_watchdog_enabled(3) says how often it wants to hear WATCHDOG=1. Both are a
few lines, and come with systemd's own manual pages; no library is needed.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Mapping
from typing import Protocol

import structlog

from agent.health import Health
from drivers.base import Clock

log = structlog.get_logger()

READY_LOOK_S = 0.1
"""How often it is looked whether the first decision was made, in s."""

BEAT_S = 5.0
"""Longest between two words to the service manager, in s; a shorter watchdog has it more often."""

STATUS_MOST = 300
"""Characters of the status that are kept: it is shown on one line."""


class Manager(Protocol):
    """Who is told; watchdog_s is how often it wants to hear, in s, None = it does not."""

    @property
    def watchdog_s(self) -> float | None:
        """Return the longest time without a word after which the service is ended."""
        ...

    def tell(self, **fields: str) -> None:
        """Say NAME=value, all in one datagram; never waits, never raises."""
        ...


class ServiceManager:
    """The manager that started this process.

    Attributes:
        address: of its socket, as in NOTIFY_SOCKET; "@" begins an abstract one.
    """

    def __init__(self, address: str, *, watchdog_s: float | None = None) -> None:
        self.address = address
        self._watchdog_s = watchdog_s
        self._has_failed = False

    @classmethod
    def of(
        cls, env: Mapping[str, str] = os.environ, *, pid: int | None = None
    ) -> ServiceManager | None:
        """Return the one that the environment names; None where nobody listens.

        Args:
            env: NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID count.
            pid: this process; None = ask the system.
        """
        address = env.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")) or len(address) < 2:
            return None
        return cls(address, watchdog_s=_watchdog_s(env, os.getpid() if pid is None else pid))

    @property
    def watchdog_s(self) -> float | None:
        """Return the longest time without a word after which the service is ended, in s."""
        return self._watchdog_s

    def tell(self, **fields: str) -> None:
        """Say NAME=value, all in one datagram; one that cannot be sent is logged once."""
        text = "\n".join(f"{name}={' '.join(value.split())}" for name, value in fields.items())
        name = f"\0{self.address[1:]}" if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as door:
                door.setblocking(False)
                door.sendto(text.encode(), name)
        except OSError as error:
            if not self._has_failed:
                log.warning("failed_notify", address=self.address, why=error.strerror)
            self._has_failed = True
        else:
            self._has_failed = False


def _watchdog_s(env: Mapping[str, str], pid: int) -> float | None:
    """Return what WATCHDOG_USEC says, in s, unless WATCHDOG_PID means another process."""
    wanted, meant = env.get("WATCHDOG_USEC", ""), env.get("WATCHDOG_PID", str(pid))
    if not (wanted.isascii() and wanted.isdigit()) or int(wanted) <= 0 or meant != str(pid):
        return None
    return int(wanted) / 1e6


class Reporting:
    """Tells the service manager of one agent: READY=1, STATUS=, WATCHDOG=1, STOPPING=1.

    READY=1 follows the first decision. The watchdog is fed by the agent's own judgement alone: a
    unit's polling, or the deciding, that did not turn when it was due starves it.
    """

    def __init__(
        self,
        manager: Manager,
        *,
        clock: Clock,
        has_decided: Callable[[], bool],
        health: Callable[[], Health],
        status: Callable[[], str],
    ) -> None:
        self._manager = manager
        self._clock = clock
        self._has_decided = has_decided
        self._health = health
        self._status = status

    async def run(self) -> None:
        """Say that it is ready, then how it is, for as long as it lives."""
        while not self._has_decided():
            await self._clock.sleep(READY_LOOK_S)
        self._manager.tell(READY="1", STATUS=self._status()[:STATUS_MOST])
        watchdog_s = self._manager.watchdog_s
        # sd_watchdog_enabled(3) asks for half the time; a third bears one turn that came late.
        beat_s = BEAT_S if watchdog_s is None else min(BEAT_S, watchdog_s / 3.0)
        was_starving = False
        while True:
            health = self._health()
            fields = {"STATUS": self._text(health)}
            if health.is_turning:
                fields["WATCHDOG"] = "1"
            elif not was_starving:
                log.error("starved_watchdog", why="; ".join(health.stuck))
            was_starving = not health.is_turning
            self._manager.tell(**fields)
            await self._clock.sleep(beat_s)

    async def close(self) -> None:
        """Say that the end has begun."""
        self._manager.tell(STOPPING="1", STATUS="ending; no device is stopped by that")

    def _text(self, health: Health) -> str:
        said = [*health.stuck, *health.failing, self._status(), *health.noted]
        return "; ".join(said)[:STATUS_MOST]
