"""A unit's battery as a document for programs, and as lines for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from policies.battery import BatteryHistory, as_fitted
from policies.health import (
    END_OF_LIFE,
    Ageing,
    Band,
    Trend,
    ageing_of,
    health_point,
    new_energy_wh,
    trend_of,
)
from policies.model import Unit
from policies.runtime import health_at

STARTS_ANEW = (
    "what is missing from it, what was learnt of the old one and the trend of its health start anew"
)

_YEAR_DAYS = 365.25


def trend(unit: Unit, history: BatteryHistory, today: date) -> Trend:
    """Return the trend of the battery that is in a unit now."""
    return trend_of([health_point(unit, point) for point in history.points], today)


def stale(on: date, *, file_day: date | None, fit: bool) -> list[str]:
    """Return what is to be changed at the site's file after a battery that was put in *on*.

    Args:
        on: the day.
        file_day: the day that the file names, None = it names none.
        fit: whether the file names a fit.
    """
    if file_day is not None and abs((file_day - on).days) <= 7:
        return []
    found = [
        f"the file gives no day: write fitted = {on} in the battery's table"
        if file_day is None
        else f"the file still says fitted = {file_day}: write fitted = {on}"
    ]
    if fit:
        found.append(
            "full runs and fits from before that day no longer count: begin a new file of runs, "
            "and fit it by `lastwatt fit`"
        )
    return found


def document(
    unit: Unit,
    history: BatteryHistory,
    *,
    file_day: date | None,
    fit: bool,
    today: date,
    now: float,
) -> dict[str, Any]:
    """Return everything that is known of a unit's battery as JSON-ready values; shares are 0..1.

    Args:
        unit: as the file has it.
        history: of the battery in it.
        file_day: as in `stale`.
        fit: as in `stale`.
        today: the site's day.
        now: site time, s.
    """
    unit = as_fitted(unit, history, now)
    found = trend(unit, history, today)
    fitted_on = history.fitted_on or file_day
    age = unit.battery.age_years
    return {
        "unit": unit.name,
        "fitted": None if fitted_on is None else fitted_on.isoformat(),
        "age_years": None if age is None else round(age, 2),
        "new_wh": round(new_energy_wh(unit), 1),
        "grade": ageing_of(found, today).value,
        "health": _band(found.now),
        "assumed_health": None if age is None else round(health_at(age), 3),
        "change_per_year": _band(found.per_year),
        "end_of_life": END_OF_LIFE,
        "passes": _passes(found),
        "no_forecast": found.why_none or None,
        "measured": _points(unit, history),
        "stale": [] if fitted_on is None else stale(fitted_on, file_day=file_day, fit=fit),
    }


def brief(unit: Unit, history: BatteryHistory, today: date) -> dict[str, Any] | None:
    """Return what `lastwatt status` shows of a battery; None where nothing was measured."""
    found = trend(unit, history, today)
    if found.now is None:
        return None
    return {
        "health": _band(found.now),
        "grade": ageing_of(found, today).value,
        "passes": _passes(found),
    }


def _band(band: Band | None) -> dict[str, float] | None:
    if band is None:
        return None
    return {
        "median": round(band.middle, 4),
        "lower": round(band.low, 4),
        "upper": round(band.high, 4),
    }


def _passes(found: Trend) -> dict[str, str | None] | None:
    if found.passing is None:
        return None
    passing = found.passing
    return {
        name: None if day is None else day.isoformat()
        for name, day in (
            ("likely", passing.likely),
            ("early", passing.early),
            ("late", passing.late),
        )
    }


def _points(unit: Unit, history: BatteryHistory) -> list[dict[str, Any]]:
    return [
        {
            "date": point.on.isoformat(),
            "energy_wh": round(point.energy_wh, 1),
            "lower_wh": round(point.low_wh, 1),
            "upper_wh": round(point.high_wh, 1),
            "health": round(health_point(unit, point).share.middle, 4),
            "counts": health_point(unit, point).counts,
            "how": point.how,
        }
        for point in history.points
    ]


# For people


def ageing_sentence(found: Trend, unit: str) -> str:
    """Return what is told of a battery that ages."""
    assert found.now is not None, "without a figure nothing is said"
    held = f"it holds {_share_text(found.now)} of what a new one does"
    after = f"then tell `lastwatt battery fitted {unit}`"
    fit = f"have another fitted by somebody trained for it, {after}"
    if found.passing is None or found.now.middle < END_OF_LIFE:
        return (
            f"{held}; the trade replaces a battery at {END_OF_LIFE:.0%} of its rated capacity "
            f"(IEEE 450, IEEE 1188): {fit}"
        )
    when = _when(_passes(found))
    return f"{held}, and likely falls to {END_OF_LIFE:.0%} {when}: order another now; {fit}"


def _share_text(band: Band) -> str:
    return f"{band.middle:.0%} ({band.low:.0%} to {band.high:.0%})"


def _when(passes: Mapping[str, str | None] | None) -> str:
    """About which month, and between which: a day would be more than anybody knows."""
    if passes is None:
        return "at a day that nobody knows yet"
    likely, early, late = (passes[name] for name in ("likely", "early", "late"))
    about = "not within fifteen years" if likely is None else f"about {likely[:7]}"
    if early is None:
        return about
    return f"{about}, {early[:7]} at the earliest" + (
        f", {late[:7]} at the latest" if late is not None else ""
    )


def brief_text(shown: Mapping[str, Any]) -> str:
    """Return what `lastwatt status` says of a battery; *shown* as `brief` gives it."""
    band = shown["health"]
    text = f"its battery holds {band['median']:.0%} of a new one"
    if shown["grade"] == Ageing.WORN.value:
        return f"{text}: replace it"
    passes = shown["passes"]
    if passes is None or passes["likely"] is None:
        return text
    return f"{text}, {END_OF_LIFE:.0%} {_when({**passes, 'early': None})}"


def lines(shown: Mapping[str, Any], *, runs: Sequence[Mapping[str, Any]] = ()) -> Iterator[str]:
    """Yield what people read of one unit's battery.

    Args:
        shown: as `document` gave it.
        runs: full runs in the journal, with date, watts and hours.

    Raises:
        LookupError, TypeError, ValueError: it is not such a document.
    """
    yield f"{shown['unit']}: {_age_text(shown)}"
    band, per_year, passes = shown["health"], shown["change_per_year"], shown["passes"]
    if band is None:
        assumed = shown["assumed_health"]
        guess = "" if assumed is None else f"; {assumed:.0%} is assumed at its age"
        yield f"  health    {shown['no_forecast']}{guess}"
    else:
        yield (
            f"  health    {band['median']:.0%} of a new one's {shown['new_wh']:.0f} Wh, "
            f"between {band['lower']:.0%} and {band['upper']:.0%}"
        )
    if per_year is not None:
        yield (
            f"  trend     {_points_text(per_year['median'])} a year, between "
            f"{_points_text(per_year['lower'])} and {_points_text(per_year['upper'])}"
        )
    if band is not None:
        forecast = shown["no_forecast"] or f"{END_OF_LIFE:.0%} {_when(passes)}"
        yield f"  forecast  {forecast}"
    if shown["grade"] != Ageing.FINE.value:
        yield (
            f"  replace   at {END_OF_LIFE:.0%} of the rated capacity (IEEE 450, IEEE 1188); have "
            "it fitted by somebody trained for it"
        )
    yield from _measured_lines(shown["measured"])
    for run in runs:
        yield f"  full run  {run['date']}  {run['watts']:.1f} W for {run['hours']:.2f} h"
    for text in shown["stale"]:
        yield f"  CHANGE    {text}"


def _age_text(shown: Mapping[str, Any]) -> str:
    if shown["fitted"] is None:
        return "nobody has told when its battery was fitted"
    age = shown["age_years"] or 0.0
    old = f"{12.0 * age:.0f} months" if age < 2.0 else f"{age:.1f} years"
    return f"battery fitted on {shown['fitted']}, {old} old"


def _points_text(share: float) -> str:
    return f"{100.0 * share:+.1f} points"


def _measured_lines(points: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for point in points:
        vague = "" if point["counts"] else "; too vague for the trend"
        yield (
            f"  measured  {point['date']}  {point['energy_wh']:.0f} Wh "
            f"({point['lower_wh']:.0f} to {point['upper_wh']:.0f}), {point['health']:.0%}, "
            f"by {point['how']}{vague}"
        )
