"""A unit's battery as a document for programs, and as lines for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from policies.battery import SAME_BATTERY_DAYS, BatteryHistory, as_fitted
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
    if file_day is not None and abs((file_day - on).days) <= SAME_BATTERY_DAYS:
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
    now = found.now
    held = (
        f"it holds {_percent(now.middle)} of what a new one does ({_percent(now.low)} to "
        f"{_percent(now.high)})"
    )
    fit = (
        "have another fitted by somebody trained for it, then tell "
        f"`lastwatt battery fitted {unit}`"
    )
    passes = _passes(found)
    if passes is None or now.middle < END_OF_LIFE:
        return f"{held}; {_RULE}: {fit}"
    when = _when(passes)
    return f"{held}, and likely falls to {_END_TEXT} {when}; {_RULE}: order one now; {fit}"


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


_END_TEXT = _percent(END_OF_LIFE)
_RULE = f"the trade replaces a battery at {_END_TEXT} of its rated capacity (IEEE 450, IEEE 1188)"


def _when(passes: Mapping[str, str | None], *, is_over: bool = False) -> str:
    """About which month, and between which: a day would be more than anybody knows."""
    likely, early, late = (passes[name] for name in ("likely", "early", "late"))
    if likely is None:
        about = "not within fifteen years"
    else:
        about = f"{'since ' if is_over else ''}about {likely[:7]}"
    ends = [f"{early[:7]} at the earliest"] if early is not None else []
    ends += [f"{late[:7]} at the latest"] if late is not None else []
    return f"{about} ({', '.join(ends)})" if ends else about


def brief_text(shown: Mapping[str, Any]) -> str:
    """Return what `lastwatt status` says of a battery; *shown* as `brief` gives it."""
    text = f"its battery holds {_percent(shown['health']['median'])} of a new one"
    if shown["grade"] == Ageing.WORN.value:
        return f"{text}: replace it"
    passes = shown["passes"]
    if passes is None or passes["likely"] is None:
        return text
    return f"{text}, {_END_TEXT} about {passes['likely'][:7]}"


def lines(shown: Mapping[str, Any], *, runs: Sequence[Mapping[str, Any]] = ()) -> Iterator[str]:
    """Yield what people read of one unit's battery.

    Args:
        shown: as `document` gave it.
        runs: full runs in the journal, with date, watts and hours.

    Raises:
        LookupError, TypeError, ValueError: it is not such a document.
    """
    yield f"{shown['unit']}: {_age_text(shown)}"
    yield from _health_lines(shown)
    if shown["grade"] == Ageing.WORN.value:
        yield f"  replace   it: {_RULE}; have it done by somebody trained for it"
    elif shown["grade"] == Ageing.SOON.value:
        yield f"  order     another: {_RULE}; have it fitted by somebody trained for it"
    yield from _measured_lines(shown["measured"])
    for run in runs:
        yield f"  full run  {run['date']}  {run['watts']:.1f} W for {run['hours']:.2f} h"
    for text in shown["stale"]:
        yield f"  CHANGE    {text}"


def _age_text(shown: Mapping[str, Any]) -> str:
    if shown["fitted"] is None:
        return "nobody has told when its battery was fitted"
    age = shown["age_years"] or 0.0
    months = round(12.0 * age)
    old = f"{age:.1f} years" if age >= 2.0 else f"{months} month{'' if months == 1 else 's'}"
    return f"battery fitted on {shown['fitted']}, {old if age > 0.04 else 'days'} ago"


def _health_lines(shown: Mapping[str, Any]) -> Iterator[str]:
    band, per_year, passes = shown["health"], shown["change_per_year"], shown["passes"]
    if band is None:
        assumed = shown["assumed_health"]
        guess = "" if assumed is None else f"; {_percent(assumed)} is assumed at its age"
        yield f"  holds     not known: {shown['no_forecast']}{guess}"
        return
    yield (
        f"  holds     {_percent(band['median'])} of a new one's {shown['new_wh']:.0f} Wh, between "
        f"{_percent(band['lower'])} and {_percent(band['upper'])}"
    )
    if per_year is not None:
        yield f"  trend     {_change_text(per_year)}"
    if passes is None:
        yield f"  forecast  none yet: {shown['no_forecast']}"
    else:
        is_over = band["median"] < END_OF_LIFE
        below = "below " if is_over else "falls to "
        falls = passes["likely"] is not None or is_over
        yield f"  forecast  {below if falls else ''}{_END_TEXT} {_when(passes, is_over=is_over)}"


def _change_text(per_year: Mapping[str, float]) -> str:
    least, median, most = (100.0 * per_year[name] for name in ("lower", "median", "upper"))
    return f"{median:+.1f} percentage points a year, between {least:+.1f} and {most:+.1f}"


def _measured_lines(points: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for point in points:
        vague = "" if point["counts"] else "; too vague for the trend"
        yield (
            f"  measured  {point['date']}  {point['energy_wh']:.0f} Wh "
            f"({point['lower_wh']:.0f} to {point['upper_wh']:.0f}), {_percent(point['health'])} "
            f"of new, by {point['how']}{vague}"
        )
