"""The one place where things are built and joined: from a loaded site to an agent that runs."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import asdict, replace
from datetime import date, time
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import structlog

from agent import status
from agent.battery.batteries import Batteries
from agent.battery.daylight import Daylight
from agent.battery.estimator import Estimator, in_thread
from agent.battery.load_watch import LoadWatch
from agent.clock import LoopClock
from agent.conduct.unit_control import SnmpControl, UnitControl
from agent.config import LoadedSite, build_drivers
from agent.control import ControlServer
from agent.credentials import login_of
from agent.device_grades import rehearsals_in, standings
from agent.device_settings import fingerprints
from agent.drills import Drills
from agent.engine import Engine, Settings
from agent.grading import Grading
from agent.hands import Hands
from agent.journal.journal import Journal, Recalled
from agent.login_checks import LoginChecks
from agent.notices import Notices
from agent.owed.copies import OwedCopies
from agent.owed.owed import OwedList, undo_of
from agent.planner import Planner
from agent.schedule import Schedule
from agent.units.notifications import Notifications
from agent.units.snmp_source import SnmpSource, UnitNotice
from agent.units.source import Source
from agent.units.watch import Watch
from drivers.base import Driver, Stage
from drivers.errors import LastwattError
from drivers.transports.snmp import ListenError, SnmpHub
from policies.events import Event, NoticeRaised
from policies.model import Site
from policies.supply import poll_pace_s

log = structlog.get_logger()

KEEP_READINGS_S = 90 * 86400.0
KEEP_EVENTS_S = 10 * 365 * 86400.0
PRUNED_AT = time(3, 30)
SOCKET_AGAIN_S = 60.0
END_WITHIN_S = 2.0
"""Longest that letting go of devices may take, in s; the journal's own end comes on top."""

_TO_SAY = 100
_RESTART_S = 1.0

Drivers = Mapping[str, Mapping[Stage, Driver]]
"""Device -> stage -> what serves it."""


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
        wrap_control: Callable[[UnitControl], UnitControl] = lambda control: control,
    ) -> None:
        """Prepare; must be called on the loop that will run it, and does no network I/O.

        Args:
            loaded: the site's file.
            folder: the state directory.
            dry_run: send nothing to any device.
            on_event: told each event as it is folded; must not block.
            wrap_drivers: what the drivers are put behind, such as the virtual site's pace.
            wrap_source: the same for each unit's readings.
            wrap_control: the same for what switches each unit's output.

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
        self._hub = SnmpHub()
        self._notices = Notices(site.name, loaded.webhooks, clock=self._clock, dry_run=dry_run)
        self._estimator = Estimator(
            site,
            fits={name: access.fit for name, access in loaded.units.items()},
            kept=journal.recall_estimates(),
            today=self._today,
            keep=journal.keep_estimate,
            say=self._say,
            aside=in_thread,
        )
        self._planner = Planner(
            site,
            loaded.place,
            clock=self._clock,
            state=lambda: self.engine.state,
            on_plan=lambda: self.engine.wake(),
            beliefs=self._estimator.beliefs,
        )
        drivers = wrap_drivers(build_drivers(loaded, clock=self._clock, dry_run=dry_run))
        self.engine = Engine(
            site,
            drivers,
            clock=self._clock,
            journal=journal,
            state=self._recalled.state,
            settings=Settings(_version(), dry_run=dry_run),
            controls={} if dry_run else self._controls(wrap_control),
            on_event=self._hear_event,
            beliefs=self._estimator.beliefs,
            plan=lambda: self._planner.plan,
        )
        self._hands = Hands(self.engine, clock=self._clock, zone=loaded.time_zone)
        settings = fingerprints(loaded)
        self._grading = Grading(
            self.engine,
            clock=self._clock,
            today=self._today,
            settings=settings,
            lasts=loaded.agent.grades_last,
            rehearsed={} if dry_run else rehearsals_in(folder, site),
        )
        self._drills = Drills(
            self.engine,
            self._hands,
            drivers,
            file_site=site,
            clock=self._clock,
            standing=self._grading.standing,
            settings=settings,
        )
        self._login_checks = LoginChecks(
            self.engine,
            drivers,
            clock=self._clock,
            grading=self._grading,
            login=partial(login_of, loaded),
        )
        self._batteries = Batteries(
            self.engine,
            loaded,
            clock=self._clock,
            who=self._hands.who,
            estimate=self._energy_band,
        )
        self._copies = OwedCopies(loaded.owed_copies, clock=self._clock)
        self._owed = OwedList(
            loaded,
            folder,
            clock=self._clock,
            state=lambda: self.engine.state,
            undo=undo_of(loaded, clock=self._clock),
            put_copies=self._copies.put,
        )
        self._notifications = Notifications(clock=self._clock)
        self._sources: list[Source] = []
        self._watches = [self._watch(name, wrap_source) for name in site.units]
        journal.remember("time_zone", loaded.time_zone.key)
        journal.remember("site", site.name)
        self._to_say = asyncio.Queue[Callable[[], Awaitable[None]]](_TO_SAY)
        self._load_watch = LoadWatch(
            site,
            loaded.place,
            utc=self._clock.utc,
            say=self._say,
            keep=self._keep,
            known=self._recalled.state,
        )
        self._daylight = Daylight(
            loaded.place,
            clock=self._clock,
            state=lambda: self.engine.state,
            record=self.engine.record,
        )
        journal.on_trouble = self._hear_trouble
        if self._recalled.troubles:
            self._say("error", "journal", "; ".join(self._recalled.troubles))

    def now(self) -> float:
        """Return the site time, in s."""
        return self._clock.monotonic()

    async def run(self, until: asyncio.Event) -> None:
        """Watch, decide and act until *until* is set; ending stops no device.

        What is there first goes last: the journal hears of the end before it is closed. Whatever
        serves people only (notices, the socket, the calendar) may fail without ending this.

        Raises:
            ExceptionGroup: the engine itself failed; start anew, the journal says where.
        """
        async with AsyncExitStack() as stack:
            stack.push_async_callback(self._journal.close)
            stack.push_async_callback(self._let_go)
            stack.callback(self._hub.close)
            stack.callback(self._notifications.close)
            stack.push_async_callback(self._close_sources)
            stack.push_async_callback(self._hands.close)
            stack.push_async_callback(self._drills.close)
            asks = {
                "status": self._answer_status,
                **self._hands.asks,
                **self._drills.asks,
                **self._grading.asks,
                **self._batteries.asks,
            }
            server = ControlServer(self._journal.lock, asks)
            stack.push_async_callback(server.close)
            schedule = self._schedule()
            stack.callback(schedule.close)
            await self._listen()
            jobs: list[Coroutine[Any, Any, None]] = [self.engine.run()]
            jobs += [self._kept_up("watch", watch.run) for watch in self._watches]
            jobs += [
                self._kept_up("notices", self._notices.run),
                self._kept_up("planner", self._planner.run),
                self._kept_up("saying", self._keep_saying),
                self._kept_up("pause", self._hands.pause.run),
                self._kept_up("batteries", self._batteries.run),
                self._kept_up("grades", self._grading.run),
                self._kept_up("login checks", self._login_checks.run),
                self._kept_up("daylight", self._daylight.run),
                # A rehearsal changes nothing, and must not clear a live run's list.
                *([] if self._dry_run else self._owed_jobs()),
                self._kept_up("socket", partial(self._open_socket, server)),
            ]
            await _until(until, jobs)

    def _owed_jobs(self) -> list[Coroutine[Any, Any, None]]:
        return [
            self._kept_up("owed list", self._owed.run),
            self._kept_up("owed copies", self._copies.run),
        ]

    # Keeping up

    async def _kept_up(self, name: str, run: Callable[[], Awaitable[None]]) -> None:
        """Run something again whenever it fails, so that its fault stays its own."""
        while True:
            try:
                await run()
            except Exception:  # one of the outermost loops
                log.exception("failed_job", job=name)
                await self._clock.sleep(_RESTART_S)
            else:
                return

    async def _open_socket(self, server: ControlServer) -> None:
        """Listen for commands; a full disk, on which no socket can be made, ends nothing."""
        has_failed = False
        while True:
            try:
                await server.start()
            except LastwattError as error:
                if not has_failed:
                    self._say("error", "control socket", str(error))
                has_failed = True
                await self._clock.sleep(SOCKET_AGAIN_S)
            else:
                return

    async def _let_go(self) -> None:
        """End the engine; one that hangs in that is left to the end of the process."""
        ending = asyncio.ensure_future(self.engine.end("it was asked to end"))
        _, late = await asyncio.wait({ending}, timeout=END_WITHIN_S)
        if late:
            log.error("left_engine", within_s=END_WITHIN_S)
        elif (error := ending.exception()) is not None:
            log.error("failed_end", why=f"{type(error).__name__}: {error}")

    async def _close_sources(self) -> None:
        closing = (source.close() for source in self._sources)
        await asyncio.gather(*closing, return_exceptions=True)

    # Building

    def _controls(self, wrap: Callable[[UnitControl], UnitControl]) -> dict[str, UnitControl]:
        """Return what switches the outputs that the file lets be switched."""
        controls: dict[str, UnitControl] = {}
        for name, access in self._loaded.units.items():
            if access.control is not None:
                peer = self._hub.peer(access.address, access.control)
                controls[name] = wrap(SnmpControl(peer, unit=name, clock=self._clock))
        return controls

    def _watch(self, unit: str, wrap_source: Callable[[Source], Source]) -> Watch:
        access = self._loaded.units[unit]
        source = SnmpSource(
            self._hub.peer(access.address, access.snmp),
            unit=unit,
            clock=self._clock,
            output_sources=access.output_sources,
            on_notice=self._hear_unit_notice,
        )
        self._sources.append(wrap_source(source))
        watch = Watch(
            self._sources[-1],
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
        schedule.daily("prune the journal", prune, at=PRUNED_AT)
        checks_at = self._loaded.agent.check_logins_at
        if checks_at is not None and not self._dry_run:
            schedule.daily("check logins", self._login_checks.begin, at=checks_at)
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
            self._say("warning", "notifications", str(error))

    # Hearing

    def _hear_event(self, event: Event) -> None:
        if isinstance(event, NoticeRaised):
            self._notices.raise_notice(event)
        # The estimate first: a fault of the others must not cost it a reading.
        self._estimator.hear(event, self.engine.state)
        self._owed.hear(event)
        self._batteries.hear(event)
        self._grading.hear(event)
        self._drills.hear(event)
        self._login_checks.hear(event)
        self._load_watch.hear(event, self.engine.state)
        self._planner.hear()
        self._on_event(event)

    def _energy_band(self, unit: str) -> tuple[float, float, float] | None:
        band = self._estimator.energy_wh_band(unit)
        return None if band is None else (band.median_wh, band.lower_wh, band.upper_wh)

    def _hear_unit_notice(self, notice: UnitNotice) -> None:
        log.warning("changed_unit", unit=notice.unit, kind=notice.kind.value)
        self._say("warning", notice.unit, notice.text)

    def _hear_trouble(self, text: str) -> None:
        self._journal.snapshot(self.engine.state)
        self._say("error", "journal", text)

    def _say(self, severity: str, about: str, text: str) -> None:
        """Have something said as a notice, from where nothing can be awaited."""
        if not self._to_say.full():
            self._to_say.put_nowait(partial(self.engine.notice, severity, about, text))

    def _keep(self, event: Event) -> None:
        """Have something recorded, from where nothing can be awaited."""
        if not self._to_say.full():
            self._to_say.put_nowait(partial(self.engine.record, event))

    async def _keep_saying(self) -> None:
        while True:
            await (await self._to_say.get())()

    def _today(self) -> date:
        return self._clock.utc().astimezone(self._loaded.time_zone).date()

    async def _answer_status(self, request: dict[str, Any]) -> dict[str, Any]:
        engine = self.engine
        shown = status.document(
            engine.site,
            engine.state,
            engine.decision,
            now=self._clock.monotonic(),
            today=self._today(),
            dry_run=self._dry_run,
            learnt=engine.learnt,
            grades=standings(self._loaded, engine.state, self._today()),
            plan=self._planner.plan,
        )
        return {
            **shown,
            "version": _version(),
            "journal_healthy": self._journal.is_healthy,
            "webhooks": [asdict(delivery) for delivery in self._notices.deliveries()],
        }


def _version() -> str:
    try:
        return version("lastwatt")
    except PackageNotFoundError:  # run from its sources
        return "unknown"


async def _until(until: asyncio.Event, jobs: Sequence[Coroutine[Any, Any, None]]) -> None:
    """Run *jobs* until *until* is set; the failure of one ends all, and is raised."""
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(job) for job in jobs]
        await until.wait()
        for task in tasks:
            task.cancel()
