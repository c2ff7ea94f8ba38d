"""The balance of flows at the junctions of a saturated network, and its solvers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.csgraph import (
    breadth_first_order,
    connected_components,
    minimum_spanning_tree,
)

from poresim.solid.network import Network
from poresim.tube.filled import wetted_flow, yield_drop
from poresim.tube.jit import kernel
from poresim.tube.law import FlowLaw
from poresim.uptake.laplacian import Laplacian

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ROUNDING = 8 * np.finfo(np.float64).eps


@dataclass(frozen=True, eq=False)
class State:
    """Flows at given pressures: drop, rate, slope (m,); into (n,) net flow out of a junction."""

    pressure: Floats
    drop: Floats
    rate: Floats
    slope: Floats
    into: Floats


class Balance:
    """Which junctions are free, how their flows follow from pressures, and when they balance.

    held : junctions of given pressure; reached (n,) : joined to one of them; head (m,) : what
    gravity adds to a tube's drop beyond the pressures (tubes that wrap through periodic sides).
    """

    def __init__(
        self,
        solid: Network,
        law: FlowLaw,
        held: Ints,
        reached: NDArray[np.bool_],
        head: Floats,
        tolerance: float,
    ) -> None:
        self.solid, self.law, self.held, self.head = solid, law, held, head
        self.tolerance = tolerance
        free = reached.copy()
        free[held] = False
        self.free = np.flatnonzero(free)
        number = np.full(solid.junctions, -1)
        number[self.free] = np.arange(len(self.free))
        a, b = number[solid.ends[:, 0]], number[solid.ends[:, 1]]
        self.live = reached[solid.ends[:, 0]]
        inner = (a >= 0) | (b >= 0)
        self.inner = np.flatnonzero(inner)  # tubes with at least one free end
        flat = bool(np.any(np.ptp(solid.points, axis=0) == 0.0))
        self.laplacian = Laplacian(a[inner], b[inner], len(self.free), flat)
        self._number = number
        self._part = _parts(a, b, len(self.free))
        self.yield_drop = _yield_drops(law, solid.radius, solid.length, solid.waist)

    def state(self, pressure: Floats) -> State:
        """Flows at ``pressure`` (n,)."""
        ends = self.solid.ends
        drop = np.where(self.live, pressure[ends[:, 0]] - pressure[ends[:, 1]] + self.head, 0.0)
        rate, slope = self.rates(drop)
        return State(pressure, drop, rate, slope, self.gathered(rate))

    def rates(self, drop: Floats) -> tuple[Floats, Floats]:
        """(rate, slope) of every tube at these drops, (m,) each."""
        rate, slope = np.empty_like(drop), np.empty_like(drop)
        _full_tubes(
            self.law, drop, self.solid.radius, self.solid.length, self.solid.waist, rate, slope
        )
        return rate, slope

    def gathered(self, rate: Floats) -> Floats:
        """(n,) net flow that leaves each junction through its tubes."""
        n, ends = self.solid.junctions, self.solid.ends
        net = np.bincount(ends[:, 0], rate, n) - np.bincount(ends[:, 1], rate, n)
        return net.astype(np.float64)

    def with_free(self, pressure: Floats, move: Floats, share: float) -> Floats:
        """``pressure`` with the free junctions moved by ``share`` x ``move`` (free,)."""
        moved = pressure.copy()
        moved[self.free] += share * move
        return moved

    def residual(self, state: State) -> float:
        """Largest imbalance of a free junction over the flow through the network."""
        through = 0.5 * float(np.abs(state.into[self.held]).sum())
        if through == 0.0 or len(self.free) == 0:
            return 0.0
        return float(np.abs(state.into[self.free]).max()) / through

    def settled(self, state: State, tolerance: float | None = None) -> bool:
        """True when every free junction balances.

        To ``tolerance`` of the flow through its part of the network (parts are separated by held
        junctions), or to what the rounding of the pressures does to its tubes.
        """
        if len(self.free) == 0:
            return True
        off = np.abs(state.into[self.free])
        within = (tolerance or self.tolerance) * self._through(state)[self._part]
        if np.all(off <= within):
            return True
        ends, n, spread = self.solid.ends, self.solid.junctions, self._rounding(state)
        rounding = np.bincount(ends[:, 0], spread, n) + np.bincount(ends[:, 1], spread, n)
        return bool(np.all(off <= within + rounding[self.free]))

    def _rounding(self, state: State) -> Floats:
        """(m,) by how much the rounding of the pressures can change each rate."""
        shift = _ROUNDING * max(np.abs(state.pressure).max(), np.abs(self.head).max())
        size = np.abs(state.drop)
        spread = self.rates(size + shift)[0] - self.rates(size - shift)[0]
        return np.where(self.live, spread, 0.0)

    def closed(self, state: State) -> State:
        """``state`` with what rounding leaves unbalanced led along a tree to the held junctions.

        The tree takes the tubes whose rates rounding moves most, so each change lies within what
        the pressures, as numbers of double precision, leave open.
        """
        ends, n = self.solid.ends, self.solid.junctions
        top = n  # stands for all held junctions
        number = np.where(self._number < 0, top, np.arange(n))
        a, b = number[ends[self.inner, 0]], number[ends[self.inner, 1]]
        order = np.argsort(-self._rounding(state)[self.inner], kind="stable")
        rank = np.empty(len(order))
        rank[order] = np.arange(1, len(order) + 1)
        low, high, best = lowest_links(np.stack([a, b], axis=1), rank)
        links = sp.csr_matrix((best, (low, high)), shape=(n + 1, n + 1))
        tree = minimum_spanning_tree(links)
        visits, parent = breadth_first_order(tree, top, directed=False)
        child = visits[:0:-1]  # leaves first
        link = np.asarray(sp.csr_matrix(tree + tree.T)[child, parent[child]]).ravel()
        tube = self.inner[order[link.astype(np.int64) - 1]]
        away = np.where(number[ends[tube, 0]] == child, 1.0, -1.0)
        owed = np.append(state.into, 0.0)
        _passed_on(child, parent, owed)
        rate = state.rate.copy()
        rate[tube] -= away * owed[child]
        return replace(state, rate=rate, into=self.gathered(rate))

    def _through(self, state: State) -> Floats:
        """(parts,) flow through each part, m3/s: half of what crosses into it and out of it."""
        ends = self._number[self.solid.ends[self.inner]]
        border = (ends < 0).any(axis=1)
        part = self._part[ends[border].max(axis=1)]
        crossing = np.abs(state.rate[self.inner][border])
        both: Floats = np.bincount(part, crossing, int(self._part.max()) + 1).astype(np.float64)
        return both / 2


def lowest_links(ends: Ints, weight: Floats) -> tuple[Ints, Ints, Floats]:
    """Pairs of joined junctions, each once, with the lowest weight of the tubes between them."""
    a, b = ends.min(axis=1), ends.max(axis=1)
    order = np.lexsort((weight, b, a))
    a, b, weight = a[order], b[order], weight[order]
    first = np.append(True, (np.diff(a) != 0) | (np.diff(b) != 0))
    return a[first], b[first], weight[first]


def _parts(a: Ints, b: Ints, n: int) -> Ints:
    """(n,) part of each free junction, in the network without the held ones."""
    both = (a >= 0) & (b >= 0)
    links = sp.coo_matrix((np.ones(both.sum()), (a[both], b[both])), shape=(n, n))
    return connected_components(links, directed=False)[1]


@kernel
def _passed_on(child, parent, owed):
    """Add what each junction owes to its parent's, in this order."""
    for k in range(len(child)):
        owed[parent[child[k]]] += owed[child[k]]


@kernel
def _full_tubes(law, drop, radius, length, waist, rate, slope):
    for t in range(len(drop)):
        rate[t], slope[t] = wetted_flow(law, drop[t], length[t], radius[t], length[t], waist[t])


@kernel
def _yield_drops(law, radius, length, waist):
    drop = np.empty(len(radius))
    for t in range(len(radius)):
        drop[t] = yield_drop(law, length[t], radius[t], length[t], waist[t])
    return drop
