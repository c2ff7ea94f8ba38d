"""Solves weighted graph Laplacians: sum_t g_t (x_a - x_b) = b at every free junction.

Direct factors for small and flat networks; for large ones in space, conjugate gradients with one
coarse correction. The coarse unknowns are clusters of junctions found by matching along the
strongest tubes, so that any graph will do. One symmetric cycle preconditions: a Gauss-Seidel
sweep, the coarse correction, a sweep backwards.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from poresim.tube.jit import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_DIRECT_UP_TO = 16_000  # free junctions, in space
_DIRECT_FLAT_UP_TO = 400_000
_COARSE = 4_000  # junctions of the coarse network, about
_MOST_ITERATIONS = 2_000


class Laplacian:
    """A network with some junctions held: ``a``, ``b`` (t,) free indices or -1 (held), ``n`` free.

    Every free junction must be joined, through tubes, to a held one.
    """

    def __init__(self, a: Ints, b: Ints, n: int, flat: bool) -> None:
        self.n = n
        self._a_free, self._b_free = a >= 0, b >= 0
        both = self._both = self._a_free & self._b_free
        a_in, b_in = a[self._a_free], b[self._b_free]
        self._rows = np.concatenate([a_in, b_in, a[both], b[both]])
        self._columns = np.concatenate([a_in, b_in, b[both], a[both]])
        self.direct = n <= (_DIRECT_FLAT_UP_TO if flat else _DIRECT_UP_TO)
        self._groups: Ints | None = None

    def matrix(self, conductance: Floats) -> sp.csc_matrix:
        """(n, n) Laplacian; ``conductance`` (t,) above 0."""
        across = -conductance[self._both]
        data = np.concatenate(
            [conductance[self._a_free], conductance[self._b_free], across, across]
        )
        return sp.csc_matrix((data, (self._rows, self._columns)), shape=(self.n, self.n))

    def solver(self, conductance: Floats) -> Any:
        """A function (rhs, relative tolerance) -> x for these conductances.

        It does not promise the tolerance: the caller checks the balance of its flows.
        """
        matrix = self.matrix(conductance)
        if self.direct:
            factors = _factor(matrix)
            return lambda rhs, tolerance: factors.solve(rhs)
        rows = sp.csr_matrix(matrix)
        if self._groups is None:
            self._groups = clusters(rows, _COARSE)
        cycle = _two_level(rows, self._groups)

        return lambda rhs, tolerance: _conjugate_gradients(rows, cycle, rhs, tolerance)


def _conjugate_gradients(
    matrix: sp.csr_matrix, cycle: Callable[[Floats], Floats], rhs: Floats, tolerance: float
) -> Floats:
    """Preconditioned conjugate gradients, to a residual of ``tolerance`` x that of 0."""
    x, left = np.zeros(len(rhs)), rhs.copy()
    goal = tolerance**2 * _dot(rhs, rhs)
    if goal == 0.0:
        return x
    along = cycle(left)
    weight = _dot(left, along)
    for _ in range(_MOST_ITERATIONS):
        pushed = matrix @ along
        if _stepped(x, left, along, pushed, weight / _dot(along, pushed)) <= goal:
            break
        fresh = cycle(left)
        before, weight = weight, _dot(left, fresh)
        along *= weight / before
        along += fresh
    return x


def _factor(matrix: sp.csc_matrix) -> Any:
    return splu(
        matrix,
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )


def clusters(matrix: sp.csr_matrix, at_most: int) -> Ints:
    """(n,) cluster of each junction: pairs along the strongest tubes, pairs of pairs, ..."""
    group = np.arange(matrix.shape[0])
    coarse = matrix
    while coarse.shape[0] > at_most:
        pair, count = _matched(coarse)
        if count > 0.9 * coarse.shape[0]:
            break
        group = pair[group]
        coarse = _gathered(coarse, pair, count)
    return group


def _gathered(matrix: sp.csr_matrix, group: Ints, count: int) -> sp.csr_matrix:
    n = len(group)
    gather = sp.csr_matrix((np.ones(n), (group, np.arange(n))), shape=(count, n))
    return sp.csr_matrix(gather @ matrix @ gather.T)


def _two_level(matrix: sp.csr_matrix, group: Ints) -> Callable[[Floats], Floats]:
    count = int(group.max()) + 1
    factors = _factor(sp.csc_matrix(_gathered(matrix, group, count)))
    pattern = (matrix.indptr, matrix.indices, matrix.data, matrix.diagonal())

    def apply(residual: Floats) -> Floats:
        x = np.zeros(len(residual))
        _sweep(*pattern, residual, x, False)
        left = residual - matrix @ x
        x += factors.solve(np.bincount(group, weights=left, minlength=count))[group]
        _sweep(*pattern, residual, x, True)
        return x

    return apply


def _matched(matrix: sp.csr_matrix) -> tuple[Ints, int]:
    """Join junctions in pairs, strongest tube first; (pair of each, number of pairs)."""
    upper = sp.coo_matrix(sp.triu(matrix, k=1))
    order = np.argsort(upper.data, kind="stable")  # off-diagonal entries are -g
    pair = _pair_in_order(upper.row[order], upper.col[order], matrix.shape[0])
    return pair, int(pair.max()) + 1


@kernel
def _pair_in_order(a, b, n):
    pair = np.full(n, -1)
    count = 0
    for t in range(len(a)):
        if pair[a[t]] < 0 and pair[b[t]] < 0:
            pair[a[t]] = pair[b[t]] = count
            count += 1
    for i in range(n):
        if pair[i] < 0:
            pair[i] = count
            count += 1
    return pair


@kernel
def _sweep(indptr, indices, data, diagonal, rhs, x, backward):
    """One Gauss-Seidel sweep, in place."""
    n = len(rhs)
    for k in range(n):
        i = n - 1 - k if backward else k
        rest = rhs[i]
        for e in range(indptr[i], indptr[i + 1]):
            rest -= data[e] * x[indices[e]]
        x[i] += rest / diagonal[i]


@kernel
def _dot(a, b):
    total = 0.0
    for i in range(len(a)):
        total += a[i] * b[i]
    return total


@kernel
def _stepped(x, left, along, pushed, share):
    """Move x by ``share`` of ``along``, the residual with it; the residual's new square."""
    square = 0.0
    for i in range(len(x)):
        x[i] += share * along[i]
        left[i] -= share * pushed[i]
        square += left[i] * left[i]
    return square
