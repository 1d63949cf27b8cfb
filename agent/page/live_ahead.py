"""What an outage that begins now would be: a plan made on mains, for those who look at the page.

It is made by the planner's own means, in a thread of its own, when somebody looks and the last one
is old or no longer true; nothing acts on it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

import structlog

from agent.page.door import Door
from drivers.transports.threads import in_own_thread
from policies.belief import Belief
from policies.night import light_steps
from policies.plan import Plan
from policies.state import SiteState
from policies.supply import Supply, belief_of
from policies.unexplained import measured_of

log = structlog.get_logger()

LASTS_S = 900.0
"""A plan is shown for so long while nothing has changed."""

THOROUGH_UP_TO = 60
"""On a site of so many devices it is looked for how late each stop could begin."""

AFTER_FAILURE_S = 300.0
_LIGHTS_S = 86400.0
_MOVED_W, _MOVED_SHARE = 10.0, 0.1
_FULL_WH = 1.0


class Ahead:
    """Keeps such a plan.

    Attributes:
        plan: the last one; None before the first, in an outage, or where none can be made.
    """

    def __init__(self, door: Door) -> None:
        self.plan: Plan | None = None
        self._door = door
        self._made_for: tuple[object, ...] = ()
        self._loads: dict[str, float] = {}
        self._not_before = -1.0
        self._making: asyncio.Task[None] | None = None

    def is_wanted(self) -> bool:
        """Whether another plan should be made now."""
        state, now = self._door.engine.state, self._door.clock.monotonic()
        if state.outage_at is not None:
            self.plan, self._made_for = None, ()
            return False
        if now < self._not_before or self._making is not None or not _planned_units(state):
            return False
        return (
            self.plan is None
            or now - self.plan.made_at > LASTS_S
            or self._key(state) != self._made_for
            or self._has_moved(state)
        )

    async def make(self) -> None:
        """Make one, if it is wanted; who comes while one is made waits for that one."""
        if self._making is None and self.is_wanted():
            self._making = asyncio.ensure_future(self._make())
            self._making.add_done_callback(lambda _: setattr(self, "_making", None))
        if self._making is not None:
            await asyncio.shield(self._making)

    async def _make(self) -> None:
        door, state = self._door, self._door.engine.state
        now = door.clock.monotonic()
        key, loads = self._key(state), {n: u.load_w for n, u in state.units.items()}
        try:
            plan = await in_own_thread(lambda: _plan(door, state, now), name="page plan")
        except Exception:  # the page does without it
            log.exception("failed_page_plan")
            self.plan, self._not_before = None, now + AFTER_FAILURE_S
            return
        if door.engine.state.outage_at is None:
            self.plan, self._made_for, self._loads = plan, key, loads

    def _key(self, state: SiteState) -> tuple[object, ...]:
        """What a plan stands on, but for loads."""
        phases = tuple(device.phase for device in state.devices.values())
        return (*phases, *(unit.supply for unit in state.units.values()), self._door.today())

    def _has_moved(self, state: SiteState) -> bool:
        return any(
            abs(unit.load_w - self._loads.get(name, 0.0))
            > max(_MOVED_W, _MOVED_SHARE * unit.load_w)
            for name, unit in state.units.items()
        )


def _planned_units(state: SiteState) -> list[str]:
    """Units that would carry their loads on: heard, with mains, and a battery behind them."""
    return [
        name
        for name, unit in state.units.items()
        if unit.reading is not None and unit.supply is Supply.MAINS
    ]


def _plan(door: Door, state: SiteState, now: float) -> Plan:
    # numpy comes in here, with the first plan.
    from policies.footing import Terms
    from policies.planning import make_plan

    site = door.engine.site
    terms = Terms(
        horizon_s=site.horizon_s,
        patience_s=site.patience_s,
        lights=light_steps(door.place, begins=door.clock.utc(), lasts_s=_LIGHTS_S),
        measured_w=_measured_w(door, state),
        data_first=True,
        thorough=len(site.devices) <= THOROUGH_UP_TO,
    )
    return make_plan(site, state, _beliefs(door, state, now), now, terms)


def _measured_w(door: Door, state: SiteState) -> dict[str, float]:
    """What units measure of their load; those that measure nothing are left out."""
    readings = {name: state.units[name].reading for name in _planned_units(state)}
    return {
        name: state.units[name].load_w
        for name, reading in readings.items()
        if reading is not None and measured_of(door.engine.site.units[name], reading) is not None
    }


def _beliefs(door: Door, state: SiteState, now: float) -> Mapping[str, Belief]:
    """How long each unit would last: while it is full by its fit, if it has one."""
    return {name: _belief(door, state, name, now) for name in _planned_units(state)}


def _belief(door: Door, state: SiteState, name: str, now: float) -> Belief:
    known, path = state.units[name], door.loaded.units[name].fit
    if path is not None and path.exists() and known.drawn.total_wh < _FULL_WH:
        from agent.battery.fit_store import load_fit
        from policies.draws import full_wells
        from policies.guess_belief import GuessBelief

        stored = load_fit(path)
        if stored.is_of(known.battery.fitted_on):
            temperature_c = door.engine.site.units[name].battery.temperature_c
            draws = stored.draws_on(door.today(), temperature_c=temperature_c)
            return GuessBelief(draws, full_wells(draws), 0.05 if stored.full_runs > 1 else 0.01)
    return belief_of(door.engine.site.units[name], known, now)
