"""The one place where things are built and joined: from a loaded site to an agent that runs."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import AsyncExitStack
from dataclasses import replace
from datetime import time
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import structlog

from agent.battery.estimator import Estimator, in_thread
from agent.box.box_identity import box_identity
from agent.box.identity import Identity
from agent.box.systemd import Manager
from agent.by_hand.hands import Hands
from agent.clock import LoopClock
from agent.conduct.unit_control import UnitControl
from agent.config import LoadedSite, build_drivers
from agent.control import ControlServer
from agent.core import Core, Drivers, today_at
from agent.engine import Engine, Settings
from agent.errors import BackupUnitError
from agent.grades.credentials import login_of
from agent.grades.grading import Grading
from agent.grades.login_checks import LoginChecks
from agent.grades.settings import fingerprints
from agent.grades.standings import rehearsals_in
from agent.health import Health
from agent.joining import join_parts
from agent.journal.journal import Journal
from agent.notices.telling import Around, Telling
from agent.parts import Parts, kept_up
from agent.planning.planner import Planner
from agent.regular.schedule import Schedule
from agent.rehearsal.store import earned
from agent.saying import Saying
from agent.story import facts as story_facts
from agent.units.links import UnitLinks
from agent.units.source import Source
from drivers.errors import LastwattError
from policies.events import Event
from policies.model import Reading, Site

log = structlog.get_logger()

KEEP_READINGS_S = 90 * 86400.0
KEEP_EVENTS_S = 10 * 365 * 86400.0
PRUNED_AT = time(3, 30)
SOCKET_AGAIN_S = 60.0
END_WITHIN_S = 2.0
"""Longest that letting go of devices may take, in s; the journal's own end comes on top."""


def rehearsed(site: Site) -> Site:
    """Return the site with every device in dry run."""
    devices = {name: replace(device, dry_run=True) for name, device in site.devices.items()}
    return replace(site, devices=MappingProxyType(devices))


class Agent:
    """One site's agent: its journal, its unit watches, its engine, its socket.

    Attributes:
        core: what it is made of.
        engine: what decides.
        rehearsals: runs them beside it.
        page: what serves the page; None where the file has no such table.
    """

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
        manager: Manager | None = None,
        box: str | Callable[[], str] = box_identity,
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
            manager: the service manager, where one started this process.
            box: what this box is known by, or says so.

        Raises:
            JournalError: another agent works on *folder*, or it cannot be used.
        """
        site = rehearsed(loaded.site) if dry_run else loaded.site
        loop = asyncio.get_running_loop()
        journal = Journal.open(folder, dry_run=dry_run, utc=LoopClock().utc, monotonic=loop.time)
        recalled = journal.recall(site)
        clock = LoopClock(offset_s=recalled.resume_at - loop.time())
        began_at = clock.monotonic()
        parts, saying = Parts(), Saying(lambda: self.engine)
        units = UnitLinks(
            loaded,
            clock=clock,
            state=lambda: self.engine.state,
            on_reading=self._hear_reading,
            on_silence=self._hear_silence,
            say=saying.say,
            wrap_source=wrap_source,
        )
        estimator, planner = self._foresight(site, loaded, journal, clock=clock, saying=saying)
        drivers = wrap_drivers(build_drivers(loaded, clock=clock, dry_run=dry_run))
        engine = self.engine = Engine(
            site,
            drivers,
            clock=clock,
            journal=journal,
            state=recalled.state,
            settings=Settings(_version(), dry_run=dry_run),
            controls={} if dry_run else units.controls(wrap_control),
            on_event=parts.hear,
            beliefs=estimator.beliefs,
            plan=lambda: planner.plan,
            hold=lambda *asked: self.core.telling.hold(*asked),
        )
        hands = Hands(engine, clock=clock, zone=loaded.time_zone)
        grading = Grading(
            engine,
            clock=clock,
            today=partial(today_at, loaded, clock),
            settings=fingerprints(loaded),
            lasts=loaded.agent.grades_last,
            rehearsed={} if dry_run else {**rehearsals_in(folder, site), **earned(folder)},
        )
        self.core = Core(
            loaded=loaded,
            folder=folder,
            dry_run=dry_run,
            version=_version(),
            began_at=began_at,
            clock=clock,
            journal=journal,
            recalled=recalled,
            drivers=drivers,
            units=units,
            engine=engine,
            estimator=estimator,
            planner=planner,
            telling=Telling(
                loaded,
                self._around(planner, hands, saying),
                clock=clock,
                journal=journal,
                state=recalled.state,
                dry_run=dry_run,
                folder=folder,
            ),
            saying=saying,
            hands=hands,
            grading=grading,
            login_checks=LoginChecks(
                engine, drivers, clock=clock, grading=grading, login=partial(login_of, loaded)
            ),
            identity=Identity(
                engine,
                box=box if callable(box) else lambda: box,
                peers=units.peers,
                clock=clock,
                who=hands.who,
            ),
            parts=parts,
        )
        joined = join_parts(self.core, on_event=on_event, manager=manager)
        self.rehearsals, self.page, self._works = joined.rehearsals, joined.page, joined.works
        journal.remember("time_zone", loaded.time_zone.key)
        journal.remember("site", site.name)
        journal.remember(story_facts.NAME, story_facts.facts_text(site))
        journal.on_trouble = self._hear_trouble
        if recalled.troubles:
            saying.say("error", "journal", "; ".join(recalled.troubles))

    def _foresight(
        self,
        site: Site,
        loaded: LoadedSite,
        journal: Journal,
        *,
        clock: LoopClock,
        saying: Saying,
    ) -> tuple[Estimator, Planner]:
        """Return what says how long the batteries last, and what keeps a plan at hand."""
        estimator = Estimator(
            site,
            fits={name: access.fit for name, access in loaded.units.items()},
            kept=journal.recall_estimates(),
            today=partial(today_at, loaded, clock),
            keep=journal.keep_estimate,
            say=saying.say,
            aside=in_thread,
        )
        planner = Planner(
            site,
            loaded.place,
            clock=clock,
            state=lambda: self.engine.state,
            on_plan=lambda: self.engine.wake(),
            beliefs=estimator.beliefs,
        )
        return estimator, planner

    def _around(self, planner: Planner, hands: Hands, saying: Saying) -> Around:
        """Return what telling needs of this agent."""
        return Around(
            engine=lambda: self.engine,
            plan=lambda: planner.plan,
            health=self.health,
            who=hands.who,
            say=saying.say,
            is_saying=lambda: saying.is_waiting,
        )

    def now(self) -> float:
        """Return the site time, in s."""
        return self.core.clock.monotonic()

    def health(self) -> Health:
        """Return whether the agent does its work; asked on its loop, which then turns."""
        return self.core.health()

    async def run(self, until: asyncio.Event) -> None:
        """Watch, decide and act until *until* is set; ending stops no device.

        What is there first goes last: the journal hears of the end before it is closed. Whatever
        serves people only (notices, the socket, the calendar) may fail without ending this.

        Raises:
            ExceptionGroup: the engine itself failed; start anew, the journal says where.
        """
        core = self.core
        async with AsyncExitStack() as stack:
            stack.push_async_callback(core.journal.close)
            stack.push_async_callback(self._let_go)
            stack.push_async_callback(core.units.close)
            stack.push_async_callback(core.parts.close)
            server = ControlServer(core.journal.lock, core.parts.asks)
            stack.push_async_callback(server.close)
            schedule = self._schedule()
            stack.callback(schedule.close)
            await core.units.listen()
            await core.identity.begin()
            working: list[tuple[str, Callable[[], Awaitable[None]]]] = [
                *core.units.jobs.items(),
                *core.parts.jobs.items(),
                ("socket", partial(self._open_socket, server)),
            ]
            jobs = [kept_up(name, run, clock=core.clock) for name, run in working]
            await _until(until, [self.engine.run(), *jobs])

    # Keeping up

    async def _open_socket(self, server: ControlServer) -> None:
        """Listen for commands; a full disk, on which no socket can be made, ends nothing."""
        has_failed = False
        while True:
            try:
                await server.start()
            except LastwattError as error:
                if not has_failed:
                    self.core.saying.say("error", "control socket", str(error))
                has_failed = True
                await self.core.clock.sleep(SOCKET_AGAIN_S)
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

    def _schedule(self) -> Schedule:
        core = self.core
        schedule = Schedule(core.loaded.time_zone)
        prune = partial(
            core.journal.prune, keep_readings_s=KEEP_READINGS_S, keep_events_s=KEEP_EVENTS_S
        )
        schedule.daily("prune the journal", prune, at=PRUNED_AT)
        if not core.dry_run:
            self._works.join(schedule)
        schedule.start()
        return schedule

    # Hearing

    async def _hear_reading(self, reading: Reading) -> None:
        try:
            await self.core.identity.heard(reading.unit)
        except Exception:  # one of the outermost loops: a fault of this must not cost the reading
            log.exception("failed_identity", unit=reading.unit)
        await self.engine.on_reading(reading)

    async def _hear_silence(self, unit: str, error: BackupUnitError, at: float) -> None:
        await self.engine.on_silence(unit, error, at)

    def _hear_trouble(self, text: str) -> None:
        self.core.journal.snapshot(self.engine.state)
        self.core.telling.notices.keep_again()
        self.core.saying.say("error", "journal", text)


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
