"""How much of the solid grains have closed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike


class Blocked(NamedTuple):
    """Closed throats: their number, and their share of all and of those the liquid reached."""

    number: int
    of_all: float
    of_reached: float


def blocked(blocked_at: ArrayLike, wetted_at: ArrayLike, ends: ArrayLike) -> Blocked:
    """Throats closed by the end.

    blocked_at (m,) and wetted_at (n,) in s, NaN = never; ends (m, 2). A throat is reached when
    liquid came to at least one of its tube's two junctions.
    """
    closed = np.isfinite(np.asarray(blocked_at, dtype=np.float64))
    wet = np.isfinite(np.asarray(wetted_at, dtype=np.float64))
    reached = wet[np.asarray(ends)].any(axis=1)
    count = int(closed.sum())
    return Blocked(
        count, count / max(len(closed), 1), float(closed[reached].sum() / max(reached.sum(), 1))
    )


def reached_share(wetted_at: ArrayLike) -> float:
    """Share of the junctions that the liquid came to."""
    return float(np.isfinite(np.asarray(wetted_at, dtype=np.float64)).mean())
