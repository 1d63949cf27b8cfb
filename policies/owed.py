"""What was changed at devices and is to be undone yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from policies.model import Site
from policies.state import Phase, SiteState

DONE = {"quiesce": "quiesced", "stop": "stopped", "cut": "cut"}
"""What each act leaves behind, in words."""


@dataclass(frozen=True, slots=True)
class Owed:
    """One device that is owed something.

    Attributes:
        acts: what was done, or may have been: "quiesced", "stopped", "cut".
        since_at: when it came to where it is; site time, s.
        is_running: it came back without the agent, so that its recording is in question.
        by_hand: it was stopped by hand.
        was: stage -> what it was set to before that changed it, in its driver's words.
    """

    device: str
    acts: tuple[str, ...]
    since_at: float
    is_running: bool
    by_hand: bool
    was: Mapping[str, str] = field(default_factory=dict)


def owed_changes(site: Site, state: SiteState) -> tuple[Owed, ...]:
    """Return every device that was changed and is not known to be as it was, as the file lists."""
    found = []
    for name in site.devices:
        known = state.devices[name]
        acts = tuple(word for act, word in DONE.items() if act in known.owed)
        if acts and not site.devices[name].by_writers:  # its writers are, and it was told nothing
            is_running = known.phase is Phase.RUNNING
            found.append(Owed(name, acts, known.since_at, is_running, known.by_hand, known.was))
    return tuple(found)
