"""`lastwatt watch` on a real agent: once, live in a terminal, and over the agent's restart."""

from __future__ import annotations

import asyncio
import os
import pty
import signal
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest

from agent.control import Ask
from agent.terminal.rehearsing import Rehearsing
from drivers.transports.threads import in_own_thread
from tests.agent.commands import COMMAND, Done, http_device, lastwatt
from tests.agent.test_wiring import journalled, loaded_site, running, until, until_heard
from tests.peers.snmpd import ON_BATTERY, Snmpd

GATE = http_device(1, more='auth = "none"\nscheme = "http"\n')


class Screen:
    """The command at a terminal of its own, and all that it wrote."""

    def __init__(self, state: Path, env: Mapping[str, str]) -> None:
        self._ours, theirs = pty.openpty()
        os.set_blocking(self._ours, False)
        self.text = ""
        self.process = subprocess.Popen(
            [*COMMAND, "watch", "--state", str(state)],
            stdin=theirs, stdout=theirs, stderr=theirs,
            env={**os.environ, **env},
            start_new_session=True,
        )  # fmt: skip
        os.close(theirs)

    def shows(self, text: str) -> bool:
        """Whether the terminal was written that since it was last asked about something it was."""
        with suppress(BlockingIOError, OSError):
            while piece := os.read(self._ours, 65536):
                self.text += piece.decode("utf-8", "replace")
        found = text in self.text
        if found:
            self.text = ""
        return found

    def close(self) -> None:
        """End it, if it has not ended."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._ours)


@contextmanager
def watching(state: Path, **env: str) -> Iterator[Screen]:
    size = {"COLUMNS": "80", "LINES": "24", "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"}
    screen = Screen(state, {**size, **env})
    try:
        yield screen
    finally:
        screen.close()


def test_no_agent_is_status_3(tmp_path: Path) -> None:
    """A picture of nothing would look like one of peace."""
    done = lastwatt("watch", "--state", tmp_path)

    assert done.status == 3
    assert "no agent runs" in done.complaint


@pytest.mark.peer
async def test_it_is_shown_once_where_nobody_watches(tmp_path: Path) -> None:
    """In a pipe it is one picture; as JSON it is what the picture is made of."""

    async def shown(*options: str, **env: str) -> Done:
        return await in_own_thread(
            lambda: lastwatt("watch", "--state", state, *options, env=env), name="ask"
        )

    with Snmpd(tmp_path / "unit") as snmpd:
        state = tmp_path / "state"
        async with running(loaded_site(tmp_path, snmpd, GATE), state) as agent:
            await until_heard(agent)
            once = await shown(LC_ALL="C.UTF-8")
            plain = await shown(LC_ALL="C")
            document = await shown("--json")

    assert (once.status, plain.status, document.status) == (0, 0, 0)
    assert once.out.startswith("Quayside boatyard")
    assert "If mains failed now:" in once.out
    assert "gate recorder" in once.out
    assert "░" in once.out
    assert plain.out.isascii()
    assert document.document["ride"]["units"][0]["name"] == "cabinet"


@pytest.mark.peer
async def test_rehearsal_is_shown_as_it_goes_and_what_came_of_it(tmp_path: Path) -> None:
    """Who has one begun over SSH sees it there; the next who looks is told what it came to."""
    with Snmpd(tmp_path / "unit") as snmpd:
        loaded, state = loaded_site(tmp_path, snmpd, GATE), tmp_path / "state"
        async with running(loaded, state) as agent:
            await until_heard(agent)
            glance, run = agent.core.parts.asks["glance"], agent.rehearsals
            before = (await glance({}))["glance"]
            under_way = await run.start(who="Ana", mains_after_s=600.0, pace=300.0)
            at_once = await Rehearsing(agent.core.door()).look()
            seen = []
            async for each in run.watch(under_way):
                seen.append((await glance({}))["glance"])
                if each.is_over:
                    break
            await until(lambda: journalled(state, "ended_rehearsal"))
            after = (await glance({}))["glance"]
        async with running(loaded, state) as agent:
            await until_heard(agent)
            again = (await agent.core.parts.asks["glance"]({}))["glance"]

    assert before["rehearsal"] == ""
    assert at_once.said == "A rehearsal begins."  # and not that the last one did not end
    drawn = [one for one in seen if one["is_rehearsed"]]
    assert drawn and not any(one["is_imagined"] for one in drawn)
    assert "under way, begun by Ana: nothing is sent" in drawn[0]["rehearsal"]
    assert any(one["rehearsal"].endswith("In it mains is away.") for one in drawn)
    assert after["rehearsal"].startswith("Last rehearsal, mains failing on ")
    assert (after["is_rehearsed"], again["rehearsal"]) == (False, after["rehearsal"])


@pytest.mark.peer
async def test_outage_is_remembered_over_a_restart_of_the_agent(tmp_path: Path) -> None:
    """What was given up before the agent was restarted still stands in the picture."""
    with Snmpd(tmp_path / "unit") as snmpd:
        loaded, state = loaded_site(tmp_path, snmpd, GATE), tmp_path / "state"
        async with running(loaded, state) as agent:
            await until_heard(agent)
            snmpd.put(ON_BATTERY)
            await until(lambda: agent.engine.state.outage_at is not None)
            glance = agent.core.parts.asks["glance"]
            await charges(glance, 0.98)
            snmpd.put({**ON_BATTERY, "upsEstimatedChargeRemaining": ("integer", 90)})
            await charges(glance, 0.90)
        snmpd.put({**ON_BATTERY, "upsEstimatedChargeRemaining": ("integer", 71)})
        async with running(loaded, state) as agent:
            await until_heard(agent)
            after = await charges(agent.core.parts.asks["glance"], 0.71)

    assert {0.98, 0.90, 0.71} <= set(after)


async def charges(glance: Ask, last: float) -> list[float]:
    """Return the charges of the first unit so far, once the last of them is that."""
    found: list[float] = []

    async def is_drawn() -> bool:
        ride = (await glance({}))["glance"]["ride"]
        found[:] = [charge for _, charge in ride["units"][0]["charge"]] if ride else []
        return found[-1:] == [last]

    async with asyncio.timeout(60):
        while not await is_drawn():  # noqa: ASYNC110  # a journal that is read
            await asyncio.sleep(0.05)
    return found


@pytest.mark.peer
async def test_it_follows_what_happens_and_ends_by_ctrl_c(tmp_path: Path) -> None:
    """An outage is there within seconds, a restart of the agent is borne, and Ctrl-C is the end."""
    with Snmpd(tmp_path / "unit") as snmpd, ExitStack() as stack:
        loaded, state = loaded_site(tmp_path, snmpd, GATE), tmp_path / "state"
        async with running(loaded, state) as agent:
            await until_heard(agent)
            screen = stack.enter_context(watching(state))
            await until(lambda: screen.shows("If mains failed now:"), within_s=60.0)
            snmpd.put(ON_BATTERY)
            await until(lambda: screen.shows("On battery"), within_s=60.0)
        await until(lambda: screen.shows("No answer for"), within_s=60.0)
        async with running(loaded, state) as agent:
            await until_heard(agent)
            await until(lambda: screen.shows("On battery"), within_s=60.0)
            screen.process.send_signal(signal.SIGINT)
            async with asyncio.timeout(60):
                status = await in_own_thread(screen.process.wait, name="wait")
            assert screen.shows("\x1b[?1049l")  # back to the screen that was there before

    assert status == 0
