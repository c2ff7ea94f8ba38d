"""Edges to a fraction of a pixel: where brightness changes fastest along a normal."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_SMOOTH = 0.9  # px: by which the picture is smoothed first, at least,
_MOST_SMOOTH = 2.5  # and at most;
_NOISE = 0.02  # of all of its brightness: where there is more noise, in proportion
_STEP = 0.5  # px between samples along a normal
_ALONG = 0.9  # px: and by which these are smoothed


class Smoothed(NamedTuple):
    """A picture to look for edges in; smoothed ``by`` so many px (standard deviation)."""

    values: Floats
    by: float


class Edges(NamedTuple):
    """xy : (k, 2) px. found : (k,) whether there is one. contrast : (k,) of brightness across.

    width : standard deviation of the steps' blur, px, in the median, without the smoothing's.
    smoothed : by how much that was.
    """

    xy: Floats
    found: NDArray[np.bool_]
    contrast: Floats
    width: float
    smoothed: float

    @property
    def blur(self) -> float:
        """Of the steps as they were looked at, px: the picture's and this smoothing's."""
        return math.sqrt(self.width**2 + self.smoothed**2 + _ALONG**2)

    @property
    def pulled(self) -> float:
        """Where an edge of curvature 1/px appears inside of it, px: half the blur's square."""
        return 0.5 * (self.width**2 + self.smoothed**2)


def smoothed(picture: Floats) -> Smoothed:
    """The picture for :func:`find_edges`: the more noise, the smoother."""
    from scipy.ndimage import gaussian_filter

    by = min(max(_SMOOTH * _noise_of(picture) / _NOISE, _SMOOTH), _MOST_SMOOTH)
    return Smoothed(np.asarray(gaussian_filter(picture, by)), by)


def _noise_of(picture: Floats) -> float:
    """Standard deviation of a pixel, from second differences along rows, in the median."""
    bends = np.diff(picture[::3], 2, axis=1)
    return 1.4826 * float(np.median(np.abs(bends))) / math.sqrt(6)


def find_edges(smooth: Smoothed, xy: Floats, normal: Floats, reach: float) -> Edges:
    """The steepest place along each normal, within ``reach`` px to both sides.

    Brighter or darker outwards, as most are. xy, normal : (k, 2). A highlight within a few px of an
    edge draws it inwards, by the square of the blur times its slope over the edge's height.
    """
    from scipy.ndimage import gaussian_filter1d, map_coordinates

    count = int(np.ceil(reach / _STEP))
    t = np.arange(-count, count + 1) * _STEP
    at = xy[:, None, :] + t[None, :, None] * normal[:, None, :]
    inside = (
        (at[..., 0] > 0.5)
        & (at[..., 0] < smooth.values.shape[1] - 0.5)
        & (at[..., 1] > 0.5)
        & (at[..., 1] < smooth.values.shape[0] - 0.5)
    )
    values = map_coordinates(
        smooth.values, [at[..., 1] - 0.5, at[..., 0] - 0.5], order=1, mode="nearest"
    )
    rise = gaussian_filter1d(values, _ALONG / _STEP, axis=1, order=1, mode="nearest") / _STEP
    if np.median(values[:, -1] - values[:, 0]) < 0:
        rise = -rise
    k = np.argmax(rise[:, 1:-1], axis=1) + 1
    rows = np.arange(len(rise))
    low, mid, high = rise[rows, k - 1], rise[rows, k], rise[rows, k + 1]
    bend = low - 2 * mid + high
    shift = np.where(bend < 0, 0.5 * (low - high) / np.minimum(bend, -1e-12), 0.0)
    place = t[k] + np.clip(shift, -1, 1) * _STEP
    edge = (k > 1) & (k < len(t) - 2)
    found = (mid > 0) & edge & (bend < 0) & inside.all(axis=1)
    found &= mid > 0.3 * np.median(mid[found]) if found.any() else found
    width, contrast = np.nan, np.zeros(len(k))
    if found.any():
        squares = mid[found] / np.maximum(-bend[found], 1e-12) * _STEP**2
        total = float(np.median(squares))
        width = float(np.sqrt(max(total - smooth.by**2 - _ALONG**2, 0.05)))
        contrast = mid * np.sqrt(2 * np.pi * total)
    return Edges(xy + place[:, None] * normal, found, contrast, width, smooth.by)
