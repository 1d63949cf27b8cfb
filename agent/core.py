"""What an agent's parts are made of; built in `agent.wiring`, joined in `agent.joining`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from agent import status
from agent.battery.estimator import Estimator
from agent.box.identity import Identity
from agent.by_hand.hands import Hands
from agent.clock import LoopClock
from agent.config import LoadedSite
from agent.engine import Engine
from agent.grades.grading import Grading
from agent.grades.login_checks import LoginChecks
from agent.grades.standings import standings
from agent.health import Health, Signs, judge
from agent.journal.journal import Journal, Recalled
from agent.notices.telling import Telling, as_fields
from agent.page.door import Door
from agent.parts import Parts
from agent.planning.planner import Planner
from agent.saying import Saying
from agent.units.links import UnitLinks
from drivers.base import Driver, Stage

Drivers = Mapping[str, Mapping[Stage, Driver]]
"""Device -> stage -> what serves it."""


@dataclass(frozen=True, slots=True)
class Core:
    """One site's agent, as its parts see it.

    Attributes:
        loaded: the site's file.
        folder: the state directory.
        dry_run: nothing is sent to any device.
        version: of lastwatt.
        began_at: site time at which this agent was built, s.
        recalled: what the journal had when it was opened.
        drivers: by device and stage.
        units: the ways to the backup units.
        parts: who hears events, answers asks, works beside.
    """

    loaded: LoadedSite
    folder: Path
    dry_run: bool
    version: str
    began_at: float
    clock: LoopClock
    journal: Journal
    recalled: Recalled
    drivers: Drivers
    units: UnitLinks
    engine: Engine
    estimator: Estimator
    planner: Planner
    telling: Telling
    saying: Saying
    hands: Hands
    grading: Grading
    login_checks: LoginChecks
    identity: Identity
    parts: Parts

    def today(self) -> date:
        """Return the site's day."""
        return today_at(self.loaded, self.clock)

    def health(self) -> Health:
        """Return whether the agent does its work; asked on its loop, which then turns."""
        state = self.engine.state
        signs = Signs(
            now=self.clock.monotonic(),
            began_at=self.began_at,
            due_at={"deciding": self.engine.due_at, **self.units.due_at},
            is_journal_healthy=self.journal.is_healthy,
            has_fallen=self.engine.has_fallen,
            lost_at={n: u.lost_at for n, u in state.units.items() if u.lost_at is not None},
        )
        return judge(signs)

    def status(self) -> dict[str, Any]:
        """Return the document of `lastwatt status`, without `format` and `ok`."""
        engine = self.engine
        shown = status.document(
            engine.site,
            engine.state,
            engine.decision,
            now=self.clock.monotonic(),
            today=self.today(),
            dry_run=self.dry_run,
            learnt=engine.learnt,
            grades=standings(self.loaded, engine.state, self.today()),
            plan=self.planner.plan,
        )
        return {
            **shown,
            "version": self.version,
            "journal_healthy": self.journal.is_healthy,
            "health": {**asdict(found := self.health()), "is_well": found.is_well},
            "receivers": [as_fields(each) for each in self.telling.notices.deliveries()],
        }

    def door(self) -> Door:
        """Return what those who show the agent may see of it."""
        return Door(
            loaded=self.loaded,
            folder=self.folder,
            engine=self.engine,
            clock=self.clock,
            dry_run=self.dry_run,
            status=self.status,
            plan=lambda: self.planner.plan,
            today=self.today,
            asks=self.parts.asks,
            version=self.version,
            is_journal_healthy=lambda: self.journal.is_healthy,
            health=self.health,
        )


def today_at(loaded: LoadedSite, clock: LoopClock) -> date:
    """Return the day that it is at a site."""
    return clock.utc().astimezone(loaded.time_zone).date()
