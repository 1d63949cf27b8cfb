"""Joins to a running agent what hangs on it, in the order in which each part hears an event."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from agent import status
from agent.battery.batteries import Batteries
from agent.battery.daylight import Daylight
from agent.battery.load_watch import LoadWatch
from agent.box.systemd import Manager, Reporting
from agent.by_hand.drills import Drills
from agent.core import Core
from agent.grades.settings import fingerprints
from agent.owed.copies import OwedCopies
from agent.owed.owed import OwedList, undo_of
from agent.page.live_ride import LiveRide
from agent.regular.digest import MonthlyDigest
from agent.regular.self_tests import SelfTests
from agent.regular.wanted import works_of
from agent.regular.works import Works
from agent.rehearsal.rehearsals import Rehearsals
from agent.reports.filing import Filing
from agent.story.foretold import Foretold
from agent.terminal.glances import Glances
from policies.events import Event

if TYPE_CHECKING:
    from agent.page.serving import Page


@dataclass(frozen=True, slots=True)
class Joined:
    """Those parts that are asked for more than hearing, answering and working.

    Attributes:
        rehearsals: runs them beside the agent.
        works: the regular work.
        page: what serves the page; None where the file has no such table.
    """

    rehearsals: Rehearsals
    works: Works
    page: Page | None


def join_parts(core: Core, *, on_event: Callable[[Event], None], manager: Manager | None) -> Joined:
    """Join all parts.

    Args:
        core: the agent.
        on_event: told each event after every part; must not block.
        manager: the service manager, where one started this process.
    """
    join, telling, saying = core.parts.join, core.telling, core.saying
    join("status", asks={"status": partial(_answer_status, core)})
    join("notices", hear=telling.hear, asks=telling.asks, run=telling.run)
    join("saying", run=saying.run)
    join("estimate", hear=lambda event: core.estimator.hear(event, core.engine.state))
    _join_owed(core)
    _join_batteries(core)
    _join_grades(core)
    join("identity", asks=core.identity.asks, run=core.identity.run)
    rehearsals = _join_by_hand(core)
    works = _join_works(core, rehearsals)
    join("planner", hear=lambda event: core.planner.hear(), run=core.planner.run)
    _join_records(core)
    page = _join_views(core)
    join("outside", hear=on_event)
    if manager is not None:
        _join_manager(core, manager)
    return Joined(rehearsals, works, page)


async def _answer_status(core: Core, request: dict[str, Any]) -> dict[str, Any]:
    return core.status()


def _join_owed(core: Core) -> None:
    """Join the list of what is to be undone, and its copies elsewhere."""
    copies = OwedCopies(core.loaded.owed_copies, clock=core.clock)
    owed = OwedList(
        core.loaded,
        core.folder,
        clock=core.clock,
        state=lambda: core.engine.state,
        undo=undo_of(core.loaded, clock=core.clock),
        put_copies=copies.put,
    )
    # A rehearsal changes nothing, and must not clear a live run's list; nor must a copy.
    here = core.identity.when_here
    list_run, copies_run = partial(here, owed.run), partial(here, copies.run)
    core.parts.join("owed list", hear=owed.hear, run=None if core.dry_run else list_run)
    core.parts.join("owed copies", run=None if core.dry_run else copies_run)


def _join_batteries(core: Core) -> None:
    """Join what is learnt of batteries and loads."""
    engine, loaded, clock = core.engine, core.loaded, core.clock
    batteries = Batteries(
        engine, loaded, clock=clock, who=core.hands.who, estimate=partial(_energy_band, core)
    )
    core.parts.join("batteries", hear=batteries.hear, asks=batteries.asks, run=batteries.run)
    load_watch = LoadWatch(
        engine.site,
        loaded.place,
        utc=clock.utc,
        say=core.saying.say,
        keep=core.saying.keep,
        known=core.recalled.state,
    )
    core.parts.join("load watch", hear=lambda event: load_watch.hear(event, engine.state))
    daylight = Daylight(loaded.place, clock=clock, state=lambda: engine.state, record=engine.record)
    core.parts.join("daylight", run=daylight.run)


def _energy_band(core: Core, unit: str) -> tuple[float, float, float] | None:
    band = core.estimator.energy_wh_band(unit)
    return None if band is None else (band.median_wh, band.lower_wh, band.upper_wh)


def _join_grades(core: Core) -> None:
    """Join what keeps how each device is known to work."""
    grading, checks = core.grading, core.login_checks
    core.parts.join("grades", hear=grading.hear, asks=grading.asks, run=grading.run)
    core.parts.join("login checks", hear=checks.hear, asks=checks.asks, run=checks.run)


def _join_by_hand(core: Core) -> Rehearsals:
    """Join what people ask for: orders, drills and rehearsals."""
    engine, hands, clock, join = core.engine, core.hands, core.clock, core.parts.join
    join("hands", asks=hands.asks, run=hands.pause.run, close=hands.close)
    drills = Drills(
        engine,
        hands,
        core.drivers,
        file_site=engine.site,
        clock=clock,
        standing=core.grading.standing,
        settings=fingerprints(core.loaded),
    )
    join("drills", hear=drills.hear, asks=drills.asks, close=drills.close)
    rehearsals = Rehearsals(
        engine, core.loaded, core.folder, clock=clock, grading=core.grading, who=hands.who
    )
    join("rehearsals", hear=rehearsals.hear, asks=rehearsals.asks, close=rehearsals.close)
    return rehearsals


def _join_works(core: Core, rehearsals: Rehearsals) -> Works:
    """Join the regular work of the site's file."""
    engine, loaded, clock = core.engine, core.loaded, core.clock
    works = Works(engine, clock=clock, zone=loaded.time_zone)
    for work in works_of(
        loaded,
        engine,
        rehearsals=rehearsals,
        login_checks=core.login_checks,
        now=clock.monotonic,
        digest=MonthlyDigest(engine, core.folder, clock=clock, zone=loaded.time_zone),
        self_tests=SelfTests(
            engine,
            clock=clock,
            zone=loaded.time_zone,
            attended=loaded.schedule.attended,
            test_of=core.units.self_test,
        ),
    ):
        works.add(work)
    core.parts.join("regular work", run=None if core.dry_run else works.run)
    return works


def _join_records(core: Core) -> None:
    """Join what is kept of an outage for its report."""
    engine, clock = core.engine, core.clock
    foretold = Foretold(
        engine.site,
        clock=clock,
        state=lambda: engine.state,
        beliefs=engine.beliefs,
        plan=lambda: core.planner.plan,
        note=core.journal.note,
    )
    core.parts.join("foretold", run=foretold.run)
    filing = Filing(
        core.folder,
        clock=clock,
        zone=core.loaded.time_zone,
        state=lambda: engine.state,
        steady_s=engine.site.mains_steady_s,
        on_filed=core.telling.hear_filed,
    )
    core.parts.join("reports", hear=filing.hear, run=filing.run)


def _join_views(core: Core) -> Page | None:
    """Join what shows the agent: in a terminal, and on a page where the file wants one."""
    door = core.door()
    ride = LiveRide(door)
    core.parts.join("ride", hear=ride.hear, run=ride.run, close=ride.close)
    glances = Glances(door, ride)
    core.parts.join("glances", hear=glances.hear, asks=glances.asks)
    if core.loaded.page is None:
        return None
    from agent.page.serving import Page  # its libraries are costly

    page = Page(door, core.loaded.page, ride, say=core.saying.say)
    core.parts.join("page", hear=page.hear, run=page.run)
    return page


def _join_manager(core: Core, manager: Manager) -> None:
    """Join what tells the service manager; joined last, it ends first."""
    reporting = Reporting(
        manager,
        clock=core.clock,
        has_decided=lambda: core.engine.decision is not None,
        health=core.health,
        status=lambda: status.in_brief(core.engine.state, dry_run=core.dry_run),
    )
    core.parts.join("service manager", run=reporting.run, close=reporting.close)
