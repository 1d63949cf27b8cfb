"""Whether the load of a backup unit says that a device is off: it fell by the device's watts.

The weakest of three kinds of proof where a device says so itself, and stronger than silence, since
no network lies in between. It speaks of the sum of everything, so it is given only where the fall
stands out of the noise, fits the device, and cannot come from another that stops meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto
from itertools import pairwise
from statistics import median

BEFORE_S = 120.0
"""Readings up to so long before the stop tell what the unit carried with the device on."""

LEAST_BEFORE = 5
LEAST_AFTER = 3
"""Readings needed on either side of the fall."""

NOISES = 3.0
"""A fall counts from so many times the noise on."""

LEAST_SHARE, MOST_SHARE = 0.7, 1.5
"""What part of the listed watts a fall has to have: a device that is off may still draw a little,
and a much greater fall has another cause as well."""

OTHERS_SHARE = 1.3
"""Devices that may have stopped too are taken to draw so much more than listed."""

STAYED_SHARE = 0.2
"""A load that fell by less of the device's watts has not lost it."""

_SIGMA = 1.4826  # standard deviation / median absolute deviation of a normal distribution


class Says(Enum):
    """What a load says of a device."""

    FELL = auto()  # it is off
    STAYED = auto()  # it is on
    NOTHING = auto()


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One reading of a unit's load.

    Attributes:
        at: site time, s.
        watts: as measured.
        step_w: the finest step that the unit can tell.
    """

    at: float
    watts: float
    step_w: float = 1.0


@dataclass(frozen=True, slots=True)
class LoadEvidence:
    """What the load says, and the figures; those are NaN where too little was read."""

    says: Says
    fell_w: float = math.nan
    noise_w: float = math.nan


def noise_of(points: Sequence[LoadPoint]) -> float:
    """Return the noise of a load as a standard deviation, in W; never finer than its step.

    From successive differences, which a slow drift does not spoil, and by their median, which a
    single step does not: sd = 1.4826 * median(|difference|) / sqrt(2). Source: the median absolute
    deviation as an estimate of the standard deviation, Hampel 1974; for independent noise a
    difference has twice the variance.
    """
    steps = [abs(after.watts - before.watts) for before, after in pairwise(points)]
    finest_w = max((point.step_w for point in points), default=0.0)
    return max(finest_w, _SIGMA * median(steps) / math.sqrt(2.0)) if steps else math.inf


def is_told_by(points: Sequence[LoadPoint], *, told_at: float) -> bool:
    """Return whether there are readings enough around *told_at* to say anything."""
    before = sum(1 for p in points if told_at - BEFORE_S <= p.at <= told_at)
    after = sum(1 for p in points if p.at > told_at)
    return before >= LEAST_BEFORE and after >= LEAST_AFTER


def load_evidence(
    points: Sequence[LoadPoint], *, told_at: float, watts: float, others_w: float = 0.0
) -> LoadEvidence:
    """Return what the load of a unit says of a device that was told to stop.

    Args:
        points: its recent readings, in order of time.
        told_at: when the device was told; site time, s.
        watts: what the unit loses with it by the file, what it feeds and its losses included, W.
        others_w: the same of all other devices that may have gone, come or changed since
            *told_at* - BEFORE_S.
    """
    if not is_told_by(points, told_at=told_at) or watts <= 0.0:
        return LoadEvidence(Says.NOTHING)
    before = [p for p in points if told_at - BEFORE_S <= p.at <= told_at]
    after = [p for p in points if p.at > told_at][-LEAST_AFTER:]
    noise_w = noise_of(before)
    level_w = median(p.watts for p in before)
    # Each of the last ones has to show it: one low reading is none.
    fell_w = level_w - max(p.watts for p in after)
    most_fell_w = level_w - min(p.watts for p in after)
    least_w = max(LEAST_SHARE * watts, NOISES * noise_w)
    sure_w = fell_w - OTHERS_SHARE * others_w
    found = LoadEvidence(Says.NOTHING, fell_w, noise_w)
    if sure_w >= least_w and fell_w <= MOST_SHARE * (watts + others_w) + NOISES * noise_w:
        return LoadEvidence(Says.FELL, fell_w, noise_w)
    stands_out = (1.0 - STAYED_SHARE) * watts > NOISES * noise_w
    if others_w == 0.0 and stands_out and most_fell_w < STAYED_SHARE * watts:
        return LoadEvidence(Says.STAYED, fell_w, noise_w)
    return found
