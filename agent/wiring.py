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
from typing import TYPE_CHECKING, Any

import structlog

from agent import status
from agent.battery.batteries import Batteries
from agent.battery.daylight import Daylight
from agent.battery.estimator import Estimator, in_thread
from agent.battery.load_watch import LoadWatch
from agent.box_identity import box_identity
from agent.clock import LoopClock
from agent.conduct.unit_control import SnmpControl, UnitControl
from agent.config import LoadedSite, build_drivers
from agent.control import ControlServer
from agent.credentials import login_of
from agent.device_grades import rehearsals_in, standings
from agent.device_settings import fingerprints
from agent.digest import MonthlyDigest
from agent.drills import Drills
from agent.engine import Engine, Settings
from agent.grading import Grading
from agent.hands import Hands
from agent.health import Health, Signs, judge
from agent.identity import Identity
from agent.journal.journal import Journal, Recalled
from agent.login_checks import LoginChecks
from agent.notices.telling import Around, Telling, as_fields
from agent.owed.copies import OwedCopies
from agent.owed.owed import OwedList, undo_of
from agent.page.door import Door
from agent.parts import Parts, kept_up
from agent.planner import Planner
from agent.regular import works_of
from agent.rehearsal.rehearsals import Rehearsals
from agent.rehearsal.store import earned
from agent.reports.filing import Filing
from agent.schedule import Schedule
from agent.self_tests import SelfTests
from agent.story import facts as story_facts
from agent.story.foretold import Foretold
from agent.systemd import Manager, Reporting
from agent.terminal.glances import Glances
from agent.units.notifications import Notifications
from agent.units.self_test import SelfTest
from agent.units.snmp_source import SnmpSource, UnitNotice
from agent.units.source import Source
from agent.units.watch import Watch
from agent.works import Works
from drivers.base import Driver, Stage
from drivers.errors import LastwattError
from drivers.transports.snmp import ListenError, SnmpHub, SnmpPeer
from policies.events import Event
from policies.model import Reading, Site
from policies.supply import poll_pace_s

if TYPE_CHECKING:
    from agent.page.serving import Page

log = structlog.get_logger()

KEEP_READINGS_S = 90 * 86400.0
KEEP_EVENTS_S = 10 * 365 * 86400.0
PRUNED_AT = time(3, 30)
SOCKET_AGAIN_S = 60.0
END_WITHIN_S = 2.0
"""Longest that letting go of devices may take, in s; the journal's own end comes on top."""

_TO_SAY = 100

Drivers = Mapping[str, Mapping[Stage, Driver]]
"""Device -> stage -> what serves it."""


def rehearsed(site: Site) -> Site:
    """Return the site with every device in dry run."""
    devices = {name: replace(device, dry_run=True) for name, device in site.devices.items()}
    return replace(site, devices=MappingProxyType(devices))


class Agent:
    """One site's agent: its journal, its unit watches, its engine, its socket.

    Attributes:
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
        loop = asyncio.get_running_loop()
        self._loaded = loaded
        self._dry_run = dry_run
        site = rehearsed(loaded.site) if dry_run else loaded.site
        journal = Journal.open(folder, dry_run=dry_run, utc=LoopClock().utc, monotonic=loop.time)
        self._journal = journal
        self._recalled: Recalled = journal.recall(site)
        self._clock = LoopClock(offset_s=self._recalled.resume_at - loop.time())
        self._hub = SnmpHub()
        self._began_at = self._clock.monotonic()
        self._to_say = asyncio.Queue[Callable[[], Awaitable[None]]](_TO_SAY)
        self._parts = Parts()
        self._estimator, self._planner = self._foresight(site)
        drivers = wrap_drivers(build_drivers(loaded, clock=self._clock, dry_run=dry_run))
        self.engine = Engine(
            site,
            drivers,
            clock=self._clock,
            journal=journal,
            state=self._recalled.state,
            settings=Settings(_version(), dry_run=dry_run),
            controls={} if dry_run else self._controls(wrap_control),
            on_event=self._parts.hear,
            beliefs=self._estimator.beliefs,
            plan=lambda: self._planner.plan,
            hold=lambda *asked: self._telling.hold(*asked),
        )
        self._hands = Hands(self.engine, clock=self._clock, zone=loaded.time_zone)
        self._grading = Grading(
            self.engine,
            clock=self._clock,
            today=self._today,
            settings=fingerprints(loaded),
            lasts=loaded.agent.grades_last,
            rehearsed={} if dry_run else {**rehearsals_in(folder, site), **earned(folder)},
        )
        self._login_checks = LoginChecks(
            self.engine,
            drivers,
            clock=self._clock,
            grading=self._grading,
            login=partial(login_of, loaded),
        )
        self._telling = Telling(
            loaded,
            self._around(),
            clock=self._clock,
            journal=journal,
            state=self._recalled.state,
            dry_run=dry_run,
        )
        self._notifications = Notifications(clock=self._clock)
        self._sources: list[Source] = []
        self._peers: dict[str, SnmpPeer] = {}
        self._watches = {name: self._watch(name, wrap_source) for name in site.units}
        self._identity = Identity(
            self.engine,
            box=box if callable(box) else lambda: box,
            peers=self._peers,
            clock=self._clock,
            who=self._hands.who,
        )
        self._join_parts(folder, drivers)
        self._join_glances(folder)
        self.page = self._join_page(folder)
        self._parts.join("outside", hear=on_event)
        self._join_manager(manager)
        journal.remember("time_zone", loaded.time_zone.key)
        journal.remember("site", site.name)
        journal.remember(story_facts.NAME, story_facts.facts_text(site))
        journal.on_trouble = self._hear_trouble
        if self._recalled.troubles:
            self._say("error", "journal", "; ".join(self._recalled.troubles))

    def _foresight(self, site: Site) -> tuple[Estimator, Planner]:
        """Return what says how long the batteries last, and what keeps a plan at hand."""
        estimator = Estimator(
            site,
            fits={name: access.fit for name, access in self._loaded.units.items()},
            kept=self._journal.recall_estimates(),
            today=self._today,
            keep=self._journal.keep_estimate,
            say=self._say,
            aside=in_thread,
        )
        planner = Planner(
            site,
            self._loaded.place,
            clock=self._clock,
            state=lambda: self.engine.state,
            on_plan=lambda: self.engine.wake(),
            beliefs=estimator.beliefs,
        )
        return estimator, planner

    def _join_parts(self, folder: Path, drivers: Drivers) -> None:
        """Join what hangs on the engine, in the order in which each hears an event."""
        join, telling = self._parts.join, self._telling
        join("status", asks={"status": self._answer_status})
        join("notices", hear=telling.hear, asks=telling.asks, run=telling.run)
        join("saying", run=self._keep_saying)
        join("estimate", hear=lambda event: self._estimator.hear(event, self.engine.state))
        self._join_owed(folder)
        self._join_batteries()
        self._join_grades()
        join("identity", asks=self._identity.asks, run=self._identity.run)
        self._join_by_hand(folder, drivers)
        self._join_works(folder)
        join("planner", hear=lambda event: self._planner.hear(), run=self._planner.run)
        self._join_records(folder)

    def _join_batteries(self) -> None:
        """Join what is learnt of batteries and loads."""
        engine, loaded, clock = self.engine, self._loaded, self._clock
        batteries = Batteries(
            engine, loaded, clock=clock, who=self._hands.who, estimate=self._energy_band
        )
        self._parts.join("batteries", hear=batteries.hear, asks=batteries.asks, run=batteries.run)
        load_watch = LoadWatch(
            engine.site,
            loaded.place,
            utc=clock.utc,
            say=self._say,
            keep=self._keep,
            known=self._recalled.state,
        )
        self._parts.join("load watch", hear=lambda event: load_watch.hear(event, engine.state))
        daylight = Daylight(
            loaded.place, clock=clock, state=lambda: engine.state, record=engine.record
        )
        self._parts.join("daylight", run=daylight.run)

    def _join_grades(self) -> None:
        """Join what keeps how each device is known to work."""
        grading, checks = self._grading, self._login_checks
        self._parts.join("grades", hear=grading.hear, asks=grading.asks, run=grading.run)
        self._parts.join("login checks", hear=checks.hear, run=checks.run)

    def _join_by_hand(self, folder: Path, drivers: Drivers) -> None:
        """Join what people ask for: orders, drills and rehearsals."""
        engine, hands, clock = self.engine, self._hands, self._clock
        self._parts.join("hands", asks=hands.asks, run=hands.pause.run, close=hands.close)
        drills = Drills(
            engine,
            hands,
            drivers,
            file_site=engine.site,
            clock=clock,
            standing=self._grading.standing,
            settings=fingerprints(self._loaded),
        )
        self._parts.join("drills", hear=drills.hear, asks=drills.asks, close=drills.close)
        rehearsals = self.rehearsals = Rehearsals(
            engine, self._loaded, folder, clock=clock, grading=self._grading, who=hands.who
        )
        self._parts.join(
            "rehearsals", hear=rehearsals.hear, asks=rehearsals.asks, close=rehearsals.close
        )

    def _join_works(self, folder: Path) -> None:
        """Join the regular work of the site's file."""
        engine, loaded, clock = self.engine, self._loaded, self._clock
        self._works = Works(engine, clock=clock, zone=loaded.time_zone)
        for work in works_of(
            loaded,
            engine,
            rehearsals=self.rehearsals,
            login_checks=self._login_checks,
            now=clock.monotonic,
            digest=MonthlyDigest(engine, folder, clock=clock, zone=loaded.time_zone),
            self_tests=SelfTests(
                engine,
                clock=clock,
                zone=loaded.time_zone,
                attended=loaded.schedule.attended,
                test_of=self._self_test,
            ),
        ):
            self._works.add(work)
        self._parts.join("regular work", run=None if self._dry_run else self._works.run)

    def _join_records(self, folder: Path) -> None:
        """Join what is kept of an outage for its report."""
        engine, clock = self.engine, self._clock
        foretold = Foretold(
            engine.site,
            clock=clock,
            state=lambda: engine.state,
            beliefs=engine.beliefs,
            plan=lambda: self._planner.plan,
            note=self._journal.note,
        )
        self._parts.join("foretold", run=foretold.run)
        filing = Filing(
            folder,
            clock=clock,
            zone=self._loaded.time_zone,
            state=lambda: engine.state,
            steady_s=engine.site.mains_steady_s,
        )
        self._parts.join("reports", hear=filing.hear, run=filing.run)

    def _around(self) -> Around:
        """Return what telling needs of this agent."""
        return Around(
            engine=lambda: self.engine,
            plan=lambda: self._planner.plan,
            health=self.health,
            who=lambda request: self._hands.who(request),
            say=self._say,
            is_saying=lambda: not self._to_say.empty(),
        )

    def _join_owed(self, folder: Path) -> None:
        """Join the list of what is to be undone, and its copies elsewhere."""
        copies = OwedCopies(self._loaded.owed_copies, clock=self._clock)
        owed = OwedList(
            self._loaded,
            folder,
            clock=self._clock,
            state=lambda: self.engine.state,
            undo=undo_of(self._loaded, clock=self._clock),
            put_copies=copies.put,
        )
        # A rehearsal changes nothing, and must not clear a live run's list; nor must a copy.
        here = self._identity.when_here
        list_run, copies_run = partial(here, owed.run), partial(here, copies.run)
        self._parts.join("owed list", hear=owed.hear, run=None if self._dry_run else list_run)
        self._parts.join("owed copies", run=None if self._dry_run else copies_run)

    def _join_manager(self, manager: Manager | None) -> None:
        """Join what tells the service manager, where there is one; joined last, it ends first."""
        if manager is None:
            return
        reporting = Reporting(
            manager,
            clock=self._clock,
            has_decided=lambda: self.engine.decision is not None,
            health=self.health,
            status=lambda: status.in_brief(self.engine.state, dry_run=self._dry_run),
        )
        self._parts.join("service manager", run=reporting.run, close=reporting.close)

    def _door(self, folder: Path) -> Door:
        """Return what those who show the agent may see of it."""
        return Door(
            loaded=self._loaded,
            folder=folder,
            engine=self.engine,
            clock=self._clock,
            dry_run=self._dry_run,
            status=self._status,
            plan=lambda: self._planner.plan,
            today=self._today,
            asks=self._parts.asks,
            version=_version(),
            is_journal_healthy=lambda: self._journal.is_healthy,
            health=self.health,
        )

    def _join_glances(self, folder: Path) -> None:
        glances = Glances(self._door(folder))
        self._parts.join("glances", hear=glances.hear, asks=glances.asks, close=glances.close)

    def _join_page(self, folder: Path) -> Page | None:
        """Join the page, where the file wants one; its libraries are costly."""
        if self._loaded.page is None:
            return None
        from agent.page.serving import Page

        page = Page(self._door(folder), self._loaded.page, say=self._say)
        self._parts.join("page", hear=page.hear, run=page.run)
        return page

    def now(self) -> float:
        """Return the site time, in s."""
        return self._clock.monotonic()

    def health(self) -> Health:
        """Return whether the agent does its work; asked on its loop, which then turns."""
        state = self.engine.state
        due_at = {f"the polling of {name}": w.due_at for name, w in self._watches.items()}
        signs = Signs(
            now=self._clock.monotonic(),
            began_at=self._began_at,
            due_at={"deciding": self.engine.due_at, **due_at},
            is_journal_healthy=self._journal.is_healthy,
            has_fallen=self.engine.has_fallen,
            lost_at={n: u.lost_at for n, u in state.units.items() if u.lost_at is not None},
        )
        return judge(signs)

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
            stack.push_async_callback(self._parts.close)
            server = ControlServer(self._journal.lock, self._parts.asks)
            stack.push_async_callback(server.close)
            schedule = self._schedule()
            stack.callback(schedule.close)
            await self._listen()
            await self._identity.begin()
            working: list[tuple[str, Callable[[], Awaitable[None]]]] = [
                *((f"watch of {name}", watch.run) for name, watch in self._watches.items()),
                *self._parts.jobs.items(),
                ("socket", partial(self._open_socket, server)),
            ]
            jobs = [kept_up(name, run, clock=self._clock) for name, run in working]
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

    def _self_test(self, unit: str) -> SelfTest:
        access = self._loaded.units[unit]
        assert access.self_test is not None
        peer = self._hub.peer(access.address, access.self_test.snmp)
        return SelfTest(peer, unit=unit, clock=self._clock)

    def _watch(self, unit: str, wrap_source: Callable[[Source], Source]) -> Watch:
        access = self._loaded.units[unit]
        self._peers[unit] = self._hub.peer(access.address, access.snmp)
        source = SnmpSource(
            self._peers[unit],
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
            on_reading=self._hear_reading,
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
        if not self._dry_run:
            self._works.join(schedule)
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

    async def _hear_reading(self, reading: Reading) -> None:
        try:
            await self._identity.heard(reading.unit)
        except Exception:  # one of the outermost loops: a fault of this must not cost the reading
            log.exception("failed_identity", unit=reading.unit)
        await self.engine.on_reading(reading)

    def _energy_band(self, unit: str) -> tuple[float, float, float] | None:
        band = self._estimator.energy_wh_band(unit)
        return None if band is None else (band.median_wh, band.lower_wh, band.upper_wh)

    def _hear_unit_notice(self, notice: UnitNotice) -> None:
        log.warning("changed_unit", unit=notice.unit, kind=notice.kind.value)
        self._say("warning", notice.unit, notice.text)

    def _hear_trouble(self, text: str) -> None:
        self._journal.snapshot(self.engine.state)
        self._telling.notices.keep_again()
        self._say("error", "journal", text)

    def _say(self, severity: str, about: str, text: str, topic: str = "") -> None:
        """Have something said as a notice, from where nothing can be awaited."""
        if not self._to_say.full():
            self._to_say.put_nowait(partial(self.engine.notice, severity, about, text, topic))

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
        return self._status()

    def _status(self) -> dict[str, Any]:
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
            "health": {**asdict(found := self.health()), "is_well": found.is_well},
            "receivers": [as_fields(each) for each in self._telling.notices.deliveries()],
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
