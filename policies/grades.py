"""What is known to work of one device: planned, rehearsed, login checked, drilled, and since when.

A grade is earned on a day, by the settings that the site's file has for the device then. Other
settings void it, and what was shown long ago is stale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

DRILLED_LASTS_S = 365 * 86400.0
LOGIN_CHECKED_LASTS_S = 45 * 86400.0
"""A yearly drill, and a login that somebody looks at more than once a quarter."""


class Grade(StrEnum):
    """How well a device's order is known to work, least first."""

    PLANNED = "planned"  # the file says how
    REHEARSED = "rehearsed"  # an outage in dry run came to its order
    LOGIN_CHECKED = "login checked"  # it was reached, and let us in
    DRILLED = "drilled"  # it was stopped in order, seen to be gone, and seen to run again


RANKED = tuple(Grade)


@dataclass(frozen=True, slots=True)
class Earned:
    """One grade, and what showed it.

    Attributes:
        on: the day; evidence: what was seen.
        settings: fingerprint of the device's settings in the site's file then, "" = not known.
    """

    on: date
    evidence: str
    settings: str = ""


@dataclass(frozen=True, slots=True)
class Lasts:
    """For how long a grade holds, in s; those not named hold until the settings change."""

    drilled_s: float = DRILLED_LASTS_S
    login_checked_s: float = LOGIN_CHECKED_LASTS_S

    def of(self, grade: Grade) -> float | None:
        """Return for how long *grade* holds, None = without end."""
        lasts = {Grade.DRILLED: self.drilled_s, Grade.LOGIN_CHECKED: self.login_checked_s}
        return lasts.get(grade)


LASTS = Lasts()


@dataclass(frozen=True, slots=True)
class Standing:
    """The best grade of a device that holds.

    Attributes:
        on: since when, None for what is only planned.
        evidence: what showed it.
        stale: better grades that were earned too long ago, with their days, best first.
        voided: better grades that were earned with other settings, with their days, best first.
    """

    grade: Grade
    on: date | None = None
    evidence: str = ""
    stale: tuple[tuple[Grade, date], ...] = ()
    voided: tuple[tuple[Grade, date], ...] = ()

    @property
    def sentence(self) -> str:
        """What people are told: "drilled 2026-05-03", "planned only; drilled 2025-01-02: stale"."""
        parts = [f"{self.grade} only" if self.on is None else f"{self.grade} {self.on}"]
        parts += [f"{grade} {on}: too long ago" for grade, on in self.stale]
        void = "void, since what the file says of it was changed"
        parts += [f"{grade} {on}: {void}" for grade, on in self.voided]
        return "; ".join(parts)


def standing(
    earned: Mapping[str, Earned], *, settings: str, today: date, lasts: Lasts = LASTS
) -> Standing:
    """Return where a device stands.

    Args:
        earned: grade -> how and when it was last earned.
        settings: fingerprint of its settings in the site's file now; "" = not known.
        today: the site's day.
        lasts: for how long grades hold.
    """
    stale: list[tuple[Grade, date]] = []
    voided: list[tuple[Grade, date]] = []
    for grade in reversed(RANKED):
        found = earned.get(grade.value)
        if found is None:
            continue
        lasts_s = lasts.of(grade)
        if settings and found.settings and found.settings != settings:
            voided.append((grade, found.on))
        elif lasts_s is not None and (today - found.on).days * 86400.0 > lasts_s:
            stale.append((grade, found.on))
        else:
            return Standing(grade, found.on, found.evidence, tuple(stale), tuple(voided))
    return Standing(Grade.PLANNED, stale=tuple(stale), voided=tuple(voided))
