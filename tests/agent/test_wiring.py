"""The agent as it is joined together, on a real unit, in this process."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from agent.config import LoadedSite, load
from agent.control import NAME as SOCKET
from agent.control import ask
from agent.errors import JournalError
from agent.journal.file import NAME as JOURNAL
from agent.journal.view import as_json, rows
from agent.units.source import Source, UnitIdentity
from agent.wiring import Agent
from drivers.transports.threads import in_own_thread
from policies.events import Event
from policies.model import Reading
from tests.agent.commands import Done, lastwatt, unit, write_secret, write_site
from tests.agent.site_files import TODAY
from tests.peers.raw_http import RawPeer, raw_peer, reply, says
from tests.peers.snmpd import ON_BATTERY, Snmpd

pytestmark = pytest.mark.peer

OK = says(reply(b"", status="204 No Content"))


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    with Snmpd(tmp_path_factory.mktemp("unit")) as found:
        yield found


def loaded_site(folder: Path, snmpd: Snmpd, *tables: str) -> LoadedSite:
    path = write_site(folder, unit(snmpd.port, more='flicker = "1s"'), *tables)
    loaded, faults = load(path, today=TODAY)
    assert loaded is not None, faults
    return loaded


@asynccontextmanager
async def running(loaded: LoadedSite, folder: Path, **more: Any) -> AsyncIterator[Agent]:
    ending = asyncio.Event()
    agent = Agent(loaded, folder, **{"dry_run": False, **more})
    task = asyncio.create_task(agent.run(ending))
    try:
        yield agent
    finally:
        ending.set()
        async with asyncio.timeout(30):
            await task


async def until(holds: Callable[[], object], *, within_s: float = 30.0) -> None:
    async with asyncio.timeout(within_s):
        while not holds():  # noqa: ASYNC110  # a peer's state, of which no event tells
            await asyncio.sleep(0.02)


async def until_heard(agent: Agent, name: str = "cabinet") -> None:
    await until(lambda: agent.engine.state.units[name].heard_at is not None)


def journalled(folder: Path, kind: str) -> list[dict[str, Any]]:
    return [event for event in map(as_json, rows(folder)) if event["kind"] == kind]


def has_begun(folder: Path, *, times: int) -> bool:
    return len(journalled(folder, "started_agent")) == times


async def test_agent_leaves_nothing_behind(tmp_path: Path, snmpd: Snmpd) -> None:
    """No task, no socket, no lock: whoever embeds it can start it again at once."""
    loaded = loaded_site(tmp_path, snmpd)
    state = tmp_path / "state"
    for times in (1, 2):
        async with running(loaded, state) as agent:
            await until_heard(agent)
            await until(partial(has_begun, state, times=times))
        await asyncio.sleep(0)

        assert asyncio.all_tasks() == {asyncio.current_task()}
    assert sorted(file.name for file in state.iterdir()) == [JOURNAL]
    assert [e["kind"] for e in map(as_json, rows(state))][-1] == "ended_agent"


async def test_end_that_was_asked_before_the_start_is_heeded(tmp_path: Path, snmpd: Snmpd) -> None:
    """A service that is stopped while it starts must not stay."""
    ending = asyncio.Event()
    ending.set()
    async with asyncio.timeout(5):
        await Agent(loaded_site(tmp_path, snmpd), tmp_path / "state", dry_run=False).run(ending)

    assert asyncio.all_tasks() == {asyncio.current_task()}


async def test_second_agent_is_turned_away_and_the_first_goes_on(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Two agents would tell every device twice."""
    loaded = loaded_site(tmp_path, snmpd)
    state = tmp_path / "state"
    async with running(loaded, state) as agent:
        with pytest.raises(JournalError, match="one agent a site"):
            Agent(loaded, state, dry_run=False)
        await until_heard(agent)

        answer = await in_own_thread(lambda: ask(state, {"ask": "status"}), name="ask")
    assert answer["ok"] is True
    assert answer["journal_healthy"] is True
    assert answer["site"] == "Quayside boatyard"


def said_to(peer: RawPeer) -> str:
    return "\n".join(request.decode() for request in peer.requests)


@pytest.mark.parametrize("dry_run", [False, True])
async def test_outage_reaches_the_webhook(tmp_path: Path, dry_run: bool) -> None:
    """From the unit's own answer to somebody's telephone, signed."""
    write_secret(tmp_path / "hook", "tide-tables-2026")
    async with raw_peer(OK) as peer:
        hook = (
            "[notices]\nwebhooks = [{ "
            f'url = "http://127.0.0.1:{peer.port}/hook", secret = {{ file = "hook" }} }}]\n'
        )
        with Snmpd(tmp_path / "unit") as snmpd:
            loaded = loaded_site(tmp_path, snmpd, hook)
            async with running(loaded, tmp_path / "state", dry_run=dry_run) as agent:
                await until_heard(agent)
                snmpd.put(ON_BATTERY)
                await until(lambda: "mains has failed" in said_to(peer))

        said = said_to(peer)
    assert "Lastwatt-Signature: t=" in said
    assert "tide-tables-2026" not in said
    assert ('"text": "dry run: mains has failed' in said) == dry_run
    assert ('"dry_run": true' in said) == dry_run


async def test_taken_trap_port_is_only_a_warning(tmp_path: Path, snmpd: Snmpd) -> None:
    """Notifications hasten a poll; the site is watched without them."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        loaded = loaded_site(tmp_path, snmpd)
        agent_settings = replace(loaded.agent, traps=("127.0.0.1", taken.getsockname()[1]))
        loaded = replace(loaded, agent=agent_settings)
        async with running(loaded, tmp_path / "state") as agent:
            await until_heard(agent)
            await until(lambda: journalled(tmp_path / "state", "raised_notice"))

    (notice,) = journalled(tmp_path / "state", "raised_notice")
    assert (notice["severity"], notice["about"]) == ("warning", "notifications")
    assert "cannot listen for notifications" in notice["text"]


async def test_agent_without_a_control_socket_watches_all_the_same(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """On a full disk no socket can be made; that must not keep a site unwatched."""
    state = tmp_path / "state"
    (state / SOCKET / "in the way").mkdir(parents=True)
    async with running(loaded_site(tmp_path, snmpd), state) as agent:
        await until_heard(agent)
        await until(lambda: journalled(state, "raised_notice"))

    (notice,) = journalled(state, "raised_notice")
    assert (notice["severity"], notice["about"]) == ("error", "control socket")


async def test_damaged_journal_is_said_and_set_aside(tmp_path: Path, snmpd: Snmpd) -> None:
    """The agent starts on whatever the last power cut left, and somebody is told."""
    state = tmp_path / "state"
    state.mkdir()
    (state / JOURNAL).write_bytes(b"not a database" * 1000)
    async with running(loaded_site(tmp_path, snmpd), state) as agent:
        await until_heard(agent)
        await until(lambda: journalled(state, "raised_notice"))

    (notice,) = journalled(state, "raised_notice")
    assert notice["about"] == "journal"
    assert "set aside" in notice["text"]


class _Wrapped:
    """A source of somebody else's around ours."""

    def __init__(self, within: Source) -> None:
        self._within = within
        self.closed = 0

    async def read(self, *, deadline_at: float) -> Reading:
        return await self._within.read(deadline_at=deadline_at)

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        return await self._within.identify(deadline_at=deadline_at)

    async def close(self) -> None:
        self.closed += 1
        raise RuntimeError("closed in anger")


class _Confused(_Wrapped):
    """It answers for a unit that the file does not list."""

    async def read(self, *, deadline_at: float) -> Reading:
        return replace(await super().read(deadline_at=deadline_at), unit="nobody's")


async def test_sources_are_closed_once_whatever_they_raise(tmp_path: Path, snmpd: Snmpd) -> None:
    """A source holds sockets, or a serial port that the next agent needs."""
    made: list[_Wrapped] = []

    def wrap(source: Source) -> Source:
        made.append(_Wrapped(source))
        return made[-1]

    loaded = loaded_site(tmp_path, snmpd)
    async with running(loaded, tmp_path / "state", wrap_source=wrap) as agent:
        await until_heard(agent)

    assert [source.closed for source in made] == [1]


async def test_confused_source_of_one_unit_leaves_the_others_watched(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Other people's sources are code that nobody here has seen."""
    loft = unit(snmpd.port).replace('"cabinet"', '"loft"')
    loaded = loaded_site(tmp_path, snmpd, loft)
    made: list[Source] = []

    def wrap(source: Source) -> Source:
        made.append(_Confused(source) if not made else source)
        return made[-1]

    async with running(loaded, tmp_path / "state", wrap_source=wrap) as agent:
        await until_heard(agent, "loft")
        heard_at = agent.engine.state.units["loft"].heard_at
        await until(lambda: agent.engine.state.units["loft"].heard_at != heard_at)

        assert agent.engine.state.units["cabinet"].heard_at is None


async def test_listener_that_fails_ends_nothing(tmp_path: Path, snmpd: Snmpd) -> None:
    """Whoever looks on must not be able to stop what he looks at."""

    def fail(event: Event) -> None:
        raise ZeroDivisionError

    async with running(loaded_site(tmp_path, snmpd), tmp_path / "state", on_event=fail) as agent:
        await until_heard(agent)

    assert journalled(tmp_path / "state", "ended_agent")


async def test_new_battery_told_by_the_command_is_known_after_a_restart(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """From the keeper's command line to the journal, and back from it."""
    loaded = loaded_site(tmp_path, snmpd)
    state = tmp_path / "state"

    async def told(*words: str) -> Done:
        words = (*words, "--state", str(state), "--json")
        return await in_own_thread(lambda: lastwatt("battery", *words), name="command")

    async with running(loaded, state) as agent:
        await until_heard(agent)
        fitted = await told("fitted", "cabinet", "--date", "2026-06-01", "--who", "Ana", "--yes")
        unknown = await told("fitted", "cabin", "--yes")
    async with running(loaded, state) as agent:
        await until_heard(agent)  # known from the journal, before its socket is there
        await until((state / SOCKET).exists)
        shown = await told("cabinet")

    assert fitted.status == 0 and fitted.document["date"] == "2026-06-01"
    assert fitted.document["who"].startswith("Ana")
    assert (unknown.status, unknown.document["ok"]) == (2, False)
    (unit,) = shown.document["units"]
    assert unit["fitted"] == "2026-06-01"
    assert unit["stale"] and unit["health"] is None
    (event,) = [e for e in journalled(state, "fitted_battery") if not e["is_first"]]
    assert (event["on"], event["unit"]) == ("2026-06-01", "cabinet")
