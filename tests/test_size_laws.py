"""Size laws by number, by volume and in between; Washburn's radii: closed forms and quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from poresim.bench.size_laws import (
    VOLUME,
    make_law,
    moment_mean,
    quantile,
    share_below,
    share_between,
    theta_of,
)
from poresim.solid.sizes import Intrusion, Lognormal, Weibull
from poresim.tables.porosimetry import entered_radius

LAWS = [Lognormal(12e-6, 0.5), Weibull(15e-6, 2.0), Weibull(15e-6, 0.8)]
REFERENCE = [
    stats.lognorm(0.5, scale=12e-6),
    stats.weibull_min(2.0, scale=15e-6),
    stats.weibull_min(0.8, scale=15e-6),
]
PAIRS = list(zip(LAWS, REFERENCE, strict=True))
SIZES = np.geomspace(2e-6, 60e-6, 9)


def test_hatch_choate():
    """ln(median by volume) = ln(median by number) + 3 s^2; d32 = median by volume exp(-s^2 / 2)."""
    law, s = Lognormal(12e-6, 0.5), 0.5
    by_volume = 12e-6 * math.exp(3 * s**2)
    assert quantile(law, 0.5, VOLUME) == pytest.approx(by_volume, rel=1e-12)
    z = 1.2815515655446004  # of the normal law at 0.9
    np.testing.assert_allclose(
        quantile(law, [0.1, 0.9], VOLUME),
        by_volume * np.exp([-z * s, z * s]),
        rtol=1e-12,
    )
    assert moment_mean(law, 3, 2) == pytest.approx(by_volume * math.exp(-(s**2) / 2), rel=1e-12)
    assert moment_mean(law, 4, 3) == pytest.approx(by_volume * math.exp(s**2 / 2), rel=1e-12)
    told = Lognormal(by_volume, s)  # the same law told by volume
    assert moment_mean(told, 0, -1) == pytest.approx(moment_mean(law, 3, 2), rel=1e-12)


def test_rosin_rammler_quantiles():
    """63.2 % lies below the scale; d_p = scale (-ln(1 - p))^(1 / shape)."""
    law = Weibull(200e-6, 1.5)
    assert share_below(law, 200e-6) == pytest.approx(1 - math.exp(-1), rel=1e-12)
    p = np.array([0.1, 0.5, 0.9])
    np.testing.assert_allclose(quantile(law, p), 200e-6 * (-np.log(1 - p)) ** (1 / 1.5), rtol=1e-10)


@pytest.mark.parametrize("law, reference", PAIRS)
@pytest.mark.parametrize("power", [0.0, 2.0, 3.0])
def test_weighted_laws_against_quadrature(law, reference, power):
    """Share below = integral of d^power f(d), with f from scipy.stats."""

    def moment(low, high, order=power):
        def inner(y):
            return math.exp((order + 1) * y) * reference.pdf(math.exp(y))

        return integrate.quad(inner, math.log(low), math.log(high), epsabs=0, limit=400)[0]

    least, middle, most = 12e-6 * math.exp(-30), 12e-6, 12e-6 * math.exp(9)
    whole = moment(least, middle) + moment(middle, most)
    expected = [moment(least, d) / whole for d in SIZES]
    np.testing.assert_allclose(share_below(law, SIZES, power), expected, rtol=2e-6)
    np.testing.assert_allclose(quantile(law, expected, power), SIZES, rtol=2e-6)
    mean = (moment(least, middle, power + 1) + moment(middle, most, power + 1)) / whole
    assert moment_mean(law, 1.0, 0.0, power) == pytest.approx(mean, rel=1e-5)


@pytest.mark.parametrize("law, reference", PAIRS)
def test_classes_far_out_keep_their_figures(law, reference):
    edges = np.array([0.0, 1e-9, 1e-8, 100e-6, 150e-6, np.inf])
    found = share_between(law, edges[:-1], edges[1:])
    assert found.sum() == pytest.approx(1.0, abs=1e-12)
    assert found[-1] == pytest.approx(reference.sf(150e-6), rel=1e-9)
    assert found[-2] == pytest.approx(reference.sf(100e-6) - reference.sf(150e-6), rel=1e-9)
    assert found[0] == pytest.approx(reference.cdf(1e-9), rel=1e-9, abs=1e-300)


def test_theta_there_and_back():
    for law in LAWS:
        kind = "lognormal" if isinstance(law, Lognormal) else "weibull"
        np.testing.assert_allclose(theta_of(make_law(kind, theta_of(law))), theta_of(law))


def test_volume_of_tubes_becomes_their_number_as_in_a_solid():
    """The median by number of a lognormal volume curve, held against the law a solid draws from."""
    law = Lognormal(11e-6, 0.45)
    size = np.geomspace(1e-6, 200e-6, 2000)
    drawn = Intrusion(size, 1 - share_below(law, size, 2.0))
    assert drawn.quantile(0.5) == pytest.approx(11e-6, rel=1e-4)


def test_washburn_worked_example():
    """1 MPa, 0.485 N/m: 2 * 0.485 * cos(50 degrees) / 1e6 = 0.62350 um; at 140, 0.74306 um."""
    assert entered_radius(1e6) == pytest.approx(0.623504e-6, rel=1e-5)
    assert entered_radius(1e6, 140.0) == pytest.approx(0.743063e-6, rel=1e-5)
    assert entered_radius(100e6, 180.0, 0.5) == pytest.approx(10e-9, rel=1e-12)


@pytest.mark.parametrize(
    "pressure, angle, tension, said",
    [
        (1e6, 90.0, 0.485, "angle must lie above 90"),
        (1e6, 181.0, 0.485, "angle must lie above 90"),
        (1e6, 130.0, 0.0, "tension must be above 0"),
        (0.0, 130.0, 0.485, "pressures must be above 0"),
    ],
)
def test_washburn_refuses(pressure, angle, tension, said):
    with pytest.raises(ValueError, match=said):
        entered_radius(pressure, angle, tension)
