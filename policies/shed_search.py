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
from collections.abc import Generator
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

_FIRST_WIDTH, _WIDTH = 33, 9  # ends of the output tried at once
_NEAR = 1.15
_ROUNDS = 14
_FIRST_HALVINGS = 14
_HALVINGS = 7
_LAST_HALVINGS = 40
_BLENDS = 6
_MOST = 600.0  # of an exponent
_SETTLED = 1e-9
_SLIP = 1e-10  # share of the battery that arithmetic may lose; twice as much is kept back


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
        self._prices: dict[tuple[int, ...], Prices] = {}

    def solve(self, battery: Battery, *, near_s: float | None = None) -> Steps:
        """Find the best course.

        Where not all can be kept on for as long as they should, the least worth of them are let go
        of until the rest can; `Answer.unmet` names them.

        Args:
            battery: the lower bound, as a battery.
            near_s: where the output ended by the answer for a battery much like this one.
        """
        yield
        if self._form is None:
            self._form = yield from Form.of(self._problem)
        form, unmet = relaxed(self._form, battery)
        if unmet not in self._prices:
            self._prices[unmet] = yield from Prices.of(form)
        prices, energy = self._prices[unmet], Energy(form, battery)
        search = _Search(form, prices, battery, energy, self._thorough)
        answer = yield from search.answer(None if near_s is None else near_s / HOUR_S)
        return replace(answer, unmet=unmet)


@dataclass(slots=True)
class _Search:
    """The search for the end of the output, and for the price of energy that goes with it."""

    form: Form
    prices: Prices
    battery: Battery
    energy: Energy
    thorough: bool

    def answer(self, near_h: float | None) -> Steps:
        """Find the answer, slice by slice."""
        form, battery = self.form, self.battery
        longest = longest_end_h(form, battery)
        if not form.problem.items or longest <= 0.0:
            return _found(form, longest, form.off_least)
        for_ever = np.full(len(form.problem.items), math.inf)
        all_on_h = battery.end_s(course(form.problem, for_ever)) / HOUR_S
        horizon_h = form.problem.horizon_s / HOUR_S
        useful_h = form.end_for(np.minimum(horizon_h + form.takes, form.off_most))
        if all_on_h >= useful_h:
            end_h = longest_h(form, battery, form.tops)
            return _found(form, end_h, form.tops(np.array([end_h]))[0])
        low = min(longest, max(all_on_h, form.end_for(form.off_least)))
        high = max(low, min(longest, useful_h))
        width = _FIRST_WIDTH
        if near_h is not None and low < near_h < high:
            low, high = max(low, near_h / _NEAR), min(high, near_h * _NEAR)
            width = _WIDTH
        end_h = yield from self._best_end_h(low, high, width)
        offs = self._exact(end_h)
        offs = yield from bettered(form, self.energy, offs, thorough=self.thorough)
        return _found(form, end_h, offs)

    def _best_end_h(self, low: float, high: float, width: int) -> Generator[None, None, float]:
        """The end of the output at which the worth is greatest, by narrowing."""
        ends = np.geomspace(low, high, width)
        frame = _Frame(self, ends)
        below, above = frame.bracket(*frame.all_prices(), halvings=_FIRST_HALVINGS)
        best_h, best = high, -math.inf
        for _ in range(_ROUNDS):
            worth = self.form.worth_of(frame.offs_between(below, above))
            yield
            # Of ends that are as good the first: beyond it nothing waits for the end any more.
            place = int((worth >= worth.max() * (1.0 - _SETTLED)).argmax())
            if worth[place] >= best:
                best_h, best = float(ends[place]), float(worth[place])
            left, right = max(0, place - 1), min(len(ends) - 1, place + 1)
            if best - min(worth[left], worth[right]) <= _SETTLED * abs(best):
                break
            ends = np.linspace(ends[left], ends[right], _WIDTH)
            frame = _Frame(self, ends)
            # The later the end, the dearer is energy: neighbours' prices bracket those between.
            low_price, high_price = np.full(_WIDTH, below[left]), np.full(_WIDTH, above[right])
            below, above = frame.bracket(*frame.surely(low_price, high_price), halvings=_HALVINGS)
        return best_h

    def _exact(self, end_h: float) -> Array:
        """The best ends of stops for one end of the output, exactly."""
        frame = _Frame(self, np.array([end_h]))
        below, above = frame.bracket(*frame.all_prices(), halvings=_LAST_HALVINGS)
        cheap: Array = frame.offs(np.exp(below))[0]
        dear: Array = frame.offs(np.exp(above))[0]
        if self.energy.fits(cheap[None, :])[0]:
            return cheap
        low, high = 0.0, 1.0
        for _ in range(_LAST_HALVINGS):
            part = 0.5 * (low + high)
            low, high = (
                (part, high) if self.energy.lasts(dear + part * (cheap - dear)) else (low, part)
            )
        found: Array = dear + low * (cheap - dear)
        return found


class _Frame:
    """Several ends of the output tried at once: arrays have an entry for each.

    A price is worth for a watt-hour drawn at the very end, on the logarithmic scale; -inf is free.
    """

    def __init__(self, search: _Search, ends: Array) -> None:
        form, battery = search.form, search.battery
        self._form, self._prices, self._battery = form, search.prices, battery
        self._energy = search.energy
        self._ends = ends
        self._tops, self._floors = form.tops(ends), form.floors(ends)
        self._alone = form.worth / np.maximum(form.watts.min(axis=1), LEAST_W)

    def all_prices(self) -> tuple[Array, Array]:
        """A price at which everything is on, and one at which nothing is that need not be."""
        ratio = self._prices.ratio
        known = ratio[np.isfinite(ratio) & (ratio > 0.0)]
        least, most = (float(known.min()), float(known.max())) if len(known) else (1.0, 1.0)
        nearest = self._battery.cells.available_share
        high = np.full(len(self._ends), math.log(2.0 * most / nearest))
        return np.full(len(self._ends), math.log(0.5 * least)), high

    def surely(self, below: Array, above: Array) -> tuple[Array, Array]:
        """Widen a bracket of prices where it is none."""
        low, high = self.all_prices()
        return np.where(self._fits(below), low, below), np.where(self._fits(above), above, high)

    def bracket(self, below: Array, above: Array, *, halvings: int) -> tuple[Array, Array]:
        """The last price that is too low, and the first that is not, by halving."""
        low, _ = self.all_prices()
        for _ in range(halvings):
            middle = 0.5 * (np.where(below == -math.inf, low, below) + above)
            fits = self._fits(middle)
            below, above = np.where(fits, below, middle), np.where(fits, middle, above)
        return np.where(below <= low, -math.inf, below), above

    def _fits(self, price: Array) -> Mask:
        return self._energy.fits(self.offs(np.exp(price)))

    def offs_between(self, below: Array, above: Array) -> Array:
        """The best ends of stops that the energy allows, between two prices."""
        cheap, dear = self.offs(np.exp(below)), self.offs(np.exp(above))
        low, high = self._energy.margin_wh(dear), self._energy.margin_wh(cheap)
        left, right = np.zeros(len(low)), np.ones(len(low))
        part = np.where(high >= 0.0, 1.0, np.clip(low / np.maximum(low - high, 1e-300), 0.0, 1.0))
        for _ in range(_BLENDS):
            fits = self._energy.fits(dear + part[:, None] * (cheap - dear))
            left, right = np.where(fits, part, left), np.where(fits, right, part)
            part = 0.5 * (left + right)
        return dear + left[:, None] * (cheap - dear)

    def offs(self, price: Array) -> Array:
        """When stops end at a price (as it is, not its logarithm); (ends, items)."""
        form, prices = self._form, self._prices
        begin = prices.from_h[:, None]
        until = np.minimum(prices.until_h[None, :, None], self._ends[:, None, None])
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            drops = self._drops_at(prices.levels[None, :], price[:, None])[:, prices.place]
            dropped = drops < until
            level = np.where(dropped, np.maximum(drops, begin), math.inf).min(axis=1)
        # What was kept on for a hold time only goes as soon as that, and what uses it, allows.
        is_let_go = ((level[:, None, :] == begin) & prices.was_held).any(axis=1)
        useful = np.minimum(self._tops, form.problem.horizon_s / HOUR_S + form.takes)
        tops = np.where(price[:, None] > 0.0, useful, self._tops)
        offs = np.where(is_let_go, 0.0, np.minimum(tops, level - form.lead))
        offs = form.after_users(np.maximum(offs, self._floors))
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
