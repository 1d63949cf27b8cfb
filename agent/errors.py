"""What the agent itself can fail at; each class says whether trying again can help."""

from __future__ import annotations

from enum import StrEnum

from drivers.errors import LastwattError


class ConfigError(LastwattError):
    """The site's file, or a secret it points at, is not usable; trying again cannot help: mend it.

    One message may name many faults, one a line.
    """


class JournalError(LastwattError):
    """The journal cannot be opened, locked, read or written.

    Trying again helps where the disk is full or slow, or another agent still holds the lock; not
    where the file itself is damaged.
    """


class UnitTrouble(StrEnum):
    """In what way a backup unit could not be read."""

    SILENT = "silent"  # nothing was heard in time
    REFUSED = "refused"  # it was heard, and it said no
    GARBLED = "garbled"  # it was heard, and what it said makes no sense


class BackupUnitError(LastwattError):
    """A backup unit could not be read.

    Trying again helps where it was silent. Where it refused, or answered nonsense, a person mends
    something first, yet the unit is still asked at its pace: people mend things.

    Attributes:
        trouble: in what way.
        advice: what a person should look at, one sentence; holds no secret.
    """

    def __init__(self, message: str, *, trouble: UnitTrouble, advice: str) -> None:
        super().__init__(message)
        self.trouble = trouble
        self.advice = advice
