"""Water from its temperature, against the IAPWS releases and against older and other fits.

"Computed" values were evaluated from the release's formula with the reference library `iapws`,
which reproduces the releases' own check tables; the others name their source.
"""

from __future__ import annotations

import iapws
import numpy as np
import pytest

import poresim as ps
from poresim.liquid import water

# IAPWS R12-08, Table 4 (without the critical term; from memory, and computed): K, kg/m3, uPa s.
R12_TABLE_4 = [
    (298.15, 998, 889.735100),
    (298.15, 1200, 1437.649467),
    (373.15, 1000, 307.883622),
    (433.15, 1, 14.538324),
    (433.15, 1000, 217.685358),
    (873.15, 1, 32.619287),
    (873.15, 100, 35.802262),
    (873.15, 600, 77.430195),
    (1173.15, 1, 44.217245),
    (1173.15, 100, 47.640433),
    (1173.15, 400, 64.154608),
]
# IAPWS SR6-08(2011), liquid at 0.1 MPa, computed: C, kg/m3, mPa s.
SR6 = [
    (5, 999.9660, 1.51820),
    (10, 999.7019, 1.30590),
    (20, 998.2065, 1.00157),
    (25, 997.0470, 0.88999677),
    (30, 995.6488, 0.79721),
    (40, 992.2158, 0.65273),
    (50, 988.0345, 0.54653),
    (60, 983.1953, 0.46604),
    (80, 971.7898, 0.35405),
]
# IAPWS R1-76(2014), computed: C, mN/m.
R1 = [
    (0.01, 75.6463),
    (5, 74.9417),
    (10, 74.2210),
    (20, 72.7361),
    (25, 71.9722),
    (30, 71.1942),
    (37, 70.0815),
    (40, 69.5963),
    (60, 66.2383),
    (80, 62.6729),
    (100, 58.9119),
]
# Korson et al. 1969, J Phys Chem 73:34, Table II (seen): C, mPa s.
KORSON = [
    (0, 1.7916),
    (5, 1.5192),
    (10, 1.3069),
    (20, 1.0020),
    (25, 0.8903),
    (40, 0.6532),
    (60, 0.4666),
    (80, 0.3538),
]
ALL_C = np.linspace(0, 100, 201)


def test_viscosity_from_temperature_and_density_gives_the_release_s_table():
    temperature, density, expected = np.transpose(R12_TABLE_4)
    np.testing.assert_allclose(
        water.viscosity_at(temperature, density) * 1e6, expected, rtol=0, atol=1e-6
    )


@pytest.mark.parametrize(("temperature", "density", "viscosity"), SR6)
def test_liquid_at_one_bar(temperature, density, viscosity):
    found = ps.water(temperature)
    assert found.density == pytest.approx(density, abs=1e-4)
    # The figures are rounded to 1e-5 mPa s.
    assert found.viscosity * 1e3 == pytest.approx(viscosity, abs=5.1e-6)


@pytest.mark.parametrize(("temperature", "tension"), R1)
def test_surface_tension(temperature, tension):
    assert ps.water(temperature).surface_tension * 1e3 == pytest.approx(tension, abs=1e-4)


def test_everything_against_the_reference_library():
    for temperature in ALL_C[::10]:
        kelvin = float(temperature) + 273.15
        liquid = iapws._iapws._Liquid(kelvin)
        found = ps.water(float(temperature))
        assert found.density == pytest.approx(liquid["rho"], rel=1e-12)
        assert found.viscosity == pytest.approx(liquid["mu"], rel=1e-12)
        if kelvin > 273.16:
            assert found.surface_tension == pytest.approx(iapws._iapws._Tension(kelvin), rel=1e-12)
        general = iapws._iapws._Viscosity(liquid["rho"], kelvin)
        assert water.viscosity_at(kelvin, liquid["rho"]) == pytest.approx(general, rel=1e-12)


def test_the_liquid_s_form_is_the_general_one_at_one_bar():
    """SR6-08 was fitted to R12-08: far within the uncertainty of 1 % (measured here: 3e-5)."""
    general = water.viscosity_at(ALL_C + 273.15, water.density(ALL_C))
    np.testing.assert_allclose(water.viscosity(ALL_C), general, rtol=1e-4)


def test_surface_tension_by_a_second_opinion():
    """Patek et al. 2016, J Chem Eng Data (seen): 0.1 mN/m at worst."""
    t = 1 - (ALL_C + 273.15) / 647.096
    other = 233.58 * t**1.2527 * (1 - 0.61594 * t)
    difference = np.abs(water.surface_tension(ALL_C) * 1e3 - other)
    assert difference.max() < 0.1


@pytest.mark.parametrize(("temperature", "viscosity"), KORSON)
def test_viscosity_by_an_older_table(temperature, viscosity):
    """Within 0.0007 mPa s, and 0.0011 at 5 and 10 C, where the release is 0.0010 lower.

    The table is good to 0.0005; the release, fitted to it among others, claims 1 %.
    """
    found = ps.water(temperature).viscosity * 1e3
    assert found == pytest.approx(viscosity, abs=0.0011 if temperature in (5, 10) else 0.0007)


def test_density_is_largest_at_four_degrees():
    """Of ordinary water, 3.98 C (common knowledge)."""
    fine = np.linspace(0, 10, 1001)
    assert fine[water.density(fine).argmax()] == pytest.approx(3.98, abs=0.02)


@pytest.mark.parametrize("temperature", [-0.1, 100.1, 1e9, float("nan"), float("inf")])
def test_what_is_no_liquid_water_is_refused(temperature):
    for ask in (ps.water, water.density, water.viscosity, water.surface_tension):
        with pytest.raises(ValueError, match=r"temperature_C must lie in 0 to 100 \(C\), got"):
            ask(temperature)


def test_one_wrong_member_of_an_array_is_named():
    with pytest.raises(ValueError, match="got 120"):
        water.density([20, 120])


@pytest.mark.parametrize("kelvin, density", [(200.0, 1000.0), (1200.0, 10.0), (300.0, -1.0)])
def test_the_general_form_outside_its_range(kelvin, density):
    with pytest.raises(ValueError, match="must lie in"):
        water.viscosity_at(kelvin, density)


def test_a_text_is_no_temperature():
    with pytest.raises(TypeError, match="temperature_C must be a number"):
        ps.water("20")
    with pytest.raises(TypeError, match="temperature_C must be a number"):
        ps.water(True)
