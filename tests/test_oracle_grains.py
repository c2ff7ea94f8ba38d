"""The oracle with grains, against closed forms."""

from __future__ import annotations

import numpy as np
import oracle_march
import pytest
from oracle_grains import Grains
from oracle_tubes import Fluid
from scipy.integrate import quad

GC, MU = 0.036, 1e-3  # 0.072 N/m, 60 degrees, 1 mPa s
STANDARD = Fluid(0.072, 60.0, MU)


@pytest.mark.parametrize("share", [pytest.param(1.0, marks=pytest.mark.slow), 0.2])
def test_grains_close_a_tube_and_build_a_cake(share):
    """One tube, grains too wide for it: the first comes with a volume of draw * grain / fraction.

    Washburn 1921 with what comes through, then in series with the leak, the bed in the mouth and
    the cake (Carman 1937) that grows with what has come. 1 - share of the grains, ten times as
    fine, pass and thicken what comes through.
    """
    r, size, wide, fraction, leak = 20e-6, 1e-3, 42e-6, 0.05, 0.2
    section, start = np.pi * r * r, 0.3 * size
    face = section / 2
    coarse, fine = fraction * share, fraction * (1 - share)
    grain, comes = np.pi * wide**3 / 6, coarse / (1 - coarse / 0.6)
    points, ends = np.array([[0, 0, 0], [0, 0, size]]), np.array([[0, 1]])
    draw = np.array([start * section * comes / grain])
    more = {"leak": leak, "bridging_ratio": 1.0, "passing_ratio": 1.5}
    shares = np.array([1 - share, share])
    grains = Grains(fraction, np.array([wide / 10, wide]), shares, draw, **more)
    keys = {"tolerance": 1e-7, "longest": 0.05, "face_m2": face}
    found = oracle_march.soak(points, ends, r, size, [0], STANDARD, grains=grains, **keys)
    mu = MU * grains.thickening(fine / (1 - coarse))
    assert found.blocked_at[0] == pytest.approx(2 * mu * start**2 / (GC * r), rel=1e-6)
    caught, caked = found.cargo.captured[0, 1], found.cargo.caked[0, 1]
    assert caught == pytest.approx(comes * start * section, rel=1e-5)
    assert caked == pytest.approx(comes * (size - start) * section, rel=1e-5)
    assert found.cargo.suspended[0, 1] == 0
    afloat = found.cargo.suspended[0, 0] + found.cargo.captured[0, 0]
    assert afloat == pytest.approx(fine / (1 - coarse) * size * section, rel=1e-6, abs=1e-30)
    assert found.cargo.caked[0, 0] == found.cargo.captured[0, 0] == 0
    # then dx/dt = (2 GC / r) / (section * resistance of all in series)
    permeable = wide**2 * 0.4**3 / (180 * 0.6**2)
    bed = mu * caught / 0.6 / (permeable * section**2)
    tube, cake = 8 * mu / (np.pi * r**4), mu * comes * section / 0.6 / (permeable * face**2)
    whole = tube * size
    assert cake > tube / 3

    def slowness(x):
        return tube * x * (1 / leak + bed / whole) + cake * (x - start)

    slow = quad(slowness, start, size, epsrel=1e-12)[0]
    expected = found.blocked_at[0] + section * r / (2 * GC) * slow
    assert found.filled_at[0] == pytest.approx(expected, rel=1e-5)
