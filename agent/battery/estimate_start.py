"""Where the estimate of a battery starts: from the journal, from full runs, or from the prior.

Imports numpy: the agent imports this module when it needs its first estimate, and not before.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from agent.battery.estimate_codec import battery_key, decode
from agent.battery.fit_store import StoredFit, load_fit
from agent.errors import ConfigError
from policies.draws import prior
from policies.estimate import Estimate, Origin
from policies.fit import Known, Run, fit
from policies.model import Unit
from policies.particles import PARTICLES


@dataclass(frozen=True, slots=True)
class Start:
    """What an estimate begins with.

    Attributes:
        origin: guesses of the full battery.
        kept: the estimate that the journal had, where it still holds.
        troubles: a sentence on each thing that could not be used.
    """

    origin: Origin
    kept: Estimate | None = None
    troubles: tuple[str, ...] = ()


def start_of(
    unit: Unit, *, fit_file: Path | None, fitted_on: date | None, today: date, kept: bytes | None
) -> Start:
    """Return what the estimate of a unit begins with; takes up to a second.

    Args:
        unit: as its file has it, its battery's age as its history has it.
        fit_file: what its full runs taught, or None; it may not be there yet.
        fitted_on: the day that its battery was put in, where its history says so.
        today: at the site.
        kept: what the journal has, or None.
    """
    troubles: list[str] = []
    origin = None
    if fit_file is not None:
        try:
            origin = _by_fit(unit, fit_file, fitted_on, today)
        except ConfigError as error:
            troubles.append(f"{unit.name}: {error}; until then its battery is guessed at")
    if origin is None:
        origin = _by_table(unit) or Origin(prior(unit, PARTICLES, _chance(unit)), 0, "prior")
    estimate = None
    if kept is not None:
        try:
            estimate = _still_holds(unit, kept, origin, fitted_on)
        except ValueError as error:
            troubles.append(
                f"{unit.name}: what was learnt of its battery cannot be read ({error}); it is "
                "learnt anew"
            )
    return Start(origin, estimate, tuple(troubles))


def _by_fit(unit: Unit, file: Path, fitted_on: date | None, today: date) -> Origin | None:
    """Return the guesses of a fit; None where there is none, or it is of the battery before."""
    try:
        changed_ns = file.stat().st_mtime_ns
    except OSError:
        return None
    stored = load_fit(file)
    if not _is_of_this_battery(stored, fitted_on):
        return None
    draws = stored.draws_on(today, temperature_c=unit.battery.temperature_c)
    return Origin(draws, stored.full_runs, f"fit {changed_ns}")


def _is_of_this_battery(stored: StoredFit, fitted_on: date | None) -> bool:
    if fitted_on is None:
        return True
    return stored.is_of(fitted_on) and stored.made_on >= fitted_on


def _by_table(unit: Unit) -> Origin | None:
    """Return the guesses that a table of runtimes leaves; None where there is no usable one."""
    runs = [Run(point.watts, point.lasts_s / 3600.0) for point in unit.battery.table]
    if not runs:
        return None
    try:
        found = fit(runs, Known(unit.rating_w, unit.battery))
    except ValueError:  # points that no battery has: `lastwatt check` names them
        return None
    return Origin(found.draws, len(runs), "table")


def _still_holds(
    unit: Unit, body: bytes, origin: Origin, fitted_on: date | None
) -> Estimate | None:
    """Return the estimate in the journal, unless it is of another battery, or a newer fit is there.

    Raises:
        ValueError: it cannot be read.
    """
    kept = decode(body)
    if kept.battery != battery_key(unit) or kept.estimate.origin != origin.name:
        return None
    if kept.fitted_on and kept.fitted_on != (fitted_on.isoformat() if fitted_on else ""):
        return None
    return kept.estimate


def _chance(unit: Unit) -> np.random.Generator:
    return np.random.default_rng(int.from_bytes(unit.name.encode(), "big"))
