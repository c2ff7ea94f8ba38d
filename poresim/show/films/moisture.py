"""How full the pores are where, seen from the side: from front to back, over a grid of cells."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.solid.network import Network

Floats = NDArray[np.float64]

_MOST_CELLS = 120  # each way


def volume_share(share: Floats, waist: Floats) -> Floats:
    """Of a tube's volume what lies in a share of its length from either end.

    The radius falls evenly from the ends to ``waist`` of it in the middle: a frustum each.
    """
    narrowing = 1.0 - waist
    whole = 1.0 + waist + waist * waist  # of both halves, times 3

    def part(s: Floats) -> Floats:
        wide = 1.0 - 2.0 * narrowing * s
        return np.asarray(s * (1.0 + wide + wide * wide))

    first = part(np.minimum(share, 0.5))
    rest = part(np.minimum(1.0 - share, 0.5))
    return np.asarray(np.where(share <= 0.5, first, whole - rest) / whole)


class Moisture:
    """Of one solid. size_mm (2,) across (x) and up (z) of its outline."""

    def __init__(self, network: Network) -> None:
        points = 1e3 * network.points[:, [0, 2]]
        self.low, high = points.min(axis=0), points.max(axis=0)
        self.size_mm = np.maximum(high - self.low, 1e-6)
        typical = 1e3 * float(np.median(network.length))
        self.cells = np.clip(np.rint(self.size_mm / typical), 1, _MOST_CELLS).astype(int)
        waist = network.waist
        self._waist = waist
        self._volume = network.radius**2 * (1 + waist + waist**2) * network.length
        middle = points[network.ends].mean(axis=1) - self.low
        at = np.clip((middle / self.size_mm * self.cells).astype(int), 0, self.cells - 1)
        self._cell = at[:, 1] * self.cells[0] + at[:, 0]
        self._whole = self._smoothed(self._volume)

    def shares(self, fill: NDArray[np.float32]) -> Floats:
        """(up, across) saturation of cells; fill (m, 2) wet shares of all tubes."""
        ends = np.clip(fill.astype(np.float64), 0.0, 1.0)
        wet = np.minimum(sum(volume_share(ends[:, e], self._waist) for e in (0, 1)), 1.0)
        return np.asarray(self._smoothed(self._volume * wet) / self._whole)

    def _smoothed(self, volume: Floats) -> Floats:
        """Of cells, shared with those beside them, so that none is without pores."""
        from scipy.ndimage import gaussian_filter

        across, up = self.cells
        found = np.bincount(self._cell, volume, across * up).reshape(up, across)
        return np.asarray(np.maximum(gaussian_filter(found, 0.7, mode="nearest"), 1e-30))


class Seen(NamedTuple):
    """Pixels of a piece, tilted. inside (height, width); up, across (k,) of these, in cells."""

    inside: NDArray[np.bool_]
    up: Floats
    across: Floats

    def draw(self, shares: Floats, dry: Floats, wet: Floats, picture: NDArray[np.uint8]) -> None:
        """Into a picture (height, width, 4), by saturation from one colour (3,) to another."""
        from scipy.ndimage import map_coordinates

        share = map_coordinates(shares, [self.up, self.across], order=1, mode="nearest")[:, None]
        picture[self.inside, :3] = np.rint(dry + share * (wet - dry))
        picture[self.inside, 3] = 255


def seen(moisture: Moisture, scale: float, tilt: float) -> Seen:
    """A piece tilted by so many rad, its left end lower; scale : pixels a mm."""
    outline = corners(moisture.size_mm, tilt)
    low, high = outline.min(axis=0), outline.max(axis=0)
    width, height = (max(round(float(x) * scale), 1) for x in high - low)
    h = low[0] + (np.arange(width) + 0.5) / scale
    v = high[1] - (np.arange(height)[:, None] + 0.5) / scale
    x, z = h * math.cos(tilt) + v * math.sin(tilt), v * math.cos(tilt) - h * math.sin(tilt)
    inside = (x >= 0) & (x <= moisture.size_mm[0]) & (z >= 0) & (z <= moisture.size_mm[1])
    up = z[inside] / moisture.size_mm[1] * moisture.cells[1] - 0.5
    across = x[inside] / moisture.size_mm[0] * moisture.cells[0] - 0.5
    return Seen(inside, up, across)


def corners(size_mm: Floats, tilt: float) -> Floats:
    """(4, 2) across and up, mm from the lowest one, of a tilted piece, against the clock."""
    flat = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size_mm
    cos, sin = math.cos(tilt), math.sin(tilt)
    return np.asarray(flat @ np.array([[cos, sin], [-sin, cos]]))
