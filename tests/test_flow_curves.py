"""Flow curves: Cross, Carreau, measured; their tube flow against quadrature, and their limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

import poresim as ps
from poresim.tube.curve_tables import curve_tables

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


def tube_flow_by_quadrature(viscosity, wall_rate, radius) -> float:
    """pi R^3/tw^3 * integral of tau^2 g dtau, over ln g; viscosity: a function of the rate."""

    def part(g: float) -> float:  # over tw^3: tau^2 g (dtau/dln g), the last by central difference
        h = 1e-4
        two_back, back, here, ahead, two_ahead = (
            viscosity(math.exp(g + k * h)) * math.exp(g + k * h) / stress for k in range(-2, 3)
        )
        slope = (8 * (ahead - back) - (two_ahead - two_back)) / (12 * h)
        return here**2 * math.exp(g) * slope

    stress = viscosity(wall_rate) * wall_rate
    pieces = math.log(wall_rate) + np.array([-60, -30, -15, -8, -4, -2, -1, -0.4, 0])
    total = sum(
        quad(part, a, b, epsabs=0, epsrel=1e-10, limit=200)[0]
        for a, b in zip(pieces[:-1], pieces[1:], strict=True)
    )
    return math.pi * radius**3 * total


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


# --- plateaus of measured curves ------------------------------------------------------------------

SISKO_RATES = np.array([0.2, 1.0, 6.0, 50.0, 300.0])


def sisko(rate, infinite=1.1e-3, consistency=0.3, index=0.4):
    """infinite + consistency rate^(index-1) (Sisko 1958, Ind Eng Chem 50:1789, from memory)."""
    return infinite + consistency * rate ** (index - 1)


def test_above_its_range_a_curve_goes_on_to_its_plateau_as_siskos_does():
    """Points of a Sisko liquid and its plateau: the liquid itself, however fast it is sheared."""
    law = ps.MeasuredFlow(SISKO_RATES, sisko(SISKO_RATES), infinite_viscosity=1.1e-3)
    assert law.powers[1] == pytest.approx(0.6)
    fast = np.geomspace(300, 1e14, 60)
    np.testing.assert_allclose(law.apparent_viscosity(fast), sisko(fast), rtol=1e-12)
    # its tube flow there: what it gathers in the middle was measured, and matters less and less
    top = 1e6
    expected = tube_flow_by_quadrature(sisko, top, RADIUS)
    assert rate_at(law, sisko(top) * top) == pytest.approx(expected, rel=1e-4)
    without = ps.MeasuredFlow(SISKO_RATES, sisko(SISKO_RATES))
    assert without.apparent_viscosity(1e6) < 0.2e-3


def test_below_its_range_a_curve_goes_on_to_its_plateau_as_crosss_does():
    """Cross 1965 without a second plateau: zero / viscosity - 1 is a power of the rate."""

    def viscosity(rate):
        return 2.0 / (1 + (3.0 * rate) ** 0.7)

    rates = np.array([0.2, 1.0, 6.0, 50.0, 300.0])
    law = ps.MeasuredFlow(rates, viscosity(rates), zero_viscosity=2.0)
    assert law.powers[0] == pytest.approx(0.7)
    slow = np.geomspace(1e-12, 0.2, 60)
    np.testing.assert_allclose(law.apparent_viscosity(slow), viscosity(slow), rtol=1e-12)
    stress = float(viscosity(0.02) * 0.02)
    expected = tube_flow_by_quadrature(viscosity, 0.02, RADIUS)
    assert rate_at(law, stress) == pytest.approx(expected, rel=1e-6)


def test_plateaus_change_nothing_between_the_points_but_near_the_ends():
    """The curve passes through its points, and is the same but in its first and last cells."""
    points = SISKO_RATES, sisko(SISKO_RATES)
    plain = ps.MeasuredFlow(*points)
    law = ps.MeasuredFlow(*points, infinite_viscosity=1e-3, zero_viscosity=1.2)
    np.testing.assert_allclose(law.apparent_viscosity(points[0]), points[1], rtol=1e-12)
    inner = np.geomspace(1.0, 50.0, 40)
    np.testing.assert_array_equal(law.shear_stress(inner), plain.shear_stress(inner))
    for end in (0.2, 300.0):  # value and slope
        around = end * (1 + np.linspace(-1e-6, 1e-6, 5))
        index = np.diff(np.log(law.shear_stress(around))) / np.diff(np.log(around))
        np.testing.assert_allclose(index, index[0], atol=1e-5)
    assert ps.MeasuredFlow(*points, infinite_viscosity=0.0, zero_viscosity=math.inf) == plain
    assert law != plain and law == ps.MeasuredFlow(*points, 1e-3, 1.2)
    assert hash(law) == hash(ps.MeasuredFlow(*points, 1e-3, 1.2)) != hash(plain)
    x = np.linspace(math.log(1e-6), math.log(1e9), 20_001)
    index = np.diff(np.log(law.shear_stress(np.exp(x)))) / np.diff(x)
    assert law.thinnest_index == pytest.approx(index.min(), rel=1e-3)


def test_far_out_a_curve_with_plateaus_is_newtonian():
    law = ps.MeasuredFlow(SISKO_RATES, sisko(SISKO_RATES), 1e-3, 1.2)
    for viscosity, rate in ((1.2, 1e-6), (1e-3, 1e10), (1e-3, 1e13)):
        drop = 8 * viscosity * rate * LENGTH / RADIUS
        expected = ps.Newtonian(viscosity).tube_flow_rate(drop, RADIUS, LENGTH)
        assert law.tube_flow_rate(drop, RADIUS, LENGTH) == pytest.approx(expected, rel=5e-3)


def test_scattered_points_near_a_plateau_do_not_dive():
    """2 % of scatter on points that have nearly reached it: the excess goes on by its own power."""
    rates = np.geomspace(0.1, 1e5, 19)
    scatter = np.random.default_rng(3).uniform(0.98, 1.02, 19)
    law = ps.MeasuredFlow(rates, sisko(rates, 5e-3, 0.3, 0.3) * scatter, infinite_viscosity=4.8e-3)
    fast = law.apparent_viscosity(np.geomspace(1e5, 1e9, 30))
    assert np.all(np.diff(fast) < 0) and fast[0] < 5.2e-3
    assert fast[-1] == pytest.approx(4.8e-3, rel=2e-2)


@pytest.mark.parametrize(
    ("viscosity", "plateaus", "words"),
    [
        (
            [1.0, 0.4, 0.2, 0.1],
            {"infinite_viscosity": 0.1},
            "infinite_viscosity: got 100 mPa s, and 100 was measured at 1000 1/s; give less",
        ),
        (
            [1.0, 0.4, 0.1, 0.11],
            {"infinite_viscosity": 0.105},
            "infinite_viscosity: got 105 mPa s, and 100 was measured at 100 1/s; give less",
        ),
        (
            [1.0, 0.4, 0.2, 0.1],
            {"zero_viscosity": 0.9},
            "zero_viscosity: got 900 mPa s, and 1000 was measured at 1 1/s; give more",
        ),
        (
            [0.4, 0.1, 0.1, 0.11],
            {"infinite_viscosity": 0.02, "zero_viscosity": 2.0},
            "infinite_viscosity: got 20 mPa s, and at 1000 1/s the curve does not go there",
        ),
        (
            [1.0, 1.4, 1.1, 0.3],
            {"zero_viscosity": 2.0},
            "zero_viscosity: got 2000 mPa s, and at 1 1/s the curve does not go there",
        ),
        (
            [1.0, 0.3, 0.08, 0.02],
            {"infinite_viscosity": 0.0199},
            "infinite_viscosity: got 19.9 mPa s, and at 1000 1/s the curve is still steep",
        ),
        ([1.0, 0.4, 0.2, 0.1], {"infinite_viscosity": -1.0}, "must be at least 0, got -1"),
        ([1.0, 0.4, 0.2, 0.1], {"infinite_viscosity": math.inf}, "must be finite"),
        ([1.0, 0.4, 0.2, 0.1], {"zero_viscosity": 0.0}, "must be above 0, got 0"),
        ([1.0, 0.4, 0.2, 0.1], {"zero_viscosity": math.nan}, "must be finite"),
    ],
)
def test_plateaus_that_a_curve_cannot_have_are_refused(viscosity, plateaus, words):
    with pytest.raises(ValueError) as caught:
        ps.MeasuredFlow([1.0, 10.0, 100.0, 1000.0], viscosity, **plateaus)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


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
