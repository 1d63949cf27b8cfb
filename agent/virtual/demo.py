"""A whole outage on the virtual site: mains fails, the agent rides through it, mains returns.

The agent is the code of `lastwatt run`, on a box that loses its power with the rest; what is told
at the end is what truly happened at the virtual devices, beside what the agent said of it.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from agent.config import LoadedSite, PageSettings, load
from agent.errors import ConfigError
from agent.virtual import yard
from agent.virtual.box import run_on_box
from agent.virtual.pace import PacedLoop, SpedUpPace
from agent.virtual.site import VirtualSite
from agent.virtual.truth import DeviceTruth
from agent.wiring import Agent
from policies.events import Ending, Event, OrderClosed, OrderGiven
from policies.graph import may_be_stopped
from policies.model import HOLDS_DATA, Task
from policies.state import Phase

FACTOR = 60.0
FAST_FACTOR = 300.0
_FAST_POLLING = yard.Polling(on_mains_s=30.0, on_battery_s=12.0)  # each poll costs real time
_FAILS_AFTER_S = 30.0
_BACK_AFTER_END_S = 60.0
_LONGEST_OUTAGE_S = 3600.0
_COMES_BACK_WITHIN_S = 3600.0  # on a busy machine the agent's own start alone takes minutes
_SHOWN_EVERY_S = 0.25  # real seconds


@dataclass(slots=True)
class Story:
    """What the agent planned and said, as it went; times in s from mains failing.

    Attributes:
        agent: the one that runs now, or ran last.
        planned_s: when each stop was to begin at the latest, by the first plan of the outage.
        told_s: when each was ordered; reasons: why; endings: what came of it.
        events: all events, with the time of each, None before mains failed.
    """

    agent: Agent | None = None
    planned_s: dict[str, float] = field(default_factory=dict)
    told_s: dict[str, float] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    endings: dict[str, OrderClosed] = field(default_factory=dict)
    events: list[tuple[float | None, Event]] = field(default_factory=list)
    _heard: asyncio.Event = field(default_factory=asyncio.Event)

    async def until(self, holds: Callable[[], bool]) -> None:
        """Return once *holds*, which is asked anew at each event."""
        while not holds():
            self._heard.clear()
            await self._heard.wait()

    def hear(self, event: Event, outage_s: float | None) -> None:
        """Take in an event that came so long after mains failed."""
        self.events.append((outage_s, event))
        self._heard.set()
        if outage_s is None:
            return
        match event:
            case OrderGiven(order=order) if order.task is Task.REST:
                self._note_plan(outage_s)
                self.told_s.setdefault(order.device, outage_s)
                self.reasons.setdefault(order.device, order.reason.sentence)
            case OrderClosed(task=Task.REST):
                self.endings[event.device] = event
            case _:
                self._note_plan(outage_s)

    def _note_plan(self, outage_s: float) -> None:
        """Keep the first plan: latest safe starts while every device still runs."""
        decision = None if self.agent is None else self.agent.engine.decision
        if self.planned_s or decision is None or not decision.timeline.unit_lower_s:
            return
        assert self.agent is not None
        now = self.agent.now()
        for name, slot in decision.timeline.planned.items():
            if may_be_stopped(self.agent.engine.site, name):
                self.planned_s[name] = outage_s + slot.start_latest_at - now


@dataclass(frozen=True, slots=True)
class Shown:
    """What a view is given several times a second, and once at the end."""

    site: VirtualSite
    loaded: LoadedSite
    story: Story
    factor: float


View = Callable[[Shown], None]


def run_demo(
    folder: Path,
    *,
    factor: float,
    seed: int,
    view: View = lambda shown: None,
    page_port: int | None = None,
) -> dict[str, Any]:
    """Play the outage and return what `lastwatt demo --json` prints, without format.

    Args:
        folder: an empty folder of its own, for the site's file, secrets and state.
        factor: virtual seconds in a real one; handshakes run at real pace all the same.
        seed: of the addresses and passwords.
        view: shown the progress; must not block.
        page_port: where on loopback the agent serves its page; None = nowhere.
    """
    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(factor))) as runner:
        return runner.run(_play(folder, factor, seed, view, page_port))


async def _play(
    folder: Path, factor: float, seed: int, view: View, page_port: int | None
) -> dict[str, Any]:
    polling = _FAST_POLLING if factor > FACTOR else yard.Polling()
    async with VirtualSite(folder, chance=random.Random(seed), polling=polling) as site:
        loaded, faults = load(site.file, today=date.today())
        if loaded is None:
            raise ConfigError("\n".join(str(fault) for fault in faults))
        if page_port is not None:
            page = PageSettings(("127.0.0.1", page_port), open_reading=True)
            loaded = replace(loaded, page=page)
        story = Story()
        shown = Shown(site, loaded, story, factor)
        jobs = [
            asyncio.create_task(
                run_on_box(
                    site,
                    loaded,
                    folder / "state",
                    on_event=lambda event: story.hear(event, site.outage_s),
                    on_agent=lambda agent: setattr(story, "agent", agent),
                )
            ),
            asyncio.create_task(_keep_showing(view, shown)),
        ]
        course = asyncio.create_task(_course(site, story))
        await asyncio.wait({course, *jobs}, return_when=asyncio.FIRST_COMPLETED)
        for task in (course, *jobs):
            task.cancel()
        for task in (course, *jobs):
            with suppress(asyncio.CancelledError):
                await task
        view(shown)
        return account(site, story)


async def _course(site: VirtualSite, story: Story) -> None:
    """Mains fails, the battery ends, mains returns, and everything comes back."""
    await asyncio.sleep(_FAILS_AFTER_S)
    site.mains_fails()
    with suppress(TimeoutError):
        async with asyncio.timeout(_LONGEST_OUTAGE_S):
            await site.until(lambda: site.truth().output_end_s is not None)
    await asyncio.sleep(_BACK_AFTER_END_S)
    site.mains_returns()
    with suppress(TimeoutError):
        async with asyncio.timeout(_COMES_BACK_WITHIN_S):
            await story.until(lambda: _all_back(site, story))


def _all_back(site: VirtualSite, story: Story) -> bool:
    agent = story.agent
    return (
        agent is not None
        and all(machine.is_running for machine in site.devices.values())
        and all(d.phase is Phase.RUNNING for d in agent.engine.state.devices.values())
    )


async def _keep_showing(view: View, shown: Shown) -> None:
    while True:
        view(shown)
        await asyncio.sleep(_SHOWN_EVERY_S * shown.factor)


def account(site: VirtualSite, story: Story) -> dict[str, Any]:
    """Return the outage as `demo --json` tells it; seconds count from mains failing.

    `ok`: every device that holds data, and that could be saved, was at rest before the output
    ended, and every device runs again.
    """
    truth = site.truth()
    devices = [_device(story, device) for device in truth.devices]
    saved = all(d["at_rest"] for d in devices if d["possible"] and d["role"] in HOLDS_DATA)
    back = all(device.is_running for device in truth.devices)
    return {
        "ok": saved and back and truth.output_end_s is not None,
        "output_end_s": _rounded(truth.output_end_s),
        "unattended_end_s": _rounded(truth.unattended_end_s),
        "mains_back_s": _rounded(truth.mains_back_s),
        "devices": devices,
    }


def _device(story: Story, device: DeviceTruth) -> dict[str, Any]:
    ending = story.endings.get(device.name)
    told = device.name in story.told_s
    holds = device.role in HOLDS_DATA
    if ending is not None:
        evidence = f"{ending.ending}: {ending.evidence}"
    elif holds:
        evidence = "it was never brought to rest"
    else:
        evidence = "nothing to tell it: it may lose power at any time"
    at_rest = not device.damage and (
        device.at_rest_s is not None if holds else not told or ending is not None
    )
    return {
        "name": device.name,
        "role": device.role.value,
        "planned_stop_s": _rounded(story.planned_s.get(device.name)),
        "actual_stop_s": _rounded(story.told_s.get(device.name)),
        "at_rest_s": _rounded(device.at_rest_s if holds or told else None),
        "at_rest": at_rest and (ending is None or ending.ending is Ending.AT_REST),
        "possible": device.possible,
        "evidence": evidence,
        "reason": story.reasons.get(device.name, ""),
        "damage": device.damage,
        "running_again": device.is_running,
    }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)
