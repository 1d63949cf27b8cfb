"""What the journal of a site knows of how long its devices' stages take, without running it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from agent.config import LoadedSite
from agent.journal.file import file_of
from agent.journal.recall import Memory
from policies.learnt import Learnt, learnt_of
from policies.model import Site
from policies.state import SiteState, took_of

Took = Mapping[str, Mapping[str, tuple[float, ...]]]
"""Device -> stage -> how long it took each time, oldest first, in s."""


def state_in(loaded: LoadedSite) -> SiteState | None:
    """Return what the journal in the state directory that the file names holds; None without one.

    Only newest snapshot and what followed it is read: it costs what the agent's own start costs.
    What cannot be read is left out, since this is only to be shown.
    """
    folder = loaded.agent.state
    try:
        if folder is None or not Path(file_of(folder)).is_file():
            return None
    except OSError:
        return None
    memory = Memory(loaded.site, dry=False, troubles=())
    memory.read(file_of(folder))
    return memory.state


def took_in(loaded: LoadedSite) -> Took:
    """Return how long stages took by that journal; {} without one."""
    state = state_in(loaded)
    return {} if state is None else took_of(state)


def learnt_in(site: Site, took: Took) -> dict[str, tuple[Learnt, ...]]:
    """Return what is planned otherwise than the file says, by device.

    Args:
        site: as its file has it.
        took: what was seen.
    """
    found = {name: learnt_of(device, took.get(name, {})) for name, device in site.devices.items()}
    return {name: learnt for name, learnt in found.items() if learnt}


def as_fields(learnt: Learnt) -> dict[str, Any]:
    """Return it JSON-ready."""
    return {
        "stage": learnt.stage,
        "learnt_s": round(learnt.used_s, 1),
        "file_s": learnt.file_s,
        "seen": learnt.samples,
    }
