"""What of a stop is left out when time runs short, and in which order: the one place that says so.

The shorter the time, the more is left out; what was left out before stays out. Nothing here is
left out where it is all that protects a recording: see `may_skip`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from policies.model import HOLDS_DATA, Device


class Short(IntEnum):
    """How short time is for one device."""

    AMPLE = 0
    TIGHT = 1  # what is left to its deadline is only just its stop
    IN_SHORT = 2  # its order is of the shortened form
    LAST = 3  # what uses its time is past the last moment at which its own stop can begin


class Part(StrEnum):
    """What an order to rest consists of, each in the words of a sentence."""

    REMEMBER = "keeping what it was set to"
    QUIESCE = "quiescing it"
    CONFIRM = "waiting until it is known to be quiesced"
    STOP = "stopping it"
    VERIFY = "waiting until it is seen to be off"


@dataclass(frozen=True, slots=True)
class Skipped:
    """One part that is left out, from how short a time on, and why it comes in this place."""

    part: Part
    since: Short
    why: str


SKIPPED_IN_ORDER = (
    Skipped(Part.CONFIRM, Short.TIGHT, "its stop closes files all the same, and is seen to end"),
    Skipped(Part.QUIESCE, Short.IN_SHORT, "its stop does the same, and time is needed for that"),
    Skipped(Part.VERIFY, Short.LAST, "what it uses would be lost as well by waiting any longer"),
)
"""First to last. What it was set to is always kept first, and a stop is never left out."""

IN_SHORT = frozenset({"battery_low", "countdown", "too_late"})
"""Codes of reasons that make an order one of the shortened form."""

_SINCE = {skipped.part: skipped.since for skipped in SKIPPED_IN_ORDER}


def may_skip(device: Device, part: Part) -> bool:
    """Whether a part may ever be left out of a device's rest.

    A cut is no stop: before it, quiescing is what protects the recording; and a recorder that is
    quiesced by its writers has nothing but the time that it is given.
    """
    if part is Part.VERIFY:
        return True
    is_protected = device.is_cut or device.by_writers
    if part is Part.CONFIRM:
        return not is_protected
    return part is Part.QUIESCE and not is_protected and device.stop_s is not None


def is_skipped(device: Device, part: Part, short: Short) -> bool:
    """Whether a part is left out of a device's rest when time is so short."""
    return part in _SINCE and short >= _SINCE[part] and may_skip(device, part)


def goes_unverified(user: Device, device: Device, short: Short) -> bool:
    """Whether *device* goes on although *user*, which uses it, was told and not seen to be off.

    Only for what holds data itself: stopping a switch saves nothing, so that it waits for ever.
    """
    return device.role in HOLDS_DATA and is_skipped(user, Part.VERIFY, short)
