"""What a single price of energy does not find: what still fits after it, and exchanges.

A battery of two wells recovers when a heavy load goes, so near its end several moments may bound a
course, and no one price of energy is right for all of them. What the search found is therefore
bettered: by keeping on longer what still fits, and, on a small site, by exchanges of two items, as
long as one pays.
"""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np
from numpy.typing import NDArray

from policies.shed_energy import Energy
from policies.shed_items import HOUR_S, Array, Form

MOST_ITEMS = 24
"""Where there are more, one item is too small a part of the load for exchanges to pay."""

MOST_LATER = 200
"""Of so many it is found out how late they could stop."""

_SEEDS = 40
_LOOSE_H = 1e-6
_EXTENSIONS = 8
_EXCHANGES = 100
_TURNS = 4
_SPANS_H = (2.0, 0.9, 0.6, 0.3, 0.1, 0.02, 0.004, 0.0008, 0.00016)
_HALVINGS = 12
_LATEST_HALVINGS = 15  # to a second of nine hours
_LEAST_GAIN = 1e-8
_WORTHWHILE = 1e-4  # of all the worth, for an extension


def bettered(
    form: Form, energy: Energy, offs: Array, *, thorough: bool
) -> Generator[None, None, Array]:
    """Better the ends of stops, step by step.

    Args:
        form: the items.
        energy: what tells whether a course can be carried.
        offs: when stops end, in h; (items,).
        thorough: exchange, too; it takes several times as long as all the rest.
    """
    offs = yield from _extended(form, energy, offs)
    for _ in range(_TURNS if thorough and len(offs) <= MOST_ITEMS else 0):
        before = offs
        offs = yield from _exchanged(form, energy, offs)
        offs = yield from _extended(form, energy, offs)
        if np.abs(offs - before).max(initial=0.0) < _LEAST_GAIN:
            break
    return offs


def latest_offs(form: Form, energy: Energy, offs: Array) -> Array:
    """Return how late each stop could end, if all others end as they do, in h.

    Looked for among the `MOST_LATER` items that draw most; the others are left as they are.
    """
    found = offs.copy()
    drawing = np.argsort(-form.watts.max(axis=1, initial=0.0), kind="stable")[:MOST_LATER]
    for start in range(0, len(drawing), _SEEDS):
        some = drawing[start : start + _SEEDS]
        end = float((offs + form.lead).max())
        room = np.maximum(0.0, np.minimum(form.off_most, end - form.lead)[some] - offs[some])
        longer = _longest(form, energy, offs, some, room, halvings=_LATEST_HALVINGS)
        found[some] = longer[np.arange(len(some)), some]
    return found


def _longest(
    form: Form,
    energy: Energy,
    offs: Array,
    items: NDArray[np.intp],
    room: Array,
    *,
    halvings: int = 2 * _HALVINGS,
) -> Array:
    """Each of *items* on as long as fits, by itself and with what it uses; (items, all items)."""
    rows = np.arange(len(items))
    low, high = np.zeros(len(items)), np.maximum(room, 0.0)

    def longer(by_h: Array) -> Array:
        raised = np.repeat(offs[None, :], len(rows), axis=0)
        raised[rows, items] += by_h
        return form.staying_on(form.after_users(raised))

    fits = energy.fits(longer(high))
    low = np.where(fits, high, low)
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        fits = energy.fits(longer(middle))
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    return longer(low)


def _most(form: Form) -> Array:
    """The latest end of each stop that is worth anything."""
    return np.minimum(form.off_most, form.problem.horizon_s / HOUR_S + form.takes)


def _extended(form: Form, energy: Energy, offs: Array) -> Generator[None, None, Array]:
    """Keep on longer what still fits, with what it uses: the most worth first."""
    needs = _before(form) < math.inf
    worth = needs @ form.worth
    cost = needs @ form.watts.max(axis=1, initial=0.0)
    seeds = np.argsort(-worth / np.maximum(cost, 1e-6), kind="stable")[:_SEEDS]
    seeds = seeds[worth[seeds] > 0.0]
    most = _most(form)
    # Where the well is empty to the last drop nothing can be longer, though a moment after all the
    # rest has stopped it may have recovered: so each stop comes a little earlier to begin with.
    tight, offs = offs, np.maximum(form.off_least, offs - _LOOSE_H)
    offs = form.after_users(offs[None, :])[0]
    for _ in range(_EXTENSIONS):
        if not len(seeds):
            break
        yield
        before = float(form.worth_of(offs[None, :])[0])
        room = np.minimum(most[seeds] - offs[seeds], 2.0 * offs.max() + 1.0)
        tried = _longest(form, energy, offs, seeds, room)
        worths = form.worth_of(tried)
        best = int(worths.argmax())
        if worths[best] <= before + _WORTHWHILE * abs(before):
            break
        offs = tried[best]
    worths = form.worth_of(np.stack([tight, offs]))
    return offs if worths[1] > worths[0] else tight


def _exchanged(form: Form, energy: Energy, offs: Array) -> Generator[None, None, Array]:
    """Exchange the time of two items, as long as one exchange pays."""
    moves = _Moves(form, energy)
    worth = float(form.worth_of(offs[None, :])[0])
    left = _EXCHANGES
    for span_h in _SPANS_H:
        while left > 0:
            left -= 1
            yield
            tried, worths = moves.tried(offs, span_h)
            best = int(worths.argmax()) if len(worths) else 0
            if not len(worths) or worths[best] <= worth + _LEAST_GAIN * (1.0 + abs(worth)):
                break
            offs, worth = tried[best], float(worths[best])
    return offs


class _Moves:
    """Every exchange of two items: one stays on longer, with what it uses, another less long."""

    def __init__(self, form: Form, energy: Energy) -> None:
        self._form, self._energy = form, energy
        count = len(form.takes)
        before = _before(form)
        needs = before < math.inf
        gains = [i for i in range(count) if form.worth[needs[i]].sum() > 0.0]
        pairs = [(i, j) for i in gains for j in range(count) if i != j]
        # The last rows pay nothing: what they do fits as it is, or it does not.
        nobody = np.full((len(gains), count), math.inf)
        self._up = np.array([i for i, _ in pairs] + gains, dtype=np.intp)
        self._pays = np.array([j for _, j in pairs] + [0] * len(gains), dtype=np.intp)
        self._before = np.concatenate([before.T[self._pays[: len(pairs)]], nobody])
        self._before[np.arange(len(self._up)), self._up] = math.inf

    def tried(self, offs: Array, span_h: float) -> tuple[Array, Array]:
        """Return the course after each exchange, and its worth; -inf where it cannot be carried."""
        form = self._form
        rows = np.arange(len(self._up))
        raised = np.repeat(offs[None, :], len(rows), axis=0)
        longer = np.maximum(offs, np.minimum(offs + span_h, _most(form)))
        raised[rows, self._up] = longer[self._up]
        raised = form.after_users(raised)
        low, high = np.zeros(len(rows)), (offs - form.off_least)[self._pays]
        fits = self._energy.fits(self._lowered(raised, high))
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            enough = self._energy.fits(self._lowered(raised, middle))
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        tried = self._lowered(raised, high)
        return tried, np.where(fits, form.worth_of(tried), -math.inf)

    def _lowered(self, raised: Array, by_h: Array) -> Array:
        """One stops so much earlier, and before it what uses it, as far as hold times allow."""
        form = self._form
        pays_at = raised[np.arange(len(raised)), self._pays] - by_h
        bounds = np.maximum(form.off_least, pays_at[:, None] - self._before)
        bounds = np.where(self._before < math.inf, bounds, math.inf)
        return form.staying_on(form.after_users(np.minimum(raised, bounds)))


def _before(form: Form) -> Array:
    """(i, j): how long before j's stop has ended that of i must have, if it uses j; else inf."""
    count = len(form.takes)
    before = np.full((count, count), -math.inf)
    np.fill_diagonal(before, 0.0)
    for i in form.deep:
        for j in form.problem.items[i].uses:
            before[i] = np.maximum(before[i], before[j] + form.takes[j])
    return np.where(before == -math.inf, math.inf, before)
