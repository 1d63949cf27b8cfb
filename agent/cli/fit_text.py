"""What `lastwatt fit` tells a person."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from agent.battery.fitting import Answer, Kept, OtherReading
from agent.cli.tables import table_lines
from agent.config import Fault
from policies.fit import MISFIT, Fit, Prediction
from policies.fit_next import SAFELY, Suggestion

_ODD = (
    "Look for what was plugged in and not metered, and whether the battery was full. What does not "
    "fit stays in the fit, and counts little."
)


def lines(
    answered: Answer,
    faults: Sequence[Fault],
    *,
    keep_in: Path | None,
    picture: Path | None,
    site_file: Path | None = None,
) -> Iterator[str]:
    """Give the lines of the answer.

    Args:
        answered: what is told.
        faults: what is odd about its runs.
        keep_in: where the fit was kept, or None.
        picture: where it was drawn, or None.
        site_file: the site's file that was asked, or None.
    """
    yield from _runs(answered.runs)
    told = [str(fault) for fault in faults if fault.code != "misfit"]
    if told:
        yield ""
        yield from told
    # The table shows what would explain each, so one sentence does for all of them.
    odd = sum(kept.judged is not None and not kept.judged.fits for kept in answered.runs)
    if odd:
        yield ""
        yield f"{odd} of {len(answered.runs)} runs ended sooner than the others allow. {_ODD}"
    if answered.fit is None or answered.suggestion is None:
        return
    yield ""
    yield _battery(answered.fit)
    yield ""
    yield from _predictions(answered.predictions)
    if answered.other is not None:
        yield ""
        yield from _other_reading(answered.other)
    yield ""
    yield from _next_run(answered.suggestion)
    if keep_in is not None:
        yield f"The fit is kept in {keep_in}."
    elif site_file is not None and answered.ok:
        name = answered.question.unit.replace(" ", "-")
        yield (
            f"It is kept nowhere, so the agent learns nothing of it: write fit = "
            f'"{name}-fit.json" into the battery\'s table of {site_file}, or say --save FILE.'
        )
    if picture is not None:
        yield f"It is drawn in {picture}."


def _runs(runs: Sequence[Kept]) -> Iterator[str]:
    rows = [["line", "watts", "hours", "by the fit", "odd", "would explain it"]]
    rows += [_run_row(kept) for kept in runs]
    yield from table_lines(rows)


def _run_row(kept: Kept) -> list[str]:
    row, judged = kept.row, kept.judged
    if judged is None:
        idle = "" if kept.idle_w is None else f": about {kept.idle_w:.0f} W from the battery"
        return [str(row.line), f"{row.watts:g}", f"{row.hours:g}", "-", "-", kept.left_out + idle]
    explained = ""
    if not judged.fits:
        percent = 100.0 * judged.explains_charge
        explained = f"{judged.explains_watts:+.0f} W, or {percent:.0f} % at the start"
    odd = judged.outlier_probability
    return [
        str(row.line),
        f"{judged.run.watts:g}",
        f"{row.hours:g}",
        f"{row.hours * math.exp(judged.residual):.2f}",
        "YES" if odd > MISFIT else "perhaps" if not judged.fits else "no",
        explained,
    ]


def _battery(found: Fit) -> str:
    draws = found.draws
    low, energy_wh, high = np.quantile(draws.energy_wh, (0.05, 0.5, 0.95))
    return (
        f"The battery holds about {energy_wh:.0f} Wh ({low:.0f} to {high:.0f}); on battery the "
        f"unit itself takes about {np.median(draws.own_draw_w):.0f} W."
    )


def _predictions(predictions: Sequence[Prediction]) -> Iterator[str]:
    yield "From a full battery it lasts:"
    yield from table_lines(
        [
            ["watts", "likely", "95 % sure", "99 % sure"],
            *(
                [
                    f"{one.watts:g}",
                    said(one.median_h),
                    said(one.lower_5pct_h),
                    said(one.lower_1pct_h),
                ]
                for one in predictions
            ),
        ]
    )


def _other_reading(other: OtherReading) -> Iterator[str]:
    odds = other.odds
    if 0.67 < odds < 1.5:
        verdict = "the runs fit either about as well"
    elif odds > 1.0:
        verdict = f"the runs fit the first figures {odds:.1f} times as well"
    else:
        verdict = f"the runs fit the second figures {1.0 / odds:.1f} times as well"
    yield f"With the second figures (or_watts) instead; {verdict}:"
    yield from _runs(other.runs)
    yield from _predictions(other.predictions)


def _next_run(suggestion: Suggestion) -> Iterator[str]:
    now, then = (100.0 * s for s in (suggestion.spread_before, suggestion.spread_after))
    teaches = (
        f"it takes about {said(suggestion.hours)}, and would narrow the doubt about the usual "
        f"loads from ±{now:.0f} % to ±{then:.0f} %"
    )
    if suggestion.is_worth_it:
        yield f"The run to make next: {suggestion.watts:g} W; {teaches}."
    else:
        yield "No run is needed now: a deep discharge costs more life than it teaches."
        yield f"The next one that teaches most is {suggestion.watts:g} W; {teaches}."
    if not suggestion.knows_rating:
        yield "Give --watts, what the unit can carry, and heavier loads are looked at too."
    yield "How to make it safely:"
    yield from (f"  {line}" for line in SAFELY)


def said(hours: float) -> str:
    """Return a span as people say it: "2 h 05 min", "12.5 min"."""
    minutes = 60.0 * hours
    if minutes < 20.0:
        return f"{minutes:.1f} min"
    whole = int(minutes)  # a bound is never rounded up
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"
