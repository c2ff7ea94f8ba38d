"""Which quantity makes a result vary: shares of its variance (Sobol' indices) with intervals.

Quantities vary independently over their ranges. A quantity's *first-order* share of the variance
of a result f is what it makes by itself, Var(E[f | x_i]) / Var(f); its *total* share counts the
parts that it makes together with others, too, 1 - Var(E[f | all but x_i]) / Var(f) (Sobol' 2001,
Math Comput Simul 55:271). First-order shares add up to at most 1, total shares to at least 1.

Shares belong to a scale: those of a result are not those of its logarithm. And all runs of a
design should see the same random solids (the same seeds), so that the result is a function of the
quantities. The scatter of solids drawn anew for each run counts as if every quantity made it
together with others: all total shares grow by its share of the variance.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.inference.design import SEQUENCES, PickFreeze, sobol_points, sorted_back

Floats = NDArray[np.float64]

#: More than this share of the rows without a result: what is left says nothing of all of them.
MOST_MISSING = 0.1
_LEAST_ROWS = 2 * SEQUENCES
_HIGHEST_LOG = 700.0  # its exponential is finite
_ROUNDING = 64 * np.finfo(float).eps  # of the largest result: what varies less does not vary


@dataclass(frozen=True)
class VarianceShares:
    """Shares of one result's variance. nan, all of them, where it does not vary."""

    first: Floats  #: (d,) what each quantity makes by itself
    total: Floats  #: (d,) with what it makes together with others
    first_interval: Floats  #: (d, 2) where the true share lies
    total_interval: Floats  #: (d, 2)
    variance: float  #: of the result, in its unit squared; 0 where it does not vary
    level: float  #: how often such intervals hold the true share
    rows: int  #: of the design that were used
    dropped: int  #: rows left out, as a run of them has no result

    @property
    def defined(self) -> bool:
        """Whether the result varies at all; shares of nothing are not defined."""
        return self.variance > 0


def shares(
    results: ArrayLike, d: int, names: Sequence[str] = (), level: float = 0.95
) -> tuple[VarianceShares, ...]:
    """Shares of d quantities in the variance of each of s results.

    results : (n (d + 2), s) or (n (d + 2),), in the order of :func:`pick_freeze`; what is not
        finite is missing, and the whole row of d + 2 runs is then left out for that result. What is
        told then holds for the rest: say how many were dropped.
    names : (s,) how errors name the results. level : of the intervals.

    Total shares by Jansen (1999, Comput Phys Commun 117:35). First-order shares by a blend of the
    estimators of Saltelli et al. (2010, ibid. 181:259, table 2 b) and of Jansen: the one is sure
    of small shares, the other of large ones, and the first one's answer says how to weigh them.
    Intervals from the disagreement of the design's sequences: jackknife over them, Student's t;
    of total shares in the logarithm, as they are positive and skewed. An interval may reach a
    little beyond 0 or 1.

    Errors: ValueError where rows are incomplete, fewer than 16 have results, or more than 10 % do
    not.
    """
    if not 0 < level < 1:
        raise ValueError(f"the level of an interval lies between 0 and 1, got {level:g}")
    sorted_ = sorted_back(results, d)
    count = sorted_.at_a.shape[1]
    called = list(names) or [f"result {k + 1}" if count > 1 else "result" for k in range(count)]
    if len(called) != count:
        raise ValueError(f"{len(called)} names for {count} results")
    return tuple(_shares(_part(sorted_, k), name, level) for k, name in enumerate(called))


def closed_shares(
    function: Callable[[Floats], ArrayLike], names: Sequence[str], n: int, seed: int
) -> Callable[[frozenset[str]], float]:
    """The share of the variance that a subset of the quantities makes, among themselves and alone.

    function : of (m, d) points of the unit cube, gives (m,) finite results; it is called once for
        each subset that is asked for. names : (d,). n : points a subset.
    Returns Var(E[f | x_u]) / Var(f) as a function of u: none makes 0, all of them make 1. Sharing
    it by Shapley values gives the Shapley effects (Owen 2014, SIAM/ASA J Uncertain 2:245): they
    add up to 1, and each lies between the first-order and the total share.
    Errors: ValueError where results are missing or do not vary or two names are the same, KeyError
    for an unknown name.
    """
    order = {name: i for i, name in enumerate(names)}
    if len(order) != len(names):
        raise ValueError(f"each quantity needs a name of its own, got {', '.join(names)}")
    d = len(order)
    pairs = sobol_points(n, 2 * d, seed)
    a, b = pairs[:, :d], pairs[:, d:]

    def at(points: Floats) -> Floats:
        found = np.asarray(function(points), dtype=np.float64)
        if found.shape != (n,) or not np.isfinite(found).all():
            raise ValueError(f"a result is missing: {n} finite numbers are needed")
        return found

    at_a, at_b = at(a), at(b)
    if _constant(np.concatenate([at_a, at_b])):
        raise ValueError("the result does not vary: shares of its variance are not defined")
    known = {frozenset[str](): 0.0, frozenset(order): 1.0}

    def value(subset: frozenset[str]) -> float:
        if subset not in known:
            taken = np.array([order[name] for name in subset])
            mixed = a.copy()
            mixed[:, taken] = b[:, taken]
            sums = _sums(at_a, at_b, at(mixed)[None]).mean(axis=1)
            known[subset] = float(_first(sums)[0])
        return known[subset]

    return value


def _part(whole: PickFreeze, k: int) -> PickFreeze:
    """One result of several."""
    return PickFreeze(whole.at_a[:, k], whole.at_b[:, k], whole.mixed[:, :, k])


def _shares(given: PickFreeze, name: str, level: float) -> VarianceShares:
    at_a, at_b, mixed = given
    d, n = mixed.shape
    kept = np.isfinite(at_a) & np.isfinite(at_b) & np.isfinite(mixed).all(axis=0)
    dropped = n - int(kept.sum())
    if dropped > MOST_MISSING * n:
        raise ValueError(
            f"{name}: {dropped} of the {n} rows of the design hold a run without it; above "
            f"{100 * MOST_MISSING:.0f} % the others do not speak for all"
        )
    sequence = (np.arange(n) % SEQUENCES)[kept]
    if n - dropped < _LEAST_ROWS or np.bincount(sequence, minlength=SEQUENCES).min() < 1:
        raise ValueError(
            f"{name}: {n - dropped} rows of the design have it, at least {_LEAST_ROWS} are needed"
        )
    at_a, at_b, mixed = at_a[kept], at_b[kept], mixed[:, kept]
    if _constant(np.concatenate([at_a, at_b, mixed.ravel()])):
        none, no_interval = np.full(d, np.nan), np.full((d, 2), np.nan)
        return VarianceShares(none, none, no_interval, no_interval, 0.0, level, len(at_a), dropped)
    sums = _sums(at_a, at_b, mixed)
    whole = sums.mean(axis=1)
    left_out = _without(sums, sequence)
    return VarianceShares(
        _first(whole),
        _total(whole),
        _interval(_first(whole), _first(left_out), level),
        _interval_in_logs(_total(whole), _total(left_out), level),
        float(_variance(whole)),
        level,
        len(at_a),
        dropped,
    )


def _constant(results: Floats) -> bool:
    return bool(np.ptp(results) <= _ROUNDING * np.abs(results).max())


def _sums(at_a: Floats, at_b: Floats, mixed: Floats) -> Floats:
    """(2 + 3 d, n): what each row adds to the means that shares are made of.

    Mean and square of A and B, then for each quantity Saltelli's covariance, and Jansen's halves of
    squared differences: of B from the mixed point (they share only x_i), and of A from it.
    """
    centre = 0.5 * (at_a.mean() + at_b.mean())  # far from 0, the covariance would be all noise
    a, b, ab = at_a - centre, at_b - centre, mixed - centre
    mean, square = (a + b) / 2, (a**2 + b**2) / 2
    return np.concatenate([[mean, square], b * (ab - a), (b - ab) ** 2 / 2, (a - ab) ** 2 / 2])


def _variance(sums: Floats) -> Floats:
    return np.asarray(sums[1] - sums[0] ** 2)


def _of_variance(sums: Floats, part: int) -> Floats:
    """(d, ...) the part-th group of a row's entries, as shares of the variance."""
    d = (len(sums) - 2) // 3
    return np.asarray(sums[2 + part * d : 2 + (part + 1) * d] / _variance(sums))


def _saltelli(sums: Floats) -> Floats:
    return _of_variance(sums, 0)


def _jansen(sums: Floats) -> Floats:
    return 1 - _of_variance(sums, 1)


def _first(sums: Floats) -> Floats:
    """First-order shares; the more Saltelli's estimate says, the more Jansen's counts."""
    saltelli = _saltelli(sums)
    weight = np.clip(saltelli, 0, 1)
    return np.asarray((1 - weight) * saltelli + weight * _jansen(sums))


def _total(sums: Floats) -> Floats:
    return _of_variance(sums, 2)


def _without(sums: Floats, sequence: NDArray[np.intp]) -> Floats:
    """(..., SEQUENCES) means over all rows but those of one sequence."""
    rows = np.bincount(sequence, minlength=SEQUENCES)
    parts = np.stack([sums[:, sequence == k].sum(axis=1) for k in range(SEQUENCES)], axis=1)
    return np.asarray((sums.sum(axis=1)[:, None] - parts) / (rows.sum() - rows))


def _interval(found: Floats, left_out: Floats, level: float) -> Floats:
    """(d, 2) by the jackknife over sequences (Efron & Stein 1981, Ann Stat 9:586)."""
    from scipy.special import stdtrit

    spread = ((left_out - left_out.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    sd = np.sqrt(spread * (SEQUENCES - 1) / SEQUENCES)
    half = stdtrit(SEQUENCES - 1, 0.5 + level / 2) * sd
    return np.stack([found - half, found + half], axis=1)


def _interval_in_logs(found: Floats, left_out: Floats, level: float) -> Floats:
    """(d, 2) the same for the logarithm of what is positive; as it is, where nought comes in."""
    positive = (found > 0) & (left_out > 0).all(axis=1)
    interval = _interval(found, left_out, level)
    logs = _interval(np.log(found[positive]), np.log(left_out[positive]), level)
    interval[positive] = np.exp(np.minimum(logs, _HIGHEST_LOG))
    return interval


__all__ = ["MOST_MISSING", "VarianceShares", "closed_shares", "shares"]
