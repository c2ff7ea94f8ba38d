"""The face that a drop lies on, to a fraction of a pixel: a line through edges at both sides."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.bench.error import BenchError
from poresim.photo.edges import Smoothed, find_edges
from poresim.photo.fitted import correlation
from poresim.photo.outline import Line

Floats = NDArray[np.float64]

NEAR = 10.0  # px: how far to both sides of a line that was found before an edge is looked for
_FAR = 1.0  # of the base's width to either side: no farther, for faces are not straight for ever
_FEWEST = 20  # edges at a side
_OUTLIER = 3.5  # times the scatter
_GIVEN = 1.0  # px: how well a line is known that was pointed out


class Face(NamedTuple):
    """line ; covariance (2, 2) of its height, px, at ``line.point`` and its slope, rad.

    rough : scatter of its edge, px.
    """

    line: Line
    covariance: Floats
    rough: float


def refined(
    smooth: Smoothed, line: Line, ends: Floats, keep_off: float, reach: float = NEAR
) -> Face:
    """The line through the face's edges beside a drop.

    ends : (2, 2) where the drop's outline meets the face, left first. keep_off : px from there.
    reach : px to both sides of the line.
    """
    places = line.place(ends)
    width = float(places[1] - places[0])
    left = np.arange(places[0] - max(_FAR * width, 60.0), places[0] - keep_off)
    right = np.arange(places[1] + keep_off, places[1] + max(_FAR * width, 60.0))
    found: list[tuple[Floats, Floats]] = []
    for side in (left, right):
        at = line.point + side[:, None] * line.along
        inside = (at[:, 0] > 1) & (at[:, 0] < smooth.values.shape[1] - 1)
        at = at[inside]
        if len(at) < _FEWEST:
            raise BenchError("the face is not seen at both sides of the drop; give it by --base")
        edges = find_edges(smooth, at, np.tile(line.up, (len(at), 1)), reach)
        xy = edges.xy[edges.found]
        found.append((line.place(xy), line.height(xy)))
    s, h = (np.concatenate(both) for both in zip(*found, strict=True))
    if min(len(one) for one, _ in found) < _FEWEST:
        raise BenchError("the face is not seen at both sides of the drop; give it by --base")
    middle = float(places.mean())
    keep = np.ones(len(s), bool)
    slope = offset = 0.0
    for _ in range(6):
        slope, offset = np.polyfit(s[keep] - middle, h[keep], 1)
        off = h - offset - slope * (s - middle)
        scatter = max(1.4826 * float(np.median(np.abs(off[keep]))), 0.05)
        keep = np.abs(off) <= _OUTLIER * scatter
    r = off[keep]
    design = np.stack([np.ones(keep.sum()), s[keep] - middle], 1)
    inflated = correlation(r) * float(r @ r) / max(len(r) - 2, 1)
    covariance = inflated * np.linalg.inv(design.T @ design)
    point = line.point + middle * line.along + offset * line.up
    along = line.along + slope * line.up
    return Face(Line(point, along / np.hypot(*along)), covariance, float(np.sqrt(np.mean(r**2))))


def given(line: Line, ends: Floats) -> Face:
    """A line that was pointed out, to a pixel at each end of the base."""
    places = line.place(ends)
    half = 0.5 * float(places[1] - places[0])
    variance = _GIVEN**2 / 2
    point = line.point + float(places.mean()) * line.along
    return Face(Line(point, line.along), np.diag([variance, variance / half**2]), _GIVEN)
