"""Programs of this very machine, run by a fixed list of arguments and never through a shell."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from drivers.transports.threads import in_own_thread

SHOWN_MOST = 300
"""So much of what a program printed is kept."""

HEARD_WITHIN_S = 0.1
"""What its output is given to end, once it has."""

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

    async def run(self, command: Sequence[str], *, timeout_s: float, given: bytes = b"") -> Ran:
        """Run one to its end, at most so long; *given* is its input.

        Raises:
            OSError: it could not be begun.
        """
        ...

    async def connect(self, door: Path) -> str:
        """Connect to a Unix socket and return what is said there, on one line, once it ends.

        Raises:
            OSError: nobody listens, or this user may not.
        """
        ...

    async def sync(self) -> None:
        """Have the system write out what its disks still wait for."""
        ...


class OwnPrograms:
    """The machine that lastwatt runs on."""

    async def run(self, command: Sequence[str], *, timeout_s: float, given: bytes = b"") -> Ran:
        """Run a program; one that outlives its time is killed, with whatever it began.

        What it leaves running on purpose goes on; that it holds the output open is not waited for.
        """
        heard, said = os.pipe()
        with os.fdopen(heard, "rb", buffering=0) as output:
            try:
                process = await asyncio.create_subprocess_exec(
                    *command,
                    stdin=asyncio.subprocess.PIPE if given else asyncio.subprocess.DEVNULL,
                    stdout=said,
                    stderr=said,
                    start_new_session=True,
                )
            finally:
                os.close(said)
            hearing = asyncio.create_task(_beginning(output))
            try:
                async with asyncio.timeout(timeout_s):
                    await _give(process, given)
                    await process.wait()
            except TimeoutError:
                return Ran(None, "")
            finally:
                if process.returncode is None:
                    await _end(process)
                printed = await _all_heard(hearing)
            text = " ".join(printed.decode(errors="replace").split())
            return Ran(process.returncode, text)

    async def connect(self, door: Path) -> str:
        """Connect to a Unix socket, say nothing, and return the beginning of what is said."""
        reader, writer = await asyncio.open_unix_connection(door)
        try:
            said = await reader.read(SHOWN_MOST)
            while not reader.at_eof() and len(said) < SHOWN_MOST:
                said += await reader.read(SHOWN_MOST - len(said))
        finally:
            writer.close()
        return " ".join(said.decode(errors="replace").split())

    async def sync(self) -> None:
        """Write everything out; a disk that hangs is left to its thread."""
        await in_own_thread(os.sync, name="sync")


async def _give(process: asyncio.subprocess.Process, given: bytes) -> None:
    if process.stdin is None:
        return
    with suppress(OSError):  # it may end without reading its input
        process.stdin.write(given)
        await process.stdin.drain()
        process.stdin.close()


async def _beginning(output: BinaryIO) -> bytes:
    """Read to the end of what is printed, and return its beginning."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader()
    pipe, _ = await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), output)
    kept = bytearray()
    try:
        with suppress(asyncio.CancelledError):  # what was heard by then counts
            while chunk := await reader.read(65536):
                kept += chunk[: SHOWN_MOST - len(kept)]
    finally:
        pipe.close()
    return bytes(kept)


async def _all_heard(hearing: asyncio.Task[bytes]) -> bytes:
    done, _ = await asyncio.wait({hearing}, timeout=HEARD_WITHIN_S)
    if not done:
        hearing.cancel()
        await asyncio.wait({hearing})
    return b"" if hearing.cancelled() else hearing.result()


async def _end(process: asyncio.subprocess.Process) -> None:
    """Kill a program and what it began, and wait a moment for the system to clear it away."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    with suppress(TimeoutError):
        async with asyncio.timeout(ENDS_WITHIN_S):
            await process.wait()


class DryPrograms:
    """Runs nothing."""

    async def run(self, command: Sequence[str], *, timeout_s: float, given: bytes = b"") -> Ran:
        """Do nothing."""
        return Ran(0, "")

    async def connect(self, door: Path) -> str:
        """Do nothing."""
        return ""

    async def sync(self) -> None:
        """Do nothing."""
