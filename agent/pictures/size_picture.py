"""The picture of a choice of batteries: load against hours, and the site marked on it."""

from __future__ import annotations

from collections.abc import Sequence

from agent.battery.size import Answer
from agent.pictures.svg import Scale, figure, line, render
from policies.sizing import CurvePoint

_WIDTH, _HEIGHT = 860, 516
_LEFT, _RIGHT, _TOP, _BOTTOM = 72.0, 640.0, 48.0, 456.0
_NAMES_APART, _KEY_APART = 16.0, 18
_NUMBERS_APART, _RAISED_BY = 12.0, 13.0
_HOUR_S = 3600.0


def size_picture(found: Answer, *, title: str) -> str:
    """Return an SVG of *found*.

    A point below a curve is a load that this battery carries so long with the sureness asked for.

    Args:
        found: what is answered.
        title: of which site and unit.
    """
    target_h = found.question.target_s / _HOUR_S
    points = [point for _, curve in found.curves for point in curve]
    loads = [point.load_w for point in points] or [1.0, found.question.case.worst_w + 2.0]
    hours = [max(point.sure_s, 1.0) / _HOUR_S for point in points] + [target_h]
    x = Scale(min(loads), max(loads), _LEFT, _RIGHT, is_log=True)
    y = Scale(min(hours) / 1.2, max(hours) * 1.2, _BOTTOM, _TOP, is_log=True)
    sure = f"{100 * found.question.sureness:.0f} % sure"
    marks = _marks(found, x)
    return render(
        "size.svg",
        width=_WIDTH,
        height=_HEIGHT + _KEY_APART * len(marks),
        key_px=_HEIGHT,
        key_apart_px=_KEY_APART,
        title=f"{title}: how long each battery lasts, {sure}",
        description=f"One curve for each battery, both axes logarithmic; marked is what is asked "
        f"for, {figure(target_h)} h. A mark below a curve is carried by that battery.",
        x=x,
        y=y,
        x_labels=[(value, figure(value)) for value in x.ticks(12)],
        y_labels=[(value, figure(value)) for value in y.ticks(12)],
        curves=_curves(found, x, y),
        target_h=target_h,
        target=f"{figure(target_h)} h",
        marks=marks,
    )


def _curves(found: Answer, x: Scale, y: Scale) -> list[dict[str, object]]:
    curves: list[dict[str, object]] = []
    ends = [y.at(_hours(points[-1])) for _, points in found.curves]
    for (pack, points), end_px, name_px in zip(found.curves, ends, _spread(ends), strict=True):
        is_smallest = found.smallest is not None and pack is found.smallest.pack
        curves.append(
            {
                "name": pack.name + (" (present)" if pack.is_present else ""),
                "path": line((x.at(point.load_w), y.at(_hours(point))) for point in points),
                "kind": "smallest" if is_smallest else "other",
                "end_px": end_px,
                "name_px": name_px,
                "title": f"{pack.name}: {figure(pack.nominal_wh)} Wh",
            }
        )
    return curves


def _hours(point: CurvePoint) -> float:
    return max(point.sure_s, 1.0) / _HOUR_S


def _spread(ends: Sequence[float]) -> list[float]:
    """Return where the names of curves stand that end so: near, apart, the highest one last."""
    placed: list[float] = []
    limit = _BOTTOM
    for end_px in ends:
        placed.append(min(end_px + 4.0, limit))
        limit = placed[-1] - _NAMES_APART
    return placed


def _marks(found: Answer, x: Scale) -> list[dict[str, object]]:
    """Return the loads of the site, numbered: they lie close together, so a key has their names.

    A number is raised where it would lie on the one before it.
    """
    cases = [case for case in (found.question.before, found.question.case) if case is not None]
    marks = [mark for case in cases for mark in case.marks if mark[1] > 0.0]
    placed: list[dict[str, object]] = []
    taken_px: dict[float, list[float]] = {}
    for number, (name, load_w) in enumerate(dict.fromkeys(marks), start=1):
        at_px = x.at(load_w)
        raised_px = 0.0
        while any(abs(at_px - other) < _NUMBERS_APART for other in taken_px.get(raised_px, ())):
            raised_px += _RAISED_BY
        taken_px.setdefault(raised_px, []).append(at_px)
        label = f"{name}: {figure(round(load_w, 1))} W"
        placed.append({"number": number, "watts": load_w, "label": label, "raised_px": raised_px})
    return placed
