"""Normal scores that are correlated in space, at any points.

A moving average of white noise. Independent normal numbers stand on a grid of half the
correlation length l; the score at a point is their sum, weighted by exp(-2 (d / l)^2) where d is
the distance from the point, over the root of the sum of the squared weights. So its variance is
1 at every point, on the grid or between, and two points d apart have the correlation
exp(-(d / l)^2) (a Gaussian drawn over another; any text on random fields): 1/e at l. Left out are
weights beyond 2 l, 3e-4 of the greatest; the grid itself disturbs the correlation by 1e-4.

Along a wrapped axis the grid closes on itself, and so do the scores.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Least edge of a block along a wrapped axis, over the correlation length: scores reach round
#: half of it at most.
LEAST_PERIODS = 4.0
_STEP = 0.5  # of the grid, over the correlation length
_WINDOW = 8  # numbers of the grid along each axis that count at a point
_CHUNK = 2048  # points at once: their numbers stay in the cache


def correlated_scores(
    points: Floats,
    correlation: float,
    size: Sequence[float] | Floats,
    wrapped: tuple[bool, bool, bool],
    rng: np.random.Generator,
    about: float | None = None,
) -> Floats:
    """(m,) scores at the (m, 3) points, which lie in the box from 0 to ``size``.

    correlation : distance at which the correlation falls to 1/e, in the unit of the points.
    wrapped : the axes along which the box repeats; their edge is at least ``LEAST_PERIODS``
        correlation lengths.
    about : the length that the grid is made for, when it is not quite the correlation length: the
        same random numbers then give scores that change little with it.
    """
    about = about or correlation
    numbers = _grid(about, size, wrapped)
    noise = _noise(numbers, wrapped, rng)
    step = np.array(
        [e / n if w else _STEP * about for e, n, w in zip(size, numbers, wrapped, strict=True)]
    )
    windows = np.lib.stride_tricks.sliding_window_view(noise, (_WINDOW,) * 3)
    scores = np.empty(len(points))
    for start in range(0, len(points), _CHUNK):
        here = slice(start, start + _CHUNK)
        place = points[here] / step
        first = np.floor(place).astype(np.int64)
        first = np.clip(first, 0, np.array(windows.shape[:3]) - 1)
        near = windows[first[:, 0], first[:, 1], first[:, 2]]
        x, y, z = _weights(place - first, step / correlation)
        scores[here] = _weighted(_weighted(_weighted(near, z), y), x)
    return scores


def field_bytes(
    correlation: float, size: Sequence[float] | Floats, wrapped: tuple[bool, bool, bool]
) -> float:
    """Bytes that the noise of a field takes while it is made."""
    return 16.0 * math.prod(n + _WINDOW for n in _grid(correlation, size, wrapped))


def _grid(
    correlation: float, size: Sequence[float] | Floats, wrapped: tuple[bool, bool, bool]
) -> list[int]:
    """Independent numbers along each axis."""
    step = _STEP * correlation
    return [
        round(edge / step) if wraps else math.floor(edge / step) + _WINDOW
        for edge, wraps in zip(size, wrapped, strict=True)
    ]


def _noise(
    numbers: list[int], wrapped: tuple[bool, bool, bool], rng: np.random.Generator
) -> Floats:
    """Normal numbers on the grid, repeated at its end along wrapped axes."""
    from scipy import special

    noise = rng.random(numbers)
    np.clip(noise, 2.0**-54, None, out=noise)
    special.ndtri(noise, out=noise)
    if any(wrapped):
        noise = np.pad(noise, [(0, _WINDOW if wraps else 0) for wraps in wrapped], mode="wrap")
    return noise


def _weights(place: Floats, step: Floats) -> list[Floats]:
    """Three (m, window) weights along x, y and z, each with a sum of squares of 1.

    place : (m, 3) in grid steps beyond the first step below the middle of the window, in [0, 1].
    step : (3,) of the grid over the correlation length.
    """
    offset = np.arange(_WINDOW) - (_WINDOW // 2 - 1)
    found = []
    for axis in range(3):
        weight = np.exp(-2.0 * (step[axis] * (offset - place[:, axis, None])) ** 2)
        found.append(weight / np.sqrt(np.einsum("nk,nk->n", weight, weight))[:, None])
    return found


def _weighted(near: Floats, weight: Floats) -> Floats:
    """The sum over the last axis of what stands around each point."""
    return np.einsum("n...k,nk->n...", near, weight)
