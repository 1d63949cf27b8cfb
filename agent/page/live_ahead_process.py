"""The process in which the plan of an outage that begins now is made: JSON in, JSON out."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any

from agent.battery.fit_store import load_fit
from agent.cli.site import load_whole
from agent.config import LoadedSite
from agent.page.live_ahead import content_of, planned_units
from agent.rehearsal.known import Known, from_text
from policies.belief import Belief
from policies.draws import full_wells
from policies.footing import Terms
from policies.guess_belief import GuessBelief
from policies.learnt import with_learnt
from policies.model import Site
from policies.night import light_steps
from policies.plan import Plan
from policies.planning import make_plan
from policies.state import took_of
from policies.supply import belief_of
from policies.unexplained import measured_of

THOROUGH_UP_TO = 60
"""On a site of so many devices it is looked for how late each stop could begin."""

_NICE = 10
"""The live agent, on the same small box, comes first."""

_LIGHTS_S = 86400.0
_FULL_WH = 1.0
_TRUSTED_RUNS = 2


def main() -> int:
    """Make the plan that is asked for; of the file as the agent has it, or not at all."""
    os.nice(_NICE)
    asked = json.load(sys.stdin)
    loaded = load_whole(Path(asked["file"]), secrets_must_exist=False)
    if content_of(loaded) != asked["content"]:
        # A plan of it would name devices that the agent does not know.
        sys.exit("the site's file has changed since the agent read it; start the agent anew")
    known = from_text(loaded.site, asked["known"], {})
    plan = plan_ahead(loaded, known, date.fromisoformat(asked["today"]), dry_run=asked["dry_run"])
    json.dump(asdict(plan), sys.stdout)
    return 0


def plan_ahead(loaded: LoadedSite, known: Known, today: date, *, dry_run: bool) -> Plan:
    """Return the plan of an outage that begins at the moment of *known*.

    Args:
        loaded: the site's file.
        known: the live run's state.
        today: the site's day, for the age of fits.
        dry_run: nothing is sent in that run.
    """
    state = known.state
    site = with_learnt(loaded.site, took_of(state))
    if dry_run:
        site = _rehearsed(site)
    terms = Terms(
        horizon_s=site.horizon_s,
        patience_s=site.patience_s,
        lights=light_steps(loaded.place, begins=known.utc, lasts_s=_LIGHTS_S),
        measured_w=_measured_w(site, known),
        thorough=len(site.devices) <= THOROUGH_UP_TO,
        data_first=True,
    )
    beliefs = {name: _belief(loaded, site, known, name, today) for name in planned_units(state)}
    return make_plan(site, state, beliefs, known.at, terms)


def _rehearsed(site: Site) -> Site:
    devices = {name: replace(device, dry_run=True) for name, device in site.devices.items()}
    return replace(site, devices=MappingProxyType(devices))


def _measured_w(site: Site, known: Known) -> Mapping[str, float]:
    """What units measure of their load; those that measure nothing are left out."""
    units: dict[str, Any] = {name: known.state.units[name] for name in planned_units(known.state)}
    return {
        name: unit.load_w
        for name, unit in units.items()
        if measured_of(site.units[name], unit.reading) is not None
    }


def _belief(loaded: LoadedSite, site: Site, known: Known, name: str, today: date) -> Belief:
    """How long a unit would last: while it is full by its fit, if it has one."""
    unit, path = known.state.units[name], loaded.units[name].fit
    if path is not None and path.exists() and unit.drawn.total_wh < _FULL_WH:
        stored = load_fit(path)
        if stored.is_of(unit.battery.fitted_on):
            temperature_c = site.units[name].battery.temperature_c
            draws = stored.draws_on(today, temperature_c=temperature_c)
            quantile = 0.05 if stored.full_runs >= _TRUSTED_RUNS else 0.01
            return GuessBelief(draws, full_wells(draws), quantile)
    return belief_of(site.units[name], unit, known.at)


if __name__ == "__main__":
    sys.exit(main())
