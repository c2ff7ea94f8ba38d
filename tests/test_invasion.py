"""The invasion engine against plain simulations on small random graphs."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
import pytest

from poresim.curves.invasion import invade


def places(ends: np.ndarray, n: int) -> nx.Graph:
    """Junctions i and tubes n + t, joined where they meet."""
    graph = nx.Graph()
    graph.add_nodes_from(range(n + len(ends)))
    for t, (a, b) in enumerate(ends.tolist()):
        graph.add_edges_from([(a, n + t), (b, n + t)])
    return graph


def flooded(graph, rank, inlet, outlet):
    """Step by step; before each step, whatever has no way out is found by flood fill."""
    taken = set(inlet)
    order = list(inlet)
    while True:
        rest = graph.subgraph(set(graph) - taken)
        free = set()
        for part in nx.connected_components(rest):
            if outlet is None or part & set(outlet):
                free |= part
        edge = [p for p in free if any(q in taken for q in graph[p])]
        if not edge:
            return order, set(graph) - taken
        best = min(edge, key=lambda p: rank[p])
        taken.add(best)
        order.append(best)


def random_case(rng, by: str):
    n, m = int(rng.integers(6, 22)), int(rng.integers(8, 34))
    ends = np.array([rng.choice(n, 2, replace=False) for _ in range(m)])
    tube, junction = np.full(m, -np.inf), np.full(n, -np.inf)
    if by != "sites":
        tube = rng.random(m)
    if by != "bonds":
        junction = rng.random(n)
    inlet = rng.choice(n, 2, replace=False)
    outlet = rng.choice(n, int(rng.integers(1, 4)), replace=False)
    return n, ends, tube, junction, inlet, outlet


def levels(order, rank):
    """Highest rank so far, at each place."""
    return dict(zip(order, np.maximum.accumulate([rank[p] for p in order]), strict=True))


@pytest.mark.parametrize("by", ["bonds", "sites", "both"])
def test_against_flood_fill(rng, by):
    trapped = 0
    for _ in range(60):
        n, ends, tube, junction, inlet, outlet = random_case(rng, by)
        # places of rank -inf may come in any order, as long as it is at once
        rank = np.concatenate([junction, tube])
        graph = places(ends, n)
        found = invade(ends, inlet, n, tube_rank=tube, junction_rank=junction, outlet=outlet)
        rank[inlet] = -np.inf
        start = np.unique(inlet).tolist()
        for drains, kept in ((None, np.zeros_like(found.kept_out)), (outlet, found.kept_out)):
            order, left = flooded(graph, rank, start, drains)
            mine = [p for p in found.order.tolist() if not kept[p]]
            assert set(mine) == set(order)
            ranked = [p for p in order if rank[p] > -np.inf]
            assert [p for p in mine if rank[p] > -np.inf] == ranked
            for p, level in levels(order, rank).items():
                assert found.level[p] == level
            assert set(np.flatnonzero(found.level == np.inf).tolist()) <= left
        trapped += int(found.kept_out.sum())
    assert trapped > 100  # the check has something to check


def test_levels_are_the_easiest_ways(rng):
    """Without trapping the level is the least highest rank of any path (bottleneck distance).

    networkx: the path in a minimum spanning tree.
    """
    n, m = 40, 90
    ends = np.array([rng.choice(n, 2, replace=False) for _ in range(m)])
    rank = rng.random(m)
    found = invade(ends, [0], n, tube_rank=rank)
    graph = nx.Graph()
    for (a, b), r in zip(ends.tolist(), rank, strict=True):
        if not graph.has_edge(a, b) or graph[a][b]["r"] > r:
            graph.add_edge(a, b, r=r)
    tree = nx.minimum_spanning_tree(graph, weight="r")
    for j in range(1, n):
        if j in tree and nx.has_path(tree, 0, j):
            way = nx.shortest_path(tree, 0, j)
            expected = max(tree[a][b]["r"] for a, b in zip(way, way[1:], strict=False))
        else:
            expected = math.inf
        assert found.junction_level[j] == expected


def test_equal_ranks_come_as_they_are_reached():
    """A chain from both ends, all ranks equal: outside first."""
    ends = np.stack([np.arange(6), np.arange(1, 7)], axis=1)
    found = invade(ends, [0, 6], 7, tube_rank=np.zeros(6))
    tubes = [p - 7 for p in found.order.tolist() if p >= 7]
    assert tubes == [0, 5, 1, 4, 2, 3]


def test_ranks_that_are_no_ranks():
    ends = np.array([[0, 1], [1, 2]])
    with pytest.raises(ValueError, match="2 numbers"):
        invade(ends, [0], 3, tube_rank=np.zeros(3))
    with pytest.raises(ValueError, match="NaN"):
        invade(ends, [0], 3, tube_rank=np.array([0.0, np.nan]))
