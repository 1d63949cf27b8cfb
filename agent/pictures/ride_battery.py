"""What is left in a battery as shares, for the picture of a ride-through.

What is left is what the battery will still give: the power drawn from it now, for as long as it is
believed to last. What it holds in all is that and what was taken from it. So both the lower bound
and what is likely are shares of one figure: what is likely when it is full.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from agent.pictures.ride_view import Left
from policies.runtime import Inverter, LoadStep

_HOUR_S = 3600.0
_POINTS = 48


def left_now(
    at_s: float,
    *,
    missing_wh: float,
    load_w: float,
    lower_s: float,
    likely_s: float,
    inverter: Inverter,
) -> Left:
    """Return what is left at one moment.

    Args:
        at_s: that moment, for the picture.
        missing_wh: what was taken from the full battery so far, by our own account, >= 0.
        load_w: at the output.
        lower_s: how long it lasts so at least, finite.
        likely_s: how long it is likely to, finite.
        inverter: its losses.
    """
    drawn_w = inverter.drawn_w(load_w)
    return _left(at_s, missing_wh, drawn_w * lower_s / _HOUR_S, drawn_w * likely_s / _HOUR_S)


def left_ahead(
    begins_s: float,
    steps: Sequence[LoadStep],
    *,
    carried: Sequence[LoadStep],
    missing_wh: float,
    lower_s: float,
    likely_s: float,
    until_s: float,
    inverter: Inverter,
    also_s: float = 0.0,
) -> tuple[Left, ...]:
    """Return what will be left along a planned course of load.

    Args:
        begins_s: where the course begins, for the picture.
        steps: the planned course, s from its begin.
        carried: the same with what is kept on never stopped: what the ends were asked for.
        missing_wh: as in `left_now`, when the course begins.
        lower_s: how long the battery lasts along *carried* at least.
        likely_s: how long it is likely to.
        until_s: how far to go, s from the course's begin.
        inverter: its losses.
        also_s: a moment that is to be among them, s from the course's begin.
    """
    lower_wh = drawn_wh(carried, lower_s, inverter)
    likely_wh = drawn_wh(carried, likely_s, inverter)
    moments = {until_s * i / _POINTS for i in range(_POINTS + 1)}
    moments |= {also_s, *(step.after_s for step in steps if step.after_s < until_s)}
    found: list[Left] = []
    for at_s in sorted(moments):
        gone_wh = drawn_wh(steps, at_s, inverter)
        missing = _left(begins_s + at_s, missing_wh, lower_wh, likely_wh, gone_wh=gone_wh)
        found.append(missing)
        if missing.likely <= 0.0:
            break
    return tuple(found)


def _left(
    at_s: float, missing_wh: float, lower_wh: float, likely_wh: float, *, gone_wh: float = 0.0
) -> Left:
    whole_wh = missing_wh + likely_wh
    if whole_wh <= 0.0:
        return Left(at_s, 0.0, 0.0)
    likely = max(0.0, likely_wh - gone_wh) / whole_wh
    return Left(at_s, min(likely, max(0.0, lower_wh - gone_wh) / whole_wh), likely)


def drawn_wh(steps: Sequence[LoadStep], until_s: float, inverter: Inverter) -> float:
    """Return what is drawn from the battery along a course until then, in Wh."""
    ends_s = [*(step.after_s for step in steps[1:]), math.inf]
    return sum(
        inverter.drawn_w(step.load_w) * max(0.0, min(end_s, until_s) - step.after_s) / _HOUR_S
        for step, end_s in zip(steps, ends_s, strict=True)
    )
