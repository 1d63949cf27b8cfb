"""How long a device's stages really take, learnt from what was seen of them.

A stop planned too short is a recorder that loses its power while it writes; one planned too long
only begins early. So what is longer than the file says counts from the first time on, and what is
shorter only once it was seen often, and then never by more than half.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from policies.model import Device, Site
from policies.reasons import duration_text

QUIESCE, STOP, START = "quiesce", "stop", "start"

KEPT = 40
"""So many of the latest are remembered; older ones are of another firmware, or another disk."""

FEW = 20
"""From so many on, the 95th percentile counts; of fewer, the longest: of 19, one is 5 %."""

SHARE = 0.95

SHORTER_FROM = 10
"""So often a stage must have been seen before it is planned shorter than the file says."""

SHORTER_LEAST = 0.5
"""The least part of the file's figure that it is planned with then: a disk may be fuller once."""

FLOOR_S: Mapping[str, float] = MappingProxyType({QUIESCE: 5.0, STOP: 15.0, START: 15.0})
"""Nothing is learnt below these: a poll, a login and a look take seconds of their own."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What one stage of a device is planned with.

    Attributes:
        stage: QUIESCE, STOP or START.
        file_s: what the file says, or its default; used_s: what is planned with.
        samples: how often it was seen.
    """

    stage: str
    file_s: float
    used_s: float
    samples: int

    @property
    def sentence(self) -> str:
        """What people are told of it."""
        learnt, said = duration_text(self.used_s), duration_text(self.file_s)
        times = "once" if self.samples == 1 else f"{self.samples} times"
        return f"{self.stage} learnt {learnt}, file says {said} (seen {times})"


def stage_times_s(
    began_at: Mapping[str, float], done_at: Mapping[str, float], *, settle_s: float
) -> dict[str, float]:
    """Return how long stages took, of those that were seen to be over, in s.

    Args:
        began_at: act -> when it last began.
        done_at: act -> when it was last seen done.
        settle_s: the silence that proves a device gone; it is no part of its stop.
    """
    took: dict[str, float] = {}
    for stage, seen_by, after_s in (
        (QUIESCE, "confirm_quiesced", 0.0),
        (STOP, "confirm_gone", settle_s),
        (START, "confirm_running", 0.0),
    ):
        began, done = began_at.get(stage), done_at.get(seen_by)
        if began is not None and done is not None and done > began:
            took[stage] = max(0.0, done - began - after_s)
    return took


def percentile_s(seen: Sequence[float]) -> float:
    """Return what nearly all of *seen* stayed within: the 95th percentile, of few the longest.

    By nearest rank: the smallest value that at least 95 % of them do not exceed.
    """
    ordered = sorted(seen)
    if len(ordered) < FEW:
        return ordered[-1]
    return ordered[math.ceil(SHARE * len(ordered)) - 1]


def planned_s(seen: Sequence[float], *, file_s: float, floor_s: float) -> float:
    """Return what a stage is to be planned with, in s."""
    if not seen:
        return file_s
    learnt_s = max(percentile_s(seen), floor_s)
    if learnt_s >= file_s:
        return learnt_s
    if len(seen) < SHORTER_FROM:
        return file_s
    return min(file_s, max(learnt_s, SHORTER_LEAST * file_s))


def learnt_of(device: Device, took: Mapping[str, Sequence[float]]) -> tuple[Learnt, ...]:
    """Return what was learnt of a device and differs from its file by a second at least.

    Args:
        device: as the file has it.
        took: stage -> how long it took each time, oldest first, in s.
    """
    said = {QUIESCE: device.quiesce_s, STOP: device.stop_s, START: device.start_s or None}
    found = []
    for stage, file_s in said.items():
        seen = took.get(stage, ())
        if file_s is None or not seen:
            continue
        used_s = planned_s(seen, file_s=file_s, floor_s=min(FLOOR_S[stage], file_s))
        if abs(used_s - file_s) >= 1.0:
            found.append(Learnt(stage, file_s, used_s, len(seen)))
    return tuple(found)


def with_learnt(site: Site, took: Mapping[str, Mapping[str, Sequence[float]]]) -> Site:
    """Return the site with every stage as long as it was learnt to be; the same if none was.

    Args:
        site: as the file has it.
        took: device -> stage -> how long it took each time.
    """
    changed: dict[str, Device] = {}
    for name, device in site.devices.items():
        found = {one.stage: one.used_s for one in learnt_of(device, took.get(name, {}))}
        if found:
            changed[name] = replace(
                device,
                quiesce_s=found.get(QUIESCE, device.quiesce_s),
                stop_s=found.get(STOP, device.stop_s),
                start_s=found.get(START, device.start_s),
            )
    if not changed:
        return site
    return replace(site, devices=MappingProxyType({**site.devices, **changed}))


def with_sample(
    took: Mapping[str, tuple[float, ...]], stage: str, seconds: float
) -> Mapping[str, tuple[float, ...]]:
    """Return *took* with one more time of a stage; the oldest falls out."""
    return {**took, stage: (*took.get(stage, ()), max(0.0, seconds))[-KEPT:]}
