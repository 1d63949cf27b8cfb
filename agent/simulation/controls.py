"""The control groups of the simulated units, as one run of the agent reaches them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from agent.conduct.unit_control import Control
from agent.errors import BackupUnitError, UnitTrouble
from agent.simulation.gauges import Gauge
from agent.simulation.truth import SiteTruth
from agent.virtual.control_group import AUTO_RESTART, REBOOT, SHUTDOWN, SHUTDOWN_TYPE, STARTUP
from drivers.base import Clock
from drivers.transports.snmp_values import Status

Written = Callable[[str, str, int], None]
"""Called with unit, object and value as a unit takes a SET, before it acts on it."""


class SimulatedControl:
    """One unit's control group; see agent.conduct.unit_control.UnitControl."""

    def __init__(
        self,
        unit: str,
        gauge: Gauge,
        truth: SiteTruth,
        clock: Clock,
        *,
        is_dead: Callable[[], bool],
        on_written: Written,
    ) -> None:
        """Prepare.

        Args:
            unit: its name.
            gauge: its card, which may not answer.
            truth: the site.
            clock: of this run of the agent.
            is_dead: whether that run has ended.
            on_written: told of each SET.
        """
        self._unit = unit
        self._gauge = gauge
        self._truth = truth
        self._clock = clock
        self._is_dead = is_dead
        self._on_written = on_written

    async def read(self, *, deadline_at: float) -> Control:
        """Return what the control group reads."""
        await self._talk(deadline_at)
        group, now = self._truth.plants[self._unit].control, self._truth.now
        return Control(
            shutdown_type=group.read(SHUTDOWN_TYPE, now),
            shutdown_s=group.read(SHUTDOWN, now),
            startup_s=group.read(STARTUP, now),
            reboot_s=group.read(REBOOT, now),
            auto_restart=group.read(AUTO_RESTART, now),
        )

    async def write(self, name: str, value: int, *, deadline_at: float) -> None:
        """Write one object."""
        await self._talk(deadline_at)
        self._on_written(self._unit, name, value)
        status = self._truth.write(self._unit, name, value)
        await self._live()
        if status is not Status.NO_ERROR:
            raise BackupUnitError(
                f'unit "{self._unit}": it says {status.name}',
                trouble=UnitTrouble.REFUSED,
                advice="look at its settings",
            )

    async def _talk(self, deadline_at: float) -> None:
        await self._live()
        await self._gauge.control(self._clock, deadline_at=deadline_at)
        await self._live()

    async def _live(self) -> None:
        if self._is_dead():
            await asyncio.get_running_loop().create_future()  # the dead never go on
