"""A Bingham meniscus in a straight tube, without logarithms.

The drive u carries it up to x_stop = u R / (2 ty). With phi = x / x_stop, Buckingham's flow
(Buckingham 1921; Reiner 1926) makes::

    d phi / d tau = D / phi,     D = 1 - 4 phi / 3 + phi^4 / 3,     tau = ty^2 t / (2 eta u)

so that one function T(phi) = integral of phi / D, and its inverse, serve all liquids and tubes. Far
from the stop both are smooth but for a power: T = phi^2 h(phi) and phi = g k(g), g = sqrt(2 T).
These h and k are stored as quintic polynomials, right to rounding up to phi = FAR; beyond, the
tables of :mod:`poresim.tube.tables` serve, as for all liquids with a yield stress.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner
from poresim.tube.tables import quintic

Floats = NDArray[np.float64]

FAR = 0.75
CELLS = 512
_POINTS = 60  # of the sums that make h


def time_over_square(phi: Floats) -> tuple[Floats, Floats, Floats]:
    """h, h' and h'' at (k,) phi from 0 to FAR: h = integral of v / D(phi v) for v from 0 to 1."""
    knots, weights = np.polynomial.legendre.leggauss(_POINTS)
    v, w = 0.5 + 0.5 * knots, 0.5 * weights
    at = phi[:, None] * v
    d, d1, d2 = 1 - 4 * at / 3 + at**4 / 3, 4 * (at**3 - 1) / 3, 4 * at**2
    return (
        (w * v / d).sum(axis=1),
        (-w * v**2 * d1 / d**2).sum(axis=1),
        (w * v**3 * (2 * d1**2 / d**3 - d2 / d**2)).sum(axis=1),
    )


@cache
def plastic_tables() -> tuple[Floats, float, float]:
    """(2, CELLS, 6) polynomials of h and k, the largest g, and the largest T."""
    phi = np.linspace(0.0, FAR, CELLS + 1)
    h, slope, bend = time_over_square(phi)
    last = FAR * float(np.sqrt(2 * h[-1]))
    g = np.linspace(0.0, last, CELLS + 1)
    at = np.interp(g, phi * np.sqrt(2 * h), phi)
    for _ in range(8):  # Newton's method on g^2 / 2 = phi^2 h
        h1, s1, _ = time_over_square(at)
        off = at * np.sqrt(2 * h1) - g
        at = at - off / (np.sqrt(2 * h1) + at * s1 / np.sqrt(2 * h1))
    h1, s1, b1 = time_over_square(at)
    d, d1 = 1 - 4 * at / 3 + at**4 / 3, 4 * (at**3 - 1) / 3
    k = (2 * h1) ** -0.5
    rise = -k * k * s1 * d  # dk/dg, as d phi / dg = D / k
    curve = d * (2 * k**3 * s1**2 * d - k * b1 * d - k * s1 * d1)
    cells = np.stack([quintic(h, slope, bend, FAR / CELLS), quintic(k, rise, curve, g[1])])
    return cells, last, 0.5 * last * last


@inner
def slowing(phi):
    """D: the flow over that of a Newtonian liquid of the same viscosity."""
    return 1.0 - phi * (4.0 - phi * phi * phi) / 3.0


@inner
def plastic_time(law, phi):
    """T at phi up to FAR."""
    return phi * phi * _looked_up(law.plastic, 0, phi * (CELLS / FAR))


@inner
def plastic_place(law, g):
    """phi at g = sqrt(2 T) up to the largest."""
    return g * _looked_up(law.plastic, 1, g * law.per_plastic)


@inner
def _looked_up(cells, table, place):
    i = min(int(place), CELLS - 1)
    t = place - i
    c0, c1, c2 = cells[table, i, 0], cells[table, i, 1], cells[table, i, 2]
    c3, c4, c5 = cells[table, i, 3], cells[table, i, 4], cells[table, i, 5]
    return c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * c5))))
