"""The picture of a fit: runs, the likely runtime over the load, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from agent.pictures.svg import Scale, band, figure, line, render, width_px
from policies.fit import Fit, Judged, Prediction, predicted

_WIDTH, _HEIGHT = 760, 520
_LEFT, _RIGHT, _TOP, _BOTTOM = 72.0, 736.0, 48.0, 456.0
_CURVE = 60
_LABEL_PX = 15.0
_BESIDE_PX, _POINT_PX, _EDGE_PX = 10.0, 6.0, 120.0


def fit_picture(found: Fit, *, asked: Sequence[Prediction] = (), unit: str = "") -> str:
    """Return an SVG of *found*.

    Args:
        found: what the runs say.
        asked: predictions to mark on it.
        unit: whose battery it is, for the title.
    """
    watts = [judged.run.watts for judged in found.judged] + [p.watts for p in asked]
    low_w, high_w = min(watts) / 1.5, max(watts) * 1.5
    loads = [float(load) for load in np.geomspace(low_w, high_w, _CURVE)]
    curve = predicted(found, loads)
    hours = [judged.run.hours for judged in found.judged]
    x = Scale(low_w, high_w, _LEFT, _RIGHT, is_log=True)
    y = Scale(
        min(*hours, *(p.lower_1pct_h for p in curve)) / 1.2,
        max(*hours, *(p.upper_5pct_h for p in curve)) * 1.2,
        _BOTTOM,
        _TOP,
        is_log=True,
    )
    odd = sum(not judged.fits for judged in found.judged)
    return render(
        "fit.svg",
        width=_WIDTH,
        height=_HEIGHT,
        title=f"How long {unit or 'the battery'} lasts, by {_count(len(found.judged), 'full run')}",
        description=f"Runtime over load, both logarithmic. Runs that do not fit the others: {odd}.",
        x=x,
        y=y,
        x_labels=[(value, figure(value)) for value in x.ticks(12)],
        y_labels=[(value, figure(value)) for value in y.ticks(12)],
        likely=line((x.at(p.watts), y.at(p.median_h)) for p in curve),
        sure=band(
            [(x.at(p.watts), y.at(p.upper_5pct_h)) for p in curve],
            [(x.at(p.watts), y.at(p.lower_5pct_h)) for p in curve],
        ),
        surer=line((x.at(p.watts), y.at(p.lower_1pct_h)) for p in curve),
        runs=_marks(found.judged, x, y),
        predictions=_asked(asked, x, y),
    )


def _marks(judged: Sequence[Judged], x: Scale, y: Scale) -> list[dict[str, object]]:
    """Return each run with its label, from top to bottom; labels keep clear of one another."""
    marks: list[dict[str, object]] = []
    lowest_px = -math.inf
    points = [(x.at(one.run.watts), y.at(one.run.hours)) for one in judged]
    for one in sorted(judged, key=lambda it: -it.run.hours):
        run, label_px = one.run, y.at(one.run.hours) + 4.0
        if not one.fits:
            lowest_px = label_px = max(label_px, lowest_px + _LABEL_PX)
        label = f"{figure(run.watts)} W: {one.explains_watts:+.0f} W"
        ends_px = _clear_of(points, x.at(run.watts) - _BESIDE_PX, label_px, width_px(label))
        marks.append(
            {
                "watts": run.watts,
                "hours": run.hours,
                "fits": one.fits,
                "label": label,
                "label_px": label_px,
                "label_ends_px": ends_px,
                "title": f"{figure(run.watts)} W lasted {figure(run.hours)} h",
            }
        )
    return marks


def _clear_of(
    points: Sequence[tuple[float, float]], ends_px: float, label_px: float, wide_px: float
) -> float:
    """Return where a label ends that is to end at *ends_px*, or left of the points it would hide.

    Args:
        points: the middles of what must stay to be seen.
        ends_px: the right end wanted.
        label_px: where its letters stand.
        wide_px: how wide the label is.
    """
    for at_x, at_y in sorted(points, reverse=True):
        beside = abs(at_y - (label_px - 4.0)) < _LABEL_PX
        if beside and ends_px - wide_px - _POINT_PX < at_x < ends_px + _POINT_PX:
            ends_px = at_x - _BESIDE_PX
    return ends_px


def _asked(asked: Sequence[Prediction], x: Scale, y: Scale) -> list[dict[str, object]]:
    """Return each load that was asked for with its label: right of its mark, or left at the edge.

    The curve falls, so labels right of it are pushed upwards where they would hide one another, and
    those left of it downwards.
    """
    marks: list[dict[str, object]] = []
    above_px, below_px = math.inf, -math.inf
    heaviest_first = sorted(asked, key=lambda it: -it.watts)
    near_edge = [p for p in heaviest_first if x.at(p.watts) > x.end_px - _EDGE_PX]
    for p in [*reversed(near_edge), *(p for p in heaviest_first if p not in near_edge)]:
        if p in near_edge:
            below_px = label_px = max(y.at(p.median_h) + 18.0, below_px + _LABEL_PX)
        else:
            above_px = label_px = min(y.at(p.median_h) - 6.0, above_px - _LABEL_PX)
        marks.append(
            {
                "watts": p.watts,
                "hours": p.median_h,
                "label": f"{figure(p.watts)} W: {p.median_h:.3g} h",
                "label_px": label_px,
                "is_left": p in near_edge,
                "title": f"{figure(p.watts)} W: likely {p.median_h:.3g} h, 95 % sure "
                f"{p.lower_5pct_h:.3g} h",
            }
        )
    return marks


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
