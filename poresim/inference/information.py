"""How much a further test is expected to tell: mutual information of its reading and what it is of.

Expected information (Lindley 1956, Ann Math Stat 27:986) about the unknowns theta, and about which
explanation E holds:

    I(theta; y) = E [ln p(y | theta) - ln p(y)],   I(E; y) = H(E) - E H(E | y),

with p(y) = sum_j w_j p(y | theta_j) over the posterior's draws (nested Monte Carlo: Rainforth et
al. 2018, ICML; from memory). Outer draws are made from the same draws, so each has its own among
the inner ones. With it, p(y) comes out too high on the whole and information too low, at most the
entropy of the weights; without it, too high (Foster et al. 2020, AISTATS; from memory). Both are
given for theta: where they differ, draws are too few for so sharp a test. Explanations leave it
out: their own would be favoured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.inference.temper import first_draws, systematic

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_BLOCK = 4_000_000  # numbers in a table that is held at a time


class Outcome(NamedTuple):
    """All readings after which one explanation would lead.

    leader : its number. chance : of such a reading. probabilities : (k,) expected after it.
    reading, reading_sd : (m,) mean and sd of such readings.
    """

    leader: int
    chance: float
    probabilities: Floats
    reading: Floats
    reading_sd: Floats


@dataclass(frozen=True)
class Information:
    """In bits. explanation : I(E; y), of ``explanation_most``, the entropy of E before the test.

    unknowns : I(theta; y), all unknowns and E together; unknowns_low and unknowns_high are what it
    is with and without each outer draw among the inner ones, unknowns their mean. _sd : Monte Carlo
    standard errors. outcomes : by which explanation would lead, the likeliest first.
    """

    explanation: float
    explanation_sd: float
    explanation_most: float
    unknowns: float
    unknowns_sd: float
    unknowns_low: float
    unknowns_high: float
    outcomes: list[Outcome]


def expected_information(
    weights: ArrayLike,
    explanations: ArrayLike,
    mean: ArrayLike,
    covariance: ArrayLike,
    seed: int | np.random.SeedSequence,
    outer: int = 1024,
) -> Information:
    """What a test is expected to tell, by N draws of the posterior over all explanations.

    weights : (N,) of any sum; best as many draws of each explanation, weighted by its probability
    over their number, so that those less probable are known as well. explanations : (N,) whole
    numbers from 0. mean : (N, m) what the test would read by each draw. covariance : (N, m, m), or
    (m, m) for all, of the reading's errors. outer : simulated readings.
    """
    w, of, mu, factor = _read(weights, explanations, mean, covariance)
    rng = np.random.default_rng(seed)
    rows = rng.permutation(systematic(w, outer, rng))
    noise = first_draws(1, outer, mu.shape[1], rng)[0]
    y = mu[rows] + np.einsum("nij,nj->ni", factor[rows if len(factor) > 1 else rows * 0], noise)
    total, own, parts = _mixture(y, rows, w, of, mu, factor)
    prior = np.bincount(of, w, minlength=parts.shape[1]).astype(np.float64)
    after = parts / parts.sum(axis=1, keepdims=True)
    gain = _entropy(prior) - _entropy(after)
    low = own - np.logaddexp(total, np.log(w[rows]) + own)
    high = own - total + np.log1p(-w[rows])
    both = (low + high) / 2
    bits = 1 / math.log(2)
    return Information(
        float(gain.mean()) * bits,
        float(gain.std(ddof=1)) / math.sqrt(outer) * bits,
        float(_entropy(prior)) * bits,
        float(both.mean()) * bits,
        float(both.std(ddof=1)) / math.sqrt(outer) * bits,
        float(low.mean()) * bits,
        float(high.mean()) * bits,
        _outcomes(y, after),
    )


def _mixture(
    y: Floats, rows: Integers, w: Floats, of: Integers, mu: Floats, factor: Floats
) -> tuple[Floats, Floats, Floats]:
    """For each reading: ln sum of w p over the other draws, ln p of its own; shares (outer, k).

    Densities lack the factor (2 pi)^(-m/2), which is common to all.
    """
    n, m = mu.shape
    inverse = np.linalg.inv(factor)
    level = np.log(w) - np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    centre = np.einsum("nij,nj->ni", np.broadcast_to(inverse, (n, m, m)), mu)
    total, own = np.empty(len(y)), np.empty(len(y))
    parts = np.empty((len(y), int(of.max()) + 1))
    members = np.eye(parts.shape[1])[of]
    step = max(1, _BLOCK // (n * m))
    for start in range(0, len(y), step):
        some, mine = y[start : start + step], rows[start : start + step]
        white = (inverse @ some.T).transpose(0, 2, 1) - centre[:, None, :]
        density = level[:, None] - (white**2).sum(axis=2) / 2
        here = np.arange(len(mine))
        own[start : start + step] = density[mine, here] - np.log(w[mine])
        density[mine, here] = -math.inf
        top = density.max(axis=0)
        share = np.exp(density - top).T @ members
        parts[start : start + step] = share
        total[start : start + step] = top + np.log(share.sum(axis=1))
    return total, own, parts


def _outcomes(y: Floats, after: Floats) -> list[Outcome]:
    leader = after.argmax(axis=1)
    found = [
        Outcome(
            int(k),
            float(np.mean(leader == k)),
            after[leader == k].mean(axis=0),
            y[leader == k].mean(axis=0),
            y[leader == k].std(axis=0),
        )
        for k in np.unique(leader)
    ]
    return sorted(found, key=lambda one: -one.chance)


def _entropy(shares: Floats) -> Floats:
    """-sum p ln p over the last axis."""
    return np.asarray(-(shares * np.log(np.where(shares > 0, shares, 1.0))).sum(axis=-1))


def _read(
    weights: ArrayLike, explanations: ArrayLike, mean: ArrayLike, covariance: ArrayLike
) -> tuple[Floats, Integers, Floats, Floats]:
    """Draws of weight above 0, with Cholesky factors of their covariances (N or 1, m, m)."""
    w, mu = np.asarray(weights, np.float64), np.asarray(mean, np.float64)
    of, spread = np.asarray(explanations), np.asarray(covariance, np.float64)
    if w.ndim != 1 or of.shape != w.shape or mu.ndim != 2 or len(mu) != len(w) or not mu.size:
        raise ValueError(
            f"weights (N,), explanations (N,) and mean (N, m), got {w.shape}, {of.shape} and "
            f"{mu.shape}"
        )
    m = mu.shape[1]
    if spread.shape not in ((m, m), (len(w), m, m)):
        raise ValueError(f"covariance must be (N, {m}, {m}) or ({m}, {m}), got {spread.shape}")
    if not np.issubdtype(of.dtype, np.integer) or (of < 0).any():
        raise ValueError("explanations must be whole numbers from 0")
    if not (np.isfinite(w).all() and (w >= 0).all() and np.isfinite(mu).all()):
        raise ValueError("weights must be 0 or more, and what is read finite")
    used = w > 0
    if used.sum() < 2:
        raise ValueError("two or more draws of weight above 0 are needed")
    spread = spread[None] if spread.ndim == 2 else spread[used]
    try:
        factor = np.asarray(np.linalg.cholesky(spread), np.float64)
    except np.linalg.LinAlgError:
        raise ValueError("covariances must be positive definite") from None
    return w[used] / w[used].sum(), of[used].astype(np.int64), mu[used], factor
