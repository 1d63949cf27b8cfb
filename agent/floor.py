"""Beneath everything a floor: if fold or decide fail, everything is still brought to rest.

Plain lines, no planning: on battery, at the unit's own low battery or after a fixed time, every
device that may be stopped is stopped, those that use others before those that are used. It reads
readings only, and shares nothing with the policies but the site and their graph-free rules.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping

import structlog

from drivers.base import Act, Clock, Driver, Outcome, Stage, Verdict
from policies.model import Alarm, BatteryStatus, Device, OutputSource, Reading, Role, Site

log = structlog.get_logger()

_TRY_S = 30.0


class Floor:
    """Watches raw readings; once, it brings the site to rest."""

    def __init__(
        self, site: Site, drivers: Mapping[str, Mapping[Stage, Driver]], *, clock: Clock
    ) -> None:
        self._site = site
        self._drivers = drivers
        self._clock = clock
        self._battery_at: dict[str, float] = {}
        self._lows: dict[str, int] = {}
        self.was_taken = False

    def hear(self, reading: Reading) -> None:
        """Remember since when the unit has been on battery, and how often it said low."""
        on_battery = reading.output_source is OutputSource.BATTERY or (
            Alarm.ON_BATTERY in reading.alarms and (reading.on_battery_s or 0.0) > 0.0
        )
        if not on_battery:
            self._battery_at.pop(reading.unit, None)
            self._lows.pop(reading.unit, None)
            return
        began_at = reading.at - (reading.on_battery_s or 0.0)
        self._battery_at.setdefault(reading.unit, began_at)
        low = reading.battery_status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
        low = low or Alarm.LOW_BATTERY in reading.alarms
        self._lows[reading.unit] = self._lows.get(reading.unit, 0) + 1 if low else 0

    def is_due(self) -> bool:
        """Whether some unit is low, or has been on battery for the fixed time."""
        now = self._clock.monotonic()
        return any(
            self._lows[unit] >= 2 or now - began_at >= self._site.floor_after_s
            for unit, began_at in self._battery_at.items()
        )

    async def take(self, tell: Callable[[str, Outcome], Awaitable[None]]) -> None:
        """Bring everything behind the failing units to rest, once; *tell* hears each outcome."""
        self.was_taken = True
        log.error("took_floor", units=sorted(self._battery_at))
        for rank in _ranks(self._site.devices):
            names = [name for name in rank if self._may_stop(self._site.devices[name])]
            results = await asyncio.gather(*(self._stop(n, tell) for n in names))
            for name, at_rest in zip(names, results, strict=True):
                log.info("closed_floor_stop", device=name, at_rest=at_rest)

    def _may_stop(self, device: Device) -> bool:
        """Whether the floor may touch it: not the agent's box, no-touch, nor what carries them."""
        held = [d for d in self._site.devices.values() if d.no_touch or d.role is Role.AGENT_BOX]
        if device in held or any(_hangs_on(self._site.devices, d, device.name) for d in held):
            return False
        return _is_fed_by(self._site.devices, device, set(self._battery_at))

    async def _stop(self, name: str, tell: Callable[[str, Outcome], Awaitable[None]]) -> bool:
        """One device: stop it, or quiesce what cannot be stopped; then wait until it is gone."""
        device, stages = self._site.devices[name], self._drivers.get(name, {})
        act, stage = (
            (Act.STOP, Stage.STOP) if Stage.STOP in stages else (Act.QUIESCE, Stage.QUIESCE)
        )
        if stage not in stages:
            return False
        for _ in range(3):
            until_at = self._clock.monotonic() + _TRY_S
            outcome = await stages[stage].perform(act, deadline_at=until_at)
            await tell(name, outcome)
            if outcome.verdict in (Verdict.DONE, Verdict.UNCERTAIN, Verdict.ASSUMED):
                break
        else:
            return False
        verify = stages.get(Stage.VERIFY)
        if act is Act.QUIESCE or verify is None or Act.CONFIRM_GONE not in verify.acts:
            return True
        until_at = self._clock.monotonic() + (device.stop_s or 0.0) + device.settle_s + 5.0
        outcome = await verify.perform(Act.CONFIRM_GONE, deadline_at=until_at)
        await tell(name, outcome)
        return outcome.verdict in (Verdict.DONE, Verdict.ASSUMED)


def _on(device: Device) -> tuple[str, ...]:
    return (*device.needs, *device.feeds, *device.path)


def _ranks(devices: Mapping[str, Device]) -> list[list[str]]:
    """Devices in ranks: each comes after all that use it."""
    left = set(devices)
    ranks: list[list[str]] = []
    while left:
        used = {other for name in left for other in _on(devices[name])}
        rank = sorted(left - used) or sorted(left)  # a cycle, which the file's check refuses
        ranks.append(rank)
        left -= set(rank)
    return ranks


def _hangs_on(devices: Mapping[str, Device], device: Device, name: str) -> bool:
    """Whether *device* is fed by or reached through *name*, directly or not."""
    waiting, seen = [*device.feeds, *device.path], set[str]()
    while waiting:
        other = waiting.pop()
        if other == name:
            return True
        if other in devices and other not in seen:
            seen.add(other)
            waiting += [*devices[other].feeds, *devices[other].path]
    return False


def _is_fed_by(devices: Mapping[str, Device], device: Device, units: set[str]) -> bool:
    """Whether every feed of the device ends at one of *units*."""
    return bool(device.feeds) and all(
        feed in units or (feed in devices and _is_fed_by(devices, devices[feed], units))
        for feed in device.feeds
    )
