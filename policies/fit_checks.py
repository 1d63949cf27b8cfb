"""What is odd about measured runs, each with what to do; found before and after they are fitted."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from policies.fit import MISFIT, NOISE, Fit, Known, Run
from policies.model import Battery

_APART = 3.0 * NOISE
"""Two good runs seldom differ by more, in ln T."""

_SAME_LOAD = 0.02
_MORE_THAN_NOMINAL = 1.25
"""New batteries may hold a little more than is printed on them, but not so much."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that a person should look at.

    Attributes:
        code: stable word for machines.
        message: what is odd; fix: what to do.
        runs: the places of the runs it is about, that to look at first.
        is_error: with it, the fit is no answer.
    """

    code: str
    message: str
    fix: str
    runs: tuple[int, ...] = ()
    is_error: bool = False


def before_fit(runs: Sequence[Run], known: Known) -> tuple[Finding, ...]:
    """Return what is odd about *runs* by themselves and by what is known of their unit."""
    found = [*_beyond_rating(runs, known.rating_w), *_beyond_battery(runs, known.battery)]
    found += [*_against_order(runs)]
    if len(runs) == 1:
        found.append(
            Finding(
                "one-run",
                "one run tells how much the battery holds, and little of other loads",
                "make two more, so that there is a light, a usual and a heavy one",
                (0,),
            )
        )
    return tuple(found)


def after_fit(fit: Fit) -> tuple[Finding, ...]:
    """Return the runs that do not fit, and whether too many of them do not."""
    found = [_misfit(fit, i) for i in range(len(fit.judged)) if not fit.judged[i].fits]
    clean = len(fit.judged) - len(found)
    if len(found) > clean or (found and clean < 2):
        found.append(
            Finding(
                "contradictory",
                f"of {len(fit.judged)} runs {clean} at most fit together, and nobody can tell "
                "which of them to believe",
                "check the figures of the longest runs first (hours, not minutes); leave out what "
                "did not go to the end of the output, or make one run more",
                is_error=True,
            )
        )
    return tuple(found)


def _misfit(fit: Fit, place: int) -> Finding:
    judged = fit.judged[place]
    run = judged.run
    expected_h = run.hours * math.exp(judged.residual)
    sure = "does not fit" if judged.outlier_probability > MISFIT else "may not fit"
    return Finding(
        "misfit",
        f"{_said(run)} {sure} (probability {judged.outlier_probability:.2f}): the others make it "
        f"{expected_h:.2f} h; {judged.explains_watts:.0f} W more than given would explain it, or "
        f"a start at {100.0 * judged.explains_charge:.0f} % charge",
        "look for what was plugged in and not metered, and whether the battery was full; it stays "
        "in the fit, and counts little",
        (place,),
    )


def _beyond_rating(runs: Sequence[Run], rating_w: float | None) -> Iterator[Finding]:
    for place, run in enumerate(runs):
        if rating_w is not None and run.watts > rating_w:
            yield Finding(
                "above-rating",
                f"{_said(run)} is more than the {rating_w:g} W that the unit can carry",
                "check the watts, or the rating on its plate",
                (place,),
                is_error=True,
            )


def _beyond_battery(runs: Sequence[Run], battery: Battery | None) -> Iterator[Finding]:
    nominal_wh = _nominal_wh(battery)
    for place, run in enumerate(runs):
        if nominal_wh is not None and run.watts * run.hours > _MORE_THAN_NOMINAL * nominal_wh:
            yield Finding(
                "more-than-it-holds",
                f"{_said(run)} gave {run.watts * run.hours:.0f} Wh, which a battery of "
                f"{nominal_wh:.0f} Wh cannot",
                "check the hours (not minutes) and the watts, and that volts and ampere-hours are "
                "those of the whole battery",
                (place,),
                is_error=True,
            )


def _nominal_wh(battery: Battery | None) -> float | None:
    if battery is None:
        return None
    if battery.watt_hours is not None:
        return battery.watt_hours
    if battery.volts is not None and battery.amp_hours is not None:
        return battery.volts * battery.amp_hours
    return None


def _against_order(runs: Sequence[Run]) -> Iterator[Finding]:
    """Find runs that ended before one of a heavier load, or long before one of the same load."""
    for place, run in enumerate(runs):
        longer = [
            other
            for other, its in enumerate(runs)
            if its.watts >= run.watts * (1.0 - _SAME_LOAD)
            and math.log(its.hours / run.hours) > _APART
            and its.charge * its.energy_factor <= run.charge * run.energy_factor
        ]
        if not longer:
            continue
        against = max(longer, key=lambda other: runs[other].hours)
        other_run = runs[against]
        is_same = other_run.watts <= run.watts * (1.0 + _SAME_LOAD)
        yield Finding(
            "contradiction" if is_same else "non-monotone",
            f"{_said(run)} contradicts {_said(other_run)}: "
            + ("the same load lasts about as long" if is_same else "a lighter load lasts longer"),
            "look for watts that were not metered in the shorter run, or a battery that was not "
            "full; both stay in the fit",
            (place, against),
        )


def _said(run: Run) -> str:
    charge = "" if run.charge >= 1.0 else f" from {100.0 * run.charge:g} %"
    return f"{run.watts:g} W for {run.hours:g} h{charge}"
