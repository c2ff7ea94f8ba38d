"""How features at two places hang together: the Matern law of 5/2, a length for each unknown.

k(x, x') = (1 + r + r^2/3) exp(-r), r^2 = 5 sum_j ((x_j - x'_j) / length_j)^2 (Rasmussen & Williams
2006, eq. 4.17; from memory). Lengths are those under which what was seen is likeliest (their
eq. 5.8): marginal likelihood of a Gaussian process with a free linear trend, the same lengths and
share of noise for the main components of the features.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_TREND = 100.0  # prior variance of the trend, in those of the features
_STARTS = ((1.5, -2.0), (0.5, -3.0))  # length; ln of the noise's variance
# no length is less than a quarter of the span: runs are too few to tell it, and where some hardly
# scatter a surface would go through every one
_BOUNDS = ((math.log(0.5), math.log(50)), (-8.0, 8.0), (-14.0, 3.0))
_MOST_STEPS, _COMPONENTS, _WEAK = 60, 3, 1e-3
_LEAST_NOISE = 1e-6


def matern(a: Floats, b: Floats, lengths: Floats) -> Floats:
    """k between all rows of a (n, d) and b (m, d): (n, m)."""
    r, power = _distances(a, b, lengths)
    return np.asarray((1 + r + r * r / 3) * power)


def matern_at_pairs(a: Floats, b: Floats) -> Floats:
    """(n,) k between each row of a (n, d) and that of b (n, d), both in units of the lengths."""
    r = np.sqrt(5 * ((a - b) ** 2).sum(axis=1))
    return np.asarray((1 + r + r * r / 3) * np.exp(-r))


def likely_lengths(x: Floats, features: Floats, noise: Floats) -> list[Floats]:
    """Lengths (d,) that are likeliest near each of two starts: the likelihood has several humps.

    In the units of x, which should span about 2. x : (n, d), features : (n, p). noise : (n,) by
    how much the runs' variances differ.
    """
    from scipy.optimize import minimize

    scores = _main(features)
    d = x.shape[1]
    trend = _TREND * (1 + x @ x.T)
    found = [
        minimize(
            _minus_log_likelihood,
            np.concatenate([np.full(d, math.log(length)), [0.0, level]]),
            args=(x, scores, trend, noise),
            jac=True,
            method="L-BFGS-B",
            bounds=[_BOUNDS[0]] * d + list(_BOUNDS[1:]),
            options={"maxiter": _MOST_STEPS},
        )
        for length, level in _STARTS
    ]
    return [np.exp(one.x[:d]) for one in found]


def _main(features: Floats) -> Floats:
    """Scores of the main components, of variance 1 each, (n, up to 3)."""
    u, s, _ = np.linalg.svd(features - features.mean(axis=0), full_matrices=False)
    kept = max(1, min(_COMPONENTS, int((s > _WEAK * s[0]).sum())))
    return np.asarray(u[:, :kept] * math.sqrt(len(features)))


def _minus_log_likelihood(
    p: Floats, x: Floats, scores: Floats, trend: Floats, profile: Floats
) -> tuple[float, Floats]:
    """Of ln lengths, ln variance, ln noise; and its derivatives."""
    d = x.shape[1]
    count = scores.shape[1]
    lengths, size, noise = np.exp(p[:d]), math.exp(p[d]), math.exp(p[d + 1])
    r, power = _distances(x, x, lengths)
    k = (1 + r + r * r / 3) * power
    factor = np.linalg.cholesky(size * k + trend + np.diag(noise * profile + _LEAST_NOISE))
    half = np.linalg.inv(factor)
    inverse = half.T @ half
    fitted = inverse @ scores
    value = count * np.log(np.diag(factor)).sum() + (scores * fitted).sum() / 2
    by = (count * inverse - fitted @ fitted.T) / 2  # d value / d covariance
    bend = by * (size * 5 / 3 * (1 + r) * power)  # d k / d ln length_j = 5/3 (1 + r) e^-r D_j^2
    apart = 2 * (bend.sum(axis=1) @ x**2 - (x * (bend @ x)).sum(axis=0))
    slopes = np.concatenate(
        [apart / lengths**2, [size * (by * k).sum(), noise * (np.diag(by) @ profile)]]
    )
    return float(value), slopes


def _distances(a: Floats, b: Floats, lengths: Floats) -> tuple[Floats, Floats]:
    """r, and exp(-r)."""
    p, q = a / lengths, b / lengths
    square = p @ (-2 * q.T)
    square += (p * p).sum(axis=1)[:, None]
    square += (q * q).sum(axis=1)
    np.maximum(square, 0.0, out=square)
    square *= 5
    r = np.sqrt(square, out=square)
    return r, np.exp(-r)
