"""The agent's own box, which goes last of all, or waits for its power to go.

It powers itself off only while every output that feeds it is armed and was read back a moment ago:
a box that is off starts when its power comes, and only then. Otherwise it writes everything out,
writes no more than it must, and waits; if power stays, it simply goes on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping

import structlog

from agent.conduct.output_switch import Switched
from agent.conduct.perform import Performer
from agent.conduct.steps import driver_for
from drivers.base import Act, Clock, Driver, Outcome, Stage, Verdict
from policies.events import BoxLeft, BoxStayed, NoticeRaised
from policies.model import Role, Site
from policies.output import Leaving, box_leaving, box_waits
from policies.state import SiteState

log = structlog.get_logger()

LOOK_EVERY_S = 2.0
AGAIN_AFTER_S = 20.0
"""A power-off that was refused is tried again so much later."""

STILL_HERE_S = 60.0
"""An agent that runs on so long after its box was to lose its power says so."""


class OwnBox:
    """Looks after the box that the agent runs on."""

    def __init__(
        self,
        site: Site,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        performer: Performer,
        record: Callable[..., Awaitable[None]],
        state: Callable[[], SiteState],
        look: Callable[[str], Awaitable[Switched | None]],
        rest: Callable[[bool], None],
    ) -> None:
        """Prepare; nothing is run.

        Args:
            site: whose box, the device of role "agent box".
            drivers: by device and stage.
            clock: what times mean.
            performer: has its acts done.
            record: folds events, and makes them durable as far as the disk lets it.
            state: the present state.
            look: reads back what counts at a unit.
            rest: told whether the state directory is to be left alone: True = snapshot it now,
                and write only what must be; False = as usual again.
        """
        self._site = site
        self._drivers = drivers
        self._clock = clock
        self._performer = performer
        self._record = record
        self._state = state
        self._look = look
        self._rest = rest
        self._is_waiting = False
        self._woken = asyncio.Event()

    async def run(self) -> None:
        """Look for ever whether it is to go, or to wait; cancel to end.

        Over at once where the file lists no box; while all units have mains it costs nothing.
        """
        if not any(device.role is Role.AGENT_BOX for device in self._site.devices.values()):
            return
        while True:
            if not self._is_waiting and not self._is_worth_looking():
                self._woken.clear()
                await self._woken.wait()
                continue
            leaving = box_leaving(self._site, self._state(), self._clock.monotonic())
            if self._state().watches_only:
                leaving = None
            if leaving is not None and leaving.at <= self._clock.monotonic():
                if await self._is_sure(leaving):
                    await self._leave(leaving)
            elif leaving is None:
                await self._wait_or_go_on()
            await self._clock.sleep(LOOK_EVERY_S)

    def hear(self) -> None:
        """Look whether there is anything to look at: something was folded."""
        if not self._woken.is_set() and self._is_worth_looking():
            self._woken.set()

    def _is_worth_looking(self) -> bool:
        units = self._state().units.values()
        return any(unit.is_on_battery or unit.output.is_pending for unit in units)

    async def _is_sure(self, leaving: Leaving) -> bool:
        """Whether each output is armed, as read back now, and drops later than the box is off."""
        for unit in leaving.units:
            seen = await self._look(unit)
            if seen is None or not seen.done or seen.drops_at is None:
                log.info("stayed_on", unit=unit, why="its output is not armed as read back")
                return False
            if seen.drops_at < self._clock.monotonic() + leaving.takes_s and not leaving.in_haste:
                log.info("stayed_on", unit=unit, why="its output drops too soon")
                return False
        # While it was looked at, the output may have been withdrawn.
        return box_leaving(self._site, self._state(), self._clock.monotonic()) is not None

    async def _leave(self, leaving: Leaving) -> None:
        now, name = self._clock.monotonic(), leaving.device
        why = leaving.reason.sentence
        log.info("left_box", device=name, why=why)
        notice = NoticeRaised(now, "warning", name, f"{name}: {why}")
        await self._record(BoxLeft(now, name, why), notice)
        self._rest(True)
        outcome = await self._do(name, Act.STOP, leaving.takes_s + 10.0)
        if outcome is None or outcome.verdict is Verdict.ASSUMED:
            return
        if outcome.verdict is not Verdict.DONE:
            text = f"{name} does not power itself off: {outcome.evidence}"
            text = f"{text}; {outcome.advice}" if outcome.advice else text
            await self._stayed(name, text)
            await self._clock.sleep(AGAIN_AFTER_S)
            return
        await self._clock.sleep(max(0.0, leaving.drops_at - self._clock.monotonic()) + STILL_HERE_S)
        self._rest(False)
        await self._stayed(name, f"{name} was to be off by now, and still runs")

    async def _wait_or_go_on(self) -> None:
        """Where its power may go any moment: write everything out, once, and wait."""
        waits = box_waits(self._site, self._state(), self._clock.monotonic())
        if waits is self._is_waiting:
            return
        self._is_waiting = waits
        if not waits:
            self._rest(False)
            return
        name = next(n for n, d in self._site.devices.items() if d.role is Role.AGENT_BOX)
        await self._say("warning", name, f"{name}: everything is written out; it waits for power")
        self._rest(True)
        await self._do(name, Act.QUIESCE, 30.0)

    async def _do(self, name: str, act: Act, within_s: float) -> Outcome | None:
        driver = driver_for(self._drivers.get(name, {}), act)
        if driver is None:
            return None
        deadline_at = self._clock.monotonic() + within_s
        outcome = await self._performer.perform(driver, act, deadline_at=deadline_at)
        log.info(
            "sent_order",
            device=name,
            act=act.value,
            verdict=outcome.verdict.value,
            evidence=outcome.evidence,
        )
        return outcome

    async def _stayed(self, name: str, text: str) -> None:
        now = self._clock.monotonic()
        await self._record(BoxStayed(now, name, text), NoticeRaised(now, "error", name, text))

    async def _say(self, severity: str, name: str, text: str) -> None:
        await self._record(NoticeRaised(self._clock.monotonic(), severity, name, text))
