"""Densities of many small normal laws at once, compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel

Floats = NDArray[np.float64]

_LN_2PI = math.log(2 * math.pi)


def log_densities(apart: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """ln density of rows (n, k, m) about their means, and their squares: each (n,).

    covariance : (n, m, m), of each of the k rows of a place. The squares are sum x' C^-1 x over
    the rows. ValueError: a covariance that is not positive definite.
    """
    n, k, m = apart.shape
    log_roots, squares = np.empty(n), np.empty(n)
    _densities(np.ascontiguousarray(apart), covariance.copy(), log_roots, squares)
    if not np.isfinite(log_roots).all():
        raise ValueError("covariances must be positive definite")
    return -0.5 * (squares + k * (2 * log_roots + m * _LN_2PI)), squares


@kernel
def _densities(
    apart: Floats, factor: Floats, log_roots: Floats, squares: Floats
) -> None:  # pragma: no cover
    """Cholesky factors L in place of covariances, sums of ln L_ii and of squares of L^-1 x."""
    n, rows, m = apart.shape
    score = np.empty(m)
    for at in range(n):
        size = 0.0
        for i in range(m):
            for j in range(i + 1):
                total = factor[at, i, j]
                for p in range(j):
                    total -= factor[at, i, p] * factor[at, j, p]
                if i == j:
                    factor[at, i, i] = math.sqrt(total) if total > 0.0 else math.nan
                    size += math.log(factor[at, i, i])
                else:
                    factor[at, i, j] = total / factor[at, j, j]
        whole = 0.0
        for k in range(rows):
            for i in range(m):
                value = apart[at, k, i]
                for p in range(i):
                    value -= factor[at, i, p] * score[p]
                score[i] = value / factor[at, i, i]
                whole += score[i] * score[i]
        log_roots[at] = size
        squares[at] = whole
