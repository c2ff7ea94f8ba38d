"""How far runs scatter about a surface, and how that depends on the unknowns.

What is left of runs is turned into its main components; their covariance is L diag(v) L' + diag(r),
where v + L' r L, the mean square of a component's score, is exp(eta(x)), eta smooth. First ln of
the squares is smoothed (its mean is eta - 1.2704, its variance pi^2/2: ln of a chi-square of one
degree of freedom), the smoothness chosen by leaving out; then eta is improved by Fisher scoring for
a gamma law, whose scores have the lesser variance of 2 (McCullagh & Nelder 1989, ch. 8; from
memory). What the components leave beside them is one more of the same; it is seen in p - q of p
directions, and r makes up for the others (probabilistic principal components: Tipping & Bishop
1999, J R Statist Soc B 61:611; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.inference.ridge import Smoother

Floats = NDArray[np.float64]

_COMPONENTS = 6
_STANDS_OUT = 1.5  # times the mean square of the components from it on
_MEAN_LOG, _VARIANCE_LOG, _VARIANCE_GAMMA = -1.2703628454614782, np.pi**2 / 2, 2.0
_FLOOR = 1e-12  # of the mean square: residuals that are 0 have no logarithm
_STEPS = 12
_LEAP = 4.0  # at most, of a score in a step
_BEYOND = 0.5  # how far ln of a size may leave the range seen at the runs


@dataclass(frozen=True)
class Scatter:
    """loadings : (p, q). rest : (p,) variances r, at their mean. shared : (q,) L' r L.

    coefficients : (columns, q + 1) of eta, the last for what multiplies ``rest``. low, high :
    (q + 1,) the range of eta.
    """

    loadings: Floats
    rest: Floats
    shared: Floats
    coefficients: Floats
    low: Floats
    high: Floats

    def sizes(self, eta: Floats) -> tuple[Floats, Floats]:
        """Variances of the components (m, q) and of the rest (m, p) from eta (m, q + 1)."""
        size = np.exp(np.clip(eta, self.low, self.high))
        variance = size[:, :-1] - size[:, -1:] * self.shared
        return np.maximum(variance, 0.0), size[:, -1:] * self.rest

    def squares(self, left: Floats, eta: Floats) -> Floats:
        """Squares of what is left, (m, p), over their variances: (m, q + 1)."""
        return _squares(left, self.loadings, self.rest) / np.exp(np.clip(eta, self.low, self.high))

    def turned(self, varied: NDArray[np.bool_], turn: Floats, size: Floats) -> Scatter:
        """The same in other units of the features, for all columns of the trend and the kernel."""
        return Scatter(
            self.loadings * size[:, None],
            self.rest * size**2,
            self.shared,
            spread_out(self.coefficients, varied, turn),
            self.low,
            self.high,
        )


def scatter_of(smoother: Smoother, left: Floats) -> Scatter:
    """The scatter of ``left`` (n, p): runs minus their predictions when left out."""
    loadings, rest = _components(left)
    squares = _squares(left, loadings, rest)
    coefficients = np.stack([_smooth(smoother, s) for s in squares.T], axis=1)
    eta = smoother.columns @ coefficients
    return Scatter(
        loadings,
        rest,
        rest @ loadings**2,
        coefficients,
        eta.min(axis=0) - _BEYOND,
        eta.max(axis=0) + _BEYOND,
    )


def spread_out(coefficients: Floats, varied: NDArray[np.bool_], turn: Floats) -> Floats:
    """From columns of the trend that were used and the turned basis to all and the kernel's own."""
    used = int(varied.sum())
    trend = np.zeros((len(varied), coefficients.shape[1]))
    trend[varied] = coefficients[:used]
    return np.vstack([trend, turn @ coefficients[used:]])


def _components(left: Floats) -> tuple[Floats, Floats]:
    """Directions (p, q) that stand out, and the variances r (p,) of what is beside them."""
    _, s, vt = np.linalg.svd(left, full_matrices=False)
    square, p = s**2, left.shape[1]
    count = 1
    while count < min(_COMPONENTS, len(s)) and square[count] > _STANDS_OUT * square[count:].mean():
        count += 1
    if p <= _COMPONENTS:
        count = len(s)
    loadings = vt[:count].T
    beside = left - left @ loadings @ loadings.T
    freedom = max(p - count, 1) / p
    return np.ascontiguousarray(loadings), np.asarray((beside**2).mean(axis=0) / freedom)


def _squares(left: Floats, loadings: Floats, rest: Floats) -> Floats:
    """Of the components' scores; and of what is beside them, meaned over features: (n, q + 1)."""
    scores = left @ loadings
    beside = (left - scores @ loadings.T) ** 2
    freedom = (left.shape[1] - loadings.shape[1]) / left.shape[1]
    known = freedom > 0 and rest.sum() > 1e-20
    mean = beside.sum(axis=1) / (rest.sum() * freedom) if known else np.ones(len(left))
    return np.hstack([scores**2, mean[:, None]])


def _smooth(smoother: Smoother, squares: Floats) -> Floats:
    """Coefficients of eta, squares ~ exp(eta) chi-square."""
    mean = max(float(squares.mean()), 1e-300)
    ratio = squares / mean
    logs = np.log(np.maximum(ratio, _FLOOR)) - _MEAN_LOG
    first = smoother.fit(logs[:, None], plainest=True)
    penalty = first.penalty * _VARIANCE_GAMMA / _VARIANCE_LOG
    b = first.coefficients[:, 0].copy()
    for _ in range(_STEPS):
        eta = np.clip(smoother.columns @ b, -30.0, 30.0)
        b = smoother.project(eta + np.clip(ratio * np.exp(-eta) - 1, -1.0, _LEAP), penalty)
    eta = np.clip(smoother.columns @ b, -30.0, 30.0)
    b[0] += np.log(max(float(np.mean(ratio * np.exp(-eta))), 1e-300)) + np.log(mean)
    return b
