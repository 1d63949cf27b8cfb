"""What one unit's battery is best spent on: when to give up what, so that most worth stays on.

The battery is the two-well model of `runtime`. For a set end L of the output it is linear in the
load: a watt-hour drawn at time x lessens what is available at L by h(L - x) =
c + (1 - c) exp(-k (L - x)), so late energy costs more than early. At a price of what is available
at L, what is worth keeping on at x is therefore the best closure at the price times h(L - x), and
closures at rising prices are nested: one decomposition for each stretch of time answers for all
prices (`shed_prices`). The price is found by halving, what is left over goes to the items between
two prices, and L is searched for. A chain of the closed form over the whole course of load tests
what came out.

For a set L that is optimal; that L is the best one is found by search, not proven.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from policies.shed_energy import Energy
from policies.shed_exchange import bettered
from policies.shed_items import (
    HOUR_S,
    LEAST_W,
    TINY_H,
    Answer,
    Array,
    Battery,
    Form,
    Mask,
    Problem,
    course,
    longest_end_h,
    longest_h,
    relaxed,
)
from policies.shed_prices import Prices
from policies.timeline import AT_ONCE

Steps = Generator[None, None, Answer]
"""Work in slices: whoever runs it may do other things between them."""

_FIRST_WIDTH, _WIDTH = 25, 9  # ends of the output tried at once
_AROUND, _DEARER = 0.02, 0.4  # how far from another battery's end and price it is looked
_ROUNDS = 14
_HALVINGS = 16
_PARTS, _DIVISIONS = 33, 5  # 32^5 = 2^25
_BLENDS = 5
_ALIKE = 1e-9


def best_course(problem: Problem, battery: Battery, *, thorough: bool = False) -> Answer:
    """Return the best course at once; see `Solver`."""
    return exhausted(Solver(problem, thorough=thorough).solve(battery))


T = TypeVar("T")


def exhausted(steps: Generator[None, None, T]) -> T:
    """Run work in slices to its end, and return what came of it."""
    while True:
        try:
            next(steps)
        except StopIteration as ending:
            found: T = ending.value
            return found


class Solver:
    """Finds the course of most worth, slice by slice; one problem, several batteries."""

    def __init__(self, problem: Problem, *, thorough: bool = False) -> None:
        """Prepare.

        Args:
            problem: what there is.
            thorough: look for the last tenths of a percent on a small site; takes longer.
        """
        self._problem, self._thorough = problem, thorough
        self._form: Form | None = None
        self._patient: Form | None = None
        self._prices: dict[tuple[int, ...], Prices] = {}
        self._near: _Near | None = None

    def solve(self, battery: Battery, *, rough: bool = False) -> Steps:
        """Find the best course.

        Where not all can be kept on for as long as they should, the least worth of them are let go
        of until the rest can; `Answer.unmet` names them. What was found for one battery is where it
        is looked first for the next.

        Args:
            battery: the lower bound, as a battery.
            rough: to a thousandth or so, in a fraction of the time.
        """
        yield
        if self._form is None:
            self._form = yield from Form.of(self._problem)
            self._patient = self._form.with_patience()
        form, unmet = relaxed(self._form, self._patient, battery)
        if unmet not in self._prices:
            self._prices[unmet] = yield from Prices.of(form)
        how = _ROUGH if rough else _THOROUGH if self._thorough else _USUAL
        search = _Search(form, self._prices[unmet], battery, Energy(form, battery), how)
        answer, self._near = yield from search.answer(self._near)
        return replace(answer, unmet=unmet)

    def is_least(self, answer: Answer) -> bool:
        """Whether no stop could end any sooner than it does there, were all hold times let go."""
        assert self._form is not None, "an answer was found before"
        least = self._form.with_least([0.0] * len(answer.offs_s)).off_least
        return bool((np.array(answer.offs_s) / HOUR_S <= least + TINY_H).all())


@dataclass(frozen=True, slots=True)
class _How:
    """How closely it is looked.

    Attributes:
        settled, apart: share of the worth, and of the time, within which the end of the output is
            settled; the worth may leap where a hold time begins to be met.
        priced: share within which the price is narrowed down before what is left is shared out.
        is_exact: what is left over is shared out to the last watt-hour, and all is bettered.
        exchanges: items are exchanged, too.
    """

    settled: float
    apart: float
    priced: float
    is_exact: bool = True
    exchanges: bool = False


@dataclass(frozen=True, slots=True)
class _Near:
    """Where the answer for another battery was: its energy, the end of the output, the price."""

    energy_wh: float
    end_h: float
    price: float


_ROUGH = _How(1e-3, 1e-3, 0.02, is_exact=False)
_USUAL = _How(1e-6, 1e-5, 3e-3)
_THOROUGH = _How(1e-9, 1e-9, 3e-3, exchanges=True)


@dataclass(slots=True)
class _Found:
    """The best end of the output so far, with the prices about it and when stops end."""

    end_h: float
    worth: float
    below: float
    above: float
    offs: Array

    def near(self, battery: Battery) -> _Near:
        """Return where it is."""
        return _Near(battery.cells.energy_wh, self.end_h, self.above)


@dataclass(slots=True)
class _Search:
    """The search for the end of the output, and for the price of energy that goes with it."""

    form: Form
    prices: Prices
    battery: Battery
    energy: Energy
    how: _How

    def answer(self, near: _Near | None) -> Generator[None, None, tuple[Answer, _Near | None]]:
        """Find the answer, slice by slice, and where it is; it is looked for near another."""
        form, battery = self.form, self.battery
        longest = longest_end_h(form, battery)
        if not form.problem.items or longest <= 0.0:
            return _found(form, longest, form.off_least), None
        for_ever = np.full(len(form.problem.items), math.inf)
        all_on_h = battery.end_s(course(form.problem, for_ever)) / HOUR_S
        horizon_h = form.problem.horizon_s / HOUR_S
        useful_h = form.end_for(np.minimum(horizon_h + form.takes, form.off_most))
        if all_on_h >= useful_h:
            end_h = longest_h(form, battery, form.tops)
            return _found(form, end_h, form.tops(np.array([end_h]))[0]), None
        low = min(longest, max(all_on_h, form.end_for(form.off_least)))
        high = max(low, min(longest, useful_h))
        found = yield from self._best(low, high, near)
        offs = found.offs
        if self.how.is_exact:
            offs = self._exact(found)
            offs = yield from bettered(form, self.energy, offs, thorough=self.how.exchanges)
        return _found(form, found.end_h, offs), found.near(battery)

    def _best(self, low: float, high: float, near: _Near | None) -> Generator[None, None, _Found]:
        """The best end of the output: about where it was, unless it is not there any more."""
        if near is not None:
            times = self.battery.cells.energy_wh / near.energy_wh
            around = 1.0 + _AROUND + 2.0 * abs(math.log(times))
            end_h = min(max(near.end_h * times, low), high)
            begins, ends = max(low, end_h / around), min(high, end_h * around)
            found = yield from self._narrowed(np.geomspace(begins, ends, _WIDTH), near.price)
            if (begins == low or begins < found.end_h) and (ends == high or found.end_h < ends):
                return found
        return (yield from self._narrowed(np.geomspace(low, high, _FIRST_WIDTH)))

    def _narrowed(self, ends: Array, price: float | None = None) -> Generator[None, None, _Found]:
        """The end of the output at which the worth is greatest, by narrowing."""
        frame = _Frame(self, ends)
        below, above = frame.all_prices()
        if price is not None and math.isfinite(price):
            below, above = np.full(len(ends), price - _DEARER), np.full(len(ends), price + _DEARER)
        best: _Found | None = None
        for _ in range(_ROUNDS):
            between = frame.bracket(below, above, within=self.how.priced)
            offs = frame.offs_between(between)
            below, above = between.below, between.above
            worth = self.form.worth_of(offs)
            yield
            # Of ends that are as good the first: beyond it nothing waits for the end any more.
            place = int((worth >= worth.max() * (1.0 - _ALIKE)).argmax())
            if best is None or worth[place] >= best.worth:
                best = _Found(
                    float(ends[place]),
                    float(worth[place]),
                    float(below[place]),
                    float(above[place]),
                    offs[place],
                )
            left, right = max(0, place - 1), min(len(ends) - 1, place + 1)
            settled = self.how.settled * abs(best.worth)
            if best.worth - min(worth[left], worth[right]) <= settled:
                break
            if ends[right] - ends[left] <= self.how.apart * best.end_h:
                break
            ends = np.linspace(ends[left], ends[right], _WIDTH)
            frame = _Frame(self, ends)
            # The later the end, the dearer is energy: neighbours' prices bracket those between.
            below, above = np.full(_WIDTH, below[left]), np.full(_WIDTH, above[right])
        assert best is not None, "at least one end is tried"
        return best

    def _exact(self, found: _Found) -> Array:
        """The best ends of stops for one end of the output, exactly; many parts tried at once."""
        frame = _Frame(self, np.full(_PARTS, found.end_h))
        least, _ = frame.all_prices()
        below, above = max(found.below, float(least[0])), found.above
        low, high = _divided(frame.fits_at, below, above)
        if (
            low == high
        ):  # all that is worth anything fits; what is worth nothing is on if it is free
            low = -math.inf
        prices = np.full(_PARTS, high)
        prices[0] = low
        both = frame.offs(np.exp(prices))
        cheap: Array = both[0]
        dear: Array = both[1]
        if self.energy.fits(cheap[None, :])[0]:
            return cheap
        _, left = _divided(
            lambda parts: self.energy.fits(dear + parts[:, None] * (cheap - dear)), 1.0, 0.0
        )
        offs: Array = dear + left * (cheap - dear)
        return offs


def _divided(
    holds: Callable[[Array], Mask], false_at: float, true_at: float
) -> tuple[float, float]:
    """Narrow down from where something holds, between where it does not and where it does."""
    for _ in range(_DIVISIONS):
        parts = np.linspace(false_at, true_at, _PARTS)
        # Taken to hold at the last, and to hold on from the first at which it holds.
        place = int(np.append(holds(parts)[:-1], True).argmax())
        false_at, true_at = float(parts[max(0, place - 1)]), float(parts[place])
    return false_at, true_at


@dataclass(frozen=True, slots=True)
class _Priced:
    """What is on at a price (its logarithm) for each end, and what the battery has left then."""

    price: Array
    offs: Array
    margin: Array

    def where(self, these: Mask, other: _Priced) -> _Priced:
        """Return these, and the other's elsewhere."""
        return _Priced(
            np.where(these, self.price, other.price),
            np.where(these[:, None], self.offs, other.offs),
            np.where(these, self.margin, other.margin),
        )


@dataclass(frozen=True, slots=True)
class _Between:
    """Two prices for each end: at the lower one more is on than the energy allows."""

    least: _Priced
    most: _Priced

    @property
    def below(self) -> Array:
        """The lower price; -inf where energy is free."""
        return self.least.price

    @property
    def above(self) -> Array:
        """The price at which the energy is enough."""
        return self.most.price


class _Frame:
    """Several ends of the output tried at once: arrays have an entry for each.

    A price is worth for a watt-hour drawn at the very end, on the logarithmic scale; -inf is free.
    """

    def __init__(self, search: _Search, ends: Array) -> None:
        form, battery = search.form, search.battery
        self._form, self._prices, self._battery = form, search.prices, battery
        self._energy, self._is_rough = search.energy, not search.how.is_exact
        self._ends = ends
        self._tops, self._floors = form.tops(ends), form.floors(ends)
        self._until = np.minimum(search.prices.until_h, ends[:, None])
        self._alone = form.worth / np.maximum(form.watts.min(axis=1), LEAST_W)

    def all_prices(self) -> tuple[Array, Array]:
        """A price at which everything is on, and one at which nothing is that need not be."""
        levels = self._prices.levels
        known = levels[np.isfinite(levels) & (levels > 0.0)]
        least, most = (float(known.min()), float(known.max())) if len(known) else (1.0, 1.0)
        nearest = self._battery.cells.available_share
        high = np.full(len(self._ends), math.log(2.0 * most / nearest))
        return np.full(len(self._ends), math.log(0.5 * least)), high

    def bracket(self, below: Array, above: Array, *, within: float) -> _Between:
        """The last price that is too low, and the first that is not, by halving.

        What is given to begin with is widened where it is no bracket.
        """
        low, high = self.all_prices()
        least = self._at(np.maximum(below, low))
        if (least.margin >= 0.0).any():
            least = least.where(least.margin < 0.0, self._at(low))
        most = self._at(above)
        if (most.margin < 0.0).any():
            most = most.where(most.margin >= 0.0, self._at(high))
        for _ in range(_HALVINGS):
            if (most.price - least.price).max() <= within:
                break
            middle = self._at(0.5 * (least.price + most.price))
            fits = middle.margin >= 0.0
            least, most = middle.where(~fits, least), middle.where(fits, most)
        if (least.price <= low).any():
            least = self._at(np.where(least.price <= low, -math.inf, least.price))
        return _Between(least, most)

    def _at(self, price: Array) -> _Priced:
        offs = self.offs(np.exp(price))
        return _Priced(price, offs, self._energy.margin_wh(offs))

    def fits_at(self, price: Array) -> Mask:
        """Whether the energy allows what is on at each price."""
        return self._energy.fits(self.offs(np.exp(price)))

    def offs_between(self, between: _Between) -> Array:
        """The best ends of stops that the energy allows, between two prices."""
        dear, cheap = between.most.offs, between.least.offs
        # Where a straight line between both says; the end that stays counts for half each time.
        left, right = np.zeros(len(dear)), np.ones(len(dear))
        high, low = np.maximum(between.most.margin, 0.0), np.minimum(between.least.margin, 0.0)
        is_free = between.least.margin >= 0.0
        for _ in range(_BLENDS):
            part = left + (right - left) * high / np.maximum(high - low, 1e-300)
            margin = self._energy.margin_wh(dear + part[:, None] * (cheap - dear))
            fits = margin >= 0.0
            left, right = np.where(fits, part, left), np.where(fits, right, part)
            high, low = np.where(fits, margin, 0.5 * high), np.where(fits, 0.5 * low, margin)
        left = np.where(is_free, 1.0, left)
        offs: Array = dear + left[:, None] * (cheap - dear)
        return offs

    def offs(self, price: Array) -> Array:
        """When stops end at a price (as it is, not its logarithm); (ends, items)."""
        form, prices = self._form, self._prices
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            drops = self._drops_at(prices.levels[None, :], price[:, None])[:, prices.place]
            dropped = np.where(drops < self._until, np.maximum(drops, prices.from_h), math.inf)
        level = np.minimum.reduceat(dropped, prices.first, axis=1)
        # What was kept on for a hold time only goes as soon as that, and what uses it, allows.
        goes = prices.was_held & (level[:, prices.of_kind] == prices.from_h)
        is_let_go = np.logical_or.reduceat(goes, prices.first, axis=1)[:, prices.kind]
        level = level[:, prices.kind]
        useful = np.minimum(self._tops, form.problem.horizon_s / HOUR_S + form.takes)
        tops = np.where(price[:, None] > 0.0, useful, self._tops)
        offs = np.where(is_let_go, 0.0, np.minimum(tops, level - form.lead))
        offs = form.after_users(np.maximum(offs, self._floors))
        if self._is_rough:
            return offs
        with np.errstate(divide="ignore"):
            alone = self._drops_at(self._alone[None, :], price[:, None])
        return form.without_slack(offs, alone=alone, tops=tops, floors=self._floors)

    def _drops_at(self, ratio: Array, price: Array) -> Array:
        """When an item's ratio falls below the price times h; inf where it never does."""
        c, k = self._battery.cells.available_share, self._battery.cells.flow_per_h
        times = np.where(
            price > 0.0, ratio / np.maximum(price, 1e-300), np.where(ratio < 0.0, -1.0, 1.0)
        )
        share = (times - c) / max(1.0 - c, 1e-300)
        before = -np.log(np.maximum(share, 0.0)) / k
        return np.where(times >= 1.0, math.inf, self._ends[:, None] - before)


def _found(form: Form, end_h: float, offs: Array) -> Answer:
    """The answer; stops that wait for the battery's end are begun in turn, so many at once."""
    levels = offs + form.lead
    end_h = float(levels.max(initial=end_h if not len(levels) else 0.0))
    is_kept = (levels >= end_h - TINY_H) & (form.off_most > offs + TINY_H)
    starts = _in_turn(form, offs, is_kept)
    offs = starts + form.takes
    return Answer(
        end_s=max(end_h * HOUR_S, 0.0),
        starts_s=tuple((starts * HOUR_S).tolist()),
        offs_s=tuple((offs * HOUR_S).tolist()),
        is_kept=tuple(is_kept.tolist()),
        steps=course(form.problem, offs),
        worth=float(form.worth_of(offs[None, :])[0]),
    )


def _in_turn(form: Form, offs: Array, is_kept: Mask) -> Array:
    """When stops begin, `AT_ONCE` of those side by side that wait for the battery's end.

    By list scheduling in reversed time, as `timeline` does it.
    """
    starts = offs - form.takes
    chosen = {i for i in form.deep if is_kept[i] and form.takes[i] > 0.0}
    if len(chosen) <= AT_ONCE:
        return starts
    users: dict[int, list[int]] = {i: [] for i in chosen}
    waiting = dict.fromkeys(chosen, 0)
    for i in chosen:
        for j in chosen.intersection(form.problem.items[i].uses):
            users[j].append(i)
            waiting[i] += 1
    bound = offs.copy()
    ready = [(-float(bound[i]), i) for i in chosen if waiting[i] == 0]
    heapq.heapify(ready)
    free = [-math.inf] * AT_ONCE  # negated times, looking backwards
    while ready:
        _, i = heapq.heappop(ready)
        starts[i] = min(bound[i], -heapq.heappop(free)) - form.takes[i]
        heapq.heappush(free, -float(starts[i]))
        for user in users[i]:
            bound[user] = min(bound[user], starts[i])
            waiting[user] -= 1
            if waiting[user] == 0:
                heapq.heappush(ready, (-float(bound[user]), user))
    return starts
