"""Beneath everything a floor: if fold or decide fail, everything is still brought to rest.

Plain lines, no planning: on battery, at the unit's own low battery or after a fixed time, every
device that may be stopped is stopped, each after those that use it. It judges raw readings by
itself, and shares nothing with the policies but their words and the site.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Collection, Iterable, Mapping

import structlog

from agent.conduct.result import Result
from drivers.base import Clock
from policies.events import Ending
from policies.model import (
    Alarm,
    BatteryStatus,
    Device,
    Order,
    OutputSource,
    Reading,
    Reason,
    Role,
    Site,
    Task,
)

log = structlog.get_logger()

SIGNS = 2
"""Consecutive readings that make "on battery", and "low", believed; one reading never is."""

ROUNDS = 5
AGAIN_AFTER_S = 30.0
"""A device that would not stop is told again that often, and after that long."""

_MARGIN_S = 30.0  # what a device's order is given beyond the time that its rest takes


class Floor:
    """Watches raw readings; when it is due, it brings the site to rest."""

    def __init__(
        self,
        site: Site,
        *,
        clock: Clock,
        give: Callable[[Order], Awaitable[Result]],
        is_off: Callable[[str], Awaitable[bool]],
    ) -> None:
        """Prepare; sends nothing.

        Args:
            site: what there is.
            clock: what its times mean.
            give: journals one order, has it carried out, and returns what came of it.
            is_off: whether a device is known to be at rest already.
        """
        self._site = site
        self._clock = clock
        self._give = give
        self._is_off = is_off
        self._battery_at: dict[str, float] = {}
        self._signs: dict[str, int] = {}
        self._lows: dict[str, int] = {}
        self._rounds: dict[str, int] = {}
        self._tried_at: dict[str, float] = {}
        self._rested: set[str] = set()
        self._task: asyncio.Task[None] | None = None

    def hear(self, reading: Reading) -> None:
        """Remember since when the unit has been on battery, and how often it said low."""
        unit, seconds = reading.unit, reading.trusted("on_battery_s") or 0.0
        if reading.output_source is not OutputSource.BATTERY and not (
            Alarm.ON_BATTERY in reading.alarms and seconds > 0.0
        ):
            self._hear_mains(unit)
            return
        self._battery_at.setdefault(unit, reading.at - seconds)
        self._signs[unit] = self._signs.get(unit, 0) + 1
        low = reading.battery_status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
        low = low or not reading.alarms.isdisjoint({Alarm.LOW_BATTERY, Alarm.DEPLETED_BATTERY})
        self._lows[unit] = self._lows.get(unit, 0) + 1 if low else 0

    def _hear_mains(self, unit: str) -> None:
        for memory in (self._battery_at, self._signs, self._lows):
            memory.pop(unit, None)
        if not self._battery_at and not self.is_at_work:
            # The next outage finds everything running again.
            self._rounds.clear()
            self._tried_at.clear()
            self._rested.clear()

    @property
    def is_at_work(self) -> bool:
        """Whether it is bringing devices to rest."""
        return self._task is not None and not self._task.done()

    def due_units(self) -> frozenset[str]:
        """Return the units that are low, or have been on battery for the fixed time."""
        now = self._clock.monotonic()
        return frozenset(
            unit
            for unit, began_at in self._battery_at.items()
            if self._lows[unit] >= SIGNS
            or (self._signs[unit] >= SIGNS and now - began_at >= self._site.floor_after_s)
        )

    def take_if_due(self, reason: Reason) -> None:
        """Begin to bring what hangs on the due units to rest, unless that is under way."""
        if self.is_at_work:
            return
        now, due = self._clock.monotonic(), self.due_units()
        left = [
            name
            for name in _going_down(self._site.devices, due, self._battery_at)
            if name not in self._rested
            and self._rounds.get(name, 0) < ROUNDS
            and now - self._tried_at.get(name, -math.inf) >= AGAIN_AFTER_S
        ]
        if left:
            log.error("took_floor", units=sorted(due), devices=sorted(left))
            self._task = asyncio.create_task(self._take(left, reason), name="floor")

    async def close(self) -> None:
        """Let go of what is under way; stops no device."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _take(self, names: Collection[str], reason: Reason) -> None:
        """Bring devices to rest, each once all that use it are done with, well or not."""
        devices, tasks = self._site.devices, dict[str, asyncio.Task[None]]()
        try:
            for name in (n for rank in _ranks(devices) for n in rank if n in names):
                users = [t for n, t in tasks.items() if name in _reach(devices, n, _used)]
                tasks[name] = asyncio.create_task(self._rest(name, reason, after=users))
            await asyncio.gather(*tasks.values())
        finally:
            for task in tasks.values():
                task.cancel()

    async def _rest(self, name: str, reason: Reason, *, after: list[asyncio.Task[None]]) -> None:
        if after:
            await asyncio.wait(after)
        try:
            if await self._is_off(name):
                result = Result(Ending.AT_REST, "it was at rest already")
            else:
                until_at = self._clock.monotonic() + self._site.devices[name].rest_s + _MARGIN_S
                order = Order(name, Task.REST, until_at, reason, in_short=True)
                result = await self._give(order)
        except Exception:  # beneath the floor there is nothing: it goes on with the others
            log.exception("failed_floor_stop", device=name)
            result = Result(Ending.FAILED, "the floor itself failed")
        self._rounds[name] = self._rounds.get(name, 0) + 1
        self._tried_at[name] = self._clock.monotonic()
        if result.ending is not Ending.FAILED:
            self._rested.add(name)
        log.info("closed_floor_stop", device=name, ending=result.ending.value)


def _used(device: Device) -> tuple[str, ...]:
    return (*device.needs, *device.feeds, *device.path)


def _ranks(devices: Mapping[str, Device]) -> list[list[str]]:
    """Devices in ranks: each comes after all that use it."""
    left = set(devices)
    ranks: list[list[str]] = []
    while left:
        used = {other for name in left for other in _used(devices[name])}
        rank = sorted(left - used) or sorted(left)  # a cycle, which the file's check refuses
        ranks.append(rank)
        left -= set(rank)
    return ranks


def _going_down(
    devices: Mapping[str, Device], due: Collection[str], on_battery: Collection[str]
) -> list[str]:
    """What loses its power with the *due* units, and what uses that, as far as it may be stopped.

    Not the agent's box, nor what is not to be touched, nor what carries either. When the box goes,
    nothing can be told any more: then everything *on_battery* counts.
    """
    down = _losing(devices, due)
    if any(devices[name].role is Role.AGENT_BOX for name in down):
        down = _losing(devices, on_battery)
    kept = {n for n, d in devices.items() if d.no_touch or d.role is Role.AGENT_BOX}
    for name in tuple(kept):
        kept |= _reach(devices, name, lambda device: (*device.feeds, *device.path))
    return [name for name in devices if name in down - kept and _is_told(devices, devices[name])]


def _is_told(devices: Mapping[str, Device], device: Device) -> bool:
    """Whether an order does the device, or a recorder that it writes to, any good."""
    if not device.is_only_cut:
        return not device.is_passive
    return any(devices[name].by_writers for name in device.needs if name in devices)


def _losing(devices: Mapping[str, Device], units: Collection[str]) -> set[str]:
    """Devices that are fed by *units* alone, and all that use one of those."""
    dark, down = set(units), set[str]()
    for _ in devices:
        for name, device in devices.items():
            if device.feeds and dark.issuperset(device.feeds):
                dark.add(name)
                down.add(name)
            if not down.isdisjoint(_used(device)):
                down.add(name)
    return down


def _reach(
    devices: Mapping[str, Device], name: str, step: Callable[[Device], Iterable[str]]
) -> set[str]:
    """All devices that *step* leads to from the device called *name*, itself left out."""
    found, waiting = set[str](), [name]
    while waiting:
        new = {n for n in step(devices[waiting.pop()]) if n in devices} - found - {name}
        found |= new
        waiting += new
    return found
