"""From a file's runs to an answer: what fits, what is predicted, what to look at, what to do next.

Imports numpy, through `policies.fit`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from agent.battery.fit_store import StoredFit, StoredRun
from agent.battery.runs import RunRow
from policies.fit import (
    Fit,
    Judged,
    Known,
    Prediction,
    Run,
    fit,
    idle_draw_w,
    judge,
    predicted,
)
from policies.fit_checks import Finding, after_fit, before_fit
from policies.fit_next import SAFELY, Suggestion, next_run
from policies.model import Battery
from policies.runtime import health_at, temperature_factor

_YEAR_DAYS = 365.25
_SHOWN_W = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a file of runs.

    Attributes:
        rows: its runs.
        known: of the unit, beforehand.
        today: the day for which the battery is wanted.
        unit: its name, or "".
        fitted_on: day its battery was put in, or None.
        asked_w: loads to predict; none = some round ones.
        usual_w: loads that matter when the next run is chosen; none = those asked, if any.
    """

    rows: tuple[RunRow, ...]
    known: Known
    today: date
    unit: str = ""
    fitted_on: date | None = None
    asked_w: tuple[float, ...] = ()
    usual_w: tuple[float, ...] = ()

    @property
    def temperature_c(self) -> float:
        """For which the battery is wanted, in °C."""
        return (self.known.battery or Battery()).temperature_c


@dataclass(frozen=True, slots=True)
class Found:
    """A finding, and the line of the file to look at, where there is one."""

    finding: Finding
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """A run of the file, and what the fit made of it.

    Attributes:
        judged: None where it is no part of the fit.
        left_out: why it is none, "" where it is.
        beside: how one that was left out looks to the fit; None where it is a part, or none is.
        idle_w: what a unit with nothing plugged in took from its battery, or None.
    """

    row: RunRow
    judged: Judged | None = None
    left_out: str = ""
    beside: Judged | None = None
    idle_w: float | None = None


@dataclass(frozen=True, slots=True)
class OtherReading:
    """The same runs with the second figures of `or_watts`.

    Attributes:
        odds: how many times likelier the first reading makes the runs than this one.
    """

    runs: tuple[Kept, ...]
    predictions: tuple[Prediction, ...]
    odds: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What a file of runs says.

    Attributes:
        fit: None where the runs could not be fitted; the findings say why.
        runs: in the order of the file, each of its rows once.
    """

    question: Question
    findings: tuple[Found, ...]
    runs: tuple[Kept, ...]
    fit: Fit | None = None
    predictions: tuple[Prediction, ...] = ()
    suggestion: Suggestion | None = None
    other: OtherReading | None = None

    @property
    def ok(self) -> bool:
        """Whether the fit is an answer to act on."""
        return self.fit is not None and not any(found.finding.is_error for found in self.findings)

    def stored(self) -> StoredFit:
        """Return the fit as it is kept; there must be one."""
        assert self.fit is not None
        question = self.question
        battery = question.known.battery or Battery()
        return StoredFit(
            draws=self.fit.draws,
            runs=tuple(
                StoredRun(
                    kept.judged.run.watts,
                    kept.judged.run.hours,
                    kept.judged.run.charge,
                    kept.judged.outlier_probability,
                    kept.row.on,
                )
                for kept in self.runs
                if kept.judged is not None
            ),
            made_on=question.today,
            unit=question.unit,
            rating_w=question.known.rating_w,
            fitted_on=question.fitted_on,
            temperature_c=question.temperature_c,
            chemistry=battery.chemistry,
        )


def answer(question: Question, *, told: Callable[[float], None] = lambda _: None) -> Answer:
    """Return what the runs of *question* say; *told* hears how far it is, 0..1."""
    usable, kept, findings = _sorted_out(question)
    rows = [row for row, _ in usable]
    runs = [run for _, run in usable]
    findings += [_placed(found, rows) for found in before_fit(runs, question.known)]
    if not runs:
        findings.append(
            Found(
                Finding(
                    "no-run",
                    "no run is left to fit",
                    "measure one: from a full battery to the end of the output, at a load that is "
                    "metered",
                    is_error=True,
                )
            )
        )
    if any(found.finding.is_error for found in findings):
        kept += [Kept(row, left_out="nothing was fitted") for row in rows]
        return Answer(question, tuple(findings), _in_order(kept))
    found = fit(runs, question.known, told=told)
    findings += [_placed(finding, rows) for finding in after_fit(found)]
    kept += [Kept(row, judged) for row, judged in zip(rows, found.judged, strict=True)]
    asked_w = question.asked_w or _shown_w(question)
    return Answer(
        question,
        tuple(findings),
        _in_order([_beside(one, found, question) for one in kept]),
        found,
        predicted(found, asked_w),
        next_run(found, question.known, question.usual_w or question.asked_w),
        _other_reading(question, usable, found, asked_w, told),
    )


def _sorted_out(
    question: Question,
) -> tuple[list[tuple[RunRow, Run]], list[Kept], list[Found]]:
    """Part the rows to be fitted from the others, each of which is told about."""
    usable: list[tuple[RunRow, Run]] = []
    kept: list[Kept] = []
    findings: list[Found] = []

    def leave_out(row: RunRow, code: str, why: str, fix: str) -> None:
        kept.append(Kept(row, left_out=why))
        findings.append(Found(Finding(code, why, fix), row.line))

    seen: dict[object, int] = {}
    for row in question.rows:
        first = seen.setdefault(replace(row, line=0, note=""), row.line)
        if first != row.line:
            leave_out(
                row,
                "duplicate",
                f"this repeats line {first}, and counts once",
                "give each its date, if these were two runs",
            )
        elif question.fitted_on is not None and row.on is not None and row.on < question.fitted_on:
            leave_out(
                row,
                "earlier-battery",
                f"this run was made before the battery of {question.fitted_on} was fitted",
                "keep runs of earlier batteries in a file of their own",
            )
        elif row.watts == 0.0:
            # Nothing to mend, so no finding: a unit with nothing plugged in idles in another mode.
            kept.append(Kept(row, left_out="nothing plugged in is a mode of its own"))
        else:
            usable.append((row, _run(row, question)))
    findings += _undated(usable, question)
    return usable, kept, findings


def _undated(usable: Sequence[tuple[RunRow, Run]], question: Question) -> list[Found]:
    days = [row.on for row, _ in usable if row.on is not None]
    if question.fitted_on is not None or not days or (max(days) - min(days)).days < _YEAR_DAYS:
        return []
    finding = Finding(
        "age-unknown",
        "these runs lie more than a year apart, and nobody said when the battery was fitted",
        "give its date, and leave out runs of earlier ones",
    )
    return [Found(finding, next(row.line for row, _ in usable if row.on == min(days)))]


def _run(row: RunRow, question: Question) -> Run:
    factor = 1.0
    if row.temperature_c is not None:
        factor *= temperature_factor(question.temperature_c)
        factor /= temperature_factor(row.temperature_c)
    if row.on is not None and question.fitted_on is not None:
        age_then = (row.on - question.fitted_on).days / _YEAR_DAYS
        age_now = max(0.0, (question.today - question.fitted_on).days / _YEAR_DAYS)
        factor *= health_at(age_then) / health_at(age_now)
    return Run(row.watts, row.hours, row.charge_percent / 100.0, factor)


def _placed(finding: Finding, rows: Sequence[RunRow]) -> Found:
    return Found(finding, rows[finding.runs[0]].line if finding.runs else None)


def _in_order(kept: Sequence[Kept]) -> tuple[Kept, ...]:
    return tuple(sorted(kept, key=lambda one: one.row.line))


def _beside(one: Kept, found: Fit, question: Question) -> Kept:
    """Say how a run that was left out looks to the fit, so that none goes without figures."""
    if one.judged is not None:
        return one
    # What an earlier battery lost of its energy nobody knows: as it is written, then.
    run = _run(one.row, replace(question, fitted_on=None))
    (seen,) = judge(found.draws, [run], noise=found.noise)
    idle_w = float(np.median(idle_draw_w(found.draws, run))) if one.row.watts == 0.0 else None
    return replace(one, beside=seen, idle_w=idle_w)


def _shown_w(question: Question) -> tuple[float, ...]:
    """Round loads from below the lightest run to above the heaviest, within the rating."""
    watts = [row.watts for row in question.rows if row.watts > 0.0]
    top_w = min(2.0 * max(watts), question.known.rating_w or math.inf)
    return tuple(w for w in _SHOWN_W if min(watts) / 2.0 <= w <= top_w) or (max(watts),)


def _other_reading(
    question: Question,
    usable: Sequence[tuple[RunRow, Run]],
    found: Fit,
    asked_w: Sequence[float],
    told: Callable[[float], None],
) -> OtherReading | None:
    if all(row.or_watts is None for row, _ in usable):
        return None
    runs = [replace(run, watts=row.or_watts or run.watts) for row, run in usable]
    other = fit(runs, question.known, told=told)
    return OtherReading(
        tuple(Kept(row, judged) for (row, _), judged in zip(usable, other.judged, strict=True)),
        predicted(other, asked_w),
        math.exp(min(50.0, max(-50.0, found.log_evidence - other.log_evidence))),
    )


# As JSON shows it


def as_json(answered: Answer) -> dict[str, Any]:
    """Return the fields of the command's document, but `ok` and the findings."""
    suggestion = answered.suggestion
    return {
        "unit": answered.question.unit or None,
        "predictions": [_prediction(p) for p in answered.predictions],
        "runs": [_kept(kept) for kept in answered.runs],
        "battery": None if answered.fit is None else _battery(answered.fit),
        "next_run": None
        if suggestion is None
        else {
            "watts": suggestion.watts,
            "hours": _short(suggestion.hours),
            "worth_it": suggestion.is_worth_it,
            "spread_now": _short(suggestion.spread_before),
            "spread_after": _short(suggestion.spread_after),
            "usual_watts": [_short(watts) for watts in suggestion.usual_w],
            "safely": list(SAFELY),
        },
        "other_reading": None
        if answered.other is None
        else {
            "odds": _short(answered.other.odds),
            "predictions": [_prediction(p) for p in answered.other.predictions],
            "runs": [_kept(kept) for kept in answered.other.runs],
        },
    }


def _prediction(one: Prediction) -> dict[str, float]:
    return {
        "watts": one.watts,
        "median_h": _short(one.median_h),
        "lower_5pct_h": _short(one.lower_5pct_h),
        "lower_1pct_h": _short(one.lower_1pct_h),
    }


def _kept(one: Kept) -> dict[str, Any]:
    row, judged = one.row, one.judged or one.beside
    return {
        "line": row.line,
        "watts": row.watts if judged is None else judged.run.watts,
        "hours": row.hours,
        "charge": row.charge_percent,
        "date": None if row.on is None else row.on.isoformat(),
        "note": row.note,
        "fitted": one.judged is not None,
        "left_out": one.left_out or None,
        "residual": None if judged is None else round(judged.residual, 4),
        "outlier_probability": None if judged is None else round(judged.outlier_probability, 4),
        "explains_watts": None if judged is None else round(judged.explains_watts, 1),
        "explains_charge": None if judged is None else round(100.0 * judged.explains_charge, 1),
        "idle_watts": None if one.idle_w is None else round(one.idle_w, 1),
    }


def _battery(found: Fit) -> dict[str, dict[str, float]]:
    draws = found.draws
    return {
        name: {
            "median": _short(float(np.median(values))),
            "lower": _short(float(np.quantile(values, 0.05))),
            "upper": _short(float(np.quantile(values, 0.95))),
        }
        for name, values in (
            ("energy_wh", draws.energy_wh),
            ("own_draw_w", draws.own_draw_w),
            ("available_share", draws.available_share),
            ("flow_per_h", draws.flow_per_h),
        )
    }


def _short(value: float) -> float:
    return float(f"{value:.5g}")
