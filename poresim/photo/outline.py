"""Where a drop stands in a picture, to about a pixel: its outline, and the face that it lies on.

The ground behind is what hangs together from the picture's top without an edge; where it ends, a
drop or the face begins. Of the straight lines along that border, the one that most of it follows at
both sides is the face; what rises above it is the drop.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.bench.error import BenchError

Floats = NDArray[np.float64]

_SMALL = 420  # px: width of the picture in which a drop is looked for
_EDGE = 0.10  # of the strongest edges: what counts as one,
_OVER_NOISE = 7.0  # and this many times the ground's own
_BLURS = (1.2, 2.4, 4.0)  # px of the small picture: the least that quietens the ground
_FELT = 2.5  # times the blur: from there on a slope is seen
_NOISE_MOST = 0.3  # of the strongest edges
_STEEPEST = 0.18  # slope of a face: 10 degrees
_OFF = 12.0  # px of the small picture: how far off a face that was pointed out may seem
_NEAR = 1.2  # px of the small picture: on the line
_LEAST_HEIGHT = 4.0  # px of the small picture: less is no drop


class Line(NamedTuple):
    """A straight line: a point on it, and its direction, to the right. up : normal to it."""

    point: Floats
    along: Floats

    @property
    def up(self) -> Floats:
        """Unit vector away from what lies below."""
        return np.array([self.along[1], -self.along[0]])

    @property
    def slope(self) -> float:
        """Of the line in the picture, rad."""
        return math.atan2(self.along[1], self.along[0])

    def height(self, xy: Floats) -> Floats:
        """Of points (..., 2) above it, px."""
        return np.asarray((xy - self.point) @ self.up)

    def place(self, xy: Floats) -> Floats:
        """Of points (..., 2) along it, px."""
        return np.asarray((xy - self.point) @ self.along)


class Outline(NamedTuple):
    """xy : (k, 2) points along the drop, from its left end over the top to the right one, px.

    normal : (k, 2) unit vectors out of the drop. face : the line that it lies on. off : how far the
    edges may lie from these points, px: a blurred one is felt from afar.
    """

    xy: Floats
    normal: Floats
    face: Line
    off: float


def line_through(a: Floats, b: Floats) -> Line:
    """From the left one of two points to the right one."""
    a, b = (np.asarray(p, np.float64) for p in (a, b))
    if b[0] < a[0]:
        a, b = b, a
    way = b - a
    size = float(np.hypot(*way))
    if not size > 0:
        raise BenchError("the base line needs two different points")
    return Line(a, way / size)


def find_outline(picture: Floats, face: Line | None = None) -> Outline:
    """Of the drop in a picture (rows, columns), 0 dark to 1 bright.

    face : where it is known. Raises BenchError where nothing of the kind is found.
    """
    from scipy.ndimage import gaussian_filter1d

    coarse = max(picture.shape[1] // _SMALL, 1)
    border, blur = _border(_reduced(picture, coarse))
    if face is None:
        face = along = _face(border, picture.shape[1] / coarse)
    else:
        face = Line(face.point / coarse, face.along)
        along = _beside(border, face)
    run = _drop(border, along)
    way = gaussian_filter1d(run, 2.0, axis=0, mode="nearest")
    way = np.gradient(way, axis=0)
    way /= np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-12)[:, None]
    normal = np.stack([way[:, 1], -way[:, 0]], 1)
    off = coarse * (_FELT * blur + 1.0) + 3.0
    return Outline(run * coarse, normal, Line(face.point * coarse, face.along), off)


def _reduced(picture: Floats, by: int) -> Floats:
    rows, columns = (n // by * by for n in picture.shape)
    blocks = picture[:rows, :columns].reshape(rows // by, by, columns // by, by)
    return np.asarray(blocks.mean(axis=(1, 3)))


def _border(small: Floats) -> tuple[Floats, float]:
    """(k, 2) where the ground ends, in order, from the picture's left side to its right one.

    And by how many px the picture had to be smoothed for that.
    """
    import contourpy
    from scipy.ndimage import gaussian_gradient_magnitude, label

    for blur in _BLURS:
        steep = gaussian_gradient_magnitude(small, blur)
        noise = float(np.median(steep[: max(len(steep) // 8, 4)]))
        edge = float(np.percentile(steep, 99.5))
        if _OVER_NOISE * noise < _NOISE_MOST * edge:
            break
    else:
        raise BenchError("nothing stands out from the ground: no edge is stronger than the noise")
    least = max(_EDGE * edge, _OVER_NOISE * noise)
    parts, count = label(steep < least)
    names = parts[0][parts[0] > 0]
    if count == 0 or len(names) < 0.5 * small.shape[1]:
        raise BenchError(
            "no plain ground runs along the picture's top; crop it so that there is one (--crop)"
        )
    ground = parts == np.bincount(names).argmax()
    if ground[-1].mean() > 0.5:
        raise BenchError(
            "the ground runs down to the picture's lower side: no face is seen; give it by --base"
        )
    lines: list[Any] = list(contourpy.contour_generator(z=ground.astype(float)).lines(0.5))
    if not lines:
        raise BenchError("nothing stands out from the ground")
    line = max(lines, key=len)
    line = line if line[0, 0] < line[-1, 0] else line[::-1]
    return np.asarray(line) + 0.5, blur


def _face(border: Floats, width: float) -> Line:
    """The line that most of the border follows at both sides."""
    best: Line | None = None
    left = border[border[:, 0] < 0.45 * width]
    right = border[border[:, 0] > 0.55 * width]
    if len(left) and len(right):
        a, b = left[:: max(len(left) // 60, 1)], right[:: max(len(right) // 60, 1)]
        start = np.repeat(a, len(b), axis=0)
        way = np.tile(b, (len(a), 1)) - start
        flat = np.abs(way[:, 1]) <= _STEEPEST * way[:, 0]
        start, way = start[flat], way[flat] / np.hypot(*way[flat].T)[:, None]
        up = np.stack([way[:, 1], -way[:, 0]], 1)
        height = up @ border.T - (up * start).sum(axis=1)[:, None]
        score = np.sum(np.abs(height) <= _NEAR, axis=1) - 2.0 * np.sum(
            height < -2.5 * _NEAR, axis=1
        )  # nothing reaches below a face
        if len(score) and score.max() > 0:
            k = int(np.argmax(score))
            best = Line(start[k], way[k])
    if best is None:
        raise BenchError("no straight face is seen at both sides of a drop; give it by --base")
    on = border[np.abs(best.height(border)) <= _NEAR]
    slope, offset = np.polyfit(on[:, 0], on[:, 1], 1)
    x = np.array([on[:, 0].min(), on[:, 0].max()])
    return line_through(*np.stack([x, slope * x + offset], 1))


def _beside(border: Floats, face: Line) -> Line:
    """The line of a face along the border, which a blur holds some pixels off it."""
    height = face.height(border)
    near = height[np.abs(height) < _OFF]
    if len(near) < 0.1 * len(border):
        raise BenchError("the base line that was given lies nowhere along the ground's end")
    return Line(face.point + float(np.median(near)) * face.up, face.along)


def _drop(border: Floats, face: Line) -> Floats:
    """The part of the border that rises above the face."""
    height = face.height(border)
    above = np.concatenate([[False], height > 1.5 * _NEAR, [False]])
    begin = np.flatnonzero(np.diff(above.astype(int)) == 1)
    end = np.flatnonzero(np.diff(above.astype(int)) == -1)
    if len(begin) == 0:
        raise BenchError("nothing rises above the face: no drop is seen")
    peaks = [height[b:e].max() for b, e in zip(begin, end, strict=True)]
    k = int(np.argmax(peaks))
    b, e = begin[k], end[k]
    if peaks[k] < _LEAST_HEIGHT:
        raise BenchError("nothing rises above the face: no drop is seen")
    if b == 0 or e == len(border):
        raise BenchError("the drop is cut off at the picture's side")
    others = [p for j, p in enumerate(peaks) if j != k and p > 0.3 * peaks[k]]
    if others:
        raise BenchError(f"{len(others) + 1} things rise above the face; crop to one (--crop)")
    return border[b:e]
