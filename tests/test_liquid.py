"""Liquids, flow laws and suspended grains: what they hold, refuse and count."""

from __future__ import annotations

import math

import numpy as np
import pytest

import poresim as ps


def liquid(**changes) -> ps.Liquid:
    kept = {
        "viscosity": ps.Newtonian(1e-3),
        "surface_tension": 0.072,
        "contact_angle_deg": 60.0,
        "density": 1000.0,
    }
    return ps.Liquid(**(kept | changes))


def test_receding_angle_is_the_advancing_one_unless_given():
    assert liquid().receding_deg == 60.0
    assert liquid().receding_angle_deg is None
    assert liquid(receding_angle_deg=0.0).receding_deg == 0.0


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"surface_tension": 0.0}, "surface_tension"),
        ({"surface_tension": math.nan}, "surface_tension"),
        ({"density": -1000.0}, "density"),
        ({"density": math.inf}, "density"),
        ({"contact_angle_deg": 181.0}, "contact_angle_deg"),
        ({"contact_angle_deg": math.nan}, "contact_angle_deg"),
        ({"receding_angle_deg": 61.0}, "receding_angle_deg"),
        ({"receding_angle_deg": -1.0}, "receding_angle_deg"),
    ],
)
def test_unphysical_liquids_are_refused(changes, word):
    with pytest.raises(ValueError, match=word):
        liquid(**changes)


def test_viscosity_must_be_a_law():
    with pytest.raises(TypeError, match="flow law"):
        liquid(viscosity=1e-3)


@pytest.mark.parametrize(
    ("law", "arguments", "word"),
    [
        (ps.Newtonian, (0.0,), "viscosity"),
        (ps.Newtonian, (math.inf,), "viscosity"),
        (ps.PowerLaw, (-1.0, 0.5), "consistency"),
        (ps.PowerLaw, (1.0, 0.0), "index"),
        (ps.PowerLaw, (1.0, 0.01), "index"),
        (ps.PowerLaw, (1.0, 7.0), "index"),
        (ps.Bingham, (-0.1, 1e-3), "yield_stress"),
        (ps.Bingham, (0.1, 0.0), "plastic_viscosity"),
        (ps.HerschelBulkley, (math.nan, 0.1, 0.5), "yield_stress"),
        (ps.HerschelBulkley, (0.1, 0.1, math.nan), "index"),
    ],
)
def test_unphysical_laws_are_refused(law, arguments, word):
    with pytest.raises(ValueError, match=word):
        law(*arguments)


def test_a_law_takes_numbers_alone():
    with pytest.raises(TypeError, match="viscosity"):
        ps.Newtonian("thin")
    with pytest.raises(TypeError, match="consistency"):
        ps.PowerLaw([0.1, 0.2], 0.5)


@pytest.mark.parametrize("index", [0.05, 5.0])
def test_the_widest_indices_still_flow(index):
    """Both ends of what is allowed give finite rates, with a yield stress or without."""
    for law in (ps.PowerLaw(0.1, index), ps.HerschelBulkley(0.1, 0.1, index)):
        rate = law.tube_flow_rate([30.0, 60.0], 1e-5, 1e-4)
        assert np.isfinite(rate).all()
        assert rate[1] > rate[0] > 0


def test_grains_are_counted_by_class():
    """A suspension of one size: volume fraction over the volume of a sphere."""
    d = 12e-6
    grains = ps.Particles(0.015, d)
    number = 0.015 / (math.pi * d**3 / 6)
    assert grains.number_density(0.0) == pytest.approx(number, rel=1e-14)
    assert grains.number_density(d) == pytest.approx(number, rel=1e-14)
    assert grains.number_density(1.0001 * d) == 0.0


def test_counts_fall_with_the_width_asked_for():
    """Three classes given out of order; shares are by volume, so small grains are many."""
    grains = ps.Particles(0.1, [30e-6, 10e-6, 20e-6], share=[1.0, 2.0, 1.0])
    each = {
        d: 0.1 * share / (math.pi * d**3 / 6)
        for d, share in ((10e-6, 0.5), (20e-6, 0.25), (30e-6, 0.25))
    }
    counts = grains.number_density([[5e-6, 10.1e-6], [20e-6, 31e-6]])
    expected = [[sum(each.values()), each[20e-6] + each[30e-6]], [each[20e-6] + each[30e-6], 0.0]]
    np.testing.assert_allclose(counts, expected, rtol=1e-12)
    volume = sum(n * math.pi * d**3 / 6 for d, n in each.items())
    assert volume == pytest.approx(0.1, rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"volume_fraction": 0.7, "diameter": 1e-5}, "volume_fraction"),
        ({"volume_fraction": math.nan, "diameter": 1e-5}, "volume_fraction"),
        ({"volume_fraction": 0.1, "diameter": 0.0}, "diameter"),
        ({"volume_fraction": 0.1, "diameter": []}, "diameter"),
        ({"volume_fraction": 0.1, "diameter": [1e-5, 2e-5], "share": [1.0]}, "share"),
        ({"volume_fraction": 0.1, "diameter": [1e-5, 2e-5], "share": [0.0, 0.0]}, "share"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "density": 0.0}, "density"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "leak": 0.0}, "leak"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "leak": 1.1}, "leak"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "bridging_ratio": 0.9}, "bridging_ratio"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "bridging_ratio": math.inf}, "bridging_ratio"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "deposition_per_m": -1.0}, "deposition_per_m"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "deposition_per_m": math.nan}, "deposition"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "bed_porosity": 0.1}, "bed_porosity"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "bed_porosity": 0.9}, "bed_porosity"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "max_fraction": 0.39}, "max_fraction"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "max_fraction": 0.76}, "max_fraction"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "max_fraction": math.nan}, "max_fraction"),
        ({"volume_fraction": 0.5, "diameter": 1e-5, "max_fraction": 0.5}, "above volume_fraction"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "intrinsic_viscosity": -0.1}, "intrinsic"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "passing_ratio": 2.9}, "passing_ratio"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "bridging_ratio": 8.0}, "passing_ratio"),
        ({"volume_fraction": 0.1, "diameter": 1e-5, "passing_ratio": math.inf}, "passing_ratio"),
    ],
)
def test_unphysical_grains_are_refused(arguments, word):
    with pytest.raises(ValueError, match=word):
        ps.Particles(**arguments)


def test_how_grains_are_caught_has_defaults_and_ends():
    """The defaults of the trade: arches below 3 throats a grain, 64 % packing, Einstein's 2.5."""
    plain = ps.Particles(0.1, 1e-5)
    assert (plain.bridging_ratio, plain.passing_ratio, plain.deposition_per_m) == (3.0, 7.0, 0.0)
    assert (plain.bed_porosity, plain.max_fraction, plain.intrinsic_viscosity) == (0.4, 0.64, 2.5)
    for changes in (
        {"bridging_ratio": 1.0, "passing_ratio": 1.0},  # only sieving; all that fits passes
        {"bridging_ratio": 8, "passing_ratio": 8},
        {"bed_porosity": 0.2, "max_fraction": 0.75, "intrinsic_viscosity": 0},
        {"bed_porosity": 0.8, "max_fraction": 0.4, "deposition_per_m": 50.0},
    ):
        grains = ps.Particles(0.1, 1e-5, **changes)
        assert {name: getattr(grains, name) for name in changes} == changes
        assert all(type(getattr(grains, name)) is float for name in changes)
