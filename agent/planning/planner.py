"""Keeps a plan at hand while the site is on battery: made anew beside the loop, as readings come.

A plan takes its time, and the loop none. Nothing waits for it: until one is at hand the plain rule
holds, and beneath it the latest safe start. In the agent it is made in a thread of its own; where
no threads are, as in a simulation, in slices between which everything else goes on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Generator, Mapping, Sequence
from datetime import datetime

import structlog

from drivers.base import Clock
from drivers.transports.threads import in_own_thread
from policies.belief import Belief
from policies.decide import beliefs_of
from policies.graph import may_be_stopped
from policies.model import Place, Site
from policies.night import light_steps
from policies.plan import Plan
from policies.plan_use import (
    PLAN_LASTS_S,
    SECOND_LOOK_S,
    speaks_for,
    steadied,
    wants_second,
)
from policies.runtime import LoadStep
from policies.state import Phase, SiteState
from policies.unexplained import measured_of

log = structlog.get_logger()

BEGINS_AFTER_S = 10.0
"""An outage shorter than that needs no plan."""

EVERY_S = 20.0
"""Where only the battery's end has moved, a plan stands for so long."""

NEWS_AFTER_S = 2.0
"""News are gathered for so long after a plan was made."""

MOVED_SHARE, MOVED_S = 0.10, 30.0
"""The battery's end has moved if it did by more than both."""

AFTER_FAILURE_S = 60.0

_REST_SHARE = 4.0
"""After a plan nothing is planned for so many times as long as it took: others want to compute."""

_RENEWED_S = 0.8 * PLAN_LASTS_S
_LIGHTS_S = 86400.0
_ABOUT_S = 60.0
_LEAST_AHEAD = 0.25
"""However long an outage has lasted, so much of the horizon is still planned for."""

Beliefs = Callable[[Site, SiteState, float], Mapping[str, Belief]]
Slices = Generator[None, None, Plan]
Work = Callable[[Callable[[], Slices]], Awaitable[Plan]]
"""Runs slices to their end, and returns the plan."""


async def in_thread(begin: Callable[[], Slices]) -> Plan:
    """Make a plan in a thread of its own; numpy comes in there too, with the first."""
    is_over = False

    def work() -> Plan | None:
        slices = begin()
        while not is_over:
            try:
                next(slices)
            except StopIteration as ending:
                plan: Plan = ending.value
                return plan
        return None

    try:
        plan = await in_own_thread(work, name="planner")
    finally:
        is_over = True
    assert plan is not None, "it is over only once nobody waits"
    return plan


async def in_slices(begin: Callable[[], Slices]) -> Plan:
    """Make a plan on the loop itself, slice by slice; takes no time of a loop that jumps."""
    slices = begin()
    while True:
        try:
            next(slices)
        except StopIteration as ending:
            plan: Plan = ending.value
            return plan
        await asyncio.sleep(0)


class Planner:
    """Makes plans for one site.

    Attributes:
        plan: the last one; None while there is no outage, or before the first.
    """

    def __init__(
        self,
        site: Site,
        place: Place | None,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        on_plan: Callable[[], None],
        beliefs: Beliefs = beliefs_of,
        work: Work = in_thread,
    ) -> None:
        """Prepare; `run` begins.

        Args:
            site: what there is.
            place: where it lies, or None.
            clock: what all times mean.
            state: the present state.
            on_plan: told that another plan is at hand; must not block.
            beliefs: what is believed of the units on battery.
            work: how a plan is made beside everything else.
        """
        self.plan: Plan | None = None
        self._site, self._place = site, place
        self._clock, self._state = clock, state
        self._on_plan, self._beliefs, self._work = on_plan, beliefs, work
        self._woken = asyncio.Event()
        self._not_before = -1.0
        self._at_rest: frozenset[str] = frozenset()

    def hear(self) -> None:
        """Look whether a plan is due: something is new."""
        if self.plan is not None or self._state().outage_at is not None:
            self._woken.set()

    async def run(self) -> None:
        """Make plans for ever; cancel to end. A plan that fails is said, and leaves none."""
        while True:
            await self._woken.wait()
            self._woken.clear()
            try:
                if self._is_due():
                    await self._renew()
            except Exception:  # the plain rule holds, and beneath it the latest safe start
                log.exception("failed_plan")
                self.plan = None
                self._not_before = self._clock.monotonic() + AFTER_FAILURE_S

    async def _renew(self) -> None:
        state, now = self._state(), self._clock.monotonic()
        beliefs = self._beliefs(self._site, state, now)
        utc = self._clock.utc()
        made = await self._work(lambda: self._slices(state, beliefs, now, utc))
        ended_at = self._clock.monotonic()
        self._not_before = ended_at + _REST_SHARE * (ended_at - now)
        if self._state().outage_at != made.outage_at:
            self.plan = None
            return
        self._at_rest = _at_rest(state)
        self.plan = steadied(self.plan, made)
        log.debug("made_plan", worth=round(made.worth, 2), took_s=round(ended_at - now, 3))
        self._on_plan()

    # When

    def _is_due(self) -> bool:
        """Whether a plan is wanted now; what is left of an outage's plan goes with it."""
        state, now, plan = self._state(), self._clock.monotonic(), self.plan
        on_battery = [name for name, unit in state.units.items() if unit.is_on_battery]
        if state.outage_at is None or not on_battery:
            self.plan = None
            return False
        if now < max(self._not_before, state.outage_at + BEGINS_AFTER_S):
            return False
        if not any(self._is_left(name) for name in self._site.devices):
            return False
        if plan is None or plan.outage_at != state.outage_at:
            return True
        age_s = now - plan.made_at
        if age_s < NEWS_AFTER_S:
            return False
        if age_s >= (SECOND_LOOK_S if wants_second(plan) else _RENEWED_S):
            return True
        if speaks_for(plan, state, on_battery, now) != set(on_battery) or self._has_news(state):
            return True
        return age_s >= EVERY_S and self._has_moved(plan, state, now)

    def _is_left(self, name: str) -> bool:
        """Whether a device is still to be told something in this outage."""
        phase = self._state().devices[name].phase
        return may_be_stopped(self._site, name) and phase in (Phase.RUNNING, Phase.STARTING)

    def _has_news(self, state: SiteState) -> bool:
        """Whether a device has come back, or to rest before its time by the plan."""
        assert self.plan is not None
        at_rest, early_at = _at_rest(state), self._clock.monotonic() + _ABOUT_S
        stops = self.plan.stops
        return not self._at_rest <= at_rest or any(
            stops[name].on_until_at > early_at for name in at_rest - self._at_rest
        )

    def _has_moved(self, plan: Plan, state: SiteState, now: float) -> bool:
        """Whether a battery is believed to end at another time than the plan has it."""
        age_s = now - plan.made_at
        for name, belief in self._beliefs(self._site, state, now).items():
            course = plan.units[name]
            lower_s = belief.end_after_s(_rest_of(course.carried, age_s), belief.bound_quantile)
            moved_s = abs(lower_s - max(0.0, course.lower_s - age_s))
            if moved_s > max(MOVED_S, MOVED_SHARE * lower_s):
                return True
        return False

    # How

    def _slices(
        self, state: SiteState, beliefs: Mapping[str, Belief], now: float, utc: datetime
    ) -> Slices:
        # numpy comes in here, with the first plan: until then an agent does without its memory.
        from policies.footing import Terms
        from policies.planning import plan_in_steps

        site = self._site
        passed_s = 0.0 if state.outage_at is None else now - state.outage_at
        terms = Terms(
            horizon_s=max(site.horizon_s - passed_s, _LEAST_AHEAD * site.horizon_s),
            patience_s=max(0.0, site.patience_s - passed_s),
            lights=light_steps(self._place, begins=utc, lasts_s=_LIGHTS_S),
            measured_w=_measured(site, state),
            data_first=True,
        )
        return (yield from plan_in_steps(site, state, beliefs, now, terms))


def _at_rest(state: SiteState) -> frozenset[str]:
    return frozenset(n for n, device in state.devices.items() if device.phase is Phase.AT_REST)


def _rest_of(steps: Sequence[LoadStep], passed_s: float) -> list[LoadStep]:
    """What is left of a course of load after so many seconds."""
    left: list[LoadStep] = []
    for step in steps:
        if step.after_s <= passed_s:
            left = [LoadStep(0.0, step.load_w)]
        else:
            left.append(LoadStep(step.after_s - passed_s, step.load_w))
    return left


def _measured(site: Site, state: SiteState) -> dict[str, float]:
    """What units measure of their load now; those that measure nothing are left out."""
    return {
        name: unit.load_w
        for name, unit in state.units.items()
        if unit.reading is not None and measured_of(site.units[name], unit.reading) is not None
    }
