"""What can be given up for the sake of the rest, and what that does to the load, as arrays.

Each item draws watts until its stop has ended, is worth something for each hour until its stop
begins, and stays on as long as what uses it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from policies.closure import ratios_in_steps
from policies.runtime import Cells, Inverter, LoadStep, Wells, ends_after_s

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Layer = tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]

HOUR_S = 3600.0
TINY_H = 1e-9
_HALVINGS = 40
_TRIED = 64  # so many hold times are tried one by one; of more, some together
LEAST_W = 1e-6  # what draws nothing costs nothing, and a ratio needs a cost


@dataclass(frozen=True, slots=True)
class Item:
    """Something that can be given up by itself.

    Attributes:
        worth: of an hour of it, until its stop begins, >= 0.
        watts: what it draws until its stop has ended, in each piece of time.
        takes_s: seconds from the begin of its stop to its end.
        least_s: its stop begins no earlier, s from now.
        most_s: its stop begins by then; inf where nothing asks for that.
        holds_data: its hold time is let go of last, where not all can be met.
        uses: numbers of the items whose stops begin only after its own has ended.
    """

    name: str
    worth: float
    watts: tuple[float, ...]
    takes_s: float = 0.0
    least_s: float = 0.0
    most_s: float = math.inf
    holds_data: bool = False
    uses: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Problem:
    """What hangs on one unit, and for how long it is planned.

    Attributes:
        items: without circles in what they use.
        pieces_s: when the pieces of time begin in which watts differ, s from now; the first at 0.
        base_w: what draws power to the end, whatever is planned, in each piece.
        horizon_s: an hour beyond is worth nothing.
        least_load_w: the unit switches itself off below it; 0 = it does not.
        patience_s: nothing is given up before, where hold times allow that.
    """

    items: tuple[Item, ...]
    pieces_s: tuple[float, ...] = (0.0,)
    base_w: tuple[float, ...] = (0.0,)
    horizon_s: float = math.inf
    least_load_w: float = 0.0
    patience_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Battery:
    """What the energy comes from: a battery as full as it is, behind its inverter."""

    cells: Cells
    wells: Wells
    inverter: Inverter

    def scaled(self, factor: float) -> Battery:
        """Return the same with so many times the energy in it."""
        like = self.cells
        cells = Cells(factor * like.energy_wh, like.available_share, like.flow_per_h)
        wells = Wells(factor * self.wells.available_wh, factor * self.wells.bound_wh)
        return Battery(cells, wells, self.inverter)

    def end_s(self, steps: Sequence[LoadStep]) -> float:
        """Return after how many seconds the output ends."""
        return ends_after_s(self.cells, self.wells, self.inverter, steps)


@dataclass(frozen=True, slots=True)
class Answer:
    """The best course that was found; times in s from now, in the order of the items.

    Attributes:
        end_s: when the output ends at the earliest, by the battery planned with.
        starts_s: when each stop begins.
        offs_s: when each stop has ended.
        is_kept: items that stay on as long as the battery carries them.
        steps: the load at the output.
        worth: hours times worth, up to the horizon.
        unmet: items that cannot be kept on for as long as they should.
    """

    end_s: float
    starts_s: tuple[float, ...]
    offs_s: tuple[float, ...]
    is_kept: tuple[bool, ...]
    steps: tuple[LoadStep, ...]
    worth: float
    unmet: tuple[int, ...] = ()


# The items as arrays


@dataclass(frozen=True, slots=True)
class Form:
    """A problem as arrays, times in hours; what each stop must wait for is worked into bounds.

    Attributes:
        deep: items, what they use before them.
        lead: from the end of an item's stop to the end of all that must stop after it.
        off_least, off_most: bounds of the end of each stop.
        stays: items without which the unit would switch itself off.
        users, uses: who waits for whom, in layers of which each needs only those before it: items,
            their users (what they use) one after the other, and where those of each item begin.
    """

    problem: Problem
    deep: tuple[int, ...]
    worth: Array
    watts: Array
    takes: Array
    lead: Array
    off_least: Array
    off_most: Array
    stays: Mask
    users: tuple[Layer, ...]
    uses: tuple[Layer, ...]

    @property
    def is_held(self) -> Mask:
        """Which items must stay on for a while."""
        return self.off_least > self.takes + TINY_H

    @classmethod
    def of(cls, problem: Problem) -> Generator[None, None, Form]:
        """Make the arrays of *problem*."""
        items, count = problem.items, len(problem.items)
        deep = _deepest_first(problem)
        takes = np.array([item.takes_s / HOUR_S for item in items])
        lead = np.zeros(count)
        off_most = np.array([item.most_s / HOUR_S for item in items]) + takes
        for i in deep:
            for j in items[i].uses:
                lead[i] = max(lead[i], lead[j] + takes[j])
                off_most[i] = min(off_most[i], off_most[j] - takes[j])
        form = cls(
            problem=problem,
            deep=deep,
            worth=np.array([item.worth for item in items]),
            watts=np.array([item.watts for item in items]).reshape(count, len(problem.pieces_s)),
            takes=takes,
            lead=lead,
            off_least=_off_least(problem, deep, takes, off_most),
            off_most=off_most,
            stays=np.zeros(count, dtype=np.bool_),
            users=_layers(_reversed(problem)),
            uses=_layers([item.uses for item in items]),
        )
        stays = yield from _staying(form)
        return replace(form, stays=stays)

    def tops(self, ends: Array) -> Array:
        """Return when each stop ends at the latest if the output ends then; (ends, items)."""
        return np.minimum(ends[:, None] - self.lead, self.off_most)

    def floors(self, ends: Array) -> Array:
        """Return when each stop ends at the earliest if the output ends then; (ends, items)."""
        return np.where(self.stays, np.maximum(self.tops(ends), self.off_least), self.off_least)

    def staying_on(self, offs: Array) -> Array:
        """Return the same, with what the unit needs on as long as anything is; (ends, items)."""
        if not self.stays.any():
            return offs
        return self.after_users(np.maximum(offs, self.floors((offs + self.lead).max(axis=1))))

    def carried(self, offs: Array) -> tuple[Array, Array]:
        """Return until when each item is to be carried, and the end of all; (ends, items), (…, 1).

        What stays on until its last moment is carried to the end of all: a stop that comes late
        then ends nothing.
        """
        levels = offs + self.lead
        end = levels.max(axis=1, keepdims=True)
        return np.where(levels >= end - TINY_H, end, offs), end

    def after_users(self, offs: Array) -> Array:
        """Return the same, each stop put off until after those of what uses the item."""
        for used, users, begins in self.users:
            ready = np.maximum.reduceat(offs[:, users], begins, axis=1) + self.takes[used]
            offs[:, used] = np.maximum(offs[:, used], ready)
        return offs

    def without_slack(self, offs: Array, *, alone: Array, tops: Array, floors: Array) -> Array:
        """Return the same, with each item on by itself where that is worth it by itself.

        Stops that take unlike times leave some slack between items that go together: within it an
        item goes early that is not worth what it draws, and late one that is.

        Args:
            offs: changed in place.
            alone: until when each item is worth what it draws, by itself.
            tops: the latest ends.
            floors: the earliest.
        """
        for users_of, users, begins in self.users:
            ready = np.maximum.reduceat(offs[:, users], begins, axis=1) + self.takes[users_of]
            ready = np.maximum(ready, floors[:, users_of])
            offs[:, users_of] = np.maximum(ready, np.minimum(offs[:, users_of], alone[:, users_of]))
        for user, used, begins in self.uses:
            room = np.minimum.reduceat(offs[:, used] - self.takes[used], begins, axis=1)
            room = np.minimum(np.minimum(room, tops[:, user]), alone[:, user])
            offs[:, user] = np.maximum(offs[:, user], room)
        return offs

    def worth_of(self, offs: Array) -> Array:
        """Return the worth of stops that end then, up to the horizon; (ends,)."""
        hours = np.clip(offs - self.takes, 0.0, self.problem.horizon_s / HOUR_S)
        total: Array = hours @ self.worth
        return total

    def end_for(self, offs: Array) -> float:
        """Return the earliest end of the output, in h, that lets stops end as late as *offs*."""
        return float((offs + self.lead).max(initial=0.0))

    def with_patience(self) -> Form | None:
        """Return the same with nothing given up before `Problem.patience_s`; None where it is 0."""
        patience_s = self.problem.patience_s
        if patience_s <= 0.0:
            return None
        items = self.problem.items
        return self.with_least([max(i.least_s, min(i.most_s, patience_s)) for i in items])

    def with_least(self, least_s: Sequence[float]) -> Form:
        """Return the same with other hold times."""
        items = tuple(
            replace(item, least_s=least)
            for item, least in zip(self.problem.items, least_s, strict=True)
        )
        problem = replace(self.problem, items=items)
        off_least = _off_least(problem, self.deep, self.takes, self.off_most)
        return replace(self, problem=problem, off_least=off_least)


def _deepest_first(problem: Problem) -> tuple[int, ...]:
    """Items in an order in which what they use comes before them."""
    left = [len(item.uses) for item in problem.items]
    users: list[list[int]] = [[] for _ in left]
    for i, item in enumerate(problem.items):
        for j in item.uses:
            users[j].append(i)
    order = [i for i, count in enumerate(left) if count == 0]
    for j in order:
        for i in users[j]:
            left[i] -= 1
            if left[i] == 0:
                order.append(i)
    if len(order) < len(left):
        raise ValueError("what items use goes round in a circle")
    return tuple(order)


def _reversed(problem: Problem) -> list[list[int]]:
    users: list[list[int]] = [[] for _ in problem.items]
    for i, item in enumerate(problem.items):
        for j in item.uses:
            users[j].append(i)
    return users


def _layers(others: Sequence[Sequence[int]]) -> tuple[Layer, ...]:
    """Items that have others to wait for, in layers; without circles."""
    depth: dict[int, int] = {}

    def depth_of(item: int) -> int:
        waiting = [item]
        while waiting:
            at = waiting[-1]
            unknown = [other for other in others[at] if other not in depth]
            if unknown:
                waiting += unknown
            else:
                depth[at] = 1 + max((depth[other] for other in others[at]), default=-1)
                waiting.pop()
        return depth[item]

    layers: dict[int, list[int]] = {}
    for item in range(len(others)):
        layers.setdefault(depth_of(item), []).append(item)
    return tuple(
        (
            np.array(items),
            np.array([other for item in items for other in others[item]]),
            np.cumsum([0, *(len(others[item]) for item in items[:-1])]),
        )
        for level, items in sorted(layers.items())
        if level
    )


def _off_least(problem: Problem, deep: Sequence[int], takes: Array, off_most: Array) -> Array:
    """The earliest end of each stop: its own hold time, and that of whatever uses it."""
    wished = np.array([item.least_s / HOUR_S for item in problem.items])
    least = np.minimum(wished + takes, np.maximum(off_most, takes))
    for i in reversed(deep):
        for j in problem.items[i].uses:
            least[j] = max(least[j], least[i] + takes[j])
    return least


def _staying(form: Form) -> Generator[None, None, Mask]:
    """What a unit with an energy saver needs on: the best blocks, and to fill up the lightest."""
    problem = form.problem
    stays = np.zeros(len(problem.items), dtype=np.bool_)
    least_w, base_w = problem.least_load_w, min(problem.base_w)
    if base_w >= least_w:
        return stays
    watts = form.watts.min(axis=1)
    row = yield from ratios_now(form, watts, stays, stays)
    for ratio in np.unique(row)[::-1]:
        best = row == ratio
        lacks_w = least_w - base_w - float(watts[stays].sum())
        if float(watts[best].sum()) >= lacks_w:
            enough = [best, *_lighter(form, row, stays, watts, lacks_w)]
            stays |= min(enough, key=lambda block: float(watts[block].sum()))
            break
        stays |= best
    return stays


def _lighter(form: Form, row: Array, stays: Mask, watts: Array, lacks_w: float) -> Iterator[Mask]:
    """Blocks that draw so much by themselves, and use nothing but what stays on."""
    for ratio in np.unique(row[~stays]):
        block = row == ratio
        on = stays | block
        uses = (j for i in np.flatnonzero(block) for j in form.problem.items[i].uses)
        if float(watts[block].sum()) >= lacks_w and all(on[j] for j in uses):
            yield block


# The course of load


def course(problem: Problem, offs: Array) -> tuple[LoadStep, ...]:
    """The load at the output, if stops end then (in h; inf = never)."""
    edges = (*problem.pieces_s, math.inf)
    changes: dict[float, float] = dict.fromkeys(problem.pieces_s, 0.0)
    drawn_w = 0.0
    for begins_s, base_w in zip(edges, problem.base_w, strict=False):
        changes[begins_s] += base_w - drawn_w
        drawn_w = base_w
    for item, off in zip(problem.items, offs.tolist(), strict=True):
        off_s, drawn_w = off * HOUR_S, 0.0
        for begins_s, watts in zip(edges, item.watts, strict=False):
            if begins_s < off_s:
                changes[begins_s] += watts - drawn_w
                drawn_w = watts
        if drawn_w:
            changes[off_s] = changes.get(off_s, 0.0) - drawn_w
    steps: list[LoadStep] = []
    load_w = 0.0
    for at_s, change_w in sorted(changes.items()):
        load_w += change_w
        if not math.isinf(at_s) and (not steps or abs(load_w - steps[-1].load_w) > 1e-9):
            steps.append(LoadStep(at_s, max(0.0, load_w)))
    return tuple(steps)


def longest_h(form: Form, battery: Battery, offs_of: Callable[[Array], Array]) -> float:
    """The latest end of the output, in h, that is true: stops end as *offs_of* that end says."""
    low, high = 0.0, battery.end_s(course(form.problem, form.off_least)) / HOUR_S
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        offs = offs_of(np.array([middle]))[0]
        if battery.end_s(course(form.problem, offs)) >= middle * HOUR_S:
            low = middle
        else:
            high = middle
    return low


def longest_end_h(form: Form, battery: Battery) -> float:
    """The latest end of the output: nothing is on that need not be."""
    if form.stays.any():
        return longest_h(form, battery, form.floors)
    return battery.end_s(course(form.problem, form.off_least)) / HOUR_S


def holds_fit(form: Form, battery: Battery) -> bool:
    """Whether all can be kept on for as long as they should, if nothing else is."""
    end_h = longest_end_h(form, battery)
    return bool((form.off_least <= form.tops(np.array([end_h]))[0] + TINY_H).all())


def relaxed(form: Form, patient: Form | None, battery: Battery) -> tuple[Form, tuple[int, ...]]:
    """Return the items with the hold times that can be met, and the numbers of the others.

    Where not all can be, those of what holds data come first, and then those of more worth.

    Args:
        form: the items.
        patient: the same where nothing is given up before a while has passed; None = not asked for.
        battery: what there is.
    """
    items = form.problem.items
    for whole in (patient, form):
        if whole is not None and holds_fit(whole, battery):
            return whole, ()
    held = sorted(
        (i for i, item in enumerate(items) if item.least_s > 0.0),
        key=lambda i: (not items[i].holds_data, -items[i].worth, i),
    )
    least = [0.0] * len(items)
    let_go: list[int] = []
    together = max(1, math.ceil(len(held) / _TRIED))
    for start in range(0, len(held), together):
        batch = held[start : start + together]
        tried = list(least)
        for i in batch:
            tried[i] = items[i].least_s
        if holds_fit(form.with_least(tried), battery):
            least = tried
        else:
            let_go += batch
    return form.with_least(least), tuple(sorted(let_go))


def ratios_now(form: Form, watts: Array, must: Mask, gone: Mask) -> Generator[None, None, Array]:
    """The ratios while some items must be on, and some must not."""
    items = form.problem.items
    free = np.flatnonzero(~must & ~gone).tolist()
    number = {i: place for place, i in enumerate(free)}
    uses = [[number[j] for j in items[i].uses if j in number] for i in free]
    cost = [max(LEAST_W, float(watts[i])) for i in free]
    found = [0.0] * len(free)
    yield from ratios_in_steps([items[i].worth for i in free], cost, uses, found)
    row = np.where(gone, -1.0, math.inf)
    row[free] = found
    return row
