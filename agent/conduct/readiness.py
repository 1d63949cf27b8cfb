"""Opens connections ahead: an outage is announced before it is acted on.

While a unit is on battery, each device that may have to be told something is connected to and
logged in at, where its driver can do that and the device allows it. So the order, when it comes,
costs a round trip; and a credential that no longer works is known while somebody can mend it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping

import structlog

from agent.conduct.perform import Performer
from drivers.base import Act, Clock, Driver, Stage, Verdict
from policies.events import NoticeRaised
from policies.graph import may_be_stopped
from policies.model import Site
from policies.state import Phase, SiteState

log = structlog.get_logger()

AGAIN_S = 60.0
"""How often what is kept is kept on; well below what drivers keep it for."""

WITHIN_S = 30.0
TRIES = 3
"""A device that does not answer is left alone after so many in one outage; its order will tell."""


class Readiness:
    """Keeps devices connected to while the site is on battery."""

    def __init__(
        self,
        site: Site,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        clock: Clock,
        performer: Performer,
        state: Callable[[], SiteState],
        record: Callable[[NoticeRaised], Awaitable[None]],
    ) -> None:
        """Prepare; `run` begins.

        Args:
            site: whose devices.
            drivers: by device and stage.
            clock: what the pace is kept by.
            performer: has the acts done.
            state: the present state.
            record: awaited with what somebody should know.
        """
        self._site = site
        self._clock = clock
        self._performer = performer
        self._state = state
        self._record = record
        self._drivers = {
            name: tuple(_able(drivers.get(name, {})))
            for name, device in site.devices.items()
            if may_be_stopped(site, name) and not device.dry_run
        }
        self._failures: dict[str, int] = {}
        self._outage = asyncio.Event()

    def hear(self) -> None:
        """Look whether an outage began or ended: the state is a new one."""
        if self._state().outage_at is None or self._state().watches_only:
            self._outage.clear()
        else:
            self._outage.set()

    async def run(self) -> None:
        """Keep ready for ever; cancel to end."""
        while True:
            self._failures.clear()
            await self._outage.wait()
            while self._outage.is_set():
                names = [name for name in self._drivers if self._is_wanted(name)]
                await asyncio.gather(*(self._prepare(name) for name in names))
                await self._clock.sleep(AGAIN_S)

    def _is_wanted(self, name: str) -> bool:
        device = self._state().devices[name]
        is_on = device.phase is Phase.RUNNING and device.order is None
        return is_on and self._failures.get(name, 0) < TRIES

    async def _prepare(self, name: str) -> None:
        for driver in self._drivers[name]:
            deadline_at = self._clock.monotonic() + WITHIN_S
            outcome = await self._performer.perform(driver, Act.PREPARE, deadline_at=deadline_at)
            if outcome.verdict is Verdict.DONE:
                self._failures.pop(name, None)
                continue
            log.warning("failed_preparing", device=name, evidence=outcome.evidence)
            self._failures[name] = self._failures.get(name, 0) + 1
            if outcome.verdict is Verdict.REFUSED:
                # Once more and an account may lock: that try belongs to the order.
                self._failures[name] = TRIES
                why = "; ".join(filter(None, (outcome.evidence, outcome.advice)))
                text = f"{name} cannot be told anything: {why}"
                await self._record(NoticeRaised(self._clock.monotonic(), "error", name, text))


def _able(stages: Mapping[Stage, Driver]) -> list[Driver]:
    """Return the drivers that bring the device to rest and can prepare for it, each once."""
    resting = (stages.get(stage) for stage in (Stage.QUIESCE, Stage.STOP))
    able = {id(d): d for d in resting if d is not None and Act.PREPARE in d.acts}
    return list(able.values())
