"""How much a further test is expected to tell: mutual information of its reading and what it is of.

Expected information (Lindley 1956, Ann Math Stat 27:986) about the unknowns theta, and about which
explanation E holds:

    I(theta; y) = E [ln p(y | theta) - ln p(y)],   I(E; y) = H(E) + E ln p(E | y),

with p(y) = sum_j w_j p(y | theta_j) over the posterior's draws (nested Monte Carlo: Rainforth et
al. 2018, ICML; from memory). Outer draws are made from the same draws, so each has its own among
the inner ones. With it, p(y) comes out too high on the whole and information too low, at most the
entropy of the weights; without it, too high (Foster et al. 2020, AISTATS; from memory). Both are
given for theta: where they differ, draws are too few for so sharp a test.

For explanations H(E) + E ln q(E | y) is taken, which is at most I whatever q, and I where q is
p(E | y) (Barber & Agakov 2003, NIPS; from memory). q leaves the own draw out, which would favour
its own. Where few other draws come near a reading, the explanation of the nearest would seem
certain, so other q are tried: each draw's density widened by a share of the draws' spread, and one
normal law an explanation. The one that comes out highest is the closest.
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
_WIDENED = (0.15, 0.4)  # shares of the draws' spread, tried besides none
_MATTERS = 0.02  # nats: leaving the own draw out costs about one over their number


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
    standard errors. widened : by which share of their spread draws were widened to tell
    explanations, inf for normal laws: above 0 draws are few for so sharp a test, and the
    information about explanations may be more than is said. outcomes : by which explanation would
    lead, the likeliest first.
    """

    explanation: float
    explanation_sd: float
    explanation_most: float
    unknowns: float
    unknowns_sd: float
    unknowns_low: float
    unknowns_high: float
    widened: float
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
    entropy = _entropy(np.bincount(of, w).astype(np.float64))
    total, own, after = _mixture(y, rows, w, of, mu, factor)
    tried = {0.0: after, math.inf: _normal_laws(y, rows, w, of, mu, factor)}
    within = _spread_within(w, of, mu)
    for share in _WIDENED:
        wider = _factor(factor @ factor.transpose(0, 2, 1) + share**2 * within)
        tried[share] = _mixture(y, rows, w, of, mu, wider)[2]
    logs = {share: _logs(one, of[rows]) for share, one in tried.items()}
    widened = _closest(logs)
    # where draws suffice, the mean over E given y is known: H(E) - H(E | y), which scatters less
    gain = entropy + logs[widened] if widened else entropy - _entropy(after)
    low = own - np.logaddexp(total, np.log(w[rows]) + own)
    high = own - total + np.log1p(-w[rows])
    both = (low + high) / 2
    bits = 1 / math.log(2)
    return Information(
        max(float(gain.mean()), 0.0) * bits,
        float(gain.std(ddof=1)) / math.sqrt(outer) * bits,
        float(entropy) * bits,
        float(both.mean()) * bits,
        float(both.std(ddof=1)) / math.sqrt(outer) * bits,
        float(low.mean()) * bits,
        float(high.mean()) * bits,
        widened,
        _outcomes(y, tried[widened]),
    )


def _mixture(
    y: Floats, rows: Integers | None, w: Floats, of: Integers, mu: Floats, factor: Floats
) -> tuple[Floats, Floats, Floats]:
    """For each reading: ln sum of w p over the other draws, ln p of its own; P(E) (outer, k).

    rows : (outer,) which draw a reading came from; None: of none. Densities lack the factor
    (2 pi)^(-m/2), which is common to all.
    """
    n, m = mu.shape
    inverse = np.linalg.inv(factor)
    level = np.log(w) - np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    centre = np.einsum("nij,nj->ni", np.broadcast_to(inverse, (n, m, m)), mu)
    total, own = np.empty(len(y)), np.zeros(len(y))
    parts = np.empty((len(y), int(of.max()) + 1))
    members = np.eye(parts.shape[1])[of]
    step = max(1, _BLOCK // (n * m))
    for start in range(0, len(y), step):
        some = y[start : start + step]
        white = (inverse @ some.T).transpose(0, 2, 1) - centre[:, None, :]
        density = level[:, None] - (white**2).sum(axis=2) / 2
        if rows is not None:
            mine, here = rows[start : start + step], np.arange(len(some))
            own[start : start + step] = density[mine, here] - np.log(w[mine])
            density[mine, here] = -math.inf
        top = density.max(axis=0)
        share = np.exp(density - top).T @ members
        parts[start : start + step] = share / share.sum(axis=1, keepdims=True)
        total[start : start + step] = top + np.log(share.sum(axis=1))
    return total, own, parts


def _normal_laws(
    y: Floats, rows: Integers, w: Floats, of: Integers, mu: Floats, factor: Floats
) -> Floats:
    """P(E) (outer, k) as if the readings of each explanation were normal.

    The laws come from the half of the draws that the reading's own is not in.
    """
    errors = np.broadcast_to(factor @ factor.transpose(0, 2, 1), (len(w), *factor.shape[1:]))
    found = np.zeros((len(y), int(of.max()) + 1))
    for half in (0, 1):
        mine, used = rows % 2 != half, np.arange(len(w)) % 2 == half
        held = np.bincount(of[used], w[used]).astype(np.float64)
        some = np.flatnonzero(held).astype(np.int64)
        centres, spreads = [], []
        for k in some:
            own = used & (of == k)
            share = w[own] / held[k]
            centres.append(share @ mu[own])
            apart = mu[own] - centres[-1]
            spread = (share[:, None] * apart).T @ apart
            spreads.append(spread + np.tensordot(share, errors[own], 1))
        laws = np.array(centres), _factor(np.array(spreads))
        after = _mixture(y[mine], None, held[some], some, *laws)[2]
        found[mine, : after.shape[1]] = after
    return found


def _factor(covariance: Floats) -> Floats:
    return np.asarray(np.linalg.cholesky(covariance), np.float64)


def _spread_within(w: Floats, of: Integers, mu: Floats) -> Floats:
    """Covariance (m, m) of the draws' means about those of their own explanation."""
    members = np.eye(int(of.max()) + 1)[of] * w[:, None]
    held = np.maximum(members.sum(axis=0), 1e-300)
    apart = mu - (members.T @ mu / held[:, None])[of]
    return np.asarray((w[:, None] * apart).T @ apart)


def _closest(logs: dict[float, Floats]) -> float:
    """The highest on the whole; draws as they are (0) unless beaten surely and by what matters."""
    best = max(logs, key=lambda share: float(logs[share].mean()))
    gain = logs[best] - logs[0.0]
    surely = gain.mean() > 2 * gain.std() / math.sqrt(len(gain)) + _MATTERS
    return best if surely else 0.0


def _logs(after: Floats, true: Integers) -> Floats:
    """ln of the probability of the explanation that each reading came from."""
    return np.asarray(np.log(np.maximum(after[np.arange(len(true)), true], 1e-300)))


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
        factor = _factor(spread)
    except np.linalg.LinAlgError:
        raise ValueError("covariances must be positive definite") from None
    return w[used] / w[used].sum(), of[used].astype(np.int64), mu[used], factor
