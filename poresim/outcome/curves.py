"""What follows from one rising curve: when it reaches a level, its value at a time, its slopes.

Arguments: ``time`` (k,) s, rising from 0; ``value`` (k,), not falling, in any unit. Between the
points a curve is read as straight in sqrt(time), the shape that capillary uptake itself has.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def time_to(time: ArrayLike, value: ArrayLike, level: float) -> float:
    """First time at which the curve reaches ``level``, s; NaN when it never does."""
    t, v = _curve(time, value)
    reached = v >= level
    if not reached.any():
        return float("nan")
    i = int(np.argmax(reached))
    if i == 0 or v[i] == v[i - 1]:
        return float(t[i])
    share = (level - v[i - 1]) / (v[i] - v[i - 1])
    root = np.sqrt(t[i - 1]) + share * (np.sqrt(t[i]) - np.sqrt(t[i - 1]))
    return float(min(max(root * root, t[i - 1]), t[i]))


def value_at(time: ArrayLike, value: ArrayLike, when: ArrayLike, *, holds: bool = False) -> Floats:
    """The curve at the times ``when`` (any shape), in the unit of ``value``.

    Beyond its last point the curve is unknown (NaN), unless it ``holds``: the soak had come to
    rest there.
    """
    t, v = _curve(time, value)
    at = np.asarray(when, dtype=np.float64)
    found = np.interp(np.sqrt(at), np.sqrt(t), v)
    if not holds:
        found = np.where(at > t[-1] * (1 + 1e-12), np.nan, found)
    return np.asarray(found, dtype=np.float64)


class Slope(NamedTuple):
    """A fitted straight line: its slope, and how far the points stray from it (0 = not at all)."""

    slope: float
    scatter: float
    points: int


def exponent(time: ArrayLike, value: ArrayLike, low: float, high: float) -> Slope:
    """Exponent b of value ~ time^b while the value goes from ``low`` to ``high``.

    Least squares of ln(value) on ln(time) over points spaced evenly in ln(time), so that the
    steps of the computation carry no weight of their own. Scatter: standard deviation of
    ln(value). Capillary uptake by a Newtonian liquid has b = 0.5 (Washburn 1921, Phys Rev
    17:273). NaN when the curve does not span the range.
    """
    t, v = _curve(time, value)
    start, end = time_to(t, v, low), time_to(t, v, high)
    if not (low > 0 and start > 0 and end > start):
        return Slope(float("nan"), float("nan"), 0)
    grid = np.geomspace(start, end, 64)
    return _line(np.log(grid), np.log(value_at(t, v, grid)))


def _line(x: Floats, y: Floats) -> Slope:
    slope, offset = np.polyfit(x, y, 1)
    return Slope(float(slope), float(np.std(y - (slope * x + offset))), len(x))


def _curve(time: ArrayLike, value: ArrayLike) -> tuple[Floats, Floats]:
    t = np.asarray(time, dtype=np.float64)
    v = np.asarray(value, dtype=np.float64)
    if t.ndim != 1 or t.shape != v.shape or not len(t):
        raise ValueError(f"time and value must be two equally long rows, got {t.shape}, {v.shape}")
    return t, v
