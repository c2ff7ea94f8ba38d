"""Posterior and evidence of one explanation: sequential Monte Carlo by tempering.

Draws go from the prior (uniform in the unit cube) to the posterior through likelihood^t, t from 0
to 1 (Del Moral, Doucet & Jasra 2006, J R Statist Soc B 68:411; from memory). The next t leaves a
given share of effective draws among those weighted by likelihood^(t' - t); draws are resampled by
these weights, then moved (`moves`). The evidence is the product of the mean weights.

Draws live on islands that neither mix nor share weights, so that each gives an evidence of its own,
unbiased for a given ladder of t (Verge, Dubarry, Del Moral & Moulines 2015, Stat Comput 25:243;
from memory). Their mean is the answer, their scatter its standard error, and their evidences are
the weights of their draws. The ladder and the shape of the moves are learnt from all of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.inference.moves import Cloud, mix, to_cube

Floats = NDArray[np.float64]
LogLikelihood = Callable[[Floats], Floats]

_FIRST, _RESAMPLE, _MOVE = range(3)  # purposes of random streams
_BISECTIONS = 60
_MOST_STAGES = 2000


@dataclass(frozen=True)
class Posterior:
    """Draws in the unit cube, weighted; and the evidence.

    draws : (n, d). weights : (n,), sum 1. log_likelihood : (n,) of the draws.
    log_evidence : ln of the mean likelihood over the prior; -inf where no first draw had any, and
    then there are no draws. log_evidence_sd : its standard error, from the scatter of the islands
    (t with islands - 1 degrees of freedom). island_log_evidence : (islands,) ln of each's own.
    effective : how many independent draws would tell the means as well, judged by the scatter of
    the islands' means. temperatures : the ladder, 0 to 1. moves : (stages,) made at each.
    acceptance : (stages,) shares of proposals. evaluations : of the likelihood, one a row.
    """

    draws: Floats
    weights: Floats
    log_likelihood: Floats
    log_evidence: float
    log_evidence_sd: float
    island_log_evidence: Floats
    effective: float
    temperatures: Floats
    moves: NDArray[np.int64]
    acceptance: Floats
    evaluations: int

    def resampled(self, count: int, seed: int | np.random.SeedSequence) -> Floats:
        """``count`` draws of equal weight, (count, d)."""
        rng = np.random.default_rng(seed)
        return self.draws[systematic(self.weights, count, rng)]


def temper(
    log_likelihood: LogLikelihood,
    dimensions: int,
    seed: int | np.random.SeedSequence,
    particles: int = 2048,
    islands: int = 16,
    keep: float = 0.5,
    most_moves: int = 100,
) -> Posterior:
    """The posterior of ``dimensions`` unknowns, uniform before in the unit cube.

    log_likelihood : u (n, d) -> (n,); -inf where impossible, never NaN or +inf (ValueError).
    particles : draws in all, on ``islands`` of equal size. keep : the share of effective draws that
    a stage leaves. most_moves : in a stage, if draws do not forget where they were before. The
    same seed gives the same answer bit for bit.
    """
    _check(dimensions, particles, islands, keep)
    count = _Counted(log_likelihood)
    each = particles // islands
    z = first_draws(islands, each, dimensions, _stream(seed, _FIRST))
    cloud = Cloud(z, count(to_cube(z.reshape(islands * each, dimensions))).reshape(islands, each))
    if dimensions == 0:
        return _result(cloud, cloud.log_likelihood[:, 0], [0.0, 1.0], [0], [0.0], count.rows)
    log_evidence = np.zeros(islands)
    alive = np.arange(islands)
    ladder = [0.0]
    moves: list[int] = []
    accepted: list[float] = []
    picking, moving = _stream(seed, _RESAMPLE), _stream(seed, _MOVE)
    while ladder[-1] < 1 and len(ladder) < _MOST_STAGES:
        possible = np.isfinite(cloud.log_likelihood).any(axis=1)
        log_evidence[alive[~possible]] = -math.inf
        alive = alive[possible]
        cloud = Cloud(cloud.z[possible], cloud.log_likelihood[possible])
        if not len(alive):
            return _impossible(dimensions, islands, ladder, moves, accepted, count.rows)
        ladder.append(next_temperature(cloud.log_likelihood.ravel(), ladder[-1], keep))
        log_weight = (ladder[-1] - ladder[-2]) * cloud.log_likelihood
        log_evidence[alive] += _log_mean(log_weight)
        rows = np.stack([systematic(_weights(w), each, picking) for w in log_weight])
        cloud = Cloud(
            np.take_along_axis(cloud.z, rows[:, :, None], axis=1),
            np.take_along_axis(cloud.log_likelihood, rows, axis=1),
        )
        cloud, made, share = mix(cloud, ladder[-1], count, moving, most_moves)
        moves.append(made)
        accepted.append(share)
    if ladder[-1] < 1:
        raise RuntimeError(f"{_MOST_STAGES} stages of tempering reached only t = {ladder[-1]:g}")
    return _result(cloud, log_evidence, ladder, moves, accepted, count.rows)


def first_draws(islands: int, each: int, dimensions: int, rng: np.random.Generator) -> Floats:
    """Normal scores (islands, each, d) of Sobol' points, shifted at random for each island.

    The shift (modulo 1: Cranley & Patterson 1976; from memory) makes islands independent and every
    point uniform.
    """
    from scipy.special import ndtri
    from scipy.stats import qmc

    if dimensions == 0:
        return np.zeros((islands, each, 0))
    power = max(each - 1, 1).bit_length()
    points = qmc.Sobol(dimensions, scramble=False).random_base2(power)[:each]
    shifted = (points + rng.random((islands, 1, dimensions))) % 1.0
    return np.asarray(ndtri(np.clip(shifted, 1e-15, 1 - 1e-15)))


def next_temperature(log_likelihood: Floats, now: float, keep: float) -> float:
    """The greatest t up to 1 that leaves ``keep`` of the draws that are possible, by bisection."""
    possible = log_likelihood[np.isfinite(log_likelihood)]
    possible = possible - possible.max()

    def left(t: float) -> float:
        weight = np.exp((t - now) * possible)
        return float(weight.sum() ** 2 / (weight**2).sum()) / len(possible)

    if left(1.0) >= keep:
        return 1.0
    low, high = now, 1.0
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        low, high = (middle, high) if left(middle) >= keep else (low, middle)
    return high


def systematic(weights: Floats, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Rows drawn by weight with one random number: each w_i n rounded down or up (from memory:
    Carpenter, Clifford & Fearnhead 1999)."""
    ends = np.cumsum(weights)
    marks = (np.arange(count) + rng.random()) / count * ends[-1]
    return np.minimum(np.searchsorted(ends, marks, side="right"), len(weights) - 1)


class _Counted:
    """The likelihood, counting its rows and refusing what is none."""

    def __init__(self, log_likelihood: LogLikelihood) -> None:
        self._function = log_likelihood
        self.rows = 0

    def __call__(self, u: Floats) -> Floats:
        self.rows += len(u)
        found = np.asarray(self._function(u), np.float64)
        if found.shape != (len(u),):
            raise ValueError(f"log_likelihood gave shape {found.shape} for {len(u)} rows")
        if np.isnan(found).any() or np.isposinf(found).any():
            raise ValueError("log_likelihood gave NaN or +inf; where impossible it must be -inf")
        return found


def _check(dimensions: int, particles: int, islands: int, keep: float) -> None:
    if dimensions < 0:
        raise ValueError(f"dimensions must be 0 or more, got {dimensions}")
    if islands < 2 or particles < 8 * islands:
        raise ValueError(
            f"two or more islands of eight or more particles, got {islands} of {particles} in all"
        )
    if not 0 < keep < 1:
        raise ValueError(f"keep must lie between 0 and 1, got {keep:g}")


def _stream(seed: int | np.random.SeedSequence, purpose: int) -> np.random.Generator:
    root = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    key = (*root.spawn_key, purpose)
    return np.random.default_rng(np.random.SeedSequence(root.entropy, spawn_key=key))


def _weights(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _log_mean(log_weight: Floats) -> Floats:
    """ln of the mean over the last axis."""
    top = log_weight.max(axis=-1, keepdims=True)
    return np.asarray(top[..., 0] + np.log(np.exp(log_weight - top).mean(axis=-1)))


def _result(
    cloud: Cloud,
    log_evidence: Floats,
    ladder: list[float],
    moves: list[int],
    accepted: list[float],
    rows: int,
) -> Posterior:
    """The islands together; those without evidence have no draws left in the cloud."""
    if np.isneginf(log_evidence).all():
        return _impossible(cloud.z.shape[2], len(log_evidence), ladder, moves, accepted, rows)
    share = np.exp(log_evidence - log_evidence.max())
    spread = float(share.std(ddof=1) / (share.mean() * math.sqrt(len(share))))
    alive = share[np.isfinite(log_evidence)] / share.sum()
    islands, each, d = cloud.z.shape
    draws = to_cube(cloud.z)
    return Posterior(
        draws.reshape(islands * each, d),
        np.repeat(alive / each, each),
        cloud.log_likelihood.ravel(),
        float(log_evidence.max() + math.log(share.mean())),
        spread,
        log_evidence,
        _effective(draws, alive),
        np.array(ladder),
        np.array(moves, np.int64),
        np.array(accepted),
        rows,
    )


def _effective(draws: Floats, share: Floats) -> float:
    """Variance of the draws over that of their mean, which the islands' scatter tells.

    draws : (islands, each, d). Averaged over the unknowns; never above the number of draws.
    """
    islands, each, d = draws.shape
    kish = each / float((share**2).sum())
    if d == 0 or islands < 2:
        return kish
    means = draws.mean(axis=1)
    centre = share @ means
    about = ((draws - centre) ** 2).mean(axis=1)
    variance = share @ about
    error = share**2 @ (means - centre) ** 2 * islands / (islands - 1)
    moving = variance > 0
    if not moving.any():
        return 1.0
    ratio = float(np.mean(error[moving] / variance[moving]))
    return min(kish, 1 / ratio) if ratio > 0 else kish


def _impossible(
    dimensions: int,
    islands: int,
    ladder: list[float],
    moves: list[int],
    accepted: list[float],
    rows: int,
) -> Posterior:
    return Posterior(
        np.zeros((0, dimensions)),
        np.zeros(0),
        np.zeros(0),
        -math.inf,
        0.0,
        np.full(islands, -math.inf),
        0.0,
        np.array(ladder),
        np.array(moves, np.int64),
        np.array(accepted),
        rows,
    )
