"""Tables of a flow curve that has no closed tube flow: Cross, Carreau, measured.

With the wall stress tw, the shear rate there g and the local index n = d ln tw / d ln g, the
reduced flow s = Q / (pi R^3) is an integral over the rate (Weissenberg-Rabinowitsch-Mooney,
integrated by parts)::

    s = (g - I / tw^3) / 3,   I = integral of tau^3 d(rate) from 0 to g
    L = d ln s / d ln tw = g / s - 3

and from it follow what cones and menisci need, M = integral of tw d ln s and E = integral of
dtw / (tw^2 s) beyond tw. All three are summed together by Gauss-Legendre quadrature over ln g, in
pieces between which the curve is smooth, then laid out over uniform grids of ln tw and ln s as
quintics that match value, slope and curvature at the ends of each cell. Beyond the grids s goes on
as the power that it has there.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.curves import FlowCurve
from poresim.tube.tables import CELLS, Grid, inverse_cells, quintic

Floats = NDArray[np.float64]

#: The largest relative error that tables may have between their points.
MOST_ERROR = 1e-6
_BENT = 1e-3  # of a local index, off its limits
_BORNE = 1e-4, 1e7  # Pa: stresses at walls
_PIECES = 1024
_FADES = 18.0  # beyond the last bend what is not a power fades as exp of minus this
_KNOTS, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_CLOSE = 1e-7  # a Newton step this small leaves what rounding does
_STEPS = 60


def _upto_knots() -> Floats:
    """(8, 8): what the values at the knots weigh in the integrals from -1 up to each knot.

    Of the polynomial through them, by its Legendre series: P_k is the slope of
    (P_(k+1) - P_(k-1)) / (2 k + 1).
    """
    n = len(_KNOTS)
    at = np.polynomial.legendre.legvander(_KNOTS, n)
    below = np.column_stack([-np.ones(n), at[:, : n - 1]])  # P_-1: -1 makes the first vanish at -1
    return (0.5 * (at[:, 1:] - below)) @ (at[:, :n] * _WEIGHTS[:, None]).T


_UPTO_KNOTS = _upto_knots()


class CurveTables(NamedTuple):
    """What a kernel looks up; stresses in units of ``unit``, flows in 1/s."""

    cells: Floats  # (4, CELLS, 6): CONE, TIME, INVERSE, FLOW
    unit: float  # Pa
    cone: Grid  # of ln s
    stress: Grid  # of ln tw; TIME and FLOW
    inverse: Grid  # of ln E
    low: float  # L below the grids
    high: float  # and above
    error: float  # largest relative error between the points


class _Sums(NamedTuple):
    """All that is known at some ln g (arrays of one shape)."""

    z: Floats  # ln tw
    rise: Floats  # n
    y: Floats  # ln s
    slope: Floats  # L
    cone: Floats  # M
    time: Floats  # E


class _Quadrature:
    """The three integrals of a curve, at any ln g within its ends."""

    def __init__(self, curve: FlowCurve, unit: float) -> None:
        self.curve, self.shift = curve, np.log(unit)
        bends = curve.bends()
        _, last = curve.log_stress(bends[-1:])
        self.ends = bends[0] - 1.0, bends[-1] + _FADES / (3 * float(last[0]) + 1)
        even = np.linspace(*self.ends, _PIECES + 1)
        self.knots = np.unique(np.concatenate([even, bends]))
        low, high = self.knots[:-1], self.knots[1:]
        z, n = self._stress(self.knots[:1])
        foot = np.exp(3 * z + self.knots[:1]) / (3 * n + 1)
        self.inner = np.cumsum(np.append(foot, self._inner(low, high)))
        first = self._flow(self.knots[:1], self.inner[:1])
        last_ = self._flow(self.knots[-1:], self.inner[-1:])
        self.low, self.high = float(first[3][0]), float(last_[3][0])
        start = first[3] * np.exp(first[0])  # M of a power law
        self.cones = np.cumsum(np.append(start, self._more(low, high)[0]))
        beyond = np.exp(-last_[0] - last_[2]) / (1 + last_[3])
        parts = np.append(self._more(low, high)[1], beyond)
        self.times = np.cumsum(parts[::-1])[::-1]

    def at(self, g: Floats) -> _Sums:
        """The sums at ln g."""
        piece = self._piece(g)
        z, n, y, slope = self._known(g)
        cone, time = self._more(self.knots[piece], g)
        return _Sums(z, n, y, slope, self.cones[piece] + cone, self.times[piece] - time)

    def _known(self, g: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """(ln tw, n, ln s, L) at ln g."""
        piece = self._piece(g)
        return self._flow(g, self.inner[piece] + self._inner(self.knots[piece], g))

    def _piece(self, g: Floats) -> NDArray[np.int64]:
        return np.clip(np.searchsorted(self.knots, g, side="right") - 1, 0, len(self.knots) - 2)

    def _stress(self, g: Floats) -> tuple[Floats, Floats]:
        z, n = self.curve.log_stress(g)
        return z - self.shift, n

    def _flow(self, g: Floats, inner: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """(ln tw, n, ln s, L) at ln g, with the integral I up to there."""
        z, n = self._stress(g)
        s = (np.exp(g) - inner * np.exp(-3 * z)) / 3
        return z, n, np.log(s), np.exp(g) / s - 3

    def _inner(self, low: Floats, high: Floats) -> Floats:
        half = (high - low)[:, None] / 2
        g = (high + low)[:, None] / 2 + half * _KNOTS
        z, _ = self._stress(g)
        return np.sum(half * _WEIGHTS * np.exp(3 * z + g), axis=1)

    def _more(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """Growth of M and fall of E between ln g of one piece each, from its start."""
        half = (high - low)[:, None] / 2
        g = (high + low)[:, None] / 2 + half * _KNOTS
        z, _ = self._stress(g)
        inner = self.inner[self._piece(low)][:, None] + half * (np.exp(3 * z + g) @ _UPTO_KNOTS.T)
        z, n, y, slope = self._flow(g, inner)
        weight = half * _WEIGHTS * n
        cone = np.sum(weight * np.exp(z) * slope, axis=1)
        return cone, np.sum(weight * np.exp(-z - y), axis=1)

    def where(self, name: str, target: Floats) -> _Sums:
        """The sums where z or y, which both rise with ln g, are as given."""
        z, _, y, _ = self._known(self.knots)
        g = np.interp(target, z if name == "z" else y, self.knots)
        for _ in range(_STEPS):
            z, n, y, slope = self._known(g)
            step = (target - z) / n if name == "z" else (target - y) / (n * slope)
            g = np.clip(g + step, *self.ends)
            if np.max(np.abs(step)) < _CLOSE:
                break
        return self.at(g)


@lru_cache(maxsize=16)
def curve_tables(curve: FlowCurve) -> CurveTables:
    """The tables of a flow curve.

    ValueError where their error would exceed MOST_ERROR.
    """
    unit = _middle_stress(curve)
    sums = _Quadrature(curve, unit)
    ends = sums.at(np.array(sums.ends))
    cells = np.zeros((4, CELLS, 6))

    z = np.linspace(float(ends.z[0]), float(ends.z[1]), CELLS + 1)
    stress = Grid(float(z[0]), float(z[1] - z[0]))
    on = sums.where("z", z)
    turn = (on.slope + 3) * (1 / on.rise - on.slope)
    cells[3] = quintic(on.y, on.slope, turn, stress.step)
    fall = -np.exp(-z - on.y) / on.time
    cells[1] = quintic(np.log(on.time), fall, fall * (-1 - on.slope - fall), stress.step)
    level = np.linspace(np.log(on.time[-1]), np.log(on.time[0]), CELLS + 1)
    inverse = Grid(float(level[0]), float(level[1] - level[0]))
    cells[2] = inverse_cells(level, cells[1], stress, inverse.step)

    y = np.linspace(float(ends.y[0]), float(ends.y[1]), CELLS + 1)
    cone = Grid(float(y[0]), float(y[1] - y[0]))
    up = sums.where("y", y)
    x = np.exp(up.z)
    cells[0] = quintic(up.cone, x, x / up.slope, cone.step)

    error = _error(sums, cells, stress, cone)
    if not error <= MOST_ERROR:
        raise ValueError(
            "the flow curve bends too sharply to be tabulated (its tube flow would be off by "
            f"{error:.1e}, at most {MOST_ERROR:g} is allowed): smooth it"
        )
    cells.setflags(write=False)
    return CurveTables(cells, unit, cone, stress, inverse, sums.low, sums.high, error)


def _middle_stress(curve: FlowCurve) -> float:
    """In the middle of where the curve is not a power law, Pa, among stresses that walls bear.

    Tables of waisted tubes reach 14 to either side of it, in ln(stress) (see ``tube.lookup``).
    """
    bends = curve.bends()
    z, index = curve.log_stress(np.linspace(bends[0], bends[-1], _PIECES))
    bent = np.abs(index - index[0]) > _BENT
    if index[0] != index[-1]:
        bent &= np.abs(index - index[-1]) > _BENT
    if not bent.any():
        return float(np.exp(z.mean()))
    low, high = z[bent].min(), z[bent].max()
    some = np.clip([low, high], *np.log(_BORNE))
    return float(np.exp(np.mean(some if some[0] < some[1] else [low, high])))


def _error(sums: _Quadrature, cells: Floats, stress: Grid, cone: Grid) -> float:
    """Largest relative error of flow, time and cone halfway between the points."""
    middle: Floats = np.arange(0.5, CELLS)
    on = sums.where("z", stress.start + stress.step * middle)
    up = sums.where("y", cone.start + cone.step * middle)
    powers = 0.5 ** np.arange(6)
    slopes = np.arange(6) * 0.5 ** np.maximum(np.arange(6.0) - 1, 0) / cone.step
    return float(
        max(
            np.abs(cells[3] @ powers - on.y).max(),
            np.abs(cells[1] @ powers - np.log(on.time)).max(),
            np.abs(cells[0] @ powers / up.cone - 1).max(),
            np.abs(cells[0] @ slopes / np.exp(up.z) - 1).max(),
        )
    )
