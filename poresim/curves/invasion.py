"""Quasi-static invasion of any graph: always the reachable place of least rank comes next.

Invasion percolation (Wilkinson & Willemsen 1983 J Phys A 16:3365), by a priority queue. Both the
tubes and the junctions are places, so that one engine does invasion by tubes (bonds: the ranks
of the junctions are -inf, as they hold nothing) and by junctions (sites: those of the tubes are).
Place i < n is junction i, and place n + t is tube t. Equal ranks come in the order in which they
were reached.

Trapping. What is displaced leaves through places that are not invaded yet, from junction to tube
to junction, to an outlet: two tubes that meet at an invaded junction are cut off from one another.
Places whose way out is cut stay as they are. As an invader that takes such places all the same
gains nothing by them (they border on places that are invaded, or cut off too), the order without
trapping, less those places, is the order with trapping. Which places they are is read off
backwards: what was invaded is given back, last first, and joined to its neighbours by union-find;
a place that is not joined to an outlet then was cut off when its turn came.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.tube.jit import inner, kernel
from poresim.uptake.numbering import rings
from poresim.uptake.tree import leader_of

Floats = NDArray[np.float64]
Ints = NDArray[np.signedinteger[Any]]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Invasion:
    """An invasion of ``n`` junctions and ``m`` tubes.

    order : (k,) places in the order in which they are invaded, without trapping; k <= n + m.
    level : (n + m,) highest rank that had to be passed before a place was invaded, its own
        included; inf where it did not come to.
    kept_out : (n + m,) whether trapping keeps the invader out of a place; all False when no
        outlets were given. What is not trapped has the same order and level with trapping.
    junctions : n.
    """

    order: Ints
    level: Floats
    kept_out: Bools
    junctions: int

    @property
    def junction_level(self) -> Floats:
        """(n,) level of each junction."""
        return self.level[: self.junctions]

    @property
    def tube_level(self) -> Floats:
        """(m,) level of each tube."""
        return self.level[self.junctions :]


def invade(
    ends: Ints,
    inlet: ArrayLike,
    junctions: int,
    *,
    tube_rank: Floats | None = None,
    junction_rank: Floats | None = None,
    outlet: ArrayLike | None = None,
    until: ArrayLike | None = None,
    up_to: float = np.inf,
) -> Invasion:
    """Invade a graph from its inlet junctions.

    ends : (m, 2) the junctions of each tube. inlet : junctions where the invader stands from the
    start. tube_rank (m,), junction_rank (n,) : -inf everywhere when None. outlet : junctions
    through which the displaced fluid leaves; None: it leaves anywhere (no trapping). until : ends
    when the first of these junctions is invaded, as at breakthrough. up_to : passes no higher rank.
    """
    n, m = junctions, len(ends)
    ends = np.ascontiguousarray(ends, dtype=np.int32)
    first, tube_of = rings(ends, n)
    start = np.unique(np.asarray(inlet, dtype=np.int32))
    last = np.zeros(n, dtype=np.bool_)
    if until is not None:
        last[np.asarray(until, dtype=np.int64)] = True
    order = np.empty(n + m, dtype=np.int32)
    level = np.full(n + m, np.inf)
    graph = (first, tube_of, ends, _ranks(junction_rank, n), _ranks(tube_rank, m))
    count = _invade(*graph, start, last, up_to, order, level)
    order = order[:count].copy()
    kept_out = np.zeros(n + m, dtype=np.bool_)
    if outlet is not None:
        open_at = np.zeros(n, dtype=np.bool_)
        open_at[np.asarray(outlet, dtype=np.int64)] = True
        _cut_off(first, tube_of, ends, order, open_at, kept_out)
        kept_out[start] = False
    return Invasion(order, level, kept_out, n)


def _ranks(given: Floats | None, count: int) -> Floats:
    """One -inf stands for many."""
    if given is None:
        return np.full(1, -np.inf)
    ranks = np.ascontiguousarray(given, dtype=np.float64)
    if ranks.shape != (count,) or np.isnan(ranks).any():
        raise ValueError(f"ranks must be {count} numbers, none of them NaN")
    return ranks


@kernel
def _invade(first, tube_of, ends, junction_rank, tube_rank, start, last, up_to, order, level):
    """Fill ``order`` and ``level``; the number of places invaded."""
    n, m = len(first) - 1, len(ends)
    one_junction_rank = len(junction_rank) < n
    one_tube_rank = len(tube_rank) < m
    seen = np.zeros(n + m, np.bool_)
    place_of = np.empty(n + m, np.int32)  # by turn: the order in which places are reached
    queue = [(-np.inf, 0)]  # rank, turn
    queue.clear()
    turn = 0
    for i in start:
        seen[i] = True
        place_of[turn] = i
        heapq.heappush(queue, (-np.inf, turn))
        turn += 1
    count = 0
    highest = -np.inf
    while len(queue) > 0:
        rank, popped = heapq.heappop(queue)
        if rank > up_to:
            break
        place = place_of[popped]
        highest = max(highest, rank)
        order[count] = place
        level[place] = highest
        count += 1
        if place < n:
            if last[place]:
                break
            for e in range(first[place], first[place + 1]):
                t = tube_of[e]
                if not seen[n + t]:
                    seen[n + t] = True
                    place_of[turn] = n + t
                    heapq.heappush(queue, (tube_rank[0 if one_tube_rank else t], turn))
                    turn += 1
        else:
            for side in range(2):
                i = ends[place - n, side]
                if not seen[i]:
                    seen[i] = True
                    place_of[turn] = i
                    heapq.heappush(queue, (junction_rank[0 if one_junction_rank else i], turn))
                    turn += 1
    return count


@kernel
def _cut_off(first, tube_of, ends, order, open_at, kept_out):
    """Mark the places that are joined to no outlet when their turn comes."""
    n, m = len(open_at), len(ends)
    outside = n + m
    parent = np.arange(n + m + 1).astype(np.int32)
    back = np.ones(n + m, np.bool_)  # given back, or never taken
    for place in order:
        back[place] = False
    for place in range(n + m):
        if back[place]:
            _join(first, tube_of, ends, open_at, parent, back, place)
    for k in range(len(order) - 1, -1, -1):
        place = order[k]
        back[place] = True
        _join(first, tube_of, ends, open_at, parent, back, place)
        kept_out[place] = leader_of(parent, place) != leader_of(parent, outside)


@inner
def _join(first, tube_of, ends, open_at, parent, back, place):
    """Join a place with those beside it that are not invaded, and with the outside."""
    n = len(open_at)
    if place < n:
        if open_at[place]:
            _unite(parent, place, len(parent) - 1)
        for e in range(first[place], first[place + 1]):
            if back[n + tube_of[e]]:
                _unite(parent, place, n + tube_of[e])
    else:
        for side in range(2):
            if back[ends[place - n, side]]:
                _unite(parent, place, ends[place - n, side])


@inner
def _unite(parent, a, b):
    a, b = leader_of(parent, a), leader_of(parent, b)
    parent[min(a, b)] = max(a, b)


__all__ = ["Invasion", "invade"]
