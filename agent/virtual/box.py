"""The virtual site's own box: it runs an agent while it has power, and anew when that is back.

A power cut ends the agent in the midst of whatever it does, though more gently than a real one: it
still gets to close its journal. Its next start has only that to go by.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from agent.config import LoadedSite
from agent.virtual import yard
from agent.virtual.pace import PacedControl, PacedSource, paced_drivers
from agent.virtual.site import VirtualSite
from agent.wiring import Agent
from policies.events import Event


async def run_on_box(
    site: VirtualSite,
    loaded: LoadedSite,
    state: Path,
    *,
    dry_run: bool = False,
    on_event: Callable[[Event], None] = lambda event: None,
    on_agent: Callable[[Agent], None] = lambda agent: None,
) -> None:
    """Run an agent on *site*'s box until cancelled: the code of `lastwatt run`, at real pace.

    Args:
        site: the virtual site, whose box loses its power like everything else.
        loaded: its file, read.
        state: the agent's state directory, which outlives power cuts.
        dry_run: send nothing to any device.
        on_event: told each event as the agent folds it; must not block.
        on_agent: told each agent that begins on the box.
    """
    box = site.devices[yard.BOX]
    while True:
        await site.until(lambda: box.is_running)
        agent = Agent(
            loaded,
            state,
            dry_run=dry_run,
            on_event=on_event,
            wrap_drivers=paced_drivers,
            wrap_source=PacedSource,
            wrap_control=PacedControl,
        )
        on_agent(agent)
        running = asyncio.ensure_future(agent.run(asyncio.Event()))
        cut = asyncio.ensure_future(site.until(lambda: not box.is_running))
        try:
            await asyncio.wait({running, cut}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (running, cut):
                task.cancel()
            with suppress(asyncio.CancelledError):
                await running
