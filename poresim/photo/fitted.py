"""The Young-Laplace outline that goes through edges, by least squares of the distances.

Unknown are the apex, the axis' tilt, the apex radius b (px) and beta = density g b^2 / tension.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.bench.error import BenchError
from poresim.drop.profile import Meridian, meridian
from poresim.photo.outline import Line

Floats = NDArray[np.float64]

_OUTLIER = 4.0  # times the scatter
_UPRIGHT = math.radians(2.0)
_MOST_BETA = 1000.0
_LEAST_BETA = -1.0  # for a fit's sake: edges of a sphere scatter to both sides


class Shape(NamedTuple):
    """x, y : apex, px. tilt : of the axis, rad. ln_b : of the apex radius, px. beta."""

    x: float
    y: float
    tilt: float
    ln_b: float
    beta: float

    @property
    def apex_radius(self) -> float:
        """b, px."""
        return math.exp(self.ln_b)

    @property
    def axes(self) -> tuple[Floats, Floats]:
        """Unit vectors in the picture: across the drop to the right, and down its axis."""
        c, s = math.cos(self.tilt), math.sin(self.tilt)
        return np.array([c, s]), np.array([-s, c])

    def laid(self, side: float, x: ArrayLike, z: ArrayLike) -> Floats:
        """(k, 2) px: points of the right half (side 1) or the left (-1) of an outline over b."""
        return (self.x, self.y) + self.apex_radius * self.turned(side, x, z)

    def turned(self, side: float, x: ArrayLike, z: ArrayLike) -> Floats:
        """(k, 2) a direction across and along the axis as it lies in the picture."""
        right, down = self.axes
        return np.multiply.outer(side * np.asarray(x), right) + np.multiply.outer(z, down)


class Fit(NamedTuple):
    """shape, its covariance (5, 5), and the scatter of the edges xy (k, 2) about it, px.

    length : of the outline that is drawn, over the apex radius.
    """

    shape: Shape
    covariance: Floats
    scatter: float
    xy: Floats
    length: float


class Contact(NamedTuple):
    """Where outline and face meet. Angles in rad, ends (2, 2) px, left first; height px."""

    left: float
    right: float
    ends: Floats
    height: float
    volume: float  # px3, of the mean of both sides


def fit_outline(
    xy: Floats, start: Shape, length: float, level: float, beta_per_b2: float | None = None
) -> Fit:
    """Through edges (k, 2), in their order along the drop.

    length : of the outline from the apex, over the apex radius, that is to be drawn. level : rad,
    the face's slope in the picture; the axis stands upright on it to 2 degrees (standard
    deviation), which says something where a drop is as round as a sphere. beta_per_b2 : beta over
    the square of the apex radius in px, where tension and scale are known.
    """
    from scipy.optimize import least_squares

    free = 5 if beta_per_b2 is None else 4
    begin = np.array(start[:free])
    scales = np.array([1.0, 1.0, 0.01, 0.01, 0.1])[:free]
    low = np.array([-np.inf, -np.inf, -0.6, begin[3] - 2.0, _LEAST_BETA])[:free]
    high = np.array([np.inf, np.inf, 0.6, begin[3] + 2.0, _MOST_BETA])[:free]
    if free == 5:
        begin[4] = min(max(begin[4], 0.01), 0.9 * _MOST_BETA)

    def look(p: Floats, some: Floats) -> tuple[Floats, Floats]:
        return _distances(some, _shape(p, beta_per_b2), length, beta_per_b2)

    upright = np.zeros(free)
    upright[2] = 1.0 / _UPRIGHT

    def solved(some: Floats, first: Floats, loss: str, scale: float) -> Floats:
        kept: dict[bytes, tuple[Floats, Floats]] = {}  # slopes are asked for where distances were

        def once(p: Floats) -> tuple[Floats, Floats]:
            key = p.tobytes()
            if key not in kept:
                kept.clear()
                kept[key] = look(p, some)
            return kept[key]

        found = least_squares(
            lambda p: np.append(once(p)[0], scale * (p[2] - level) / _UPRIGHT),
            first,
            jac=lambda p: np.vstack([once(p)[1], scale * upright]),
            bounds=(low, high),
            x_scale=scales,
            loss=loss,
            f_scale=max(scale, 0.3),
            max_nfev=60,
        )
        return np.clip(found.x, low + 1e-9, high - 1e-9)

    used = xy
    scatter = 1.0
    for turn in range(3):
        begin = solved(used, begin, "linear" if turn else "soft_l1", scatter)
        off, _ = look(begin, xy)
        scatter = max(1.4826 * float(np.median(np.abs(off))), 0.02)
        close = np.abs(off) <= _OUTLIER * scatter
        if close.sum() < 30:
            raise BenchError("the outline is not that of a drop: the edges follow no such shape")
        used = xy[close]
    off, slopes = look(begin, used)
    inflated = correlation(off) * float(off @ off) / max(len(off) - free, 1)
    normal = slopes.T @ slopes + inflated * np.outer(upright, upright)
    covariance = np.zeros((5, 5))
    covariance[:free, :free] = inflated * np.linalg.pinv(normal, rcond=1e-14, hermitian=True)
    shape = _shape(begin, beta_per_b2)
    if free == 4:
        covariance[4] = covariance[:, 4] = 0.0
    return Fit(shape, covariance, float(np.sqrt(np.mean(off**2))), used, length)


def correlation(off: Floats) -> float:
    """How much less neighbours in a row say than independent ones: 1 + 2 sum of correlations.

    Summed until they fall below 0 (Geyer's rule for one lag), over at most a tenth of the row.
    """
    centred = off - off.mean()
    square = float(centred @ centred)
    total = 1.0
    if square <= 0:
        return total
    for lag in range(1, max(len(off) // 10, 2)):
        r = float(centred[:-lag] @ centred[lag:]) / square
        if r <= 0:
            break
        total += 2 * r
    return total


def _shape(p: Floats, beta_per_b2: float | None) -> Shape:
    if beta_per_b2 is None:
        return Shape(*(float(v) for v in p[:5]))
    x, y, tilt, ln_b = (float(v) for v in p[:4])
    return Shape(x, y, tilt, ln_b, beta_per_b2 * math.exp(2 * ln_b))


def _distances(
    xy: Floats, shape: Shape, length: float, beta_per_b2: float | None
) -> tuple[Floats, Floats]:
    """Signed distances of points from the outline, px, and their slopes."""
    from scipy.spatial import cKDTree

    m = meridian(shape.beta, length)
    b, (right, down) = shape.apex_radius, shape.axes
    q = (xy - (shape.x, shape.y)) / b
    x, z = q @ right, q @ down
    side = np.where(x >= 0, 1.0, -1.0)
    near = cKDTree(np.stack([m.x, m.z], 1)).query(np.stack([np.abs(x), z], 1))[1]
    cos, sin = np.cos(m.phi[near]), np.sin(m.phi[near])
    dx, dz = np.abs(x) - m.x[near], z - m.z[near]
    along, across = dx * cos + dz * sin, dx * sin - dz * cos  # outward is (sin, -cos)
    kappa = 2 + shape.beta * m.z[near] - _sine_over(m, near)
    turn = along / np.maximum(1 + kappa * across, 0.2)
    d = across + 0.5 * kappa * turn * along
    phi = m.phi[near] + kappa * turn
    nx, nz = side * np.sin(phi), -np.cos(phi)
    out = nx[:, None] * right + nz[:, None] * down
    slopes = np.empty((len(xy), 5))
    slopes[:, :2] = -out
    # turning the drop by d tilt moves a point of it by (-z, x) in (right, down)
    slopes[:, 2] = -b * (nx * -z + nz * x)
    slopes[:, 3] = -b * (nx * x + nz * z) + b * d
    slopes[:, 4] = -b * (np.sin(phi) * m.x_beta[near] - np.cos(phi) * m.z_beta[near])
    if beta_per_b2 is not None:
        slopes[:, 3] += slopes[:, 4] * 2 * shape.beta
        slopes = slopes[:, :4]
    return b * d, slopes


def _sine_over(m: Meridian, near: NDArray[np.int64]) -> Floats:
    x = m.x[near]
    return np.where(np.abs(x) > 1e-9, np.sin(m.phi[near]) / np.where(x == 0, 1, x), 1.0)


def contact(shape: Shape, length: float, face: Line) -> Contact:
    """Where the outline comes down to the face. BenchError where it does not."""
    m = meridian(shape.beta, length)
    bends = 2 + shape.beta * m.z - _sine_over(m, np.arange(len(m.x)))
    lean = face.slope - shape.tilt
    angles, ends, volumes = [], [], []
    for side in (-1.0, 1.0):
        height = face.height(shape.laid(side, m.x, m.z))
        fall = shape.apex_radius * (shape.turned(side, np.cos(m.phi), np.sin(m.phi)) @ face.up)
        below = np.flatnonzero((height[:-1] >= 0) & (height[1:] < 0))
        if not len(below):
            raise BenchError("the drop's outline does not come down to the face")
        k = int(below[0])
        place = _root(m.s, height, fall, k)
        angles.append(_cubic(m.s, m.phi, bends, k, place) - side * lean)
        x = _cubic(m.s, m.x, np.cos(m.phi), k, place)
        z = _cubic(m.s, m.z, np.sin(m.phi), k, place)
        ends.append(shape.laid(side, x, z))
        volumes.append(shape.apex_radius**3 * float(np.interp(place, m.s, m.volume)))
    apex = np.array([shape.x, shape.y])
    return Contact(
        angles[0], angles[1], np.array(ends), float(face.height(apex)), float(np.mean(volumes))
    )


def _root(s: Floats, height: Floats, fall: Floats, k: int) -> float:
    """Arc length at which the height comes to 0, between nodes k and k + 1."""
    low, high = float(s[k]), float(s[k + 1])
    for _ in range(50):
        mid = 0.5 * (low + high)
        if _cubic(s, height, fall, k, mid) >= 0:
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def _cubic(s: Floats, v: Floats, slope: Floats, k: int, at: float) -> float:
    """Hermite's cubic between nodes k and k + 1."""
    h = float(s[k + 1] - s[k])
    t = (at - float(s[k])) / h
    return float(
        v[k] * (1 + 2 * t) * (1 - t) ** 2
        + slope[k] * h * t * (1 - t) ** 2
        + v[k + 1] * t * t * (3 - 2 * t)
        + slope[k + 1] * h * t * t * (t - 1)
    )
