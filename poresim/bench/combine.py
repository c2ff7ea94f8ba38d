"""Repeats of one measurement, each with an uncertainty of its own, made one value.

Paule & Mandel (1982, J. Res. NBS 87:377): the scatter between repeats is what makes the weighted
squares of the differences come to their number less one. With its weights Hartung & Knapp (2001,
Statist. Med. 20:3875) give an uncertainty that knows how few repeats there were. (Both from
memory; the tests hold the interval's coverage in simulation.)
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.bench.error import BenchError

Floats = NDArray[np.float64]

_HALVINGS = 200


class Combined(NamedTuple):
    """value, with its standard error sd. between : scatter from repeat to repeat. repeats : n.

    freedom : degrees of freedom of sd; inf where it stems from one repeat's own uncertainty. An
    interval is value +- t sd with Student's t of that many.
    """

    value: float
    sd: float
    between: float
    repeats: int
    freedom: float

    def half_width(self, share: float = 0.95) -> float:
        """Half of the interval that holds the truth with that probability."""
        from scipy.stats import norm, t

        upper = 0.5 * (1.0 + share)
        factor = norm.ppf(upper) if math.isinf(self.freedom) else t.ppf(upper, self.freedom)
        return float(factor) * self.sd


def combine(values: ArrayLike, sds: ArrayLike) -> Combined:
    """One value of n repeats.

    values, sds : (n,), the sds at least 0. A single repeat keeps its own sd, and says nothing of
    the scatter between repeats. Raises BenchError for rows that do not fit.
    """
    v, s = np.asarray(values, np.float64), np.asarray(sds, np.float64)
    if v.ndim != 1 or v.shape != s.shape or len(v) == 0:
        raise BenchError(f"values and sds must be equally long rows, got {v.shape} and {s.shape}")
    if not (np.all(np.isfinite(v)) and np.all(np.isfinite(s)) and np.all(s >= 0)):
        raise BenchError("values and sds must be finite, sds at least 0")
    if len(v) == 1:
        return Combined(float(v[0]), float(s[0]), math.nan, 1, math.inf)
    between = _between(v, s)
    spread = s**2 + between**2
    if not spread.max() > 0:
        return Combined(float(v[0]), 0.0, 0.0, len(v), len(v) - 1.0)
    weight = 1.0 / np.maximum(spread, 1e-300)
    mean = float(weight @ v / weight.sum())
    freedom = len(v) - 1.0
    seen = float(weight @ (v - mean) ** 2) / freedom
    # repeats may agree by chance: never less than their own uncertainties say
    sd = math.sqrt(max(seen, 1.0) / weight.sum())
    return Combined(mean, sd, between, len(v), freedom)


def _between(v: Floats, s: Floats) -> float:
    """Scatter between repeats, as Paule & Mandel find it; 0 where their own sds suffice."""

    def over(scatter: float) -> float:
        weight = 1.0 / np.maximum(s**2 + scatter**2, 1e-300)
        mean = weight @ v / weight.sum()
        return float(weight @ (v - mean) ** 2) - (len(v) - 1.0)

    if np.all(s > 0) and over(0.0) <= 0:
        return 0.0
    low, high = 0.0, float(np.ptp(v))
    if high == 0.0:
        return 0.0
    while over(high) > 0:
        high *= 2.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if over(middle) > 0 else (low, middle)
        if high - low <= 1e-12 * high:
            break
    return 0.5 * (low + high)
