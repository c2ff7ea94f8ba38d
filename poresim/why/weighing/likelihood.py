"""How likely weight logs are, given what a soak's features are and how they scatter.

All repeats of a liquid are read at common times. Of a repeat j the uptake over dry mass is
y_j = u + misfit + scatter_j + balance_j: what the surface misses is shared by the repeats, solids
scatter from one to the next (as the bank's do, and by a factor of their own), and the balance reads
to its step. So the mean of J repeats has covariance A / J + B and each of the J - 1 contrasts
between them A, A of scatter and balance, B of the misfit; all are independent (normal theory,
textbook), but for a factor that they share (`tails`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.normals import log_densities
from poresim.why.weighing.bench import Log
from poresim.why.weighing.features import LEVELS, Filled, times_until
from poresim.why.weighing.learnt import Foretold, Learnt, Runs
from poresim.why.weighing.tails import NORMAL, Tails, tails_of

Floats = NDArray[np.float64]

#: Where soaks scatter widely, times by factors, readings are no straight lines in them: along the
#: main directions of the scatter the mean and the slopes are those of the parabola through the
#: middle and both places root 3 standard deviations off, where a normal law puts a sixth of its
#: weight in a three-point rule (Norgaard, Poulsen & Ravn 2000, Automatica 36:1627; from memory).
_FAR, _STEP = 3, math.sqrt(3.0)
_LEAST_VARIANCE = 1e-12
_SHAKEN = 0  # stream of the balance's errors
_LEAST_SD = 1e-4  # kg/kg: exact readings have none of their own


class Predicted(NamedTuple):
    """What readings of one liquid would be, of n draws.

    level : (n, m) uptake over dry mass. own : (n, m, m) covariance of one piece about it, and of
    its balance. missed : (n, m, m) of what the surface misses, the same for all pieces. tails : of
    the law of which these are the covariances.
    """

    level: Floats
    own: Floats
    missed: Floats
    tails: Tails = NORMAL


def predict(
    when: Floats,
    balance: Floats,
    told: Foretold,
    per_m3: Floats,
    apart: Floats,
    at_once: float,
    tails: Tails = NORMAL,
) -> Predicted:
    """At times (m,) s, by a balance of that sd (m,), kg/kg.

    told : features by a surface. per_m3 : (n,) kg/m3 over the
    block's dry mass. apart : (n,) sd of the pieces' own factor. at_once : of `Learnt`.
    """
    scale = per_m3[:, None]
    whole, scatter = told.whole, told.alone

    def readings(learnt: Floats) -> Floats:
        features = told.features(learnt)
        share = Filled(features[:, : len(LEVELS)], when, at_once).share
        return np.asarray(share * np.exp(features[:, -1:]) * scale)

    middle, slopes = told.features(whole.mean), told.slopes(whole.mean)
    filled = Filled(middle[:, : len(LEVELS)], when, at_once)
    volume = np.exp(middle[:, -1:]) * scale
    level = filled.share * volume
    every = np.hstack([whole.loadings, np.eye(whole.mean.shape[1])])
    loadings = slopes[:, :, None] * every
    directions = volume[:, :, None] * filled.along(loadings[:, :-1])
    directions += level[:, :, None] * loadings[:, -1:]
    sd = np.sqrt(np.maximum(whole.variance, _LEAST_VARIANCE))
    bent = np.zeros_like(level)
    for k in range(min(_FAR, len(whole.loadings.T))):
        step = _STEP * sd[:, k : k + 1] * whole.loadings[:, k]
        up, down = readings(whole.mean + step), readings(whole.mean - step)
        directions[:, :, k] = (up - down) / (2 * _STEP * sd[:, k : k + 1])
        bent += (up + down - 2 * level) / (2 * _STEP**2)
    level = level + bent

    def covariance(variance: Floats, rest: Floats) -> Floats:
        spread = directions * np.sqrt(np.hstack([variance, rest]))[:, None, :]
        return np.asarray(spread @ spread.transpose(0, 2, 1))

    own = covariance(scatter.variance, scatter.rest)
    own += (apart**2)[:, None, None] * level[:, :, None] * level[:, None, :]
    np.einsum("nii->ni", own)[...] += np.maximum(balance, _LEAST_SD) ** 2
    missed = covariance(
        np.maximum(whole.variance - scatter.variance, 0.0),
        np.maximum(whole.rest - scatter.rest, 0.0),
    )
    return Predicted(level, own, missed, tails)


def tails_from(log: Log, learnt: Learnt, runs: Runs, until_s: float, dry_kg: float) -> Tails:
    """Of a class, by readings of its own runs at a log's times on its balance, each foretold
    without it. until_s : for how long they were followed. dry_kg : of the block."""
    per_m3 = runs.density / dry_kg
    balance = np.maximum(log.sd, _LEAST_SD)
    told = predict(log.when, balance, learnt.left_out(runs), per_m3, 0 * per_m3, learnt.at_once)
    kept = np.sqrt(times_until(until_s))
    at = np.sqrt(log.when)
    share = np.array([np.interp(at, kept, row) for row in runs.filled])
    read = share * (np.exp(runs.features[:, -1]) * per_m3)[:, None]
    read = read + balance * np.random.default_rng(_SHAKEN).standard_normal(read.shape)
    squares = log_densities((read - told.level)[:, None, :], told.own + told.missed)[1]
    return tails_of(squares, len(log.when))


def log_likelihood(log: Log, told: Predicted) -> tuple[Floats, Floats]:
    """(n,) ln density of a log, and (n,) the chance of one as far off or further."""
    normal, squares = _normal(log, told)
    count = log.uptake.size
    return told.tails.log_densities(normal, squares, count), told.tails.chances(squares, count)


def _normal(log: Log, told: Predicted) -> tuple[Floats, Floats]:
    """(n,) ln density by the normal law, and (n,) squares, one a reading."""
    mean, contrasts = log.turned
    repeats = len(log.uptake)
    found, squares = log_densities(
        (mean - told.level)[:, None, :], told.own / repeats + told.missed
    )
    found = found - 0.5 * len(mean) * math.log(repeats)  # of the mean as one of the coordinates
    if repeats > 1:
        every = np.broadcast_to(contrasts, (len(told.level), *contrasts.shape))
        more, further = log_densities(every, told.own)
        return found + more, squares + further
    return found, squares
