"""The agent's watch over batteries: what it learns and says, and how it is told of a new one."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from agent.battery.batteries import Batteries
from agent.battery.view import lines
from agent.checks.check import warnings
from agent.engine import Engine, Settings
from agent.status import document as status_document
from agent.status import lines as status_lines
from drivers.errors import LastwattError
from policies.battery import BatteryHistory
from policies.events import BatteryFitted, BatteryMeasured, Event, NoticeRaised
from policies.model import BatteryStatus, Reading
from policies.state import SiteState, initial
from tests.agent.benches import ScriptedKeeper, notices
from tests.agent.commands import answering, lastwatt
from tests.agent.journals import open_journal
from tests.agent.site_files import read
from tests.agent.yard_site import CABINET, DEVICES, HEAD
from tests.fakes import START_UTC, FakeClock
from tests.policies.sites import on_battery, on_mains

DAY_S = 86400.0
FILE = HEAD + CABINET + DEVICES


async def _ana(request: Mapping[str, Any]) -> str:
    return "ana"


class Watched:
    """A site whose readings are given by hand, and the watch over its batteries."""

    def __init__(self, folder: Path, *, file: str = FILE, state: SiteState | None = None) -> None:
        self.loaded = read(folder, file, secrets_must_exist=False).loaded
        self.site = self.loaded.site
        self.clock = FakeClock(at=1000.0)
        self.keeper = ScriptedKeeper(self.clock)
        self.engine = Engine(
            self.site,
            {name: {} for name in self.site.devices},
            clock=self.clock,
            journal=self.keeper,
            state=initial(self.site) if state is None else state,
            settings=Settings("test"),
            on_event=lambda event: self.hear(event),
        )
        self.estimate: tuple[float, float, float] | None = None
        self.batteries = Batteries(
            self.engine,
            self.loaded,
            clock=self.clock,
            who=_ana,
            estimate=lambda unit: self.estimate,
        )

    def hear(self, event: Event) -> None:
        self.batteries.hear(event)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.batteries.run())
        try:
            await self.clock.advance(1.0)
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def read(self, reading: Reading) -> None:
        await self.clock.advance(reading.at - self.clock.monotonic())
        await self.engine.on_reading(reading)

    async def discharge(self, *, to: float, watts: float = 100.0) -> None:
        """Let mains fail until the unit shows that charge, of a battery of 200 Wh, and come back.

        At 100 W the unit takes 100 / 0.86 + 14 W from it (2 % of 700 W), so 1 % in 55 s.
        """
        began = self.clock.monotonic() + 10.0
        await self.read(on_mains(began - 5.0, output_w=watts))
        drawn_w, charge, at = watts / 0.86 + 14.0, 1.0, began
        while charge > to:
            at += 30.0
            charge = 1.0 - drawn_w * (at - began) / 3600.0 / 200.0
            await self.read(on_battery(at, began, output_w=watts, charge=charge))
        for late_s in (10.0, 20.0, 30.0):
            await self.read(on_mains(at + late_s, charge=charge, output_w=watts))
        await self.clock.advance(1.0)

    async def measure(self, share: float, *, every_days: float = 60.0, times: int = 1) -> None:
        """Let so many deep discharges show that share of a new battery."""
        for _ in range(times):
            today = self.clock.utc().date()
            new_wh = 1.08 * 36.0 * 7.0
            energy_wh = share * new_wh
            await self.engine.record(
                BatteryMeasured(
                    self.clock.monotonic(), "cabinet", today, energy_wh, 0.97 * energy_wh,
                    1.03 * energy_wh, "a full discharge",
                )
            )  # fmt: skip
            await self.clock.advance(every_days * DAY_S)

    async def ask(self, name: str, **more: Any) -> dict[str, Any]:
        return await self.batteries.asks[name]({"ask": name, **more})

    async def shown(self) -> dict[str, Any]:
        (unit,) = (await self.ask("battery"))["units"]
        assert isinstance(unit, dict)
        return unit

    @property
    def history(self) -> BatteryHistory:
        return self.engine.state.units["cabinet"].battery

    def told(self, text: str) -> list[str]:
        return [said for said in notices(self.keeper.events) if text in said]


async def test_deep_discharge_is_journalled_as_a_measurement(tmp_path: Path) -> None:
    """What an outage showed of the battery must outlive the agent."""
    site = Watched(tmp_path)
    async with site.running():
        await site.discharge(to=0.4)

    (event,) = site.keeper.of(BatteryMeasured)
    assert isinstance(event, BatteryMeasured)
    assert event.energy_wh == pytest.approx(200.0, rel=0.05)
    assert event.on == START_UTC.date()
    assert len(site.history.points) == 1


async def test_live_estimate_is_what_is_journalled_where_there_is_one(tmp_path: Path) -> None:
    """It has weighed every reading, and not only the first and the last."""
    site = Watched(tmp_path)
    site.estimate = (211.0, 201.0, 222.0)
    async with site.running():
        await site.discharge(to=0.4)

    (event,) = site.keeper.of(BatteryMeasured)
    assert isinstance(event, BatteryMeasured)
    assert (event.energy_wh, event.low_wh, event.high_wh) == site.estimate
    assert event.how.endswith("all its readings weighed")


async def test_full_discharge_is_measured_when_the_unit_falls_silent(tmp_path: Path) -> None:
    """The end of the output is the best measurement there is."""
    site = Watched(tmp_path)
    async with site.running():
        await site.read(on_mains(1010.0, output_w=100.0))
        for at in range(1040, 5000, 30):
            low = at > 4800
            status = BatteryStatus.LOW if low else BatteryStatus.NORMAL
            await site.read(on_battery(float(at), 1020.0, battery_status=status))
        from agent.errors import BackupUnitError, UnitTrouble

        for at in range(5000, 5100, 10):
            error = BackupUnitError("no answer", trouble=UnitTrouble.SILENT, advice="look")
            await site.clock.advance(at - site.clock.monotonic())
            await site.engine.on_silence("cabinet", error, float(at))
        await site.clock.advance(1.0)

    (event,) = site.keeper.of(BatteryMeasured)
    assert isinstance(event, BatteryMeasured)
    assert event.how == "a full discharge"


async def test_ageing_is_told_once_half_a_year_ahead_and_once_at_its_end(tmp_path: Path) -> None:
    """A notice a day is read by nobody, and none at all costs the recorder."""
    site = Watched(tmp_path)
    async with site.running():
        for share in (0.95, 0.94, 0.93, 0.92, 0.91):
            await site.measure(share)
        fine = list(site.told("battery ageing"))
        for share in (0.88, 0.86, 0.84, 0.82):
            await site.measure(share)
        soon = list(site.told("battery ageing"))
        for share in (0.78, 0.76, 0.75, 0.74, 0.73, 0.72):
            await site.measure(share)
    worn = list(site.told("battery ageing"))

    assert fine == []
    assert len(soon) == 1 and "likely falls to 80 % about 2027-" in soon[0]
    assert len(worn) == 2
    assert "the trade replaces a battery at 80 % of its rated capacity" in worn[1]
    grades = [e.severity for e in site.keeper.events if isinstance(e, NoticeRaised)]
    assert grades == ["warning", "error"]


async def test_restart_tells_nothing_twice(tmp_path: Path) -> None:
    """The journal knows who was told."""
    site = Watched(tmp_path)
    async with site.running():
        await site.measure(0.6)
        await site.clock.advance(DAY_S)
    again = Watched(tmp_path, state=site.engine.state)
    async with again.running():
        await again.clock.advance(3 * DAY_S)

    assert len(site.told("battery ageing")) == 1
    assert again.told("battery ageing") == []


async def test_new_battery_is_told_by_hand_and_starts_anew(tmp_path: Path) -> None:
    """The trend of the old one ends; the file's day is named as what is to be changed."""
    site = Watched(tmp_path)
    async with site.running():
        await site.measure(0.6, every_days=3)
        seen = await site.ask("fitted", unit="cabinet", preview=True)
        before = site.history.points
        answer = await site.ask("fitted", unit="cabinet", date="2026-03-04")
        shown = await site.shown()

    assert len(before) == 1, "a preview changes nothing"
    assert seen["date"] == (START_UTC + timedelta(days=3)).date().isoformat()
    assert (answer["date"], answer["who"]) == ("2026-03-04", "ana")
    assert "the file still says fitted = 2025-03-01: write fitted = 2026-03-04" in answer["notes"]
    assert site.history.points == () and site.history.judged == frozenset()
    assert shown["fitted"] == "2026-03-04" and shown["health"] is None
    assert shown["age_years"] == pytest.approx(0.0, abs=0.01)
    assert shown["stale"]
    assert site.told("another battery, fitted on 2026-03-04, as ana said")


async def test_day_that_the_file_names_later_is_another_battery_too(tmp_path: Path) -> None:
    """Some edit the file and restart the agent; the command is not the only way."""
    first = Watched(tmp_path)
    async with first.running():
        await first.measure(0.7, every_days=1)
    newer = FILE.replace("fitted = 2025-03-01", "fitted = 2026-03-02")
    second = Watched(tmp_path, file=newer, state=first.engine.state)
    second.clock.step_wall(10 * DAY_S)
    async with second.running():
        shown = await second.shown()

    assert first.history.fitted_on == date(2025, 3, 1)
    assert first.told("another battery") == [], "the first one is no news"
    assert second.history.fitted_on == date(2026, 3, 2)
    assert second.history.points == ()
    assert second.told("another battery, fitted on 2026-03-02 by the site's file")
    assert shown["stale"] == []


async def test_file_that_is_still_stale_does_not_bring_the_old_battery_back(
    tmp_path: Path,
) -> None:
    """Whoever told the agent, and forgot the file, is not undone by a restart."""
    first = Watched(tmp_path)
    async with first.running():
        await first.ask("fitted", unit="cabinet", date="2026-02-20")
    second = Watched(tmp_path, state=first.engine.state)
    async with second.running():
        pass

    assert second.history.fitted_on == date(2026, 2, 20)
    assert second.keeper.of(BatteryFitted) == []


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("2027-01-01", "yet to come"),
        ("yesterday", "write it like 2026-03-01"),
        (20260301, "write it like 2026-03-01"),
    ],
)
async def test_day_that_cannot_be_is_refused(tmp_path: Path, said: object, text: str) -> None:
    """A battery from the future would never age."""
    site = Watched(tmp_path)
    with pytest.raises(LastwattError, match=text):
        await site.ask("fitted", unit="cabinet", date=said)

    assert site.history == BatteryHistory()


async def test_unknown_unit_is_named_with_those_there_are(tmp_path: Path) -> None:
    """A typing slip must not pass for an answer about all units."""
    site = Watched(tmp_path)
    for name in ("battery", "fitted"):
        answer = await site.ask(name, unit="cabin")
        assert answer["ok"] is False and answer["unknown"] is True
        assert "it lists: cabinet" in answer["error"]


async def test_what_is_shown_says_why_there_is_no_forecast(tmp_path: Path) -> None:
    """Nothing measured, too little measured, and enough: each in words."""
    site = Watched(tmp_path)
    async with site.running():
        none = "\n".join(lines(await site.shown()))
        await site.measure(0.97, every_days=30, times=2)
        few = "\n".join(lines(await site.shown()))
        for share in (0.95, 0.94, 0.93, 0.92, 0.91):
            await site.measure(share)
        enough = "\n".join(lines(await site.shown()))

    assert "battery fitted on 2025-03-01, 12 months ago" in none
    assert "nothing was measured yet; 96 % is assumed at its age" in none
    assert "2 measurements so far; a forecast needs 4, over 120 days" in few
    assert "forecast  falls to 80 % about 202" in enough and "at the earliest" in enough


async def test_status_shows_the_health_once_something_was_measured(tmp_path: Path) -> None:
    """Whoever looks at the site sees the battery without asking for it."""
    site = Watched(tmp_path)
    async with site.running():
        await site.read(on_mains(1010.0))
        before = _status(site)
        await site.measure(0.97, times=2)
        after = _status(site)

    assert "its battery holds" not in before
    assert "its battery holds 97 % of a new one" in after


def _status(site: Watched) -> str:
    now, today = site.clock.monotonic(), site.clock.utc().date()
    found = status_document(site.site, site.engine.state, None, now=now, dry_run=False, today=today)
    return "\n".join(status_lines(found))


# The command


def test_command_refuses_what_makes_no_sense(tmp_path: Path) -> None:
    """A slip on the command line is said before anybody is asked anything."""
    for words in (
        ("fitted",), ("fitted", "cabinet", "loft"), ("cabinet", "loft"),
        ("cabinet", "--date", "2026-03-01"), ("fitted", "cabinet", "--date", "soon"),
    ):  # fmt: skip
        done = lastwatt("battery", *words, "--state", tmp_path)
        assert done.status == 2, words
        assert done.complaint


def test_command_says_that_no_agent_runs(tmp_path: Path) -> None:
    """Status 3, as every command that asks the agent."""
    done = lastwatt("battery", "--state", tmp_path, "--json")

    assert done.status == 3
    assert done.document["ok"] is False


def test_command_understands_no_other_release(tmp_path: Path) -> None:
    """An answer in words unknown here is no crash."""
    with answering(tmp_path, b'{"format":1,"ok":true,"site":"x","units":[{"unit":7}]}\n'):
        done = lastwatt("battery", "--state", tmp_path)

    assert done.status == 1
    assert "another release" in done.complaint


def test_reading_kept_of_the_unit_is_not_touched(tmp_path: Path) -> None:
    """The watch only listens: what it is told of others changes nothing."""
    site = Watched(tmp_path)
    site.hear(NoticeRaised(1.0, "info", "cabinet", "x"))
    stranger = replace(on_mains(1.0), unit="sold long ago")

    from policies.events import ReadingTaken

    site.hear(ReadingTaken(1.0, stranger))
    assert site.history == BatteryHistory()


async def test_check_names_what_is_stale_in_the_file(tmp_path: Path) -> None:
    """Whoever told the agent of a battery, and not the file, is reminded before it matters."""
    state = tmp_path / "state"
    file = FILE.replace("[site]", '[agent]\nstate = "state"\n[site]').replace(
        "fitted = 2025-03-01", 'fitted = 2025-03-01, fit = "cabinet.json"'
    )
    (tmp_path / "cabinet.json").write_text('{"made_on": "2025-06-01"}')
    loaded = read(tmp_path, file, secrets_must_exist=False).loaded
    before = warnings(loaded)
    journal = open_journal(state, FakeClock())
    event = BatteryFitted(1.0, "cabinet", date(2026, 3, 4), 0.0, "ana")
    await journal.commit(event)
    await journal.close()
    after = {fault.code: fault for fault in warnings(loaded)}

    assert not {fault.code for fault in before} & {"battery-date-stale", "fit-stale"}
    assert after["battery-date-stale"].fix == "write fitted = 2026-03-04"
    assert "made on 2025-06-01" in after["fit-stale"].message
