"""Many repeats at once: medians and ranges that count a "never" as what it is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.outcome.curves import value_at

Floats = NDArray[np.float64]


class Spread(NamedTuple):
    """Median, lowest and highest over the repeats; NaN = not reached.

    ``reached`` repeats have a value. The median is NaN when half or more have none.
    """

    median: float
    low: float
    high: float
    reached: int
    repeats: int


def spread(values: Iterable[float]) -> Spread:
    """Of one figure per repeat; NaN stands for "never" and sorts above every number.

    ``high`` is the highest value reached; compare ``reached`` with ``repeats``.
    """
    all_ = np.array(list(values), dtype=np.float64)
    known = all_[np.isfinite(all_)]
    if not len(known):
        nan = float("nan")
        return Spread(nan, nan, nan, 0, len(all_))
    ranked = np.sort(np.where(np.isfinite(all_), all_, np.inf))
    middle = (ranked[(len(all_) - 1) // 2] + ranked[len(all_) // 2]) / 2
    median = float(middle) if np.isfinite(middle) else float("nan")
    return Spread(median, float(known.min()), float(known.max()), len(known), len(all_))


def finite(value: float) -> float | None:
    """A number for JSON; None where it is not known."""
    return value if np.isfinite(value) else None


class Band(NamedTuple):
    """Median, lowest and highest curve on common times (k,); NaN where a repeat is unknown."""

    time: Floats
    median: Floats
    low: Floats
    high: Floats


def band(
    times: Sequence[ArrayLike],
    values: Sequence[ArrayLike],
    holds: Sequence[bool],
    when: ArrayLike,
) -> Band:
    """The repeats' curves read at the times ``when`` (s): median and range over all of them.

    ``holds[i]``: repeat i had come to rest at its end and keeps its last value. Where one
    repeat is unknown, so is the band: a spread over fewer repeats is not the spread.
    """
    grid = np.asarray(when, dtype=np.float64)
    rows = [value_at(t, v, grid, holds=h) for t, v, h in zip(times, values, holds, strict=True)]
    table = np.array(rows)
    return Band(grid, np.median(table, axis=0), table.min(axis=0), table.max(axis=0))
