"""Many sites' files checked in one go, in worker processes; one bad file hides no other."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import date
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from agent.checks.check import check
from agent.config import Fault, Severity
from agent.config.document import read_document
from agent.config.recipes import BESIDE
from agent.errors import ConfigError

_BATCH = 10
"""Files that a worker takes at a time."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What became of one file.

    Attributes:
        site: its name, or None where the file has errors.
        unreadable: why nothing could be said of it, or "".
    """

    path: Path
    site: str | None
    faults: tuple[Fault, ...]
    unreadable: str = ""

    @property
    def has_errors(self) -> bool:
        """Whether the agent would refuse the file."""
        wrong = any(fault.severity is Severity.ERROR for fault in self.faults)
        return wrong or bool(self.unreadable)


def site_files(folder: Path) -> tuple[Path, ...]:
    """Return the sites' files in a folder and below, sorted.

    These are all TOML files but recipes, those in hidden folders, and those that another names as
    its base.

    Raises:
        ConfigError: the folder cannot be read, or holds none.
    """
    found = sorted(_files_in(folder))
    bases = {base for path in found for base in _bases_of(path)}
    sites = tuple(path for path in found if path.resolve() not in bases)
    if not sites:
        raise ConfigError(f"{folder}: holds no site's file (*.toml); name the folder of the sites")
    return sites


def check_many(
    files: Sequence[Path],
    *,
    today: date,
    workers: int | None = None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
) -> tuple[Checked, ...]:
    """Check each file, far from its box: secrets that are not there are warnings.

    Args:
        files: sites' files.
        today: gives batteries an age.
        workers: processes; default one for each core, and none for a handful of files.
        tell: is told how many are done, of how many.
    """
    count = min(workers or os.cpu_count() or 1, -(-len(files) // _BATCH))
    work = partial(_checked, today=today)
    if count <= 1:
        return tuple(_told(map(work, files), len(files), tell))
    # Fresh processes, not forks: this one may have threads.
    pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"))
    try:
        with pool:
            found = pool.map(work, files, chunksize=_BATCH)
            return tuple(_told(found, len(files), tell))
    except BrokenProcessPool as error:
        raise ConfigError(
            "a process that checks files was ended; see that the box has memory"
        ) from error


def _told(
    found: Iterator[Checked], whole: int, tell: Callable[[int, int], None]
) -> Iterator[Checked]:
    for done, checked in enumerate(found, start=1):
        tell(done, whole)
        yield checked


def _checked(path: Path, *, today: date) -> Checked:
    """Check one file, whatever it holds: the others are to be heard too."""
    try:
        loaded, faults = check(path, today=today, secret_files_must_exist=False)
    except ConfigError as error:
        return Checked(path, None, (), str(error))
    except Exception as error:  # ours to mend; the text may hold what the file says, so its type
        reason = f"{path}: checking it failed ({type(error).__name__}); run lastwatt check on it"
        return Checked(path, None, (), reason)
    return Checked(path, None if loaded is None else loaded.site.name, faults)


def _files_in(folder: Path) -> Iterator[Path]:
    def fail(error: OSError) -> None:
        reason = (error.strerror or "no reason given").lower()
        raise ConfigError(f"{error.filename}: cannot be read: {reason}; check its name and mode")

    for here, folders, names in os.walk(folder, onerror=fail):
        folders[:] = [name for name in folders if name != BESIDE and not name.startswith(".")]
        for name in names:
            if name.endswith(".toml") and not name.startswith("."):
                yield Path(here) / name


def _bases_of(path: Path) -> Iterator[Path]:
    """Give the base that a file names; a file that cannot be read is told of when it is checked."""
    try:
        base = read_document(path, with_lines=False).value.get("base")
    except ConfigError:
        return
    if isinstance(base, str):
        yield (path.parent / base).resolve()
