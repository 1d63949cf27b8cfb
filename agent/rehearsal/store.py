"""Rehearsals as they are kept in the state directory: the latest few, one file each."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import structlog

from agent.journal.whole_file import write_whole
from agent.rehearsal.result import Result, from_text, to_text
from policies.grades import Earned

log = structlog.get_logger()

FOLDER = "rehearsals"
KEPT = 24
"""Two years of monthly ones; a rehearsal takes some 50 kB."""

MOST_BYTES = 16 * 2**20


def name_at(utc: datetime) -> str:
    """Return the name of a rehearsal that is begun now; names sort by time."""
    return f"{utc.astimezone(UTC):%Y%m%dT%H%M%S%f}"[:18]


def keep(folder: Path, result: Result) -> None:
    """Keep it in the state directory *folder*, and forget the oldest.

    Raises:
        OSError: it cannot be written.
    """
    place = folder / FOLDER
    place.mkdir(mode=0o700, exist_ok=True)
    write_whole(place / f"{result.name}.json", to_text(result))
    for old in names(folder)[:-KEPT]:
        with suppress(OSError):
            (place / f"{old}.json").unlink()


def names(folder: Path) -> list[str]:
    """Return the names of those kept, from old to new."""
    with suppress(OSError):
        return sorted(path.stem for path in (folder / FOLDER).glob("[0-9]*.json"))
    return []


def kept(folder: Path, name: str) -> Result | None:
    """Return one by its name; None where there is none, or it cannot be read."""
    path = folder / FOLDER / f"{name}.json"
    if not name.isalnum():
        return None
    try:
        if path.stat().st_size > MOST_BYTES:
            return None
        return from_text(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        log.warning("skipped_rehearsal", name=name, why=str(error))
        return None


def latest(folder: Path, *, before: str | None = None) -> Result | None:
    """Return the newest that can be read, of those older than *before* if that is given."""
    for name in reversed(names(folder)):
        if before is None or name < before:
            found = kept(folder, name)
            if found is not None:
                return found
    return None


def earned(folder: Path) -> dict[str, Earned]:
    """Return, by device, what the newest rehearsal has shown; {} where there is none."""
    found = latest(folder)
    return {} if found is None else earned_by(found)


def earned_by(result: Result) -> dict[str, Earned]:
    """Return, by device, what a rehearsal has shown."""
    evidence = "an order to rest was gone through in a rehearsal"
    on = result.made_utc.astimezone(result.begins.tzinfo).date()
    return {
        device.name: Earned(on, evidence, device.settings)
        for device in result.devices
        if device.was_gone_through
    }
