"""A Bingham meniscus in a straight tube against quadrature of Buckingham's flow.

Source: Buckingham 1921, Proc ASTM 21:1154; Reiner 1926, Kolloid-Z 39:80 (the flow of a yielding
liquid in a tube, from memory); general-purpose quadrature and root finding from scipy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

import poresim as ps
from poresim.tube.law import flow_law
from poresim.tube.plastic import CELLS, FAR, plastic_tables
from poresim.tube.straight import straight_advance, straight_time

TY, ETA, RADIUS = 0.5, 5e-3, 2e-5
LAW = flow_law(ps.Bingham(TY, ETA))


def slowing(phi: float) -> float:
    """Flow over that of a Newtonian liquid; phi: yield stress over wall stress."""
    return (1 - phi) ** 2 * (3 + 2 * phi + phi**2) / 3  # 1 - 4 phi / 3 + phi^4 / 3


def taken(start: float, end: float) -> float:
    """Reduced time from place to place, as shares of the stop."""
    whole, _ = quad(lambda phi: phi / slowing(phi), start, end, epsabs=1e-18, epsrel=1e-12)
    return whole


def looked_up(table: int, value: float, last: float) -> float:
    cells, _, _ = plastic_tables()
    place = value / last * CELLS
    cell = min(int(place), CELLS - 1)
    return float(np.polynomial.Polynomial(cells[table, cell])(place - cell))


@pytest.mark.parametrize("phi", [1e-9, 1e-4, 0.01, 0.1234, 0.4, 0.6, 0.7499, FAR])
def test_tables_are_the_integral_and_its_inverse(phi):
    _, last, end = plastic_tables()
    whole = taken(0.0, phi)
    assert phi**2 * looked_up(0, phi, FAR) == pytest.approx(whole, rel=1e-12)
    g = math.sqrt(2 * whole)
    assert g * looked_up(1, min(g, last), last) == pytest.approx(phi, rel=1e-12)
    assert end == pytest.approx(taken(0.0, FAR), rel=1e-12)


@pytest.mark.parametrize("start", [0.0, 1e-5, 0.03, 0.3, 0.7, 0.76, 0.95])
@pytest.mark.parametrize("more", [1e-7, 1e-3, 0.05, 0.4, 3.0])
@pytest.mark.parametrize("drive", [3e4, -3e4, 12.0])
def test_a_meniscus_goes_as_far_as_the_flow_carries_it(start, more, drive):
    """``more``: time, in units in which T is 0.5 phi^2 at first. Both sides of FAR, and across."""
    stop = 0.5 * abs(drive) * RADIUS / TY
    time = more * 2 * ETA * abs(drive) / TY**2
    new, slope = straight_advance(LAW, start * stop, drive, RADIUS, time)
    if drive < 0:
        if more >= taken(0.0, start):
            assert new == 0 and slope == 0  # noqa: PT018
            return
        right = brentq(lambda phi: taken(phi, start) - more, 0.0, start, xtol=1e-15, rtol=1e-13)
    else:
        right = brentq(lambda phi: taken(start, phi) - more, start, 0.999, xtol=1e-15)
    assert new / stop == pytest.approx(right, rel=1e-11)
    moved = abs(right - start)
    if moved > 1e-5:  # and it takes that long
        assert abs(new / stop - start) == pytest.approx(moved, rel=1e-8)
        if drive > 0:
            assert straight_time(LAW, start * stop, new, drive, RADIUS) == pytest.approx(
                time, rel=1e-8
            )


@pytest.mark.parametrize("start", [0.0, 0.03, 0.3, 0.7, 0.76])
@pytest.mark.parametrize("more", [1e-3, 0.05, 0.4])
@pytest.mark.parametrize("drive", [3e4, -3e4])
def test_its_slope_is_that_of_its_place(start, more, drive):
    stop = 0.5 * abs(drive) * RADIUS / TY
    time = more * 2 * ETA * abs(drive) / TY**2

    def place(push: float) -> float:
        return float(straight_advance(LAW, start * stop, push, RADIUS, time)[0])

    new, slope = straight_advance(LAW, start * stop, drive, RADIUS, time)
    if new == 0.0:
        assert slope == 0.0
        return
    step = 1e-4 * abs(drive)
    rough = (place(drive + step) - place(drive - step)) / (2 * step)
    finer = (place(drive + step / 2) - place(drive - step / 2)) / step
    assert slope == pytest.approx((4 * finer - rough) / 3, rel=2e-6)
