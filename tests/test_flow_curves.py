"""Flow curves: Cross, Carreau, measured; their tube flow against quadrature, and their limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

import poresim as ps
from poresim.tube.curve_tables import MOST_ERROR, curve_tables

RADIUS, LENGTH = 50e-6, 1e-3
# eta0, eta_inf in Pa s, time in s, index or exponent
CARREAU = ps.Carreau(0.05, 0.001, 1.0, 0.5)
CROSS = ps.Cross(0.05, 0.001, 0.5, 0.76)


def rate_at(law, stress: float) -> float:
    return float(law.tube_flow_rate(2 * LENGTH * stress / RADIUS, RADIUS, LENGTH))


@pytest.mark.parametrize(
    ("law", "viscosities"),
    [
        (CARREAU, [0.04987826, 0.042203924, 0.016456663, 0.005899878]),
        (CROSS, [0.045439748, 0.031807993, 0.01214155, 0.00338406]),
    ],
    ids=["carreau", "cross"],
)
def test_viscosity_at_four_rates(law, viscosities):
    """Carreau 1972; Cross 1965: the forms, worked out with 7 to 8 digits at 0.1, 1, 10, 100 /s."""
    got = law.apparent_viscosity([0.1, 1.0, 10.0, 100.0])
    np.testing.assert_allclose(got, viscosities, rtol=1e-7)


@pytest.mark.parametrize(
    ("law", "stress", "rate"),
    [
        (CARREAU, 0.1, 3.294367494e-13),
        (CARREAU, 1.0, 2.028885245e-11),
        (CARREAU, 10.0, 5.665530927e-10),
        (CROSS, 0.1, 5.360621348e-13),
        (CROSS, 1.0, 5.385598200e-11),
        (CROSS, 10.0, 8.924215933e-10),
    ],
)
def test_tube_flow_of_cross_and_carreau(law, stress, rate):
    """Weissenberg-Rabinowitsch-Mooney, worked out by two other integrals (10 digits)."""
    assert rate_at(law, stress) == pytest.approx(rate, rel=1e-9)


def tube_flow_by_quadrature(viscosity, rate_lowest, stress, radius) -> float:
    """pi R^3/tw^3 * integral of tau^2 g dtau, over the rate, the wall's found by bisection.

    viscosity: a function of the rate written out here, not the law's own.
    """
    low, high = math.log(rate_lowest), 80.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if math.log(viscosity(math.exp(middle))) + middle < math.log(stress):
            low = middle
        else:
            high = middle
    wall = low

    def part(g: float) -> float:  # over tw^3: tau^2 g (dtau/dln g), the last by central difference
        h = 1e-4
        tau = viscosity(math.exp(g)) * math.exp(g)
        ahead = viscosity(math.exp(g + h)) * math.exp(g + h)
        behind = viscosity(math.exp(g - h)) * math.exp(g - h)
        two = viscosity(math.exp(g + 2 * h)) * math.exp(g + 2 * h) - viscosity(
            math.exp(g - 2 * h)
        ) * math.exp(g - 2 * h)
        slope = (8 * (ahead - behind) - two) / (12 * h)
        return (tau / stress) ** 2 * math.exp(g) * slope / stress

    pieces = wall + np.array([-60.0, -30.0, -15.0, -8.0, -4.0, -2.0, -1.0, -0.4, 0.0])
    total = sum(
        quad(part, a, b, epsabs=0, epsrel=1e-10, limit=200)[0]
        for a, b in zip(pieces[:-1], pieces[1:], strict=True)
    )
    return math.pi * radius**3 * total


def random_curves(rng, count):
    """(law, its viscosity as a plain function of the rate)."""
    while count:
        zero, time = 10 ** rng.uniform(-2.5, 2), 10 ** rng.uniform(-3, 2)
        infinite = zero * 10 ** rng.uniform(-4, -0.3) if rng.random() < 0.8 else 0.0
        m = rng.uniform(0.2, 0.9)
        if count % 2:
            law = ps.Cross(zero, infinite, time, m)

            def viscosity(g, zero=zero, infinite=infinite, time=time, m=m):
                return infinite + (zero - infinite) / (1 + (time * g) ** m)
        else:
            law = ps.Carreau(zero, infinite, time, 1 - m)

            def viscosity(g, zero=zero, infinite=infinite, time=time, m=m):
                return infinite + (zero - infinite) * (1 + (time * g) ** 2) ** (-m / 2)

        yield law, viscosity
        count -= 1


def test_random_curves_against_quadrature():
    """200 random Cross and Carreau liquids, within the error that the tables state."""
    rng = np.random.default_rng(4)
    for law, viscosity in random_curves(rng, 200):
        radius, length = 10 ** rng.uniform(-6, -3), 10 ** rng.uniform(-5, -2)
        stress = float(law.shear_stress(10 ** rng.uniform(-3, 5)))
        expected = tube_flow_by_quadrature(viscosity, 1e-20, stress, radius)
        got = law.tube_flow_rate(2 * length * stress / radius, radius, length)
        assert curve_tables(law).error <= MOST_ERROR
        assert got == pytest.approx(expected, rel=1e-8)


def test_measured_points_of_a_known_curve():
    """Points of a Cross liquid, four a decade: its tube flow within 0.5 %, 16 a decade 0.03 %."""
    law = ps.Cross(0.3, 1.5e-3, 0.4, 0.7)
    stresses = np.geomspace(float(law.shear_stress(1.0)), float(law.shear_stress(3e4)), 40)
    tube = 2 * LENGTH * stresses / RADIUS, RADIUS, LENGTH
    exact = law.tube_flow_rate(*tube)
    worst = []
    for per_decade in (4, 16):
        rates = np.geomspace(1e-2, 1e5, 7 * per_decade + 1)
        measured = ps.MeasuredFlow(rates, law.apparent_viscosity(rates))
        worst.append(np.abs(measured.tube_flow_rate(*tube) / exact - 1).max())
    assert worst[0] < 5e-3
    assert worst[1] < 3e-4


def test_measured_power_law_is_one_everywhere():
    """Points of a power law: its closed form, between the points and far beyond them."""
    power = ps.PowerLaw(0.4, 0.45)
    rates = np.array([0.3, 2.0, 11.0, 400.0])
    measured = ps.MeasuredFlow(rates, power.apparent_viscosity(rates))
    assert measured.tails == pytest.approx((0.45, 0.45))
    drops = np.geomspace(1e-4, 1e7, 45)
    np.testing.assert_allclose(
        measured.tube_flow_rate(drops, 20e-6, 1e-4),
        power.tube_flow_rate(drops, 20e-6, 1e-4),
        rtol=1e-7,
    )


def test_measured_curve_passes_through_its_points_in_any_order():
    rates, viscosities = np.array([40.0, 0.2, 3.0, 900.0]), np.array([0.06, 0.9, 0.3, 0.01])
    law = ps.MeasuredFlow(rates, viscosities)
    np.testing.assert_allclose(law.apparent_viscosity(rates), viscosities, rtol=1e-12)
    assert law == ps.MeasuredFlow(rates[::-1], viscosities[::-1])
    assert hash(law) == hash(ps.MeasuredFlow(rates[::-1], viscosities[::-1]))
    assert law != ps.MeasuredFlow(rates, 2 * viscosities)
    with pytest.raises(ValueError, match="read-only"):
        law.viscosity[0] = 1.0


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(0.11, 1.2), min_size=3, max_size=12),
    st.lists(st.floats(0.3, 2.5), min_size=12, max_size=12),
)
def test_measured_curves_rise_everywhere(indices, steps):
    """Whatever the points (local indices, ratios of rates): stress and flow rise with the rate."""
    x = np.concatenate([[0.0], np.cumsum(steps[: len(indices)])])
    stress = np.concatenate([[0.0], np.cumsum(np.array(indices) * steps[: len(indices)])])
    law = ps.MeasuredFlow(np.exp(x), np.exp(stress - x))
    look = np.exp(np.linspace(x[0] - 2, x[-1] + 2, 400))
    assert np.all(np.diff(law.shear_stress(look)) > 0)
    assert law.thinnest_index > 0.01
    drops = np.geomspace(1e-3, 1e4, 300)
    assert np.all(np.diff(law.tube_flow_rate(drops, 20e-6, 1e-4)) > 0)
    assert curve_tables(law).error <= MOST_ERROR


def test_a_curve_that_bends_too_sharply_is_refused():
    """Local indices that jump between 0.1 and 3: no flow curve looks like that."""
    x = np.arange(7.0)
    stress = np.concatenate([[0.0], np.cumsum(np.tile([2.95, 0.11], 3))])
    law = ps.MeasuredFlow(np.exp(x), np.exp(stress - x))
    with pytest.raises(ValueError, match="bends too sharply to be tabulated"):
        rate_at(law, 1.0)


def test_flow_is_continuous_at_the_ends_of_the_tables():
    """Beyond the tables the flow goes on with value and slope."""
    for law in (CARREAU, CROSS, ps.MeasuredFlow([1.0, 10.0, 100.0], [1.0, 0.2, 0.1])):
        table = curve_tables(law)
        for z in (table.stress.start, table.stress.start + table.stress.step * 4096):
            stress = table.unit * math.exp(z)
            around = stress * (1 + np.linspace(-2e-6, 2e-6, 9))
            rate = np.array([rate_at(law, s) for s in around])
            slope = np.diff(np.log(rate)) / np.diff(np.log(around))
            np.testing.assert_allclose(slope, slope[0], rtol=1e-4)


@pytest.mark.parametrize(
    ("law", "viscosity"),
    [
        (ps.Cross(0.02, 0.02, 1.0, 0.7), 0.02),  # equal plateaus
        (ps.Carreau(0.02, 0.02, 1.0, 0.4), 0.02),
        (ps.Cross(0.02, 0.02 * (1 - 1e-9), 1.0, 0.7), 0.02),
        (ps.Cross(0.02, 0.001, 1e-12, 0.9), 0.02),  # so short a time: still on the first plateau
        (ps.Cross(0.02, 0.001, 1e12, 0.9), 0.001),  # so long: on the second
        (ps.Carreau(0.02, 0.001, 1e-12, 0.4), 0.02),
        (ps.Carreau(0.02, 0.0, 1.0, 1.0), 0.02),  # index 1
    ],
)
def test_curves_become_newtonian(law, viscosity):
    expected = ps.Newtonian(viscosity).tube_flow_rate(500.0, 2e-5, 1e-3)
    assert law.tube_flow_rate(500.0, 2e-5, 1e-3) == pytest.approx(expected, rel=1e-7)


def test_curves_become_power_laws():
    """Without a second plateau and far above 1/time: consistency eta0 time^(n-1)."""
    tube = 5e6, 2e-5, 1e-3
    power = ps.PowerLaw(3.0 * 100.0**-0.6, 0.4).tube_flow_rate(*tube)
    assert ps.Carreau(3.0, 0.0, 100.0, 0.4).tube_flow_rate(*tube) == pytest.approx(power, rel=1e-6)
    # Cross: 1 + (time rate)^m, off by (time rate)^-m
    assert ps.Cross(3.0, 0.0, 1e6, 0.6).tube_flow_rate(*tube) == pytest.approx(
        ps.PowerLaw(3.0 * 1e6**-0.6, 0.4).tube_flow_rate(*tube), rel=1e-5
    )


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: ps.Cross(0.0, 0.0, 1.0, 0.5), "zero_viscosity (Pa s) must be above 0"),
        (lambda: ps.Cross(1.0, 2.0, 1.0, 0.5), "infinite_viscosity (Pa s) must be at most"),
        (lambda: ps.Cross(1.0, -1e-3, 1.0, 0.5), "infinite_viscosity (Pa s) must be at least 0"),
        (lambda: ps.Cross(1.0, 0.1, 0.0, 0.5), "time (s) must be above 0"),
        (lambda: ps.Cross(1.0, 0.1, math.inf, 0.5), "time (s) must be finite"),
        (lambda: ps.Cross(1.0, 0.0, 1.0, 1.0), "its stress hardly rises, or falls"),
        (lambda: ps.Cross(1.0, 1e-4, 1.0, 1.5), "its stress hardly rises, or falls"),
        (lambda: ps.Carreau(1.0, 0.1, 1.0, 1.2), "index must lie in 0.05 to 1"),
        (lambda: ps.MeasuredFlow([1.0, 2.0], [1.0, 1.0]), "needs 3 points or more, got 2"),
        (lambda: ps.MeasuredFlow([1.0, 2.0, 3.0], [1.0, 1.0]), "one number a point"),
        (lambda: ps.MeasuredFlow([1.0, 2.0, 2.0], [1.0, 1.0, 1.0]), "the same shear rate (2 1/s)"),
        (lambda: ps.MeasuredFlow([1.0, 2.0, 4.0], [1.0, 0.4, 0.3]), "hardly rises, or falls, from"),
        (lambda: ps.MeasuredFlow([1.0, 2.0, 4.0], [1.0, 900.0, 900.0]), "rises too steeply"),
        (lambda: ps.MeasuredFlow([0.0, 2.0, 4.0], [1.0, 1.0, 1.0]), "must be finite and above 0"),
        (lambda: ps.MeasuredFlow([1e-15, 2.0, 4.0], [1.0, 1.0, 1.0]), "must lie in 1e-12 to"),
        (lambda: ps.Newtonian(1.0).apparent_viscosity(0.0), "shear_rate (1/s) must be finite"),
    ],
)
def test_bad_curves_are_refused(make, words):
    with pytest.raises(ValueError) as caught:
        make()
    assert words in str(caught.value)


def test_every_law_states_its_viscosity():
    """Stress over rate of the closed forms (Herschel & Bulkley 1926) at 50 1/s."""
    assert ps.Newtonian(2e-3).apparent_viscosity(50.0) == pytest.approx(2e-3)
    assert ps.PowerLaw(0.2, 0.5).apparent_viscosity(50.0) == pytest.approx(0.2 / 50**0.5)
    assert ps.Bingham(1.0, 2e-3).apparent_viscosity(50.0) == pytest.approx(1 / 50 + 2e-3)
    law = ps.HerschelBulkley(1.0, 0.2, 0.5)
    assert law.apparent_viscosity(50.0) == pytest.approx(1 / 50 + 0.2 / 50**0.5)
    assert law.thinnest_index == 0.5
    assert 0.05 < CROSS.thinnest_index < 0.5
