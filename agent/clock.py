"""The one clock: site time for deadlines, wall time for people."""

from __future__ import annotations

import asyncio
import time
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path


class LoopClock:
    """Site time as the running loop's own time plus an offset that continues the journal's.

    Because it follows the loop, `asyncio.timeout` agrees with it, also in a loop that jumps.
    """

    def __init__(self, *, offset_s: float = 0.0) -> None:
        self._offset_s = offset_s

    def monotonic(self) -> float:
        """Return the site time, in s."""
        return asyncio.get_running_loop().time() + self._offset_s

    def utc(self) -> datetime:
        """Return the wall time."""
        return datetime.now(UTC)

    async def sleep(self, seconds: float) -> None:
        """Return after *seconds*, at once if that is not positive."""
        # The virtual site's loop holds its faster time back while anybody talks; here nobody does.
        resting = getattr(asyncio.get_running_loop(), "resting", nullcontext)
        with resting():
            await asyncio.sleep(max(0.0, seconds))


def real_monotonic() -> float:
    """Return real seconds, for threads and disks, which do not hurry when a site's time does."""
    return time.monotonic()


def boot_id() -> str:
    """Return the kernel's id of this boot, or "unknown" where there is none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return "unknown"
