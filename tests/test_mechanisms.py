"""Liquids between two liquids: each mechanism alone, and nothing else."""

from __future__ import annotations

import pytest
from small import TWO_BROTHS

from poresim.scenario.reading import parse_scenario
from poresim.uptake.begin import carried_viscosity
from poresim.why.mechanisms import MECHANISMS, Pair

OTHER = """
[[liquids]]
name = "other"
density_kg_m3 = 1040
surface_tension_mN_m = 45
contact_angle_deg = 55
viscosity = { law = "power_law", consistency_Pa_sn = 0.1, index = 0.6 }
particles = { volume_fraction = 0.2, law = "fixed", diameter_um = 12, density_kg_m3 = 1500 }
stood_s = 30
"""
CUP = "\ncup_mm = 30\nheld_mm = 5\n"
FULL = TWO_BROTHS.replace("\n[exposure]", OTHER + "\n[exposure]").replace(
    'faces = ["bottom"]', 'faces = ["bottom"]' + CUP
)


@pytest.fixture
def pair() -> Pair:
    scenario = parse_scenario(FULL)
    return Pair(scenario, scenario.liquids[0], scenario.liquids[2])


def test_all_by_which_they_differ(pair):
    assert pair.differing() == list(MECHANISMS)


def test_a_liquid_does_not_differ_from_itself():
    scenario = parse_scenario(TWO_BROTHS)
    assert Pair(scenario, scenario.liquids[0], scenario.liquids[0]).differing() == []


def test_grains_thicken_a_little_and_plug():
    """5 % of grains: Krieger & Dougherty 1959, 1.139 times as thick."""
    scenario = parse_scenario(TWO_BROTHS)
    found = Pair(scenario, scenario.liquids[0], scenario.liquids[1])
    assert found.differing() == ["thickening", "plugging"]
    thick = found.mixed({"thickening"}).liquid
    assert thick.particles is None
    assert thick.viscosity.viscosity == pytest.approx(1.2e-3 * 1.1390027, rel=1e-6)
    plugs = found.mixed({"plugging"}).liquid
    assert plugs.particles.volume_fraction == 0.05
    assert carried_viscosity(plugs).viscosity == pytest.approx(1.2e-3, rel=1e-12)


def test_none_and_all_are_the_liquids_themselves(pair):
    scenario = parse_scenario(FULL)
    from poresim.scenario.build import build_liquid

    for taken, k in ((), 0), (MECHANISMS, 2):
        liquid, own = pair.mixed(taken).liquid, build_liquid(scenario.liquids[k])
        assert liquid.viscosity == own.viscosity
        assert liquid.density == own.density
        assert (liquid.particles is None) == (own.particles is None)


def test_each_mechanism_alone(pair):
    none, every = pair.mixed(()), pair.mixed(MECHANISMS)
    wets = pair.mixed({"wetting"}).liquid
    assert (wets.surface_tension, wets.contact_angle_deg) == (0.045, 55)
    assert (wets.viscosity, wets.density) == (none.liquid.viscosity, none.liquid.density)
    thick = pair.mixed({"thickening"}).liquid
    assert thick.viscosity == carried_viscosity(every.liquid)
    assert thick.surface_tension == none.liquid.surface_tension
    plugs = pair.mixed({"plugging"}).liquid
    assert plugs.particles.volume_fraction == 0.2
    assert carried_viscosity(plugs) == none.liquid.viscosity.thickened(1.0)
    heavy = pair.mixed({"gravity"}).liquid
    assert heavy.density == 1040
    assert heavy.viscosity == none.liquid.viscosity


def test_grains_sink_as_they_do_in_the_liquid_that_settling_comes_from(pair):
    """Plugging from the one, settling from the other: Stokes 1851 in either liquid."""
    from poresim.liquid.suspension import stokes_velocity

    here = pair.mixed({"plugging"})
    thin = here.cup.settling(here.liquid)
    assert here.cup.stood == 0
    assert thin.velocity == pytest.approx(stokes_velocity(12e-6, 1500 - 1005, 1.2e-3), rel=1e-9)
    there = pair.mixed({"plugging", "settling"})
    assert there.cup.stood == 30
    thick = there.cup.settling(there.liquid)
    assert thick.velocity[0] < thin.velocity[0]
    own = pair.mixed(MECHANISMS)
    assert thick.velocity == pytest.approx(own.cup.settling(own.liquid).velocity, rel=1e-12)
