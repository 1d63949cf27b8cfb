"""Which run to make next: the one that leaves least doubt about the usual loads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from policies.draws import Array
from policies.fit import Fit, Known, Run, log_hours, predicted

SAFELY = (
    "Put on a dummy load (lamps or a heater, metered), with the recorders and whatever else must "
    "not go dark on other power.",
    "Stay with it from full charge to the end of the output; stop at heat, smell, noise, swelling.",
    "Never with an old, swollen or leaking battery: a deep run costs some of its life.",
    "It takes 8 to 12 h to charge again; until then the site has less than it seems.",
    "Batteries and mains can injure and burn: local codes and licensed practice come first.",
)
"""How to make a full run, as an owner is told."""

_DOUBT = 0.06
"""Less is no reason to spend a deep discharge: two good runs differ by half of it."""

_GOOD_SHARE = 0.75
_HEAVIEST = 0.8
_LIGHTEST_W = 3.0
_LEADING = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The run that teaches most.

    Attributes:
        watts: load to make it with; hours: how long it will take, likely.
        usual_w: the loads whose doubt it lessens.
        spread_before, spread_after: that doubt, as the standard deviation of ln T over these loads,
            now and to be expected after it.
        knows_rating: whether heavier loads than those measured were looked at.
    """

    watts: float
    hours: float
    usual_w: tuple[float, ...]
    spread_before: float
    spread_after: float
    knows_rating: bool

    @property
    def is_worth_it(self) -> bool:
        """Whether it teaches enough to spend a deep discharge on."""
        return self.spread_before > _DOUBT and self.spread_after < 0.9 * self.spread_before


def next_run(fit: Fit, known: Known, usual_w: Sequence[float] = ()) -> Suggestion:
    """Return the run to make next.

    The doubt that a run of one load leaves about another follows from how both vary together over
    the guesses (linear regression of ln T on ln T); one run in four turns out to be no good.

    Args:
        fit: of the runs so far.
        known: gives the largest load that may be asked for, 80 % of the rating; without it nothing
            heavier is proposed than what was run before.
        usual_w: loads that matter; none = what lies about the runs so far.
    """
    heaviest_run_w = max(judged.run.watts for judged in fit.judged)
    knows_rating = known.rating_w is not None
    top_w = heaviest_run_w if known.rating_w is None else _HEAVIEST * known.rating_w
    candidates = _round_figures(min(_LIGHTEST_W, top_w), top_w)
    usual = tuple(usual_w) or _about(fit, top_w)
    asked = _centred(fit, usual)
    tried = _centred(fit, candidates)
    variance = (asked * asked).mean(axis=1)
    shared = (tried @ asked.T) / tried.shape[1]
    learnt = shared * shared / ((tried * tried).mean(axis=1) + fit.noise**2)[:, None]
    left = (variance - _GOOD_SHARE * learnt).mean(axis=1)
    best = int(np.argmin(left))
    return Suggestion(
        watts=candidates[best],
        hours=predicted(fit, [candidates[best]])[0].median_h,
        usual_w=usual,
        spread_before=float(np.sqrt(variance.mean())),
        spread_after=float(np.sqrt(max(0.0, left[best]))),
        knows_rating=knows_rating,
    )


def _about(fit: Fit, top_w: float) -> tuple[float, ...]:
    """Loads from a little below the lightest run to a little above the heaviest."""
    watts = [judged.run.watts for judged in fit.judged]
    beyond = 4.0 if len(watts) == 1 else 1.5
    low_w, high_w = min(watts) / beyond, min(top_w, max(watts) * beyond)
    return tuple(float(w) for w in np.geomspace(min(low_w, high_w), high_w, 9))


def _centred(fit: Fit, loads_w: Sequence[float]) -> Array:
    logs = log_hours(fit.draws, [Run(watts, 1.0) for watts in loads_w])
    return np.asarray(logs - logs.mean(axis=1, keepdims=True))


def _round_figures(low_w: float, high_w: float) -> list[float]:
    """Loads that a person can put together, from *low_w* to *high_w*."""
    figures = [lead * 10.0**power for power in range(5) for lead in _LEADING]
    return [watts for watts in figures if low_w <= watts <= high_w] or [high_w]
