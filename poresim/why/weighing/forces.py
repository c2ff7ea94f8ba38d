"""Snap forces, as the share that is left of a dry piece's: how likely they are.

A soak's own force falls from that of its dry block by a share that grows as its pores fill, so it
is learnt as uptake is (`features`, of the share lost in place of the share filled). Every piece is
another solid. Its share is 1 - lost, times a factor by which pieces differ in strength, over the
mean of the dry pieces, which errs by that factor too, for all that are divided by it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from poresim.inference.normals import log_densities
from poresim.outcome.asked import Outcome
from poresim.why.weighing.joint import covariance_of

if TYPE_CHECKING:
    from poresim.tables.courses import SnapForces
    from poresim.why.weighing.likelihood import Predicted

Floats = NDArray[np.float64]

#: Brittle pieces of one batch differ in strength by 10 to 20 % (sd of the logarithm; common
#: practice). What dry pieces show counts beside it, as much as so many pieces.
_SCATTER, _WORTH = 0.15, 4
_GAUGE = 0.01  # sd of a reading, of the dry force (common practice)
_SAME_S = 1e-9


@dataclass(frozen=True, eq=False)
class Forces:
    """Of pieces of one liquid. when : (m,) s, distinct. place : (k,) which of them each piece was
    broken at. left : (k,) its force over the mean of the dry ones. scatter : sd of the logarithm of
    pieces' strength. dry : how many dry pieces were broken."""

    when: Floats
    place: NDArray[np.int64]
    left: Floats
    scatter: float
    dry: int


def forces_of(read: SnapForces) -> Forces:
    """ValueError, in words: no dry piece, or nothing else."""
    dry = read.time_s <= _SAME_S
    if not dry.any() or dry.all():
        what = "no piece was broken dry" if not dry.any() else "no piece was broken after a soak"
        raise ValueError(f"{what}; give forces at time 0 and later: what is left is compared")
    level = read.force_n[dry]
    if level.min() <= 0:
        raise ValueError("a dry piece has no force; leave it out")
    logs = np.log(level)
    squares = float(((logs - logs.mean()) ** 2).sum())
    scatter = math.sqrt((_WORTH * _SCATTER**2 + squares) / (_WORTH + len(logs) - 1))
    when, place = np.unique(read.time_s[~dry], return_inverse=True)
    left = read.force_n[~dry] / level.mean()
    return Forces(when, place.astype(np.int64), left, scatter, len(level))


def gauge_sd(when: Floats) -> Floats:
    """(m,) of readings at times (m,), in shares of the dry force."""
    return np.full(len(when), _GAUGE)


def lost(outcome: Outcome) -> Outcome:
    """The share of its dry force that a soak has cost, as a curve of shares filled."""
    force = outcome.curves["snap_force_N"]
    gone = 1 - force / force[0] if force[0] > 0 else np.zeros_like(force)
    curves = {"time_s": outcome.curves["time_s"], "saturation": np.clip(gone, 0.0, 1.0)}
    return Outcome(outcome.ending, curves, {"pore_m3": 1.0})


def log_likelihood(read: Sequence[Forces], told: Sequence[Predicted]) -> tuple[Floats, Floats]:
    """(n,) ln density of the forces of liquids of one class, and (n,) the chance of being as far
    off. told : lost shares at the times of each."""
    apart, own, missed = [], [], []
    for forces, one in zip(read, told, strict=True):
        left = 1 - one.level[:, forces.place]
        apart.append(forces.left - left)
        each = np.einsum("nii->ni", one.own)[:, forces.place] + (forces.scatter * left) ** 2
        dry = forces.scatter**2 / forces.dry * left[:, :, None] * left[:, None, :]
        np.einsum("nii->ni", dry)[...] += each
        own.append(dry)
        missed.append([two._replace(lost=two.lost[:, forces.place]) for two in one.misses])
    covariance = covariance_of(own, missed)
    off = np.concatenate(apart, axis=1)[:, None, :]
    normal, squares = log_densities(off, covariance)
    tails, count = told[0].tails, off.shape[2]
    return tails.log_densities(normal, squares, count), tails.chances(squares, count)
