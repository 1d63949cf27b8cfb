"""The unit's own output on the virtual site: real SNMP writes, and an agent whose box goes dark."""

from __future__ import annotations

import asyncio
import random
import stat
from datetime import date
from pathlib import Path

from agent.config import load
from agent.virtual import yard
from agent.virtual.box import run_on_box
from agent.virtual.pace import PacedLoop
from agent.virtual.site import VirtualSite
from agent.virtual.truth import Truth
from policies.events import (
    AgentStarted,
    BoxLeft,
    Event,
    OutputArmed,
    OutputBegan,
    OutputDropped,
    OutputReturned,
)
from policies.model import HOLDS_DATA
from tests.agent.virtual.paced import run_paced

RETURNS_AFTER_S = 2200.0
FACTOR = 120.0


def _let_it_switch(file: Path, recorder: Path) -> None:
    """Let the unit's output be switched, and the box power itself off: in truth, note it."""
    text = file.read_text()
    text = text.replace("[unit.battery]", 'output = { drops_after = "2m" }\n\n[unit.battery]', 1)
    # The river authority's gauge would keep the output on for good.
    text = text.replace("no_touch = true ", "# ")
    own = (
        f'stop = {{ driver = "local", takes = "20s", command = ["{recorder}", "off"] }}\n'
        'start = "by itself"\n'
    )
    text = text.replace('role = "agent box"\n', f'role = "agent box"\n{own}', 1)
    file.write_text(text)


def _recorder(folder: Path) -> Path:
    program = folder / "note"
    program.write_text(f'#!/bin/sh\necho "$@" >> "{folder}/ran"\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


async def _ride(folder: Path) -> tuple[Truth, list[Event]]:
    polling = yard.Polling(on_mains_s=10.0, on_battery_s=10.0)
    async with VirtualSite(folder, chance=random.Random(7), polling=polling) as site:
        _let_it_switch(site.file, _recorder(folder))
        loaded, faults = load(site.file, today=date.today())
        assert loaded is not None, faults
        events: list[Event] = []
        agent = asyncio.ensure_future(
            run_on_box(site, loaded, folder / "state", on_event=events.append)
        )
        site.play(fails_after_s=30.0, returns_after_s=RETURNS_AFTER_S)
        try:
            async with asyncio.timeout(30.0 + RETURNS_AFTER_S + 400.0):
                await agent
        except TimeoutError:
            return site.truth(), events
    raise AssertionError("the agent ended by itself")


def test_the_output_drops_with_the_box_and_all_of_it_comes_back(tmp_path: Path) -> None:
    """Outage, all at rest, output armed, dropped, agent gone with its box, mains, all back."""

    async def main(loop: PacedLoop) -> tuple[Truth, list[Event]]:
        return await _ride(tmp_path)

    truth, events = run_paced(main, factor=FACTOR)

    kinds = [type(event) for event in events]
    order = (OutputBegan, OutputArmed, BoxLeft, OutputDropped, OutputReturned)
    assert [kind for kind in kinds if kind in order] == list(order)
    assert kinds.count(AgentStarted) == 2, "its own box lost its power, and came back"
    (armed,) = [event for event in events if isinstance(event, OutputArmed)]
    assert truth.output_end_s is not None
    assert (tmp_path / "ran").read_text() == "off\n"
    for device in truth.devices:
        assert not device.damage
        assert device.is_running, device.name
        if device.role in HOLDS_DATA:
            assert device.at_rest_s is not None
            assert device.at_rest_s < truth.output_end_s - 100.0
    assert armed.returns_at - armed.drops_at > 50.0
