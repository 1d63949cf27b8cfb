"""Owners' own thresholds within a plan: which of them comes first, and when."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

from policies.footing import UnitProblem
from policies.model import Site
from policies.runtime import LoadStep, Wells, after_stretch, empties_after_h
from policies.shed_items import HOUR_S, Answer, Battery

_TINY_S = 1.0


@dataclass(frozen=True, slots=True)
class Limit:
    """A threshold that is passed, s from now."""

    device: str
    at_s: float


def first_limit(
    site: Site,
    hung: UnitProblem,
    answer: Answer,
    bound: Battery,
    *,
    met: Mapping[str, Limit],
    least_s: float,
) -> Limit | None:
    """Return the threshold that comes first and before its device stops by the plan, or None.

    Args:
        site: whose devices.
        hung: what hangs on the unit.
        answer: its course.
        bound: the battery that ends when the lower bound says.
        met: thresholds that are counted with already.
        least_s: none is looked for before, s from now.
    """
    found = []
    stretches = list(_stretches(answer, bound))
    for number, name in enumerate(hung.names):
        if not hung.is_told[number] or name in met:
            continue
        wish = site.devices[name].stop_when
        if wish is None:
            continue
        times = [
            _runtime_below_s(stretches, bound, wish.runtime_below_s),
            _charge_below_s(stretches, bound, wish.charge_below),
        ]
        at_s = max(least_s, min(times))
        if at_s < answer.starts_s[number] - _TINY_S:
            found.append(Limit(name, at_s))
    return min(found, key=lambda limit: (limit.at_s, limit.device), default=None)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A stretch of constant load: when it begins and ends, s; the wells at its begin."""

    begins_s: float
    ends_s: float
    drawn_w: float
    wells: Wells


def _stretches(answer: Answer, bound: Battery) -> Iterator[_Stretch]:
    wells = bound.wells
    steps = (*answer.steps, LoadStep(math.inf, 0.0))
    for step, following in pairwise(steps):
        drawn_w = bound.inverter.drawn_w(step.load_w)
        yield _Stretch(step.after_s, following.after_s, drawn_w, wells)
        if math.isinf(following.after_s):
            return
        wells = after_stretch(
            bound.cells,
            wells,
            drawn_w=drawn_w,
            stretch_h=(following.after_s - step.after_s) / HOUR_S,
        )


def _runtime_below_s(stretches: list[_Stretch], bound: Battery, below_s: float | None) -> float:
    """When the lower bound at the load of the moment is first below *below_s*."""
    if below_s is None:
        return math.inf
    for stretch in stretches:
        left_s = HOUR_S * empties_after_h(bound.cells, stretch.wells, drawn_w=stretch.drawn_w)
        at_s = stretch.begins_s + max(0.0, left_s - below_s)
        if at_s < stretch.ends_s:
            return at_s
    return math.inf


def _charge_below_s(stretches: list[_Stretch], bound: Battery, below: float | None) -> float:
    """When less than the share *below* of the full battery is left."""
    if below is None:
        return math.inf
    least_wh = below * bound.cells.energy_wh
    for stretch in stretches:
        over_wh = stretch.wells.total_wh - least_wh
        if over_wh <= 0.0:
            return stretch.begins_s
        at_s = stretch.begins_s + (
            HOUR_S * over_wh / stretch.drawn_w if stretch.drawn_w > 0.0 else math.inf
        )
        if at_s < stretch.ends_s:
            return at_s
    return math.inf
