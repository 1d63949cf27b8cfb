"""Programs of this very machine, run by a fixed list of arguments and never through a shell."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from drivers.transports.threads import in_own_thread

SHOWN_MOST = 300
"""So much of what a program printed is kept."""

ENDS_WITHIN_S = 0.5
"""What a killed program is given to be gone."""


@dataclass(frozen=True, slots=True)
class Ran:
    """How a program ended.

    Attributes:
        status: exit status; None = it did not end in time, and was killed.
        printed: the beginning of what it printed, on one line.
    """

    status: int | None
    printed: str


class Programs(Protocol):
    """Runs programs here."""

    async def run(self, command: Sequence[str], *, timeout_s: float) -> Ran:
        """Run one to its end, at most so long.

        Raises:
            OSError: it could not be begun.
        """
        ...

    async def sync(self) -> None:
        """Have the system write out what its disks still wait for."""
        ...


class OwnPrograms:
    """The machine that lastwatt runs on."""

    async def run(self, command: Sequence[str], *, timeout_s: float) -> Ran:
        """Run a program without input; one that outlives its time is killed."""
        process = await asyncio.create_subprocess_exec(
            *command,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        try:
            async with asyncio.timeout(timeout_s):
                printed, _ = await process.communicate()
        except TimeoutError:
            return Ran(None, "")
        finally:
            if process.returncode is None:
                await _end(process)
        text = " ".join(printed[:SHOWN_MOST].decode(errors="replace").split())
        return Ran(process.returncode, text)

    async def sync(self) -> None:
        """Write everything out; a disk that hangs is left to its thread."""
        await in_own_thread(os.sync, name="sync")


async def _end(process: asyncio.subprocess.Process) -> None:
    """Kill a program, and wait a moment for the system to clear it away."""
    with suppress(ProcessLookupError):
        process.kill()
    with suppress(TimeoutError):
        async with asyncio.timeout(ENDS_WITHIN_S):
            await process.communicate()


class DryPrograms:
    """Runs nothing."""

    async def run(self, command: Sequence[str], *, timeout_s: float) -> Ran:
        """Do nothing."""
        return Ran(0, "")

    async def sync(self) -> None:
        """Do nothing."""
