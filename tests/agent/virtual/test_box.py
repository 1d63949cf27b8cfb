"""The real agent on the virtual site: the whole chain, on real SNMP, SSH and HTTPS."""

import asyncio
import random
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pytest

from agent.config import load
from agent.errors import JournalError
from agent.virtual import yard
from agent.virtual.box import run_on_box
from agent.virtual.pace import PacedLoop
from agent.virtual.site import VirtualSite
from agent.virtual.truth import Truth
from policies.events import AgentStarted, Ending, Event, OrderClosed
from policies.model import Task
from tests.agent.virtual.paced import run_paced

HOLDERS = {yard.RECORDER, yard.PC, yard.STORE}
TOLD = HOLDERS | {yard.SWITCH}  # its ports, last of all
FACTOR = 120.0
POLLING = yard.Polling(on_mains_s=10.0, on_battery_s=10.0)


@dataclass(slots=True)
class Ride:
    """What came of one outage: the yard's truth, and what the agent said."""

    truth: Truth
    events: list[Event] = field(default_factory=list)

    def ended(self, task: Task) -> dict[str, Ending]:
        return {
            event.device: event.ending
            for event in self.events
            if isinstance(event, OrderClosed) and event.task is task
        }


async def ride(
    folder: Path, *, returns_after_s: float, ends_after_s: float, dry_run: bool = False
) -> Ride:
    """Let mains fail and return under the eyes of a real agent."""
    polling = POLLING
    async with VirtualSite(folder, chance=random.Random(5), polling=polling) as site:
        loaded, _ = load(site.file, today=date.today())
        assert loaded is not None
        events: list[Event] = []
        agent = asyncio.ensure_future(
            run_on_box(site, loaded, folder / "state", dry_run=dry_run, on_event=events.append)
        )
        site.play(fails_after_s=30.0, returns_after_s=returns_after_s)
        try:
            async with asyncio.timeout(30.0 + returns_after_s + ends_after_s):
                await agent
        except TimeoutError:
            return Ride(site.truth(), events)
    raise AssertionError("the agent ended by itself")


def test_nothing_is_lost_when_the_battery_ends(tmp_path: Path) -> None:
    """The one thing that lastwatt is for, from the first trap to the last file."""

    async def main(loop: PacedLoop) -> Ride:
        return await ride(tmp_path, returns_after_s=1850.0, ends_after_s=300.0)

    seen = run_paced(main, factor=FACTOR)
    truth = {each.name: each for each in seen.truth.devices}

    assert seen.truth.output_end_s is not None
    assert seen.truth.output_end_s > seen.truth.unattended_end_s + 300.0
    rested = seen.ended(Task.REST)
    # The switch holds nothing, so no reserve is kept for it: this battery may end before its turn.
    rested.pop(yard.SWITCH, None)
    assert rested == dict.fromkeys(HOLDERS, Ending.AT_REST)
    for name in HOLDERS:
        assert not truth[name].damage
        assert truth[name].told_s is not None
        assert (truth[name].at_rest_s or 0.0) < seen.truth.output_end_s - 60.0
    # The PC writes to the store, so it is at rest before the store is told.
    assert (truth[yard.PC].at_rest_s or 0.0) <= (truth[yard.STORE].told_s or 0.0)
    # The agent's own box lost its power with the rest, and took up its journal when that was back.
    assert sum(isinstance(event, AgentStarted) for event in seen.events) == 2
    assert all(each.is_running for each in seen.truth.devices)


def test_mains_that_returns_in_time_brings_everything_back(tmp_path: Path) -> None:
    """Devices that were stopped for safety would stay dark: their power never went."""

    async def main(loop: PacedLoop) -> Ride:
        return await ride(tmp_path, returns_after_s=1230.0, ends_after_s=400.0)

    seen = run_paced(main, factor=FACTOR)

    assert seen.truth.output_end_s is None
    rested = seen.ended(Task.REST)
    # The recorder may still have been on: it is given as long as the battery can carry it.
    assert {yard.PC, yard.STORE} <= rested.keys() <= HOLDERS
    assert set(rested.values()) == {Ending.AT_REST}
    assert seen.ended(Task.START) == dict.fromkeys(rested, Ending.RUNNING)
    assert all(each.is_running for each in seen.truth.devices)


def test_a_dry_run_touches_nothing(tmp_path: Path) -> None:
    """A rehearsal would stop the site that it rehearses on."""

    async def main(loop: PacedLoop) -> Ride:
        return await ride(tmp_path, returns_after_s=1000.0, ends_after_s=300.0, dry_run=True)

    seen = run_paced(main, factor=FACTOR)

    assert seen.ended(Task.REST) == dict.fromkeys(TOLD, Ending.ASSUMED)
    assert all(each.told_s is None and each.is_running for each in seen.truth.devices)


def test_an_agent_that_cannot_start_says_so(tmp_path: Path) -> None:
    """A demo without an agent would go on as if nothing were amiss."""
    (tmp_path / "state").write_text("not a directory")

    async def main(loop: PacedLoop) -> None:
        with pytest.raises(JournalError, match="state"):
            await ride(tmp_path, returns_after_s=60.0, ends_after_s=60.0)

    run_paced(main, factor=FACTOR)
