"""What the file says of a battery that the agent was told is no longer in the unit."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from datetime import date
from pathlib import Path

from agent.checks.power import Scene
from agent.config.document import Document
from agent.config.faults import Fault
from agent.errors import JournalError
from agent.journal.file import file_of
from agent.journal.recall import Memory
from policies.battery import SAME_BATTERY_DAYS
from policies.model import Site


def battery_warnings(scene: Scene) -> Iterator[Fault]:
    """Find what is stale since another battery was fitted; needs the agent's state directory."""
    folder = scene.loaded.agent.state
    if folder is None or not file_of(folder).is_file():
        return
    for name, on in told_days(folder, scene.site).items():
        said = file_day(scene.document, name)
        if said is None or (on - said).days > SAME_BATTERY_DAYS:
            old = "no day" if said is None else f"{said}"
            yield scene.warning(
                name,
                ("battery", "fitted"),
                "battery-date-stale",
                f"the agent was told of a battery fitted on {on}, and {old} stands here",
                f"write fitted = {on}",
            )
        path = scene.loaded.units[name].fit
        made_on = None if path is None else _made_on(path)
        if made_on is not None and made_on < on:
            yield scene.warning(
                name,
                ("battery", "fit"),
                "fit-stale",
                f"the fit was made on {made_on}, of the battery before the one fitted on {on}, and "
                "does not count",
                "begin a new file of runs, and fit it by `lastwatt fit`, or remove this",
            )


def told_days(folder: Path, site: Site) -> dict[str, date]:
    """Return on which day the battery of each unit was fitted as the journal has it."""
    memory = Memory(site, dry=False, troubles=())
    with suppress(JournalError, OSError):  # no state, no advice
        memory.read(file_of(folder))
    days = {name: unit.battery.fitted_on for name, unit in memory.state.units.items()}
    return {name: on for name, on in days.items() if on is not None}


def file_day(document: Document, unit: str) -> date | None:
    """Return the day on which the battery of *unit* was put in as the site's file has it."""
    for table in document.at(("unit",)) or ():
        if table.get("name") == unit:
            day = table.get("battery", {}).get("fitted")
            return day if type(day) is date else None
    return None


def _made_on(path: Path) -> date | None:
    """Return the day of a fit, without the libraries that its figures need."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        return date.fromisoformat(json.loads(path.read_bytes())["made_on"])
    return None
