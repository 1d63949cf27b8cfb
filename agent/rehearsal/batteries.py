"""The battery of a rehearsal: one of the guesses that the agent itself has of the real one.

Imports numpy, as the estimate does.
"""

from __future__ import annotations

from datetime import date

import numpy as np

from agent.battery.estimate_start import start_of
from agent.config import LoadedSite
from agent.rehearsal.known import Known
from agent.rehearsal.terms import Strength
from agent.simulation.scenario import PlantBuild
from agent.virtual.battery import Build, Gauge
from policies.battery import as_fitted
from policies.belief import Drawn, from_charge, recharged
from policies.draws import Array, Draws, ends_after_s, wells_less
from policies.model import Unit
from policies.runtime import Cells, Inverter, LoadStep
from policies.unit_state import UnitState

CHARGED_IN_H = 8.0
"""Hours that a charger is taken to need for the whole battery; most need 8 to 12."""

_GAUGE_EFFICIENCY = 0.9
_GAUGE_RANGE = (0.3, 3.0)
_HOUR_S = 3600.0
_LEAST_W = 1.0


def plant_of(
    loaded: LoadedSite,
    known: Known,
    name: str,
    *,
    begins_in_s: float,
    today: date,
    load_w: float,
    strength: Strength,
) -> PlantBuild:
    """Return what a unit is taken to be.

    Args:
        loaded: the site's file.
        known: what the live run knows.
        name: of the unit.
        begins_in_s: from that moment until the rehearsal begins, on mains, in s.
        today: the day that it begins.
        load_w: what it carries then.
        strength: of its battery.
    """
    state = known.state.units[name]
    unit = as_fitted(loaded.site.units[name], state.battery, known.at + begins_in_s)
    missing = _missing(unit, state, known.at, begins_in_s)
    start = start_of(
        unit,
        fit_file=loaded.units[name].fit,
        fitted_on=state.battery.fitted_on,
        today=today,
        kept=known.estimates.get(name),
    )
    if start.kept is None:
        draws, weights = start.origin.draws, np.ones(len(start.origin.draws))
    else:
        particles = start.kept.particles
        draws, weights = particles.draws, np.exp(particles.log_weight - particles.log_weight.max())
    load_w = max(load_w, _LEAST_W)
    ends_s = ends_after_s(draws, wells_less(draws, missing), [LoadStep(0.0, load_w)])
    quantile = 0.5 if strength is Strength.LIKELY else start.origin.bound_quantile
    guess = _at_quantile(ends_s, weights, quantile)
    cells, inverter = _guess(draws, guess)
    build = Build(
        cells,
        inverter,
        charger_w=cells.energy_wh / CHARGED_IN_H,
        nominal_v=unit.battery.volts or 12.0,
    )
    gauge = _gauge(state, cells, load_w, float(ends_s[guess]), missing)
    return PlantBuild(build, gauge, missing=missing)


def _missing(unit: Unit, state: UnitState, at: float, begins_in_s: float) -> Drawn:
    """What is missing from the battery as the rehearsal begins: by our account, or by its own."""
    heard_at = at if state.heard_at is None else state.heard_at
    by_account = recharged(unit, state.drawn, stretch_s=max(0.0, at - heard_at) + begins_in_s)
    charge = None if state.reading is None else state.reading.trusted("charge")
    if charge is None:
        return by_account
    by_unit = recharged(unit, from_charge(unit, charge), stretch_s=begins_in_s)
    return max(by_account, by_unit, key=lambda drawn: drawn.total_wh)


def _at_quantile(ends_s: Array, weights: Array, quantile: float) -> int:
    order = np.argsort(ends_s, kind="stable")
    below = np.cumsum(weights[order]) / weights.sum()
    return int(order[min(int(np.searchsorted(below, quantile)), len(order) - 1)])


def _guess(draws: Draws, which: int) -> tuple[Cells, Inverter]:
    return (
        Cells(
            float(draws.energy_wh[which]),
            float(draws.available_share[which]),
            float(draws.flow_per_h[which]),
        ),
        Inverter(float(draws.efficiency[which]), float(draws.own_draw_w[which])),
    )


def _gauge(state: UnitState, cells: Cells, load_w: float, ends_s: float, missing: Drawn) -> Gauge:
    """A gauge that goes on from what the unit's own one says now, right or wrong."""
    said_s = None if state.reading is None else state.reading.trusted("runtime_s")
    measured_w = max(state.load_w, _LEAST_W)
    runtime_s, at_w = (ends_s, load_w) if said_s is None else (said_s, measured_w)
    left_wh = runtime_s / _HOUR_S * at_w / _GAUGE_EFFICIENCY
    low, high = (share * cells.energy_wh for share in _GAUGE_RANGE)
    believed_wh = min(max(left_wh + missing.total_wh, low), high)
    return Gauge(believed_wh, _GAUGE_EFFICIENCY)
