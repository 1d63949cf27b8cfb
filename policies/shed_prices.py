"""What is worth keeping on at which price of energy, for each stretch of time.

In a stretch the same items must be on, and draw the same watts; one decomposition (`closure`)
answers for every price.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from policies.shed_items import HOUR_S, TINY_H, Array, Form, Mask, ratios_now

_STRETCHES = 16  # at most so many are told apart by what must be on in them,
_FEW = 6  # and so many where there are
_MANY_ITEMS = 200


@dataclass(frozen=True, slots=True)
class Prices:
    """Ratios of the blocks, for each stretch of time; see `closure.ratios`.

    Few change from one stretch to the next, so they are kept as runs of one ratio: those of the
    first kind of item in the order of time, then those of the next.

    Attributes:
        from_h, until_h: when each run begins and ends; of an item that is the end of all that
            must stop after it.
        was_held: whether an item of that kind had to be on before the run.
        levels, place: the ratios that there are, inf where an item must be on and -1 where it must
            not, and which of them each run has.
        first: the first run of each kind; of_kind: the kind of each run.
        kind: of each item; those of a kind have the same ratios all along.
    """

    from_h: Array
    until_h: Array
    was_held: Mask
    levels: Array
    place: NDArray[np.intp]
    first: NDArray[np.intp]
    of_kind: NDArray[np.intp]
    kind: NDArray[np.intp]

    @classmethod
    def of(cls, form: Form) -> Generator[None, None, Prices]:
        """Decompose what hangs on what, once for each stretch."""
        problem = form.problem
        pieces_h = np.array(problem.pieces_s) / HOUR_S
        level_least = np.where(form.is_held, form.off_least + form.lead + _slack(form), 0.0)
        level_raised = _raised(form, level_least)
        level_most = form.off_most + form.lead
        count = _STRETCHES if len(problem.items) <= _MANY_ITEMS else _FEW
        bounds = [pieces_h, _thinned(level_least[form.is_held], count), level_most]
        from_h = np.unique(np.concatenate(bounds))
        from_h = from_h[np.isfinite(from_h)]
        watts = _looking_ahead(form.watts, pieces_h)
        rows, known = [], dict[bytes, Array]()
        for begins_h in from_h:
            must = form.stays | (level_least > begins_h + TINY_H)
            gone = level_most <= begins_h + TINY_H
            now = watts[:, int(np.searchsorted(pieces_h, begins_h + TINY_H)) - 1]
            key = must.tobytes() + gone.tobytes() + now.tobytes()
            if key not in known:
                known[key] = yield from ratios_now(form, now, must, gone)
            # What is used stays on as long; but what else uses it has to pay for it meanwhile.
            rows.append(np.where(level_raised > begins_h + TINY_H, math.inf, known[key]))
        ratio, kind = np.unique(np.array(rows), axis=1, return_inverse=True)
        return cls._of_runs(from_h, ratio, kind.reshape(-1))

    @classmethod
    def _of_runs(cls, from_h: Array, ratio: Array, kind: NDArray[np.intp]) -> Prices:
        """Take the ratios, (stretches, kinds), together to runs."""
        begins = np.ones(ratio.shape, dtype=np.bool_)
        begins[1:] = ratio[1:] != ratio[:-1]
        of_kind, stretch = np.nonzero(begins.T)
        first = np.searchsorted(of_kind, np.arange(ratio.shape[1]))
        is_first = np.zeros(len(of_kind), dtype=np.bool_)
        is_first[first] = True
        run_from = from_h[stretch]
        levels, place = np.unique(ratio[stretch, of_kind], return_inverse=True)
        return cls(
            run_from,
            np.where(np.append(is_first[1:], True), math.inf, np.append(run_from[1:], math.inf)),
            is_first | (ratio[np.maximum(stretch - 1, 0), of_kind] == math.inf),
            levels,
            place.reshape(-1),
            first,
            of_kind,
            kind,
        )


def _slack(form: Form) -> Array:
    """By how much each item may be off before the level of all that uses it: stops take unlike."""
    slack = np.full(len(form.takes), math.inf)
    for user, item in enumerate(form.problem.items):
        for used in item.uses:
            behind = form.lead[user] - form.lead[used] - form.takes[used]
            slack[used] = min(slack[used], behind)
    return np.where(np.isfinite(slack), slack, 0.0)


def _raised(form: Form, level: Array) -> Array:
    """Raise levels so that no item's is above that of what it uses."""
    level = level.copy()
    for i in reversed(form.deep):
        for j in form.problem.items[i].uses:
            level[j] = max(level[j], level[i])
    return level


def _thinned(levels: Array, count: int) -> Array:
    """At most *count* of the levels; each of all is at or below one that is left."""
    levels = np.unique(levels)
    if len(levels) <= count:
        return levels
    chosen = np.linspace(0, len(levels) - 1, count + 1).round().astype(np.intp)[1:]
    return levels[chosen]


def _looking_ahead(watts: Array, pieces_h: Array) -> Array:
    """What an hour of each item costs in each piece of time, seen from its begin.

    Staying on through a dear night may be worth it for the sake of the cheap day that follows.
    """
    if watts.shape[1] == 1:
        return watts
    lasts = np.diff(np.append(pieces_h, pieces_h[-1] + max(1.0, float(pieces_h[-1]))))
    ahead = watts.copy()
    for piece in range(watts.shape[1]):
        spent = np.cumsum(watts[:, piece:] * lasts[piece:], axis=1)
        ahead[:, piece] = (spent / np.cumsum(lasts[piece:])).min(axis=1)
    return ahead
