"""How likely weight logs are, given what a soak's features are and how they scatter.

All repeats of a liquid are read at common times. Of a repeat j the uptake over dry mass is
y_j = u + misfit + scatter_j + balance_j: what the surface misses is shared by the repeats, solids
scatter from one to the next (as the bank's do, and by a factor of their own), and the balance reads
to its step. So the mean of J repeats has covariance A / J + B and each of the J - 1 contrasts
between them A, A of scatter and balance, B of the misfit; all are independent (normal theory,
textbook), but for a factor that they share (`tails`).

Liquids of one class are foretold by one surface, and what it misses is much the same where they are
much alike: misfits go together as the surface's own kernel has it, wholly for liquids that an
explanation takes to be the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.normals import log_densities
from poresim.why.weighing.bench import Log
from poresim.why.weighing.joint import Missed, covariance_of
from poresim.why.weighing.learnt import Foretold, Learnt, Part, Runs
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
    its balance. misses : what each surface misses, the same for all pieces. tails : of the law of
    which these are the covariances.
    """

    level: Floats
    own: Floats
    misses: tuple[Missed, ...]
    tails: Tails = NORMAL

    @property
    def missed(self) -> Floats:
        """(n, m, m) covariance of what surfaces miss."""
        found = np.zeros_like(self.own)
        for one in self.misses:
            found += one.lost @ one.lost.transpose(0, 2, 1)
        return found


def predict(
    when: Floats,
    balance: Floats,
    told: Foretold,
    per_m3: Floats,
    apart: Floats,
    tails: Tails = NORMAL,
) -> Predicted:
    """At times (m,) s, by a balance of that sd (m,), kg/kg.

    told : curves by a surface. per_m3 : (n,) kg/m3 over the block's dry mass. apart : (n,) sd of
    the pieces' own factor.
    """
    scale = per_m3[:, None]
    whole, scatter = told.whole, told.alone

    def readings(learnt: Floats) -> Floats:
        return told.filled(learnt, when).share * np.exp(learnt[:, -1:]) * scale

    filled, volume = told.filled(whole.mean, when), np.exp(whole.mean[:, -1:]) * scale
    level = filled.share * volume
    every = np.hstack([whole.loadings, np.eye(whole.mean.shape[1])])
    directions = volume[:, :, None] * filled.along(every[:-1])
    directions += level[:, :, None] * every[-1]
    parts = _columns(told.parts)
    sd = np.sqrt(np.maximum(whole.variance, _LEAST_VARIANCE))
    bent = np.zeros_like(level)
    for k in _far(parts):
        step = _STEP * sd[:, k : k + 1] * whole.loadings[:, k]
        up, down = readings(whole.mean + step), readings(whole.mean - step)
        directions[:, :, k] = (up - down) / (2 * _STEP * sd[:, k : k + 1])
        bent += (up + down - 2 * level) / (2 * _STEP**2)
    level = level + bent

    def spread(variance: Floats, rest: Floats) -> Floats:
        return directions * np.sqrt(np.hstack([variance, rest]))[:, None, :]

    alone = spread(scatter.variance, scatter.rest)
    own = alone @ alone.transpose(0, 2, 1)
    own += (apart**2)[:, None, None] * level[:, :, None] * level[:, None, :]
    np.einsum("nii->ni", own)[...] += np.maximum(balance, _LEAST_SD) ** 2
    lost = spread(
        np.maximum(whole.variance - scatter.variance, 0.0),
        np.maximum(whole.rest - scatter.rest, 0.0),
    )
    misses = [
        Missed(lost[:, :, components + numbers], part.places)
        for part, (components, numbers) in zip(told.parts, parts, strict=True)
    ]
    return Predicted(level, own, tuple(misses), tails)


def _far(parts: Sequence[tuple[list[int], list[int]]]) -> list[int]:
    """The main directions of the scatter: one of every surface, the others of the first."""
    first, *others = (components for components, _ in parts)
    return first[: _FAR - len(others)] + [k for one in others for k in one[:1]]


def _columns(parts: Sequence[Part]) -> list[tuple[list[int], list[int]]]:
    """Of each part the directions of its components, and those of its numbers, which come last."""
    found = []
    component, number = 0, sum(one.components for one in parts)
    for one in parts:
        ends = component + one.components, number + one.numbers
        found.append((list(range(component, ends[0])), list(range(number, ends[1]))))
        component, number = ends
    return found


def tails_from(when: Floats, sd: Floats, learnt: Learnt, runs: Runs, dry_kg: float) -> Tails:
    """Of a class, by readings of its own runs at times (m,) s on a balance of sd (m,), kg/kg, each
    foretold without it. dry_kg : of the block."""
    per_m3 = runs.density / dry_kg
    balance = np.maximum(sd, _LEAST_SD)
    told = predict(when, balance, learnt.left_out(runs), per_m3, 0 * per_m3)
    share = runs.filled_at(np.broadcast_to(when, (len(per_m3), len(when))))
    read = share * (np.exp(runs.features[:, -1]) * per_m3)[:, None]
    read = read + balance * np.random.default_rng(_SHAKEN).standard_normal(read.shape)
    squares = log_densities((read - told.level)[:, None, :], told.own + told.missed)[1]
    return tails_of(squares, len(when))


def log_likelihood(logs: Sequence[Log], told: Sequence[Predicted]) -> tuple[Floats, Floats]:
    """(n,) ln density of logs of liquids of one class, and (n,) the chance of being as far off."""
    normal, squares = _of_means(logs, told)
    for log, one in zip(logs, told, strict=True):
        contrasts = log.turned[1]
        if len(contrasts):
            every = np.broadcast_to(contrasts, (len(one.level), *contrasts.shape))
            more, further = log_densities(every, one.own)
            normal, squares = normal + more, squares + further
    count, tails = sum(log.uptake.size for log in logs), told[0].tails
    return tails.log_densities(normal, squares, count), tails.chances(squares, count)


def _of_means(logs: Sequence[Log], told: Sequence[Predicted]) -> tuple[Floats, Floats]:
    """(n,) ln density of the means of repeats by the normal law, and (n,) squares."""
    repeats = [len(log.uptake) for log in logs]
    covariance = covariance_of(
        [one.own / count for count, one in zip(repeats, told, strict=True)],
        [one.misses for one in told],
    )
    apart = [log.turned[0] - one.level for log, one in zip(logs, told, strict=True)]
    density, squares = log_densities(np.concatenate(apart, axis=1)[:, None, :], covariance)
    # of a mean as one of the coordinates of its repeats
    turned = sum(len(log.when) * math.log(len(log.uptake)) for log in logs)
    return density - 0.5 * turned, squares
