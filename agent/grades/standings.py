"""The grades of a site's devices as commands show them, with or without the agent."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from agent.config import LoadedSite
from agent.grades.settings import fingerprints
from agent.journal.file import file_of
from agent.journal.recall import Memory
from policies.grades import Earned, Grade, Standing, standing
from policies.graph import may_be_stopped
from policies.model import Site
from policies.state import SiteState

Standings = Mapping[str, Standing]
"""Where each device stands that an order may ever reach."""


def standings(loaded: LoadedSite, state: SiteState, today: date) -> Standings:
    """Return where the devices of a site stand.

    Args:
        loaded: the site's file.
        state: what its journal folds to.
        today: the site's day.
    """
    settings = fingerprints(loaded)
    return {
        name: standing(
            state.devices[name].grades,
            settings=settings[name],
            today=today,
            lasts=loaded.agent.grades_last,
        )
        for name in loaded.site.devices
        if may_be_stopped(loaded.site, name)
    }


def rehearsals_in(folder: Path, site: Site) -> Mapping[str, Earned]:
    """Return what agents in dry run have shown by the journal in *folder*; {} where it has none."""
    memory = Memory(site, dry=True, troubles=())
    memory.read(file_of(folder))
    devices = memory.state.devices.items()
    return {n: known.grades[_DRY] for n, known in devices if _DRY in known.grades}


_DRY = Grade.REHEARSED.value


def as_fields(found: Standing) -> dict[str, Any]:
    """Return it JSON-ready."""
    return {
        "grade": found.grade.value,
        "on": None if found.on is None else found.on.isoformat(),
        "evidence": found.evidence,
        "stale": {grade.value: on.isoformat() for grade, on in found.stale},
        "void": {grade.value: on.isoformat() for grade, on in found.voided},
        "sentence": found.sentence,
    }
