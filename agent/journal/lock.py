"""The lock on a state directory: one agent a site."""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path

from agent.errors import JournalError

_PID_NAME = "agent.pid"


class StateLock:
    """A state directory that this process, and no other, works in.

    The directory itself is locked, so that a full or read-only disk cannot prevent it; the kernel
    lets go of the lock when the process ends, however it ends.
    """

    def __init__(self, folder: Path, descriptor: int) -> None:
        self.folder = folder
        self._descriptor: int | None = descriptor

    @classmethod
    def take(cls, folder: Path) -> StateLock:
        """Lock *folder*, making it where it is missing.

        Raises:
            JournalError: another process holds it, or it cannot be made or locked.
        """
        try:
            folder.mkdir(mode=0o750, parents=True, exist_ok=True)
            descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except OSError as error:
            raise JournalError(
                f"cannot use {folder} as the state directory: {error.strerror}; name another "
                "with --state, or make it writable for the agent"
            ) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            raise _not_locked(folder, error) from error
        # For people and messages only; on a full disk it goes without.
        with suppress(OSError):
            (folder / _PID_NAME).write_text(f"{os.getpid()}\n")
        return cls(folder, descriptor)

    @property
    def is_held(self) -> bool:
        """Whether this process still holds it."""
        return self._descriptor is not None

    def release(self) -> None:
        """Let go of it; safe to call twice."""
        if self._descriptor is not None:
            with suppress(OSError):
                (self.folder / _PID_NAME).unlink()
            os.close(self._descriptor)
            self._descriptor = None


def holder_of(folder: Path) -> int | None:
    """Return the process that said it works in *folder*; None where none did. It may be gone."""
    try:
        return int((folder / _PID_NAME).read_text())
    except (OSError, ValueError):
        return None


def _not_locked(folder: Path, error: OSError) -> JournalError:
    if not isinstance(error, BlockingIOError):
        return JournalError(
            f"cannot lock {folder}: {error.strerror}; a state directory belongs on a local disk"
        )
    holder = holder_of(folder)
    process = "another process" if holder is None else f"process {holder}"
    return JournalError(
        f"{folder} is in use by {process}; one agent a site: end that one first, or give this "
        "site a state directory of its own"
    )
