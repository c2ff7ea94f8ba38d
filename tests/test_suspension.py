"""Thickening, beds, settling and arches of grains, against the published relations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import poisson

import poresim as ps

FRACTIONS = np.array([0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5])


# ---- thickening ----------------------------------------------------------------------------


def test_krieger_dougherty():
    """(1 - phi/phim)^(-[eta] phim) (Krieger & Dougherty 1959, Trans Soc Rheol 3:137; computed)."""
    np.testing.assert_allclose(
        ps.krieger_dougherty(FRACTIONS),
        [1.0255175, 1.1390027, 1.3123750, 1.8212253, 2.7511970, 4.8034133, 11.3784499],
        rtol=1e-7,
    )


@pytest.mark.parametrize("most", [0.45, 0.585, 0.64, 0.74])
def test_einstein_is_the_slope_at_no_grains(most):
    """1 + 2.5 phi (Einstein 1906, 1911), whatever the packing; and [eta] is any other slope."""
    assert ps.krieger_dougherty(0.0, most) == 1.0
    small = 1e-6
    assert (ps.krieger_dougherty(small, most) - 1) / small == pytest.approx(2.5, rel=1e-5)
    steep = (ps.krieger_dougherty(small, most, 4.0) - 1) / small
    assert steep == pytest.approx(4.0, rel=1e-5)
    np.testing.assert_array_equal(ps.krieger_dougherty([0.0, 0.1, 0.4], most, 0.0), 1.0)


def test_curvature_is_near_that_of_two_spheres():
    """phi^2 5.2 (Batchelor & Green 1972) to 7.6: the law's is [eta] ([eta] + 1/phim) / 2 = 5.08.

    It lies 2 % below the range; the comparison is a report of how near, not an identity.
    """
    small = 1e-3
    curve = (ps.krieger_dougherty(small) - 1 - 2.5 * small) / small**2
    assert curve == pytest.approx(2.5 * (2.5 + 1 / 0.64) / 2, rel=5e-3)
    assert 0.95 * 5.2 < curve < 7.6


def test_maron_pierce():
    """(1 - phi/phim)^-2 (Maron & Pierce 1956; phim 0.585 of Boyer et al. 2011; computed)."""
    fractions = [0.05, 0.1, 0.2, 0.4]
    np.testing.assert_allclose(
        ps.maron_pierce(fractions, 0.64), [1.1766734, 1.4046639, 2.1157025, 7.1111111], rtol=1e-7
    )
    np.testing.assert_allclose(
        ps.maron_pierce(fractions, 0.585), [1.1956503, 1.4548837, 2.3088210, 9.9992695], rtol=1e-7
    )
    # Its slope at no grains is 2 / phim, not Einstein's 2.5.
    assert (ps.maron_pierce(1e-6, 0.64) - 1) / 1e-6 == pytest.approx(2 / 0.64, rel=1e-5)


def test_more_grains_are_thicker():
    fractions = np.linspace(0, 0.63, 200)
    for law in (ps.krieger_dougherty, ps.maron_pierce):
        assert np.all(np.diff(law(fractions, 0.64)) > 0)
        assert np.all(np.diff(law(0.3, np.linspace(0.75, 0.4, 50))) > 0)


# ---- beds ----------------------------------------------------------------------------------


def test_carman_kozeny():
    """d^2 e^3 / (180 (1-e)^2) (Kozeny 1927; Carman 1937; from memory, computed)."""
    assert ps.carman_kozeny(10e-6, 0.4) == pytest.approx(9.87654321e-14, rel=1e-9)
    assert ps.carman_kozeny([10e-6, 20e-6], 0.4)[1] == pytest.approx(4 * 9.87654321e-14, rel=1e-9)
    assert np.all(np.diff(ps.carman_kozeny(1e-5, np.linspace(0.1, 0.9, 50))) > 0)


def test_the_resistance_of_a_cake():
    """180 (1-e) / (rho d^2 e^3), m/kg (same sources)."""
    assert ps.cake_resistance(10e-6, 0.4, 1400) == pytest.approx(1.205357e10, rel=1e-6)
    # A bed of thickness L holds (1-e) rho L of grains an area, and resists by L / k.
    for d, e, rho in ((3e-6, 0.35, 2650.0), (80e-6, 0.6, 1100.0)):
        held = (1 - e) * rho * 1e-3
        assert ps.cake_resistance(d, e, rho) * held == pytest.approx(
            1e-3 / ps.carman_kozeny(d, e), rel=1e-12
        )


def test_the_sauter_diameter_keeps_surface_and_volume():
    """One size with the same surface a volume: common practice (d32)."""
    d, share = np.array([2e-6, 5e-6, 30e-6]), np.array([1.0, 3.0, 2.0])
    number = share / d**3
    assert ps.sauter_diameter(d, share) == pytest.approx(
        np.sum(number * d**3) / np.sum(number * d**2), rel=1e-13
    )
    assert ps.sauter_diameter(7e-6, 1.0) == pytest.approx(7e-6, rel=1e-15)
    # The mean of 1/d over a lognormal law by volume: median * exp(-s^2 / 2).
    law = np.exp(np.random.default_rng(0).normal(math.log(10e-6), 0.5, 400_000))
    assert ps.sauter_diameter(law, np.ones_like(law)) == pytest.approx(
        10e-6 * math.exp(-0.125), rel=3e-3
    )


# ---- settling ------------------------------------------------------------------------------


def test_stokes():
    """drho g d^2 / (18 mu) (Stokes 1851): 36.3 mm/h at 10 um."""
    d = np.array([1, 10, 30, 75]) * 1e-6
    v = ps.stokes_velocity(d, 370, 2e-3)
    np.testing.assert_allclose(
        v, [1.00790569e-7, 1.00790569e-5, 9.0711512e-5, 5.6694695e-4], rtol=1e-8
    )
    assert v[1] * 3600 * 1e3 == pytest.approx(36.3, abs=0.05)
    assert ps.stokes_velocity(1e-5, -50, 2e-3) < 0
    assert ps.stokes_velocity(1e-5, 370, 2e-3, gravity=0.0) == 0.0


def test_hindered():
    """(1 - phi)^4.65 (Richardson & Zaki 1954; from memory): 0.787798 at 5 %."""
    assert ps.hindered(0.05) == pytest.approx(0.787798, abs=5e-7)
    assert (ps.hindered(0.0), ps.hindered(1.0)) == (1.0, 0.0)
    assert np.all(np.diff(ps.hindered(np.linspace(0, 1, 100))) < 0)


def test_the_yield_stress_that_holds_a_grain():
    """0.048 drho g d (Beris et al. 1985, J Fluid Mech 158:219; from memory): 5.2 mPa at 30 um."""
    assert ps.holding_stress(30e-6, 370) == pytest.approx(5.2e-3, rel=0.01)
    # The same from the constant as it is published, 0.143 of weight / (2 pi R^2), within rounding.
    r = 15e-6
    weight = 4 / 3 * math.pi * r**3 * 370 * 9.80665
    assert ps.holding_stress(2 * r, 370) == pytest.approx(
        0.143 * weight / (2 * math.pi * r**2), rel=0.01
    )
    assert ps.holding_stress(30e-6, -370) == ps.holding_stress(30e-6, 370)


def suspension(law: object, density: float = 1370.0) -> ps.Liquid:
    grains = ps.Particles(0.01, [3e-6, 30e-6], density=density)
    return ps.Liquid(law, 0.05, 50.0, 1000.0, particles=grains)


SIZES = np.array([1e-6, 10e-6, 30e-6, 75e-6])


def test_in_a_newtonian_liquid_grains_settle_as_stokes_says():
    v = ps.settling_velocity(suspension(ps.Newtonian(2e-3)), SIZES)
    np.testing.assert_allclose(v, ps.stokes_velocity(SIZES, 370, 2e-3), rtol=1e-12)
    lighter = ps.settling_velocity(suspension(ps.Newtonian(2e-3), 630.0), SIZES)
    np.testing.assert_allclose(lighter, -v, rtol=1e-12)
    same = ps.settling_velocity(suspension(ps.Newtonian(2e-3), 1000.0), SIZES)
    np.testing.assert_array_equal(same, 0.0)


@pytest.mark.parametrize(
    "law",
    [
        ps.PowerLaw(2e-3, 1.0),
        ps.Bingham(0.0, 2e-3),
        ps.HerschelBulkley(0.0, 2e-3, 1.0),
        ps.Cross(2e-3, 2e-3, 1.0, 0.7),
        ps.Carreau(2e-3, 2e-3, 1.0, 0.5),
        ps.MeasuredFlow([0.1, 1.0, 10.0], [2e-3, 2e-3, 2e-3]),
    ],
)
def test_every_law_that_is_newtonian_settles_the_same(law):
    v = ps.settling_velocity(suspension(law), SIZES)
    np.testing.assert_allclose(v, ps.stokes_velocity(SIZES, 370, 2e-3), rtol=1e-9)


@pytest.mark.parametrize(
    "law",
    [
        ps.PowerLaw(0.05, 0.5),
        ps.PowerLaw(0.01, 1.4),
        ps.Cross(0.05, 0.001, 0.5, 0.76),
        ps.Carreau(0.05, 0.001, 10.0, 0.5),
        ps.MeasuredFlow([1.0, 10.0, 100.0], [0.2, 0.06, 0.02], 1e-3, 1.0),
        ps.Bingham(1e-4, 3e-3),
        ps.HerschelBulkley(1e-4, 0.02, 0.6),
    ],
)
def test_the_shear_rate_v_over_d_carries_the_stress_of_the_weight(law):
    """Stress at the rate v/d is drho g d / 18: Stokes's balance with an apparent viscosity."""
    v = ps.settling_velocity(suspension(law), SIZES)
    free = np.asarray(getattr(law, "yield_stress", 0.0)) < 0.048 * 370 * 9.80665 * SIZES
    assert free.any()
    np.testing.assert_array_equal(v[~free], 0.0)
    np.testing.assert_allclose(
        law.shear_stress(v[free] / SIZES[free]), 370 * 9.80665 * SIZES[free] / 18, rtol=1e-9
    )
    assert np.all(np.diff(v[free]) > 0)


def test_a_power_law_in_closed_form():
    """v = d (drho g d / (18 K))^(1/n)."""
    v = ps.settling_velocity(suspension(ps.PowerLaw(0.05, 0.5)), SIZES)
    np.testing.assert_allclose(v, SIZES * (370 * 9.80665 * SIZES / 18 / 0.05) ** 2, rtol=1e-9)


def test_a_yield_stress_holds_what_is_small_enough():
    """5.2 mPa hold 30 um and less (Beris et al. 1985), up or down."""
    for density in (1370.0, 630.0):
        liquid = suspension(ps.Bingham(5.3e-3, 1e-3), density)
        v = ps.settling_velocity(liquid, np.array([1e-6, 30e-6, 31e-6, 75e-6]))
        np.testing.assert_array_equal(v == 0, [True, True, False, False])
        assert np.all(v[2:] * (density - 1000) > 0)


def test_the_classes_of_the_liquid_are_what_settles_unless_sizes_are_given():
    liquid = suspension(ps.Newtonian(1e-3))
    own = ps.settling_velocity(liquid)
    np.testing.assert_array_equal(own, ps.settling_velocity(liquid, liquid.particles.diameter))
    clear = ps.Liquid(ps.Newtonian(1e-3), 0.05, 50.0, 1000.0)
    with pytest.raises(ValueError, match="carries no particles"):
        ps.settling_velocity(clear)


def test_extreme_laws_still_give_a_number():
    """Flow indices at both ends of what a law may have."""
    for law in (ps.PowerLaw(1e4, 0.05), ps.PowerLaw(1e-5, 5.0), ps.PowerLaw(1e4, 5.0)):
        v = ps.settling_velocity(suspension(law), SIZES)
        assert np.isfinite(v).all() and np.all(v >= 0)


# ---- arches --------------------------------------------------------------------------------


def test_a_throat_no_wider_than_a_grain_always_catches_it():
    np.testing.assert_array_equal(ps.bridging_chance([0.1, 0.99, 1.0], 0.0), 1.0)
    np.testing.assert_array_equal(ps.bridging_chance([0.1, 0.99, 1.0], 0.3), 1.0)
    # ... and with the limit at 1 that is all there is: sieving alone.
    np.testing.assert_array_equal(ps.bridging_chance([1.0, 1.001, 2.0], 0.3, 1.0), [1, 0, 0])


def test_no_arch_where_the_throat_is_three_times_as_wide():
    """Arches form below 3 (Marin et al. 2018, PRE 97:021102); intermittent at 3.03 to 5.26
    (Souzy & Marin 2022)."""
    np.testing.assert_array_equal(ps.bridging_chance([3.0, 3.03, 5.26, 100.0], 0.5), 0.0)
    assert ps.bridging_chance(2.999, 0.2) > 0
    assert 0 < ps.bridging_chance(3.03, 0.2, most_ratio=5.26) < 1


def test_arches_of_dilute_grains_reach_to_ratios_of_2_5_to_3_3():
    """Grains 0.3 to 0.4 of a tube wide clogged it at low fractions (Sharp & Adrian 2005,
    Microfluid Nanofluid 1:376; from memory). A range: rare for one grain, sure after many."""
    for ratio in (1 / 0.4, 3.0, 1 / 0.31):
        chance = ps.bridging_chance(ratio, 0.02, most_ratio=1 / 0.3)
        assert 1e-8 < chance < 1e-2
    assert ps.bridging_chance(1 / 0.3, 0.02, most_ratio=1 / 0.3) == 0.0


@pytest.mark.parametrize("others", [1, 2, 3, 5, 8])
@pytest.mark.parametrize("fraction", [0.005, 0.05, 0.3])
def test_the_chance_is_that_of_enough_grains_in_the_throat(others, fraction):
    """At least N - 1 others, Poisson, where N is a whole number (scipy's Poisson law)."""
    ratio = math.sqrt(others + 1)
    if ratio >= 3:
        ratio, most = math.sqrt(others + 1), 4.0
    else:
        most = 3.0
    held = fraction * (math.pi / 4 * ratio**3) / (math.pi / 6)  # grains in a cylinder, in d^3
    expected = poisson.sf(others - 1, held)
    assert ps.bridging_chance(ratio, fraction, most) == pytest.approx(expected, rel=1e-9)


def test_between_whole_numbers_it_is_the_incomplete_gamma_integral():
    a, mu = 1.7**2 - 1, 1.5 * 0.08 * 1.7**3
    integral = quad(lambda t: t ** (a - 1) * math.exp(-t), 0, mu)[0] / math.gamma(a)
    assert ps.bridging_chance(1.7, 0.08) == pytest.approx(integral, rel=1e-8)


def test_no_grains_no_arch_and_more_grains_more_arches(rng):
    for ratio in rng.uniform(1.01, 2.99, 30):
        chance = ps.bridging_chance(ratio, np.linspace(0, 0.6, 200))
        assert chance[0] == 0.0
        assert np.all(np.diff(chance) >= 0) and chance[1] > 0
        assert np.all((chance >= 0) & (chance <= 1))


def test_wider_throats_arch_less_up_to_eleven_per_cent_of_grains(rng):
    """Above that the count of this rule grows faster than the arch: it is no longer so."""
    ratios = np.linspace(0.9, 3.1, 2000)
    for fraction in (*rng.uniform(0.001, 0.11, 30), 0.11):
        assert np.all(np.diff(ps.bridging_chance(ratios, fraction)) <= 0)
    assert np.any(np.diff(ps.bridging_chance(ratios[ratios < 3], 0.2)) > 0)  # as documented


# ---- what is refused -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: ps.krieger_dougherty(0.64), "fraction must be at least 0 and below 0.64"),
        (lambda: ps.krieger_dougherty([0.1, 0.7]), "got 0.7"),
        (lambda: ps.krieger_dougherty(-0.01), "got -0.01"),
        (lambda: ps.krieger_dougherty(math.nan), "got nan"),
        (lambda: ps.krieger_dougherty(0.1, 1.5), "most must lie in 0 to 1"),
        (lambda: ps.krieger_dougherty(0.1, 0.6, -1), "intrinsic must lie in 0 to"),
        (lambda: ps.maron_pierce(0.5, 0.5), "fraction must be at least 0 and below 0.5"),
        (lambda: ps.carman_kozeny(0.0, 0.4), "diameter must be above 0 and finite"),
        (lambda: ps.carman_kozeny(1e-5, 1.0), "porosity must be above 0 and below 1, got 1"),
        (lambda: ps.cake_resistance(1e-5, 0.4, -1), "density must be above 0 and finite"),
        (lambda: ps.sauter_diameter([1e-5, 2e-5], [1.0]), "share_by_volume must have one value"),
        (lambda: ps.sauter_diameter([1e-5], [0.0]), "share_by_volume .* not all zero"),
        (lambda: ps.sauter_diameter([], []), "diameter must hold"),
        (lambda: ps.stokes_velocity(1e-5, math.inf, 1e-3), "excess_density must lie in"),
        (lambda: ps.stokes_velocity(1e-5, 300, 0), "viscosity must be above 0 and finite"),
        (lambda: ps.hindered(1.1), "fraction must lie in 0 to 1"),
        (lambda: ps.holding_stress(-1e-5, 300), "diameter must be above 0 and finite"),
        (lambda: ps.bridging_chance(0, 0.1), "ratio must be above 0 and finite"),
        (lambda: ps.bridging_chance(2, -0.1), "fraction must lie in 0 to 1"),
        (lambda: ps.bridging_chance(2, 0.1, 0.5), "most_ratio must lie in 1 to"),
    ],
)
def test_what_lies_outside_is_refused(ask, said):
    with pytest.raises(ValueError, match=said):
        ask()


def test_a_text_is_no_fraction():
    with pytest.raises(TypeError, match="fraction must be a number"):
        ps.krieger_dougherty("0.1")


def test_arrays_broadcast_and_single_numbers_stay_numbers():
    column, row = np.array([[1e-6], [2e-6]]), np.array([100.0, 200.0, 300.0])
    assert ps.stokes_velocity(column, row, 1e-3).shape == (2, 3)
    assert ps.carman_kozeny(column, [0.3, 0.4]).shape == (2, 2)
    assert ps.bridging_chance(column * 1e6, [0.1, 0.2]).shape == (2, 2)
    for value in (
        ps.krieger_dougherty(0.1),
        ps.maron_pierce(0.1),
        ps.carman_kozeny(1e-5, 0.4),
        ps.cake_resistance(1e-5, 0.4, 1400),
        ps.sauter_diameter(1e-5, 1.0),
        ps.stokes_velocity(1e-5, 300, 1e-3),
        ps.hindered(0.1),
        ps.holding_stress(1e-5, 300),
        ps.bridging_chance(2.0, 0.1),
        ps.bridging_chance(2.0, 0.0),
    ):
        assert type(value) is float
