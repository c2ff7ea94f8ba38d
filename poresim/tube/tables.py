"""Tables of a Herschel-Bulkley liquid, in units of its own yield stress.

With X = tw / ty - 1 (excess of the wall stress over the yield stress) and p = 1/n, the reduced
flow Q / (pi R^3) in units of (ty/K)^p is a function of X and n alone (Herschel & Bulkley 1926;
Skelland 1967)::

    S = X^(1+p) q(X) / (1+X)^3,     q = X^2/(3+p) + 2 X/(2+p) + 1/(1+p)

so that one set of tables serves every liquid of index n, and every tube of it:

cone     M(y) = integral of X dy from y = -inf, with y = ln S: pressure drops along cones.
time     ln E(z) with z = ln X and E = integral of dT / (T^2 S) from T = 1+X to infinity: time of
         a meniscus in a straight tube.
inverse  z(ln E).

M has a closed form in X (see :func:`cone_integral_of`), E has none and is summed by Gauss-Legendre
quadrature. Both are stored as quintic polynomials of each cell that match value, slope and
curvature at the cell's ends; beyond the grid the leading behaviour at both ends is exact to
about exp(-25).
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CELLS = 4096
REACH = 25.0  # the tables span ln X from -REACH to REACH
CONE, TIME, INVERSE, FLOW = 0, 1, 2, 3


class Grid(NamedTuple):
    """A uniform grid: its first point and its step."""

    start: float
    step: float


class Tables(NamedTuple):
    """Everything a Herschel-Bulkley kernel looks up, for one index n."""

    cells: Floats  # (3, CELLS, 6) polynomial coefficients: CONE, TIME, INVERSE
    cone: Grid
    time: Grid
    inverse: Grid
    cone_top: tuple[float, float, float]  # a, c, d of M = a exp(n e) + c e + d, e = y - y_last
    time_foot: (
        float  # share of E at the first z that goes on as X^-p below it; the rest is constant
    )


class _Reduced:
    """S(X) of one index and what follows from it in closed form."""

    def __init__(self, index: float) -> None:
        self.p = 1 / index
        self.a, self.b, self.c = 1 / (3 + self.p), 1 / (2 + self.p), 1 / (1 + self.p)

    def q(self, x: Floats) -> Floats:
        return (self.a * x + 2 * self.b) * x + self.c

    def log_flow(self, z: Floats) -> Floats:
        x = np.exp(z)
        return (1 + self.p) * z + np.log(self.q(x)) - 3 * np.log1p(x)

    def log_slope(self, z: Floats) -> Floats:
        """d ln S / d ln X."""
        x = np.exp(z)
        return 1 + self.p + x * (2 * self.a * x + 2 * self.b) / self.q(x) - 3 * x / (1 + x)

    def excess_at(self, y: Floats) -> Floats:
        """ln X at y = ln S (Newton; the slope lies between p and 1+p)."""
        z = np.where(y > 0, y / self.p, y / (1 + self.p))
        for _ in range(100):
            step = (self.log_flow(z) - y) / self.log_slope(z)
            z = z - step
            if np.max(np.abs(step)) < 1e-14 * REACH:
                return z
        raise RuntimeError("the wall stress of a flow rate was not found")  # cannot happen


def cone_integral_of(x: Floats, index: float) -> Floats:
    """M(X) = integral of X d(ln S) from 0 to X, in closed form."""
    r = _Reduced(index)
    root = np.sqrt(r.a * r.c - r.b**2)
    log_q = np.log1p(x * (r.a * x + 2 * r.b) / r.c)
    arc = np.arctan2(root * x, r.c + r.b * x) / root
    return r.p * x + 3 * np.log1p(x) - r.b / r.a * log_q - 2 * (r.c - r.b**2 / r.a) * arc


@lru_cache(maxsize=32)
def tables_of(index: float) -> Tables:
    """The tables of all Herschel-Bulkley liquids of flow index ``index``."""
    r = _Reduced(index)
    cells = np.zeros((3, CELLS, 6))

    ends = r.log_flow(np.array([-REACH, REACH]))
    y = np.linspace(ends[0], ends[1], CELLS + 1)
    z = r.excess_at(y)
    x = np.exp(z)
    m = cone_integral_of(x, index)
    cone = Grid(float(y[0]), float(y[1] - y[0]))
    cells[CONE] = quintic(m, x, x / r.log_slope(z), cone.step)
    c = index * (3 - 2 * r.b / r.a)
    a = (x[-1] - c) / index

    z = np.linspace(-REACH, REACH, CELLS + 1)
    time = Grid(-REACH, 2 * REACH / CELLS)
    log_e, slope, curvature = _log_time(r, z)
    cells[TIME] = quintic(log_e, slope, curvature, time.step)

    level = np.linspace(log_e[-1], log_e[0], CELLS + 1)
    inverse = Grid(float(level[0]), float(level[1] - level[0]))
    cells[INVERSE] = inverse_cells(level, cells[TIME], time, inverse.step)
    foot = np.exp(r.p * REACH - np.log(r.p * r.c) - log_e[0])
    top = (float(a), float(c), float(m[-1] - a))
    return Tables(cells, cone, time, inverse, top, float(foot))


def _log_time(r: _Reduced, z: Floats) -> tuple[Floats, Floats, Floats]:
    """ln E at z = ln X, with its first two derivatives in z."""
    knots, weights = np.polynomial.legendre.leggauss(12)
    half = np.diff(z)[:, None] / 2
    inner = (z[:-1, None] + z[1:, None]) / 2 + half * knots
    x = np.exp(inner)
    share = np.sum(half * weights * (1 + x) * np.exp(-r.p * inner) / r.q(x), axis=1)
    top = np.exp(z[-1])
    beyond = top ** (-1 - r.p) / r.a * (1 / (1 + r.p) + (1 - 2 * r.b / r.a) / ((2 + r.p) * top))
    e = np.cumsum(np.append(share, beyond)[::-1])[::-1]
    x = np.exp(z)
    slope = -(1 + x) * np.exp(-r.p * z) / r.q(x) / e
    curvature = slope * (x / (1 + x) - r.p - x * (2 * r.a * x + 2 * r.b) / r.q(x) - slope)
    return np.log(e), slope, curvature


def inverse_cells(level: Floats, time: Floats, grid: Grid, step: float) -> Floats:
    """Cubic cells of z(ln E); a first guess only, the kernels polish it on the time table."""
    nodes = grid.start + grid.step * np.arange(CELLS + 1)
    values = np.append(time[:, 0], time[-1].sum())
    z = np.interp(-level, -values, nodes)
    for _ in range(60):
        cell = np.clip(((z - grid.start) / grid.step).astype(int), 0, CELLS - 1)
        t = (z - grid.start) / grid.step - cell
        f = sum(time[cell, k] * t**k for k in range(6))
        d = sum(k * time[cell, k] * t ** (k - 1) for k in range(1, 6)) / grid.step
        move = (f - level) / d
        z = z - move
        if np.max(np.abs(move)) < 1e-11:
            break
    slope = step / d
    rise = np.diff(z)
    out = np.zeros((CELLS, 6))
    out[:, 0] = z[:-1]
    out[:, 1] = slope[:-1]
    out[:, 2] = 3 * rise - 2 * slope[:-1] - slope[1:]
    out[:, 3] = slope[:-1] + slope[1:] - 2 * rise
    return out


def quintic(value: Floats, slope: Floats, curvature: Floats, step: float) -> Floats:
    """(cells, 6) coefficients in the share 0..1 of a cell that match the three at its ends."""
    rise = np.diff(value)
    d0, d1 = step * slope[:-1], step * slope[1:]
    s0, s1 = step**2 * curvature[:-1], step**2 * curvature[1:]
    return np.stack(
        [
            value[:-1],
            d0,
            s0 / 2,
            10 * rise - 6 * d0 - 4 * d1 - 1.5 * s0 + 0.5 * s1,
            -15 * rise + 8 * d0 + 7 * d1 + 1.5 * s0 - s1,
            6 * rise - 3 * d0 - 3 * d1 - 0.5 * s0 + 0.5 * s1,
        ],
        axis=1,
    )
