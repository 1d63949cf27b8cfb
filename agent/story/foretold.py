"""Has the journal keep what was believed and planned in an outage, to hold what came against.

Nothing is decided by it: it is written for people, beside the loop's own work, and left out once
the agent's box is about to go, since from then on only what must be written is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.base import Clock
from policies.belief import Belief
from policies.events import BeliefHeld, Event, PlanHeld, StopForetold
from policies.model import Site, Unit
from policies.plan import Plan
from policies.runtime import LoadStep, inverter_of
from policies.state import SiteState
from policies.unit_state import UnitState

EVERY_S = 30.0
"""A belief is written down so often; an outage of eight hours is some thousand lines."""

_LOOK_S = 2.0
_IDLE_S = 5.0


def held_belief(unit: Unit, known: UnitState, belief: Belief, *, now: float) -> BeliefHeld:
    """Return what is believed of a unit on battery now, at the load there is.

    The battery is full where nothing is missing from it by our own account; what is likely left is
    what it can likely give at this load.
    """
    steps = [LoadStep(0.0, known.load_w)]
    quantile = belief.bound_quantile
    lower_s, median_s = (belief.end_after_s(steps, q) for q in (quantile, 0.5))
    drawn_w = inverter_of(unit.rating_w).drawn_w(known.load_w)
    lower_wh, likely_wh = (drawn_w * s / 3600.0 for s in (lower_s, median_s))
    full_wh = likely_wh + max(0.0, known.drawn.total_wh)
    shares = [_share(wh, full_wh) for wh in (lower_wh, likely_wh)]
    return BeliefHeld(now, unit.name, lower_s, median_s, quantile, known.load_w, *shares)


def _share(wh: float, full_wh: float) -> float:
    return min(1.0, max(0.0, wh / full_wh)) if 0.0 < full_wh < float("inf") else 1.0


def held_plan(plan: Plan, *, now: float) -> PlanHeld:
    """Return what a plan has in store, as the journal keeps it."""
    stops = tuple(
        StopForetold(
            name,
            stop.why.value,
            stop.on_until_at,
            stop.at_rest_at,
            stop.hold_until_at,
            stop.is_in_time,
        )
        for name, stop in plan.stops.items()
    )
    return PlanHeld(now, plan.made_at, plan.outage_at, stops)


class Foretold:
    """Writes down what is believed while the site is on battery, and the first plan."""

    def __init__(
        self,
        site: Site,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        beliefs: Callable[[float], Mapping[str, Belief]],
        plan: Callable[[], Plan | None],
        note: Callable[[Event], None],
    ) -> None:
        """Prepare; `run` begins.

        Args:
            site: what there is.
            clock: of site time.
            state: the present state.
            beliefs: of the units on battery, at a site time.
            plan: the last one made.
            note: keeps an event that nobody waits for.
        """
        self._site, self._clock, self._note = site, clock, note
        self._state, self._beliefs, self._plan = state, beliefs, plan
        self._noted_at: dict[str, float] = {}
        self._planned_for: float | None = None

    async def run(self) -> None:
        """Write down for ever; cancel to end."""
        while True:
            state = self._state()
            if state.outage_at is None:
                self._noted_at, self._planned_for = {}, None
                await self._clock.sleep(_IDLE_S)
                continue
            if not any(unit.output.is_pending for unit in state.units.values()):
                self._note_beliefs(state)
                self._note_plan(state)
            await self._clock.sleep(_LOOK_S)

    def _note_beliefs(self, state: SiteState) -> None:
        now = self._clock.monotonic()
        due = [
            name
            for name, unit in state.units.items()
            if unit.is_on_battery and now - self._noted_at.get(name, -EVERY_S) >= EVERY_S
        ]
        beliefs = self._beliefs(now) if due else {}
        for name in due:
            if name in beliefs:
                self._noted_at[name] = now
                unit = self._site.units[name]
                self._note(held_belief(unit, state.units[name], beliefs[name], now=now))

    def _note_plan(self, state: SiteState) -> None:
        plan = self._plan()
        if plan is not None and self._planned_for != state.outage_at:
            self._planned_for = state.outage_at
            self._note(held_plan(plan, now=self._clock.monotonic()))
