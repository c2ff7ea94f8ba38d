"""Penalised least squares, and what each run's prediction is when it is left out.

y = T a + B b + error; a free, b held by penalty |b|^2. The fitted values are H y with H known, so
what is left of run i when it is left out is r_i / (1 - H_ii), and of a group
of runs G (I - H_GG)^-1 r_G (PRESS: Allen 1974, Technometrics 16:125; from memory). The penalty is
the one that makes the sum of their squares least.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = list[NDArray[np.int64]]

PENALTIES = 10.0 ** np.arange(-8.0, 4.25, 0.5)
_SMALL = 1e-10  # of 1 - H_ii: such a run is fitted by itself alone


class Ridge(NamedTuple):
    """coefficients : (t + k, p) of the trend's and the basis's columns.

    left_out : (n, p) run minus its prediction without its group. penalty : the one taken. freedom :
    trace of H, how many coefficients are free in effect.
    """

    coefficients: Floats
    left_out: Floats
    penalty: float
    freedom: float


class Smoother:
    """What can be had once for any values at the same places.

    trend : (n, t) of full rank. basis : (n, k). groups : from `rows_of`.
    """

    def __init__(self, trend: Floats, basis: Floats, groups: Rows) -> None:
        self.columns = np.hstack([trend, basis])
        self.free = trend.shape[1]
        self.groups = groups
        self._q, self._r = np.linalg.qr(trend)
        self._shared = self._q.T @ basis
        self._u, self._s, self._vt = np.linalg.svd(
            basis - self._q @ self._shared, full_matrices=False
        )

    def fit(
        self, values: Floats, penalties: Floats = PENALTIES, *, plainest: bool = False
    ) -> Ridge:
        """values : (n, p). The best of the penalties, which rise; or with ``plainest`` the greatest
        that is not surely worse: by no more than a standard error (Breiman et al. 1984, Cart, 3.4;
        from memory)."""
        q, u = self._q, self._u
        level, along = q.T @ values, u.T @ values
        tried = []
        for penalty in penalties:
            kept = self._s**2 / (self._s**2 + penalty)
            left = values - q @ level - u @ (kept[:, None] * along)
            tried.append(_left_out(left, q, u, kept, self.groups))
        squares = [(out**2).sum(axis=1) for out in tried]
        best = int(np.argmin([float(one.sum()) for one in squares]))
        if plainest:
            worse = [one - squares[best] for one in squares]
            error = [float(one.std()) / math.sqrt(len(one)) for one in worse]
            fine = [float(one.mean()) <= e for one, e in zip(worse, error, strict=True)]
            best = max(k for k, good in enumerate(fine) if good)
        penalty, out = float(penalties[best]), tried[best]
        b = self._vt.T @ ((self._s / (self._s**2 + penalty))[:, None] * along)
        a = np.linalg.solve(self._r, level - self._shared @ b)
        freedom = self.free + float((self._s**2 / (self._s**2 + penalty)).sum())
        return Ridge(np.vstack([a, b]), out, penalty, freedom)

    def moved(self, penalty: float) -> Floats:
        """(t + k, r): by how much coefficients move with values along r orthonormal directions, all
        in which fitted values can move; so c' moved of columns c has as square the variance of what
        is fitted there, where that of every value is 1 and they are independent."""
        along = self._vt.T * (self._s / (self._s**2 + penalty))
        level = np.linalg.solve(self._r, np.hstack([np.eye(self.free), -self._shared @ along]))
        none = np.zeros((len(along), self.free))
        return np.vstack([level, np.hstack([none, along])])

    def project(self, values: Floats, penalty: float) -> Floats:
        """Coefficients (t + k,) for values (n,) at one penalty."""
        level, along = self._q.T @ values, self._u.T @ values
        b = self._vt.T @ (self._s / (self._s**2 + penalty) * along)
        a = np.linalg.solve(self._r, level - self._shared @ b)
        return np.concatenate([a, b])


def rows_of(groups: NDArray[np.int64]) -> Rows:
    """Rows that share a label, for each size of group a table (groups, size)."""
    order = np.argsort(groups, kind="stable")
    _, starts, counts = np.unique(groups[order], return_index=True, return_counts=True)
    return [order[starts[counts == size][:, None] + np.arange(size)] for size in np.unique(counts)]


def _left_out(left: Floats, q: Floats, u: Floats, kept: Floats, groups: Rows) -> Floats:
    """(I - H_GG)^-1 r_G for every group; H = q q' + u kept u'."""
    out = np.empty_like(left)
    for rows in groups:
        if rows.shape[1] == 1:
            i = rows[:, 0]
            own = (q[i] ** 2).sum(axis=1) + u[i] ** 2 @ kept
            out[i] = left[i] / np.maximum(1 - own, _SMALL)[:, None]
            continue
        part, bent = q[rows], u[rows]
        hat = part @ part.transpose(0, 2, 1) + (bent * kept) @ bent.transpose(0, 2, 1)
        eye = np.eye(rows.shape[1]) * (1 + _SMALL)
        out[rows] = np.linalg.solve(eye - hat, left[rows])
    return out
