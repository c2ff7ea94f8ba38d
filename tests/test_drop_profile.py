"""Young-Laplace outlines against Bashforth & Adams' rows, the force balance, and the cap's bias."""

from __future__ import annotations

import math

import numpy as np
import pytest

import poresim as ps
from poresim.drop.profile import meridian

G = 9.80665
#: beta, phi (degrees): x/b, z/b, V/b^3; as of the tables of Bashforth & Adams (1883), computed anew
#: with another integrator to 6 digits. beta 0 is a sphere.
ROWS = [
    (0.0, 60, 0.866025, 0.5, 0.654498),
    (0.0, 90, 1.0, 1.0, 2.094395),
    (0.0, 120, 0.866025, 1.5, 3.534292),
    (0.1, 30, 0.498380, 0.133305, 0.053283),
    (0.1, 60, 0.856698, 0.490759, 0.629499),
    (0.1, 90, 0.984150, 0.963127, 1.950491),
    (0.1, 120, 0.864206, 1.414944, 3.221097),
    (0.1, 150, 0.558831, 1.723270, 3.756376),
    (0.5, 60, 0.824275, 0.459463, 0.548259),
    (0.5, 90, 0.932831, 0.854908, 1.549716),
    (0.5, 120, 0.843065, 1.198803, 2.433579),
    (1.0, 30, 0.484954, 0.127810, 0.048584),
    (1.0, 60, 0.791606, 0.429185, 0.474769),
    (1.0, 90, 0.885291, 0.766710, 1.249722),
    (1.0, 120, 0.813116, 1.045314, 1.900894),
    (1.0, 150, 0.647200, 1.214280, 2.196472),
    (2.0, 60, 0.742030, 0.385518, 0.377814),
    (2.0, 90, 0.818223, 0.657168, 0.914933),
    (2.0, 120, 0.762970, 0.871620, 1.346999),
    (5.0, 90, 0.704414, 0.500952, 0.519260),
    (10.0, 60, 0.568737, 0.252448, 0.150298),
    (10.0, 90, 0.608078, 0.390742, 0.304157),
    (20.0, 90, 0.511529, 0.296232, 0.165015),
]


def profile(beta, angle, **keys):
    """Of apex radius 1 mm and 50 mN/m."""
    return ps.drop_profile(1e-3, beta * 0.05 / (G * 1e-6), 0.05, angle, **keys)


@pytest.mark.parametrize(("beta", "angle", "x", "z", "volume"), ROWS)
def test_rows_of_bashforth_and_adams(beta, angle, x, z, volume):
    found = profile(beta, angle)
    assert found.base_radius / 1e-3 == pytest.approx(x, abs=2e-6)
    assert found.height / 1e-3 == pytest.approx(z, abs=2e-6)
    assert found.volume[-1] / 1e-9 == pytest.approx(volume, abs=2e-6)
    assert found.slope_deg[-1] == pytest.approx(angle, rel=1e-14)
    assert found.x[0] == found.z[0] == 0


@pytest.mark.parametrize(("beta", "angle"), [(r[0], r[1]) for r in ROWS if r[0] > 0] + [(3, 172)])
def test_weight_stands_on_pressure_and_line(beta, angle):
    """Force balance, exact: V = pi X (X (2 + beta Z) - 2 sin phi) / beta."""
    found = profile(beta, angle)
    x, z = found.x[1:] / 1e-3, found.z[1:] / 1e-3
    sine = np.sin(np.radians(found.slope_deg[1:]))
    balance = math.pi * x * (x * (2 + beta * z) - 2 * sine) / beta
    np.testing.assert_allclose(found.volume[1:] / 1e-9, balance, atol=1e-8)


@pytest.mark.parametrize("beta", [0.0, 0.3, 1.0, 3.0])
def test_fast_outlines_are_those_of_the_sharp_integrator(beta):
    """At the same arc lengths; and what beta changes, by differences."""
    fast, h = meridian(beta, 3.0), 1e-4
    above, below = meridian(beta + h, 3.0), meridian(beta - h, 3.0)
    reached = fast.phi < math.radians(165)
    for got, up, low in (
        (fast.x_beta, above.x, below.x),
        (fast.z_beta, above.z, below.z),
        (fast.phi_beta, above.phi, below.phi),
    ):
        np.testing.assert_allclose(got[reached], ((up - low) / (2 * h))[reached], atol=2e-5)
    angle = math.degrees(float(fast.phi[reached][-1]))
    sharp = profile(beta, angle, points=400)
    assert sharp.base_radius / 1e-3 == pytest.approx(fast.x[reached][-1], abs=1e-6)
    assert sharp.height / 1e-3 == pytest.approx(fast.z[reached][-1], abs=1e-6)
    assert sharp.volume[-1] / 1e-9 == pytest.approx(fast.volume[reached][-1], abs=3e-6)


@pytest.mark.parametrize(
    ("volume", "biases"),
    [
        (1, (-0.48, -0.71, -1.07, -1.78)),
        (2, (-0.75, -1.11, -1.68, -2.78)),
        (5, (-1.36, -2.02, -3.03, -4.91)),
        (10, (-2.12, -3.15, -4.68, -7.43)),
        (20, (-3.26, -4.85, -7.14, -11.05)),
    ],
)
def test_the_cap_formula_reads_low(volume, biases):
    """2 atan(h/a) of true drops of water at 20 C (72.74 mN/m, 998.2 kg/m3), uL: computed anew from
    Young-Laplace with another program."""
    from scipy.optimize import brentq

    for angle, bias in zip((30, 60, 90, 120), biases, strict=True):

        def over(ln_b, angle=angle):
            return ps.drop_profile(math.exp(ln_b), 998.2, 0.07274, angle).volume[-1] * 1e9 - volume

        drop = ps.drop_profile(
            math.exp(brentq(over, math.log(2e-4), math.log(0.02))), 998.2, 0.07274, angle
        )
        cap = 2 * math.degrees(math.atan(drop.height / drop.base_radius))
        assert cap - angle == pytest.approx(bias, abs=0.02)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ((0.0, 1000, 0.05, 60), "apex_radius must be above 0"),
        ((1e-3, -1, 0.05, 60), "density must be at least 0"),
        ((1e-3, 1000, 0.0, 60), "surface_tension must be above 0"),
        ((1e-3, 1000, 0.05, 180), "contact_angle_deg must be below 180"),
        ((1e-3, 1000, math.nan, 60), "surface_tension must be finite"),
        ((1.0, 1000, 1e-9, 60), "it is a puddle"),
    ],
)
def test_what_is_no_drop_is_told(given, says):
    with pytest.raises(ValueError, match=says):
        ps.drop_profile(*given)
