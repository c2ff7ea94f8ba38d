"""Metropolis moves of a cloud of draws at one temperature, until they forget where they were.

Draws are normal scores z, u = Phi(z): the prior is standard normal and the cube has no walls. The
target is phi(z) likelihood(u)^t. Each draw tries, by chance, one of three moves. The first two are
shaped by the other half of the islands as it was before the moves: shaped by their own half,
evidences came out low by 0.004 a stage in 12 dimensions with 2048 draws; so, by nothing visible.

- anew: from a normal of their mean and covariance, whatever z is (independence sampler);
- along: z + s (z_a - z_b) + a little, a and b two of them (differential evolution: ter Braak 2006,
  Stat Comput 16:239; from memory); s = 2.38 / sqrt(2 d), adapted to what is accepted, or now and
  then 1, which leads from one hump of the posterior to another;
- about: sqrt(1 - b^2) z + b noise with b from 1 to a ten-thousandth, evenly in its logarithm
  (Neal 1999, preconditioned Crank-Nicolson; from memory), which no cloud shapes: it spreads draws
  where few have survived.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_ANEW, _ABOUT = 0.45, 0.1  # shares of tries; the others go along
_LEAST_B = 1e-4
_LEAP = 0.1  # of moves along: with s = 1
_LITTLE = 1e-3  # of the cloud's own spread
_WANTED = 0.25  # acceptance of moves along
_FORGOTTEN = 0.1  # correlation with where a draw was at the stage's start
_RIDGE = 1e-8  # of the mean variance, added to the covariance
_LEAST_MOVES = 2
_FEW = 8  # different draws an unknown: below that correlations tell nothing, and all moves are made


class Cloud(NamedTuple):
    """z : (islands, each, d) normal scores. log_likelihood : (islands, each) of them."""

    z: Floats
    log_likelihood: Floats


def to_cube(z: Floats) -> Floats:
    """u = Phi(z), strictly within the cube."""
    from scipy.special import ndtr

    return np.asarray(np.clip(ndtr(z), 1e-15, 1 - 1e-15))


def mix(
    cloud: Cloud,
    t: float,
    log_likelihood: Callable[[Floats], Floats],
    rng: np.random.Generator,
    most_moves: int,
) -> tuple[Cloud, int, float]:
    """The cloud moved under phi(z) likelihood^t; the number of moves; the share accepted.

    Moves end when the likelihoods, and the places along half of the cloud's own axes or more,
    correlate with those at the start by less than a tenth.
    """
    shape = cloud.z.shape
    z, ll = cloud.z.reshape(-1, shape[2]).copy(), cloud.log_likelihood.ravel().copy()
    halves = _halves(shape)
    proposers = [_Proposer(z[~own] if shape[0] > 1 else z) for own in halves]
    level = t * ll - (z**2).sum(axis=1) / 2
    begun, begun_ll = z.copy(), ll.copy()
    few = len(np.unique(z[:, 0])) < _FEW * shape[2]
    least = most_moves if few else _LEAST_MOVES
    accepted, made = 0, 0
    while made < most_moves:
        tried, log_ratio, along = np.empty_like(z), np.empty(len(z)), np.empty(len(z), bool)
        for own, proposer in zip(halves, proposers, strict=True):
            tried[own], log_ratio[own], along[own] = proposer.propose(z[own], rng)
        tried_ll = log_likelihood(to_cube(tried))
        tried_level = t * tried_ll - (tried**2).sum(axis=1) / 2
        takes = np.log(rng.random(len(z))) < tried_level - level + log_ratio
        z[takes], ll[takes], level[takes] = tried[takes], tried_ll[takes], tried_level[takes]
        made += 1
        accepted += int(takes.sum())
        for own, proposer in zip(halves, proposers, strict=True):
            proposer.adapt(takes[own], along[own])
        if made >= least and _forgotten(proposers[0], begun, z, begun_ll, ll):
            break
    moved = Cloud(z.reshape(shape), ll.reshape(shape[:2]))
    return moved, made, accepted / (made * len(z))


def _halves(shape: tuple[int, ...]) -> list[Bools]:
    """Which draws are on islands of even number, and which on odd ones."""
    even = np.repeat(np.arange(shape[0]) % 2 == 0, shape[1])
    return [even, ~even]


class _Proposer:
    """What is proposed, by a cloud (n, d) that stays as it was."""

    def __init__(self, z: Floats) -> None:
        n, d = z.shape
        self.cloud = z
        self.mean = z.mean(axis=0)
        spread = np.atleast_2d(np.cov(z, rowvar=False))
        spread = spread + np.eye(d) * (_RIDGE * np.trace(spread) / d + 1e-24)
        self.factor = np.linalg.cholesky(spread)
        self.inverse = np.linalg.inv(self.factor)
        self.step = 2.38 / math.sqrt(2 * d)

    def white(self, z: Floats) -> Floats:
        """Scores along the cloud's own axes, (n, d)."""
        return np.asarray((z - self.mean) @ self.inverse.T)

    def propose(self, z: Floats, rng: np.random.Generator) -> tuple[Floats, Floats, Bools]:
        """Tried places, ln of q(back) / q(there), and which are moves along that may be adapted."""
        n, d = z.shape
        kind = rng.random(n)
        anew, about = kind < _ANEW, kind >= 1 - _ABOUT
        leap = rng.random(n) < _LEAP
        noise = rng.standard_normal((n, d))
        ours = noise @ self.factor.T
        others = len(self.cloud)
        a = rng.integers(0, others, n)
        c = (a + rng.integers(1, others, n)) % others
        length = np.where(leap, 1.0, self.step)[:, None]
        b = (_LEAST_B ** rng.random(n))[:, None]
        tried: Floats = z + length * (self.cloud[a] - self.cloud[c]) + _LITTLE * ours
        tried[anew] = (self.mean + ours)[anew]
        tried[about] = (np.sqrt(1 - b**2) * z + b * noise)[about]
        log_ratio: Floats = np.zeros(n)
        log_ratio[anew] = ((noise**2).sum(axis=1) - (self.white(z) ** 2).sum(axis=1))[anew] / 2
        log_ratio[about] = ((tried**2).sum(axis=1) - (z**2).sum(axis=1))[about] / 2
        return tried, log_ratio, np.asarray(~(anew | about | leap))

    def adapt(self, takes: Bools, along: Bools) -> None:
        """A shorter step where too few moves along were accepted, a longer one where too many."""
        if along.any():
            self.step *= math.exp(float(takes[along].mean()) - _WANTED)


def _forgotten(
    proposer: _Proposer, begun: Floats, now: Floats, begun_ll: Floats, now_ll: Floats
) -> bool:
    first, last = proposer.white(begun), proposer.white(now)
    along = [_correlation(first[:, j], last[:, j]) for j in range(first.shape[1])]
    return max(float(np.median(along)), _correlation(begun_ll, now_ll)) < _FORGOTTEN


def _correlation(a: Floats, b: Floats) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    x, y = a[both] - a[both].mean(), b[both] - b[both].mean()
    size = math.sqrt(float((x @ x) * (y @ y)))
    return float(x @ y) / size if size > 0 else 0.0
