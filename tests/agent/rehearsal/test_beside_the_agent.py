"""Rehearsals beside an agent that runs on a real unit: apart from it, and ended by an outage."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from agent.journal.codec import encode
from agent.rehearsal import store
from agent.rehearsal.rehearsals import RehearsalRefusedError
from agent.wiring import Agent
from drivers.transports.threads import in_own_thread
from tests.agent.commands import http_device, lastwatt, unit, write_site
from tests.agent.test_wiring import journalled, loaded_site, running, until, until_heard
from tests.peers.snmpd import ON_BATTERY, Snmpd

pytestmark = pytest.mark.peer

GATE = http_device(1, more='auth = "none"\nscheme = "http"\n')


@dataclass
class Yard:
    agent: Agent
    snmpd: Snmpd
    folder: Path
    state: Path


@asynccontextmanager
async def watched_yard(folder: Path) -> AsyncIterator[Yard]:
    with Snmpd(folder / "unit") as snmpd:
        loaded = loaded_site(folder, snmpd, GATE)
        state = folder / "state"
        async with running(loaded, state) as agent:
            await until_heard(agent)
            yield Yard(agent, snmpd, folder, state)


async def test_rehearsal_is_kept_journalled_and_counts_for_the_grade(tmp_path: Path) -> None:
    """What somebody asked for is found later, with who; and the live state is as it was."""
    async with watched_yard(tmp_path) as yard:
        rehearsals, engine = yard.agent.rehearsals, yard.agent.engine
        before = encode(engine.state.devices["gate recorder"])  # type: ignore[arg-type]  # any part
        run = await rehearsals.start(who="Ana", mains_after_s=60.0)
        seen = [each.is_over async for each in rehearsals.watch(run)]

        assert run.result is not None, run.why
        assert seen[-1] is True
        assert encode(engine.state.devices["gate recorder"]) == before  # type: ignore[arg-type]
        assert rehearsals.names() == [run.terms.name]
        assert rehearsals.result() == run.result
        await until(lambda: len(journalled(yard.state, "ended_rehearsal")) == 1)
    (began,), (ended,) = (
        journalled(yard.state, kind) for kind in ("began_rehearsal", "ended_rehearsal")
    )
    assert (began["who"], began["name"]) == ("Ana", run.terms.name)
    assert ended["is_well"] is run.result.ok


async def test_one_that_comes_to_rest_counts_as_rehearsed(tmp_path: Path) -> None:
    """The recorder's order was gone through with the settings that the file has."""
    async with watched_yard(tmp_path) as yard:
        run = await yard.agent.rehearsals.start(who="Ana")
        async for _ in yard.agent.rehearsals.watch(run):
            pass

        assert run.result is not None, run.why
        state = yard.agent.engine.state
        await until(lambda: "rehearsed" in yard.agent.engine.state.devices["gate recorder"].grades)
        assert state.outage_at is None


async def test_real_outage_ends_it_at_once(tmp_path: Path) -> None:
    """From that moment on the box has better things to do, and nobody must mistake one for both."""
    async with watched_yard(tmp_path) as yard:
        run = await yard.agent.rehearsals.start(who="Ana", pace=1.0)
        await until(lambda: run.progress, within_s=30.0)
        yard.snmpd.put(ON_BATTERY)
        await until(lambda: run.is_over, within_s=30.0)

        assert run.result is None
        assert "mains has failed in truth" in run.why
        with pytest.raises(RehearsalRefusedError, match="mains is away"):
            await yard.agent.rehearsals.start(who="Ana")
        assert store.names(yard.state) == []


async def test_one_at_a_time_and_only_what_makes_sense(tmp_path: Path) -> None:
    """Two would take the box's processor from the agent."""
    async with watched_yard(tmp_path) as yard:
        rehearsals = yard.agent.rehearsals
        for odd in ({"at": "25:61"}, {"pace": 0.1}, {"mains_after_s": 1e9}):
            with pytest.raises(RehearsalRefusedError):
                await rehearsals.start(who="Ana", **odd)
        run = await rehearsals.start(who="Ana", pace=1.0)
        with pytest.raises(RehearsalRefusedError, match="begun by Ana"):
            await rehearsals.start(who="Rui")
        await rehearsals.cancel("the test is over")

        assert run.why == "broken off: the test is over"


async def test_agent_that_ends_takes_it_along(tmp_path: Path) -> None:
    """No process is left behind."""
    async with watched_yard(tmp_path) as yard:
        run = await yard.agent.rehearsals.start(who="Ana", pace=1.0)
        await until(lambda: run.progress, within_s=30.0)

    assert run.is_over
    assert {task.get_name() for task in asyncio.all_tasks()} == {
        asyncio.current_task().get_name()  # type: ignore[union-attr]  # there is one
    }


async def test_command_has_the_agent_do_it(tmp_path: Path) -> None:
    """By the agent it is journalled with who asked; by another file it is done here, and said."""
    async with watched_yard(tmp_path) as yard:
        site = yard.folder / "site.toml"
        ask = ("rehearse", site, "--state", yard.state, "--mains-after", "60s")
        done = await in_own_thread(lambda: lastwatt(*ask, "--who", "Ana", "--json"), name="ask")
        await until(lambda: len(journalled(yard.state, "ended_rehearsal")) == 1)
        write_site(yard.folder, unit(yard.snmpd.port), GATE.replace("watts = 24", "watts = 30"))
        other = await in_own_thread(lambda: lastwatt(*ask), name="ask")

    assert done.document["result"]["who"].startswith("Ana")
    assert "another version of this file" in other.err
    assert "Since the one of" in other.out
    assert len(journalled(yard.state, "began_rehearsal")) == 1
