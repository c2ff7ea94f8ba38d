"""The three linear solves of the rivals, each with a library's own routine."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import LinearOperator, cg, splu

Floats = NDArray[np.float64]

MOST_ITERATIONS = 5000


class Solver(Protocol):
    """What solves the rivals' matrix; ``iterations`` counts those of iterative solves."""

    iterations: int

    def __call__(self, matrix: sp.csr_matrix, right: Floats, guess: Floats) -> Floats:
        """The solution (n,) of a symmetric positive definite matrix (n, n)."""


class NotSolved(RuntimeError):
    """A linear solve did not reach its tolerance."""


class Direct:
    """scipy's sparse direct solve."""

    def __init__(self) -> None:
        self.iterations = 0

    def __call__(self, matrix: sp.csr_matrix, right: Floats, guess: Floats) -> Floats:
        # symmetric: its rows are its columns
        columns = sp.csc_matrix((matrix.data, matrix.indices, matrix.indptr), matrix.shape)
        try:
            factors = splu(
                columns,
                permc_spec="MMD_AT_PLUS_A",
                diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )
        except RuntimeError as error:
            if "MALLOC" in str(error):  # one of the two ways that it says so
                raise MemoryError from None
            raise
        return factors.solve(right)


class Jacobi:
    """scipy's conjugate gradients with Jacobi's preconditioner, from the guess.

    The matrix is scaled to a diagonal of ones, which is the same as preconditioning with the
    diagonal, at less cost; and ``tolerance`` then bounds the scaled residual over the scaled
    right side, which does not overlook junctions where little flows.
    """

    def __init__(self, tolerance: float) -> None:
        self.tolerance = tolerance
        self.iterations = 0

    def __call__(self, matrix: sp.csr_matrix, right: Floats, guess: Floats) -> Floats:
        scaled, scale = _scaled(matrix)
        return self._iterate(scaled, right * scale, guess / scale, None) * scale

    def _iterate(
        self, matrix: sp.csr_matrix, right: Floats, guess: Floats, cycle: LinearOperator | None
    ) -> Floats:
        found, left = cg(
            matrix, right, x0=guess, rtol=self.tolerance, maxiter=MOST_ITERATIONS, M=cycle,
            callback=self._count,
        )  # fmt: skip
        if left != 0:
            raise NotSolved(f"not solved in {MOST_ITERATIONS} iterations")
        return found

    def _count(self, _: Floats) -> None:
        self.iterations += 1


class Aggregation(Jacobi):
    """The same, preconditioned by pyamg's aggregation, whose levels are made for every solve.

    Levels kept for several solves, smoothed prolongation and other strengths of connection were
    tried: see PERFORMANCE.md.
    """

    def __init__(self, tolerance: float, smooth: str | None = None) -> None:
        super().__init__(tolerance)
        import pyamg

        self._levels = pyamg.smoothed_aggregation_solver
        self._smooth = smooth

    def __call__(self, matrix: sp.csr_matrix, right: Floats, guess: Floats) -> Floats:
        scaled, scale = _scaled(matrix)
        near_null = (1 / scale)[:, None]  # equal pressures, in scaled unknowns
        levels = self._levels(scaled, B=near_null, symmetry="symmetric", smooth=self._smooth)
        cycle = levels.aspreconditioner()
        return self._iterate(scaled, right * scale, guess / scale, cycle) * scale


def _scaled(matrix: sp.csr_matrix) -> tuple[sp.csr_matrix, Floats]:
    """D^-1/2 A D^-1/2 and the diagonal (n,) of D^-1/2."""
    scale = 1 / np.sqrt(matrix.diagonal())
    data = matrix.data * np.repeat(scale, np.diff(matrix.indptr)) * scale[matrix.indices]
    return sp.csr_matrix((data, matrix.indices, matrix.indptr), matrix.shape), scale
