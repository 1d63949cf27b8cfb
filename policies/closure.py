"""Maximum closures of a graph, and the blocks of falling ratio that they split it into.

A closure is a set that holds with each node all that the node uses. Two weights stand at each node,
what it is worth and what it costs; Sidney's decomposition splits the graph into blocks of falling
worth a cost, such that at any price of a unit of cost the best closure is the union of the blocks
whose ratio is above that price.

Sources: J. B. Sidney, "Decomposition algorithms for single-machine sequencing with precedence
relations and deferral costs", Operations Research 23 (1975); the closure of greatest weight by a
minimum cut, J.-C. Picard, "Maximal closure of a graph and applications to combinatorial problems",
Management Science 22 (1976); the cut by E. A. Dinic's algorithm (1970).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

Uses = Sequence[Sequence[int]]
"""Node -> the nodes that it uses; without circles."""

_ALIKE = 1e-11
"""Weights that differ by less than this share of all of them are taken to be the same."""


def ratios(worth: Sequence[float], cost: Sequence[float], uses: Uses) -> list[float]:
    """Return the ratio of each node's block, worth a unit of cost.

    The best closure at a price is made of the nodes whose ratio is above it; so no node's ratio is
    above that of a node that it uses.

    Args:
        worth: of each node, >= 0.
        cost: of each node, > 0.
        uses: what each node uses.

    Raises:
        ValueError: a cost is not positive, or a worth negative.
    """
    for _ in ratios_in_steps(worth, cost, uses, found := [0.0] * len(worth)):
        pass
    return found


def ratios_in_steps(
    worth: Sequence[float], cost: Sequence[float], uses: Uses, found: list[float]
) -> Iterator[None]:
    """Fill *found* as `ratios` would, in steps between which others may work."""
    if any(not each > 0.0 for each in cost) or any(each < 0.0 for each in worth):
        raise ValueError("every node has a cost > 0 and a worth >= 0")
    waiting = list(_components(range(len(worth)), uses))
    while waiting:
        nodes = waiting.pop()
        ratio = math.fsum(worth[i] for i in nodes) / math.fsum(cost[i] for i in nodes)
        if len(nodes) > 1:
            yield
            weights = [worth[i] - ratio * cost[i] for i in nodes]
            inside = best_closure(weights, _among(nodes, uses))
            better = [node for node, is_in in zip(nodes, inside, strict=True) if is_in]
            if 0 < len(better) < len(nodes):
                waiting += _components(better, uses)
                rest = [node for node, is_in in zip(nodes, inside, strict=True) if not is_in]
                waiting += _components(rest, uses)
                continue
        for node in nodes:
            found[node] = ratio


def _among(nodes: Sequence[int], uses: Uses) -> list[list[int]]:
    """The graph of *nodes* alone, numbered anew."""
    number = {node: i for i, node in enumerate(nodes)}
    return [[number[other] for other in uses[node] if other in number] for node in nodes]


def _components(nodes: Sequence[int], uses: Uses) -> Iterator[list[int]]:
    """Yield the parts of *nodes* between which nothing is used; each by rising number."""
    root = {node: node for node in nodes}

    def root_of(node: int) -> int:
        while root[node] != node:
            root[node] = root[root[node]]
            node = root[node]
        return node

    for node in nodes:
        for other in uses[node]:
            if other in root:
                root[root_of(other)] = root_of(node)
    parts: dict[int, list[int]] = {}
    for node in nodes:
        parts.setdefault(root_of(node), []).append(node)
    yield from parts.values()


def best_closure(weights: Sequence[float], uses: Uses) -> list[bool]:
    """Return which nodes make up the smallest closure of greatest weight.

    Args:
        weights: of each node; where none is positive the closure is empty.
        uses: what each node uses.
    """
    least = _ALIKE * math.fsum(abs(weight) for weight in weights)
    weights = [0.0 if abs(weight) <= least else weight for weight in weights]
    cut = _Cut(weights, uses)
    cut.saturate(least)
    return cut.reached_from_source(least)


class _Cut:
    """Flow from what is worth having to what it costs, along what uses what.

    The source feeds every node of positive weight, every node of negative weight drains into the
    sink, and along *uses* any amount may flow. What the source still reaches in the end is the
    closure.
    """

    def __init__(self, weights: Sequence[float], uses: Uses) -> None:
        count = len(weights)
        self.source, self.sink = count, count + 1
        self.edges: list[list[int]] = [[] for _ in range(count + 2)]
        self.to: list[int] = []
        self.room: list[float] = []
        for node, weight in enumerate(weights):
            if weight > 0.0:
                self._join(self.source, node, weight)
            elif weight < 0.0:
                self._join(node, self.sink, -weight)
            for other in uses[node]:
                self._join(node, other, math.inf)

    def _join(self, start: int, end: int, room: float) -> None:
        self.edges[start].append(len(self.to))
        self.to.append(end)
        self.room.append(room)
        self.edges[end].append(len(self.to))
        self.to.append(start)
        self.room.append(0.0)

    def saturate(self, least: float) -> None:
        """Send all that can flow; less than *least* is nothing."""
        while True:
            level = self._levels(least)
            if level[self.sink] < 0:
                return
            self._block(level, least)

    def reached_from_source(self, least: float) -> list[bool]:
        """Return which nodes more could still flow to."""
        return [level >= 0 for level in self._levels(least)[: self.source]]

    def _levels(self, least: float) -> list[int]:
        level = [-1] * len(self.edges)
        level[self.source] = 0
        front = [self.source]
        while front:
            following = []
            for node in front:
                for edge in self.edges[node]:
                    other = self.to[edge]
                    if level[other] < 0 and self.room[edge] > least:
                        level[other] = level[node] + 1
                        following.append(other)
            front = following
        return level

    def _block(self, level: list[int], least: float) -> None:
        """Saturate every shortest way to the sink, walking forward and stepping back."""
        edges, to, room = self.edges, self.to, self.room
        tried = [0] * len(edges)
        way: list[int] = []
        node = self.source
        while True:
            if node == self.sink:
                flow = min(room[edge] for edge in way)
                for edge in way:
                    room[edge] -= flow
                    room[edge ^ 1] += flow
                full = next(i for i, edge in enumerate(way) if room[edge] <= least)
                node = to[way[full] ^ 1]
                del way[full:]
                continue
            while tried[node] < len(edges[node]):
                edge = edges[node][tried[node]]
                if room[edge] > least and level[to[edge]] == level[node] + 1:
                    way.append(edge)
                    node = to[edge]
                    break
                tried[node] += 1
            else:
                if not way:
                    return
                back = way.pop()
                node = to[back ^ 1]
                tried[node] += 1
