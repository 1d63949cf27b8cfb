"""Regular work: done when due, once and late where it was missed, never in an outage."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from agent.regular.due_times import Rule
from agent.regular.wanted import age_text
from agent.regular.works import MOST_S, SETTLES_S, Came, Work, Works
from policies.events import NoticeRaised, WorkDone, WorkPlanned
from policies.model import Battery, Chemistry, Unit
from policies.state import SiteState, fold
from tests.agent.site_files import read
from tests.agent.test_check import QUIET
from tests.agent.test_drills import Drilled
from tests.agent.yards import ACTS

LISBON = ZoneInfo("Europe/Lisbon")
AT_TEN = Rule(time(22, 10))
"""The fake clock begins at 22:00 on 1 March 2026, which is that in Lisbon too."""


class Scheduled(Drilled):
    """The boatyard with one regular work."""

    works: Works

    async def begin(self, came: Came | Exception, state: SiteState | None = None) -> None:
        self.done: list[datetime] = []
        self.goes = asyncio.Event()
        self.goes.set()
        await self.attend(state)
        self.works = Works(self.engine, clock=self.clock, zone=LISBON)
        self.works.add(Work("sweep", AT_TEN, lambda due: self._sweep(due, came)))
        self._watching.append(asyncio.create_task(self.works.run(), name="works"))

    async def _sweep(self, due: datetime, came: Came | Exception) -> Came:
        self.done.append(due)
        await self.goes.wait()
        if isinstance(came, Exception):
            raise came
        return came

    @property
    def entries(self) -> list[WorkDone]:
        return [event for event in self.keeper.events if isinstance(event, WorkDone)]


async def scheduled(
    came: Came | Exception = Came(True, "swept"),  # noqa: B008  # a value
    state: SiteState | None = None,
) -> Scheduled:
    made = Scheduled(acts=ACTS)
    await made.begin(came, state)
    return made


def known_since(yard: Scheduled, utc: datetime) -> SiteState:
    return fold(yard.site, yard.engine.state, WorkPlanned(0.0, "sweep", utc))


async def test_work_is_done_and_journalled() -> None:
    """What was done when is found in the journal, and asked for by its due time."""
    yard = await scheduled()
    await yard.clock.advance(610.0)
    yard.works.begin("sweep")
    await yard.clock.advance(1.0)
    await yard.leave()

    (entry,) = yard.entries
    assert (entry.work, entry.is_well, entry.is_late, entry.why) == ("sweep", True, False, "swept")
    assert entry.due == datetime(2026, 3, 1, 22, 10, tzinfo=UTC)
    assert yard.done == [entry.due]
    assert yard.engine.state.works["sweep"] == entry.due


async def test_work_that_is_new_was_not_missed() -> None:
    """A site that is put into service on the second must not get the digest of the first."""
    yard = await scheduled()
    await yard.clock.advance(SETTLES_S + 5.0)
    await yard.leave()

    assert yard.done == []
    since = yard.engine.state.works["sweep"]
    assert timedelta() < since - datetime(2026, 3, 1, 22, 0, tzinfo=UTC) < timedelta(minutes=5)


@pytest.mark.parametrize("days", [1, 40])
async def test_work_that_was_missed_is_done_once_and_late(days: int) -> None:
    """A box that was off for days does it when it is back, not once for each day."""
    first = await scheduled()
    state = known_since(first, datetime(2026, 3, 1, 22, 0, tzinfo=UTC) - timedelta(days=days))
    await first.leave()
    yard = await scheduled(state=state)
    await yard.clock.advance(SETTLES_S + 5.0)
    await yard.leave()

    (entry,) = yard.entries
    assert entry.is_late
    assert entry.due == datetime(2026, 2, 28, 22, 10, tzinfo=UTC)


async def test_clock_that_was_years_ahead_once_stops_nothing() -> None:
    """Boxes start without a clock; one wrong year must not cost the work of years."""
    first = await scheduled()
    state = known_since(first, datetime(2036, 1, 1, tzinfo=UTC))
    await first.leave()
    yard = await scheduled(state=state)
    await yard.clock.advance(SETTLES_S + 5.0)
    await yard.leave()

    assert yard.engine.state.works["sweep"] < datetime(2026, 3, 2, tzinfo=UTC)


async def test_outage_comes_first() -> None:
    """On battery nothing is done that could wait."""
    yard = await scheduled()
    await yard.clock.advance(SETTLES_S + 5.0)
    yard.fail_mains()
    await yard.clock.advance(30.0)
    yard.works.begin("sweep")
    await yard.clock.advance(90.0)

    assert yard.done == []
    yard.return_mains()
    await yard.clock.advance(200.0)
    assert len(yard.done) == 1
    await yard.leave()


@pytest.mark.parametrize(
    ("came", "why"),
    [(Came(False, "the disk is full"), "the disk is full"), (ValueError("x"), "code failed")],
)
async def test_work_that_fails_is_said_and_is_due_again(came: Came | Exception, why: str) -> None:
    """One bad month must not be the last, nor go unnoticed."""
    yard = await scheduled(came)
    await yard.clock.advance(SETTLES_S + 5.0)
    for _ in range(2):
        yard.works.begin("sweep")
        await yard.clock.advance(5.0)
    await yard.leave()

    assert [entry.is_well for entry in yard.entries] == [False, False]
    told = [e for e in yard.keeper.events if isinstance(e, NoticeRaised) and e.about == "sweep"]
    assert why in told[0].text


async def test_work_without_end_ends() -> None:
    """What hangs must not keep all that follows from being done."""
    yard = await scheduled()
    yard.goes.clear()
    await yard.clock.advance(SETTLES_S + 5.0)
    yard.works.begin("sweep")
    for _ in range(int(MOST_S / 600.0) + 1):
        await yard.clock.advance(600.0)
    await yard.leave()

    (entry,) = yard.entries
    assert entry.why == "it did not come to an end"


# The file


def test_schedule_of_the_file(tmp_path: Path) -> None:
    """As it stands there it is due; what is left out is never."""
    text = QUIET + '[schedule]\nrehearsal = { on = 15, at = "10:00" }\nbattery_age = { on = 1 }\n'
    found = read(tmp_path, text).loaded.schedule

    assert found.rehearsal == Rule(time(10, 0), 15)
    assert found.battery_age == Rule(time(9, 0), 1)
    assert found.digest is None


@pytest.mark.parametrize("day", ["0", "29", '"first"'])
def test_day_that_not_every_month_has_is_refused(tmp_path: Path, day: str) -> None:
    """The 31st comes every other month, which nobody means."""
    text = QUIET + f"[schedule]\nrehearsal = {{ on = {day} }}\n"
    faults = read(tmp_path, text).faults

    assert any("schedule.rehearsal.on" in fault.key for fault in faults)


# The age of batteries


@pytest.mark.parametrize(
    ("years", "chemistry", "said"),
    [
        (3.9, Chemistry.LEAD_ACID, ""),
        (4.2, Chemistry.LEAD_ACID, "4.2 years old"),
        (4.2, Chemistry.LITHIUM, ""),
        (None, Chemistry.LEAD_ACID, "nobody said when"),
    ],
)
def test_old_battery_is_spoken_of(years: float | None, chemistry: Chemistry, said: str) -> None:
    """It is bought weeks ahead, and its day is forgotten in years."""
    battery = Battery(watt_hours=200.0, age_years=years, chemistry=chemistry)
    text = age_text(Unit("cabinet", 1000.0, 700.0, battery))

    assert (said in text) if said else text == ""
