"""Inlets under pressure: heads that press the liquid in, and suction that holds it back."""

from __future__ import annotations

import numpy as np
import pytest

import poresim as ps
from poresim.curves.capillary import invasion_curve
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

WATER = ps.Liquid(ps.Newtonian(1e-3), 0.072, 60.0, 1000.0)


def chain(radius, length, parts=4):
    """A straight row of equal tubes along x."""
    points = np.zeros((parts + 1, 3))
    points[:, 0] = np.linspace(0.0, length, parts + 1)
    ends = np.column_stack([np.arange(parts), np.arange(1, parts + 1)])
    return ps.Network(points, ends, np.full(parts, radius))


@pytest.mark.parametrize("pressure", [-3000.0, 0.0, 500.0, 2e4])
def test_washburn_under_pressure(pressure):
    """L^2 = r^2 (P + 2 gamma cos / r) t / (4 mu) (Washburn 1921, Phys Rev 17:273)."""
    radius, length = 10e-6, 8e-3
    drive = pressure + 2 * 0.072 * 0.5 / radius
    solid = chain(radius, length)
    soak = ps.soak(solid, WATER, [0], until_s=1e3, inlet_pressure=pressure, accuracy=1e-4)
    at = np.array([0.25, 0.5, 0.75, 1.0]) * length
    np.testing.assert_allclose(soak.filled_at_s, 4e-3 * at**2 / (radius**2 * drive), rtol=1e-6)


@pytest.mark.parametrize("tilt_deg", [30.0, 90.0])
@pytest.mark.parametrize("head", [-0.01, 0.02])
def test_rise_ends_where_the_heads_balance(tilt_deg, head):
    """Jurin 1718: rho g h sin(tilt) = 2 gamma cos / r, here with rho g times a head more."""
    radius, weight = 100e-6, 1000 * 9.80665
    along = (2 * 0.072 * 0.5 / radius / weight + head) / np.sin(np.radians(tilt_deg))
    solid = chain(radius, 1.5 * along, parts=1)
    gravity = -9.80665 * np.array([np.sin(np.radians(tilt_deg)), 0.0, 0.0])
    soak = ps.soak(solid, WATER, [0], until_s=1e4, gravity=gravity, inlet_pressure=weight * head)
    assert soak.saturation[-1] == pytest.approx(1 / 1.5, rel=1e-6)


@pytest.mark.parametrize("angle", [95.0, 110.0])
def test_what_does_not_wet_enters_above_its_own_pressure(angle):
    """Young-Laplace: a tube lets it in from -2 gamma cos / r on."""
    liquid = ps.Liquid(ps.Newtonian(1e-3), 0.072, angle, 1000.0)
    entry = -2 * 0.072 * np.cos(np.radians(angle)) / 10e-6
    for share, fills in ((0.999, False), (1.001, True)):
        soak = ps.soak(chain(10e-6, 1e-3), liquid, [0], until_s=1e4, inlet_pressure=share * entry)
        assert (soak.saturation[-1] == pytest.approx(1.0)) if fills else soak.uptake_m3[-1] == 0.0


def test_pressure_is_as_good_as_tension():
    """With tubes of one radius it adds to what the menisci pull, and no more."""
    rng = np.random.default_rng(4)
    points = rng.uniform(0.0, 2e-3, (16, 3))
    ends = np.unique(np.sort(rng.integers(0, 16, (40, 2)), axis=1), axis=0)
    ends = ends[ends[:, 0] != ends[:, 1]]
    solid = ps.Network(points, ends, np.full(len(ends), 12e-6))
    pull = 2 * 0.072 * 0.5 / 12e-6
    strong = ps.Liquid(ps.Newtonian(1e-3), 0.072 * (1 + 4000 / pull), 60.0, 1000.0)
    pressed = ps.soak(solid, WATER, [0, 3], until_s=3.0, inlet_pressure=4000.0, accuracy=1e-5)
    drawn = ps.soak(solid, strong, [0, 3], until_s=3.0, accuracy=1e-5)
    both = np.isfinite(drawn.filled_at_s)
    assert both.sum() > 20
    np.testing.assert_allclose(pressed.filled_at_s[both], drawn.filled_at_s[both], rtol=1e-4)


def test_a_head_under_gravity_moves_nothing_between_inlets():
    """Hydrostatics: inlets at the heads of one still liquid feed a row like one inlet does."""
    solid = chain(20e-6, 4e-3, parts=8)
    turned = ps.Network(solid.points[:, [2, 1, 0]], solid.ends, solid.radius)
    weight = 1000 * 9.80665
    heads = weight * (1e-3 - turned.points[:3, 2])
    soak = ps.soak(
        turned, WATER, [0, 1, 2], until_saturation=1.0, gravity=(0, 0, -9.80665),
        inlet_pressure=heads,
    )  # fmt: skip
    alone = ps.soak(
        turned, WATER, [2], until_saturation=1.0, gravity=(0, 0, -9.80665),
        inlet_pressure=heads[2],
    )  # fmt: skip
    np.testing.assert_allclose(soak.filled_at_s[2:], alone.filled_at_s[2:], rtol=1e-7)


@pytest.mark.parametrize("share", [0.3, pytest.param(0.6, marks=pytest.mark.slow)])
def test_under_suction_it_ends_as_the_curve_says(share):
    """A soak under suction ends at the quasi-static imbibition of its own network."""
    solid = ps.build_solid(
        SolidSpec((0.6e-3,) * 3, radii=Lognormal(15e-6, 0.5), spacing=1e-4, neighbours=5.2), seed=3
    )
    faces = solid.faces["bottom"]
    pull = 2 * 0.072 * 0.5 / np.quantile(solid.radius, share)
    soak = ps.soak(solid, WATER, faces, until_s=1e4, inlet_pressure=-pull, accuracy=0.05)
    filled = invasion_curve(solid, WATER, faces).filled_at_Pa <= -pull
    assert 0.05 < filled.mean() < 0.95
    np.testing.assert_array_equal(np.isfinite(soak.filled_at_s), filled)


def test_each_inlet_its_own_in_any_order():
    """Pressures belong to the inlets in the order in which both are given."""
    solid = chain(10e-6, 4e-3, parts=4)
    one = ps.soak(solid, WATER, [0, 4], until_saturation=1.0, inlet_pressure=[0.0, 3000.0])
    two = ps.soak(solid, WATER, [4, 0], until_saturation=1.0, inlet_pressure=[3000.0, 0.0])
    np.testing.assert_array_equal(one.filled_at_s, two.filled_at_s)
    assert one.filled_at_s[3] < one.filled_at_s[0]


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (np.inf, "inlet_pressure must be finite"),
        ([1.0, 2.0, 3.0], r"one number, or one an inlet \(2,\), got \(3,\)"),
        ("high", "inlet_pressure must hold numbers in Pa"),
    ],
)
def test_wrong_pressures(wrong, says):
    """What is wrong, found and expected."""
    with pytest.raises(ValueError, match=says):
        ps.soak(chain(1e-5, 1e-3), WATER, [0, 4], until_s=1.0, inlet_pressure=wrong)


def test_one_inlet_named_twice():
    """Twice with the same pressure is once; with two, nobody knows which."""
    solid = chain(1e-5, 1e-3)
    ps.soak(solid, WATER, [0, 0], until_s=1.0, inlet_pressure=[5.0, 5.0])
    with pytest.raises(ValueError, match="inlet 0 has two pressures"):
        ps.soak(solid, WATER, [0, 0], until_s=1.0, inlet_pressure=[5.0, 6.0])
