"""Closures of greatest weight and blocks of falling ratio, against trying every set."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from policies.closure import best_closure, ratios

Graph = tuple[list[float], list[float], list[list[int]]]


@st.composite
def graphs(draw: st.DrawFn) -> Graph:
    """Worth, cost and uses of a few nodes; uses point to lower numbers, so never in a circle."""
    count = draw(st.integers(1, 8))
    worth = draw(st.lists(st.integers(0, 9), min_size=count, max_size=count))
    cost = draw(st.lists(st.integers(1, 9), min_size=count, max_size=count))
    uses = [
        sorted(draw(st.sets(st.integers(0, node - 1), max_size=3))) if node else []
        for node in range(count)
    ]
    return [float(w) for w in worth], [float(c) for c in cost], uses


def _closures(uses: Sequence[Sequence[int]]) -> list[frozenset[int]]:
    """Every closed set, found by trying all."""
    nodes = range(len(uses))
    sets = itertools.chain.from_iterable(
        itertools.combinations(nodes, size) for size in range(len(uses) + 1)
    )
    return [
        frozenset(chosen)
        for chosen in sets
        if all(used in chosen for node in chosen for used in uses[node])
    ]


@settings(max_examples=150, deadline=None)
@given(graphs(), st.sampled_from([0.1, 0.4, 0.7, 1.1, 1.9, 3.3]))
def test_closure_is_the_best_of_all_closed_sets(graph: Graph, price: float) -> None:
    """A worse set would give up the wrong devices."""
    worth, cost, uses = graph
    weights = [w - price * c for w, c in zip(worth, cost, strict=True)]

    found = frozenset(i for i, is_in in enumerate(best_closure(weights, uses)) if is_in)

    assert found in _closures(uses)
    best = max(sum(weights[i] for i in closed) for closed in _closures(uses))
    assert sum(weights[i] for i in found) == pytest.approx(best, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(graphs(), st.sampled_from([0.1, 0.4, 0.7, 1.1, 1.9, 3.3]))
def test_nodes_above_a_price_are_the_best_closure_at_it(graph: Graph, price: float) -> None:
    """One decomposition answers for every price; that is what the whole search rests on."""
    worth, cost, uses = graph
    found = ratios(worth, cost, uses)
    above = frozenset(i for i, ratio in enumerate(found) if ratio > price + 1e-9)

    assert above in _closures(uses)
    value = sum(worth[i] - price * cost[i] for i in above)
    best = max(sum(worth[i] - price * cost[i] for i in closed) for closed in _closures(uses))
    assert value == pytest.approx(best, abs=1e-7)


@settings(max_examples=60, deadline=None)
@given(graphs(), st.randoms(use_true_random=False))
def test_ratios_do_not_hang_on_the_order_of_the_nodes(graph: Graph, chance: random.Random) -> None:
    """The same devices in another order of the file are the same site."""
    worth, cost, uses = graph
    order = list(range(len(worth)))
    chance.shuffle(order)
    number = {node: place for place, node in enumerate(order)}

    shuffled = ratios(
        [worth[i] for i in order],
        [cost[i] for i in order],
        [[number[j] for j in uses[i]] for i in order],
    )

    assert [shuffled[number[i]] for i in range(len(worth))] == pytest.approx(
        ratios(worth, cost, uses), abs=1e-9
    )


def test_chain_is_split_where_its_ratio_falls() -> None:
    """By hand: 0 alone is 1/1; 1 needs 0 and pays for both, (1 + 9) / (1 + 1); 2 is worth 1/4."""
    assert ratios([1.0, 9.0, 1.0], [1.0, 1.0, 4.0], [[], [0], [0]]) == [5.0, 5.0, 0.25]


@pytest.mark.parametrize(("worth", "cost"), [([1.0], [0.0]), ([-1.0], [1.0]), ([1.0], [-2.0])])
def test_weights_that_no_site_has_are_refused(worth: list[float], cost: list[float]) -> None:
    """A price would be no price."""
    with pytest.raises(ValueError, match="cost > 0 and a worth >= 0"):
        ratios(worth, cost, [[]])
