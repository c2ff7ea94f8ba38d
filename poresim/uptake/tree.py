"""A preconditioner: the tree of the strongest full tubes, with the whole diagonal, solved exactly.

Conductances go as the fourth power of the radius and spread over many decades, which ruins
preconditioning by the diagonal: junctions that are joined to one another much more firmly than to
the rest move as one. A maximum spanning tree (Kruskal 1956) holds the firmest tube of every such
cluster, and a matrix whose couplings form a tree is factored without fill, leaves first (Parter
1961). All other couplings are left out and the diagonal is kept, so it stays positive definite.

Rows that got wet since the tree was made hang on it by their firmest full tube. It is made anew
when more tubes have filled, from its own tubes and those: no other can enter it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner, kernel
from poresim.uptake.heap import pop, push
from poresim.uptake.state import ONE, Graph

_ANEW = 1e-3  # of its rows: so many tubes filled since it was made, and it is made anew
_HANGINGS = 4  # passes to hang new rows on it
_LEAST_PIVOT = 1e-12  # of the diagonal: below, rounding has eaten it

Floats = NDArray[np.float64]
Places = NDArray[np.int32]


class Tree(NamedTuple):
    """A forest over n rows, in an order that has every row after its parent.

    Rows are counted from ``low`` on, the first of its half; (n,) goes by row less ``low``.
    """

    low: int
    strong: NDArray[np.uint32]  # (m,) places in the rings of all tubes, the firmest first
    from_: Places  # (m,) whose rings these are
    rank: Places  # of each tube of the network: where it stands in ``strong`` of its half
    known: NDArray[np.int8]  # tubes it was made from, by places in the rings less the first
    link: Places  # (n,) its tubes by their ranks, rising
    fresh: Places  # (n,) work space: queue of ranks of tubes that are not yet known
    row: Places  # (n,) row at each position of the order, as the network counts them
    parent: Places  # (n,) position of its parent, or -1
    tube: NDArray[np.uint32]  # (n,) place in a ring of the tube that joins them
    where: Places  # (n,) position of each row, or -1
    inverse: Floats  # (n,) of the pivots, by position
    share: Floats  # (n,) of a row's right side that goes on to its parent
    value: Floats  # (n,) work space
    leader: Places  # (n,) work space: of the clusters of rows joined so far
    begin: Places  # (n + 1,) work space: neighbours in the tree
    joined: Places  # (2 n,)
    by: NDArray[np.uint32]  # (2 n,)
    counts: NDArray[np.int64]  # rows in the order; events until it was made; its tubes


def make_trees(graph: Graph, firmness: Floats) -> tuple[Tree, Tree]:
    """An empty tree for each half.

    firmness : (m,) of each tube of the network, at best its conductance.
    """
    rank = np.zeros(len(graph.slot), np.int32)
    return _make_tree(graph, firmness, rank, 0), _make_tree(graph, firmness, rank, 1)


def _make_tree(graph: Graph, firmness: Floats, rank: Places, half: int) -> Tree:
    low, high = int(graph.half[half]), int(graph.half[half + 1])
    n = high - low
    begin = int(graph.first[low])
    first = graph.first.astype(np.int64)
    lengths = first[low + 1 : high + 1] - first[low:high]
    rows = np.repeat(np.arange(low, high, dtype=np.int32), lengths)
    far = graph.far[begin : begin + len(rows)]
    once = np.flatnonzero((rows < far) & (far < high))
    from_ = rows[once]
    once += begin
    firmest = np.argsort(-firmness[graph.ring[once]], kind="stable")
    once, from_ = once[firmest], from_[firmest]
    rank[graph.ring[once]] = np.arange(len(once))
    return Tree(
        low=low,
        strong=once.astype(np.uint32),
        from_=from_,
        rank=rank,
        known=np.zeros(len(rows), np.int8),
        link=np.zeros(n, np.int32),
        fresh=np.zeros(n, np.int32),
        row=np.zeros(n, np.int32),
        parent=np.zeros(n, np.int32),
        tube=np.zeros(n, np.uint32),
        where=np.full(n, -1, np.int32),
        inverse=np.zeros(n),
        share=np.zeros(n),
        value=np.zeros(n),
        leader=np.zeros(n, np.int32),
        begin=np.zeros(n + 1, np.int32),
        joined=np.zeros(2 * n, np.int32),
        by=np.zeros(2 * n, np.uint32),
        counts=np.zeros(3, np.int64),
    )


@kernel
def fit_tree(tree, graph, used, top, events):
    """Make sure that every row in use is in the tree; ``events``: how many tubes have filled."""
    where, low = tree.where, tree.low
    rows, new = 0, 0
    for i in range(low, top):
        if used[i]:
            rows += 1
            new += where[i - low] < 0
    if events - tree.counts[1] > _ANEW * rows:
        tree.counts[1] = events
        _plant(tree, graph, used, top)
        return
    for attempt in range(_HANGINGS):
        if new > 0:
            new -= _hang(tree, graph, used, top, attempt == _HANGINGS - 1)


@inner
def _hang(tree, graph, used, top, last):
    """Hang rows that are not in the tree on it by their firmest full tube; how many it took.

    ``last``: those that find none stand for themselves.
    """
    first, far, flow, where = graph.first, graph.far, graph.flow, tree.where
    count, low = tree.counts[0], tree.low
    for i in range(low, top):
        if not used[i] or where[i - low] >= 0:
            continue
        best, parent, tube = 0.0, -1, np.uint32(0)
        for k in range(first[i], first[i + 1]):
            j = np.int64(far[k])
            if flow[k] > best and low <= j < top and used[j] and where[j - low] >= 0:
                best, parent, tube = flow[k], where[j - low], np.uint32(k)
        if parent >= 0 or last:
            where[i - low] = count
            tree.row[count], tree.parent[count], tree.tube[count] = i, parent, tube
            count += 1
    taken = count - tree.counts[0]
    tree.counts[0] = count
    return taken


@inner
def _plant(tree, graph, used, top):
    """Make it anew: Kruskal's algorithm, then outward from a root in every cluster."""
    rows = top - tree.low
    for i in range(len(tree.where)):
        tree.where[i] = -1
    for i in range(rows):
        tree.leader[i] = i
        tree.begin[i] = 0
    tree.begin[rows] = 0
    _choose(tree, graph, used, _look_for_fresh(tree, graph, used, top))
    _lay_out(tree, graph, rows)
    count = np.int64(0)
    for i in range(rows):
        if used[tree.low + i] and tree.leader[i] == i:
            count = _grow(tree, i, count)
    tree.counts[0] = count


@inner
def _look_for_fresh(tree, graph, used, top):
    """Queue the ranks of full tubes between rows that are not yet known; how many.

    -1 if they are too many, or a known one is not full any more.
    """
    first, ring, far, flow = graph.first, graph.ring, graph.far, graph.flow
    known, fresh = tree.known, tree.fresh
    count, all_anew = 0, False
    begin = np.uint64(first[tree.low])
    k = begin
    for i in range(tree.low, top):
        end = np.uint64(first[i + 1])
        while k < end:
            full = flow[k] > 0.0
            if full != (known[k - begin] != 0):
                known[k - begin] = full
                if not full or count == len(fresh):
                    all_anew = True
                elif i < far[k] < top and used[i] and used[far[k]]:
                    t = tree.rank[ring[k]]
                    count = push(tree.value, fresh, count, t, t)
            k += ONE
    return -1 if all_anew else count


@inner
def _choose(tree, graph, used, fresh):
    """Keep the tubes that join clusters, the firmest first; count them at their rows."""
    strong, link, leader, begin = tree.strong, tree.link, tree.leader, tree.begin
    old = len(strong) if fresh < 0 else tree.counts[2]
    edges, a = 0, 0
    while a < old or fresh > 0:
        t = a if fresh < 0 else (link[a] if a < old else len(strong))
        if fresh > 0 and tree.fresh[0] < t:
            _, t, fresh = pop(tree.value, tree.fresh, fresh)
        else:
            a += 1
        k = strong[t]
        if graph.flow[k] <= 0.0:
            continue
        i, j = tree.from_[t], graph.far[k]
        if not used[i] or not used[j]:
            continue
        i, j = i - tree.low, j - tree.low
        p, q = leader_of(leader, i), leader_of(leader, j)
        if p == q:
            continue
        leader[max(p, q)] = min(p, q)
        tree.parent[edges] = t  # work space: ``link`` is still read from
        edges += 1
        begin[i + 1] += 1
        begin[j + 1] += 1
    link[:edges] = tree.parent[:edges]
    tree.counts[2] = edges


@inner
def _lay_out(tree, graph, rows):
    """Neighbours in the tree, row by row."""
    begin = tree.begin
    for i in range(rows):
        begin[i + 1] += begin[i]
    for e in range(tree.counts[2]):
        t = tree.link[e]
        k = tree.strong[t]
        i, j = np.int32(tree.from_[t] - tree.low), np.int32(graph.far[k] - tree.low)
        for a, b in ((i, j), (j, i)):
            at = begin[a]
            begin[a] += 1
            tree.joined[at] = b
            tree.by[at] = k
    for i in range(rows, 0, -1):
        begin[i] = begin[i - 1]
    begin[0] = 0


@inner
def leader_of(leader, i):
    """The one that stands for all that i has been joined with; shortens the way there."""
    while leader[i] != i:
        leader[i] = leader[leader[i]]
        i = leader[i]
    return i


@inner
def _grow(tree, root, count):
    """Put a root and all that hangs on it in order, level by level; the rows in order then."""
    row, parent, where, begin = tree.row, tree.parent, tree.where, tree.begin
    tube = tree.tube
    at = count
    row[count], parent[count], where[root] = tree.low + root, -1, count
    count += 1
    while at < count:
        i = row[at] - tree.low
        for e in range(begin[i], begin[i + 1]):
            j = tree.joined[e]
            if where[j] < 0:
                where[j] = count
                row[count], parent[count], tube[count] = tree.low + j, at, tree.by[e]
                count += 1
        at += 1
    return count


@kernel
def factor(tree, diagonal, flow, span):
    """Factor the matrix with that diagonal and the tree's couplings ``span * flow``."""
    row, parent, tube = tree.row, tree.parent, tree.tube
    inverse, share, count = tree.inverse, tree.share, tree.counts[0]
    for q in range(count):
        inverse[q] = diagonal[row[q]]
    for q in range(count - 1, -1, -1):
        share[q] = 0.0
        whole = diagonal[row[q]]
        if not whole > 0.0:
            inverse[q] = 0.0
            continue
        inverse[q] = 1.0 / max(inverse[q], _LEAST_PIVOT * whole)
        p = parent[q]
        if p >= 0:
            weight = span * flow[tube[q]]
            share[q] = weight * inverse[q]
            inverse[p] -= weight * share[q]


@kernel
def solve_tree(tree, right, solution):
    """Solve with the factors; both by row."""
    row, parent, value = tree.row, tree.parent, tree.value
    inverse, share, count = tree.inverse, tree.share, tree.counts[0]
    for q in range(count):
        value[q] = right[row[q]]
    for q in range(count - 1, 0, -1):
        if parent[q] >= 0:
            value[parent[q]] += share[q] * value[q]
    for q in range(count):
        up = share[q] * value[parent[q]] if parent[q] >= 0 else 0.0
        value[q] = inverse[q] * value[q] + up
        solution[row[q]] = value[q]
