"""What a rehearsal begins with: the state of the live run, and what it has learnt."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

from agent.clock import boot_id, real_monotonic
from agent.config import LoadedSite
from agent.errors import JournalError
from agent.journal.codec import decode_state, encode
from agent.journal.file import estimates, file_of, reading
from agent.journal.recall import Memory
from policies.model import Site
from policies.output_state import OutputState
from policies.state import DeviceState, SiteState, initial
from policies.unit_state import UnitState


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a site at one moment.

    Attributes:
        at, utc: that moment, as site time in s and as wall time.
        estimates: by unit, what was learnt of its battery, as the journal keeps it.
    """

    state: SiteState
    at: float
    utc: datetime
    estimates: Mapping[str, bytes] = field(default_factory=dict)


def nothing_known(site: Site, utc: datetime) -> Known:
    """Return what is known of a site that no agent has watched yet."""
    return Known(initial(site), 0.0, utc)


def known_in(loaded: LoadedSite, folder: Path | None, utc: datetime) -> Known:
    """Return what the journal of the live runs in *folder* holds; it is only read.

    Args:
        loaded: the site's file.
        folder: the state directory, or None.
        utc: now.
    """
    try:
        if folder is None or not Path(file_of(folder)).is_file():
            return nothing_known(loaded.site, utc)
        memory = Memory(loaded.site, dry=False, troubles=())
        memory.read(file_of(folder))
    except (OSError, JournalError):
        return nothing_known(loaded.site, utc)
    recalled = memory.recalled(
        now_utc=utc, now_monotonic=real_monotonic(), boot=boot_id(), set_aside=None
    )
    return Known(recalled.state, recalled.resume_at, utc, estimates_in(folder))


def estimates_in(folder: Path) -> dict[str, bytes]:
    """Return what the journal in *folder* has of batteries; {} where it has nothing."""
    try:
        with reading(file_of(folder)) as connection:
            return estimates(connection, dry=False)
    except (OSError, JournalError):
        return {}


def at_peace(known: Known) -> Known:
    """Return it without orders under way, outages, pauses and what was done by hand for a while.

    What is off stays off, what is owed stays owed, and all that was learnt stays known.
    """
    state = known.state
    return replace(
        known,
        state=replace(
            state,
            units=MappingProxyType({n: _mains_there(u) for n, u in state.units.items()}),
            devices=MappingProxyType({n: _idle(d) for n, d in state.devices.items()}),
            outage_at=None,
            paused_until_at=None,
            paused_by="",
            watches_only={},
        ),
    )


def _mains_there(unit: UnitState) -> UnitState:
    """What outlasts an outage of a unit: its battery's history, its load, what is missing."""
    return UnitState(
        reading=unit.reading,
        heard_at=unit.heard_at,
        drawn=unit.drawn,
        load_w=unit.load_w,
        battery=unit.battery,
        loads=unit.loads,
        output=OutputState(),
    )


def _idle(device: DeviceState) -> DeviceState:
    if device.order is None:
        return device
    return replace(device, phase=device.order.phase_before, order=None)


def to_text(known: Known) -> str:
    """Return it as a line of JSON, for the process that rehearses, but for the estimates."""
    return json.dumps({"state": encode(known.state), "at": known.at, "utc": known.utc.isoformat()})


def from_text(site: Site, text: str, estimates: Mapping[str, bytes]) -> Known:
    """Return what `to_text` made a line of.

    Raises:
        ValueError: it is no such line.
    """
    said = json.loads(text)
    utc = datetime.fromisoformat(said["utc"]).astimezone(UTC)
    return Known(decode_state(site, said["state"]), float(said["at"]), utc, estimates)
