"""What an error of a conversation means as the outcome of an act."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.base import Verdict
from drivers.errors import (
    DeviceDroppedError,
    DeviceGarbledError,
    DeviceRefusedError,
    DriverError,
)


def verdict_of(error: DriverError, *, was_ordered: bool) -> Verdict:
    """Return the verdict of an act that ended in *error*.

    Args:
        error: what its transport raised.
        was_ordered: something that changes the device may have reached it.
    """
    match error:
        case DeviceRefusedError():
            return Verdict.REFUSED
        case DeviceGarbledError():
            return Verdict.GARBLED
        case DeviceDroppedError() if was_ordered:
            return Verdict.UNCERTAIN
    return Verdict.NO_ANSWER


def verdict_over_snmp(error: DriverError, sent: Sequence[str]) -> Verdict:
    """Return the verdict of an act that ended in *error*, some of whose lines may be SETs.

    SNMP knows no connection that breaks: after a SET every silence may hide that it was taken.
    """
    verdict = verdict_of(error, was_ordered=False)
    was_set = any(" SET " in line for line in sent)
    return Verdict.UNCERTAIN if was_set and verdict is not Verdict.REFUSED else verdict


def advice_of(error: DriverError, otherwise: str = "") -> str:
    """Return what the notes of an error advise, or *otherwise* where there are none."""
    return "; ".join(getattr(error, "__notes__", ())) or otherwise
