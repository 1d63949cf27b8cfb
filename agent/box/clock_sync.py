"""Whether the box's wall clock is synchronised, as far as anybody on it can say."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache
from pathlib import Path

_MARK = Path("/run/systemd/timesync/synchronized")
_STA_UNSYNC = 0x0040  # <linux/timex.h>
_TIME_ERROR = 5


class _Timex(ctypes.Structure):
    """The head of the kernel's `struct timex`, and room for all the rest of it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),
    )


@cache
def _adjtimex() -> Callable[..., int] | None:
    """Return the C library's function, looked up once: each commit of the journal asks."""
    try:
        function: Callable[..., int] = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return None
    return function


def clock_is_synced(*, mark: Path = _MARK) -> bool | None:
    """Return whether the wall clock is synchronised; None where the box does not say.

    The kernel is asked first (adjtimex(2), which changes nothing with `modes` 0), then the file
    that systemd-timesyncd(8) leaves after its first answer since boot.
    """
    adjtimex = _adjtimex()
    if adjtimex is not None:
        timex = _Timex()
        state = adjtimex(ctypes.byref(timex))
        if state >= 0:
            return state != _TIME_ERROR and not timex.status & _STA_UNSYNC
    return True if mark.exists() else None
