"""The one place where things are built and joined: from a loaded site to an agent that runs."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import replace
from functools import partial
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import structlog

from agent import status
from agent.clock import LoopClock
from agent.config import LoadedSite, build_drivers
from agent.control import ControlServer
from agent.engine import Engine, Settings
from agent.journal import Journal, Recalled
from agent.notices import Notices
from agent.notifications import Notifications
from agent.schedule import Schedule
from agent.snmp_source import SnmpSource, UnitNotice
from agent.source import Source
from agent.watch import Watch
from drivers.base import Driver, Stage
from drivers.transports.snmp import ListenError, SnmpHub
from policies.model import Site
from policies.state import Event, NoticeRaised
from policies.supply import poll_pace_s

log = structlog.get_logger()

KEEP_READINGS_S = 90 * 86400.0
KEEP_EVENTS_S = 10 * 365 * 86400.0
_TO_SAY = 100

Drivers = Mapping[str, Mapping[Stage, Driver]]

WrapDrivers = Callable[[Mapping[str, Mapping[Stage, Driver]]], Mapping[str, Mapping[Stage, Driver]]]


def rehearsed(site: Site) -> Site:
    """Return the site with every device in dry run."""
    devices = {name: replace(device, dry_run=True) for name, device in site.devices.items()}
    return replace(site, devices=MappingProxyType(devices))


class Agent:
    """One site's agent: its journal, its unit watches, its engine, its socket."""

    def __init__(
        self,
        loaded: LoadedSite,
        folder: Path,
        *,
        dry_run: bool,
        on_event: Callable[[Event], None] = lambda event: None,
        wrap_drivers: Callable[[Drivers], Drivers] = lambda drivers: drivers,
        wrap_source: Callable[[Source], Source] = lambda source: source,
    ) -> None:
        """Prepare; must be called on the loop that will run it, and does no network I/O.

        Args:
            loaded: the site's file.
            folder: the state directory.
            dry_run: send nothing to any device.
            on_event: told each event as it is folded; must not block.
            wrap_drivers: what the drivers are put behind, such as the virtual site's pace.
            wrap_source: the same for each unit's readings.

        Raises:
            JournalError: another agent works on *folder*, or it cannot be used.
        """
        loop = asyncio.get_running_loop()
        self._loaded = loaded
        self._dry_run = dry_run
        self._on_event = on_event
        site = rehearsed(loaded.site) if dry_run else loaded.site
        journal = Journal.open(folder, dry_run=dry_run, utc=LoopClock().utc, monotonic=loop.time)
        self._journal = journal
        self._recalled: Recalled = journal.recall(site)
        self._clock = LoopClock(offset_s=self._recalled.resume_at - loop.time())
        self._notices = Notices(site.name, loaded.webhooks, clock=self._clock)
        self.engine = Engine(
            site,
            wrap_drivers(build_drivers(loaded, clock=self._clock, dry_run=dry_run)),
            clock=self._clock,
            journal=journal,
            state=self._recalled.state,
            settings=Settings(version("lastwatt"), dry_run=dry_run),
            on_event=self._hear_event,
        )
        self._hub = SnmpHub()
        self._notifications = Notifications(clock=self._clock)
        self._watches = [self._watch(name, wrap_source) for name in site.units]
        journal.remember("time_zone", loaded.time_zone.key)
        journal.remember("site", site.name)
        self._to_say = asyncio.Queue[tuple[str, str, str]](_TO_SAY)
        journal.on_trouble = self._hear_trouble
        for text in self._recalled.troubles:
            self._say("error", "journal", text)

    async def run(self, until: asyncio.Event) -> None:
        """Watch, decide and act until *until* is set; ending stops no device."""
        async with AsyncExitStack() as stack:
            stack.push_async_callback(self._journal.close)
            stack.push_async_callback(self.engine.end, "it was asked to end")
            stack.callback(self._hub.close)
            stack.callback(self._notifications.close)
            server = ControlServer(self._journal.lock, {"status": self._answer_status})
            await server.start()
            stack.push_async_callback(server.close)
            schedule = self._schedule()
            stack.callback(schedule.close)
            await self._listen()
            jobs = [self.engine.run(), self._notices.run(), self._keep_saying()]
            jobs += [watch.run() for watch in self._watches]
            await _until(until, jobs)

    # Building

    def _watch(self, unit: str, wrap_source: Callable[[Source], Source]) -> Watch:
        access = self._loaded.units[unit]
        source = SnmpSource(
            self._hub.peer(access.address, access.snmp),
            unit=unit,
            clock=self._clock,
            output_sources=access.output_sources,
            on_notice=self._hear_unit_notice,
        )
        watch = Watch(
            wrap_source(source),
            clock=self._clock,
            unit=unit,
            pace=partial(self._pace, unit),
            on_reading=self.engine.on_reading,
            on_silence=partial(self.engine.on_silence, unit),
        )
        self._notifications.expect(unit, access.address, watch.hasten)
        return watch

    def _pace(self, unit: str) -> float:
        agent = self._loaded.agent
        return poll_pace_s(
            self._loaded.site.units[unit],
            self.engine.state.units[unit],
            on_mains_s=agent.poll_on_mains_s,
            on_battery_s=agent.poll_on_battery_s,
        )

    def _schedule(self) -> Schedule:
        schedule = Schedule(self._loaded.time_zone)
        prune = partial(
            self._journal.prune, keep_readings_s=KEEP_READINGS_S, keep_events_s=KEEP_EVENTS_S
        )
        schedule.daily("prune the journal", prune, hour=3, minute=30)
        schedule.start()
        return schedule

    async def _listen(self) -> None:
        traps = self._loaded.agent.traps
        if traps is None:
            return
        try:
            await self._notifications.listen(self._hub, *traps)
        except ListenError as error:
            # Notifications only hasten a poll: the site is watched without them.
            await self.engine.notice("warning", "notifications", str(error))

    # Hearing

    def _hear_event(self, event: Event) -> None:
        if isinstance(event, NoticeRaised):
            self._notices.raise_notice(event)
        self._on_event(event)

    def _hear_unit_notice(self, notice: UnitNotice) -> None:
        log.warning("changed_unit", unit=notice.unit, kind=notice.kind.value)
        self._say("warning", notice.unit, notice.text)

    def _hear_trouble(self, text: str) -> None:
        self._journal.snapshot(self.engine.state)
        self._say("error", "journal", text)

    def _say(self, severity: str, about: str, text: str) -> None:
        """Have something said as a notice, from where nothing can be awaited."""
        if not self._to_say.full():
            self._to_say.put_nowait((severity, about, text))

    async def _keep_saying(self) -> None:
        while True:
            await self.engine.notice(*await self._to_say.get())

    async def _answer_status(self, request: dict[str, Any]) -> dict[str, Any]:
        engine = self.engine
        shown = status.document(
            engine.site,
            engine.state,
            engine.decision,
            now=self._clock.monotonic(),
            dry_run=self._dry_run,
        )
        return {**shown, "journal_healthy": self._journal.is_healthy}


async def _until(until: asyncio.Event, jobs: Sequence[Coroutine[Any, Any, None]]) -> None:
    """Run *jobs* until *until* is set; the failure of one ends all, and is raised."""
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(job) for job in jobs]
        await until.wait()
        for task in tasks:
            task.cancel()
