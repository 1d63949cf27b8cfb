"""The course of a discharge so far: stretches of time, and what was carried in each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

MOST_STRETCHES = 24
_LIKE = 0.02
"""Loads that differ by less than that share are taken for one."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some hours at one load, in W; None = the battery was neither used nor charged."""

    hours: float
    load_w: float | None


Course = tuple[Stretch, ...]


def longer(course: Course, stretch: Stretch) -> Course:
    """Return the course with one more stretch; like loads are joined, the likest when it is long.

    What was drawn in all stays the same.
    """
    if course and _differ(course[-1].load_w, stretch.load_w) < _LIKE:
        return (*course[:-1], _joined(course[-1], stretch))
    course = (*course, stretch)
    if len(course) <= MOST_STRETCHES:
        return course
    cost = [_differ(a.load_w, b.load_w) * min(a.hours, b.hours) for a, b in pairwise(course)]
    at = cost.index(min(cost))
    return (*course[:at], _joined(course[at], course[at + 1]), *course[at + 2 :])


def usual_w(course: Course) -> float:
    """Return the mean load while the battery was used, in W; 0 where it was not."""
    used = [(each.hours, each.load_w) for each in course if each.load_w is not None]
    hours = sum(h for h, _ in used)
    return sum(h * w for h, w in used) / hours if hours > 0.0 else 0.0


def _differ(a_w: float | None, b_w: float | None) -> float:
    """By what share two loads differ; a rest is unlike any load, since nothing is lost in it."""
    if a_w is None or b_w is None:
        return 0.0 if a_w is b_w else math.inf
    return abs(a_w - b_w) / max(a_w, b_w, 1.0)


def _joined(a: Stretch, b: Stretch) -> Stretch:
    hours = a.hours + b.hours
    if a.load_w is None or b.load_w is None:
        if a.load_w is not None or b.load_w is not None:
            # Only a course of two dozen rests comes here; a lasting light load is near enough.
            return Stretch(
                hours, (a.hours * (a.load_w or 0.0) + b.hours * (b.load_w or 0.0)) / hours
            )
        return Stretch(hours, None)
    return Stretch(hours, (a.hours * a.load_w + b.hours * b.load_w) / hours)
