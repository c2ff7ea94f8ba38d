"""Large networks, where a step holds many events: against steps that end on every event."""

from __future__ import annotations

import functools

import numpy as np
import pytest

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.uptake.march import march
from poresim.uptake.rows import ROWS, TEAM_FROM

SPACING = 200e-6
LEVELS = np.array([0.2, 0.4, 0.6, 0.79])


def block(side: int, seed: int = 1) -> ps.Network:
    size = ((side - 1) * SPACING,) * 3
    return ps.build_solid(
        SolidSpec(size=size, lattice="cubic", radii=Lognormal(15e-6, 0.5), spacing=SPACING), seed
    )


def soaked(solid: ps.Network, liquid: ps.Liquid, accuracy: float, **options: object) -> ps.Soak:
    *_, course = march(
        solid, liquid, solid.faces["bottom"], None, 0.8, accuracy=accuracy, **options
    )
    return course.result()


def times(soak: ps.Soak) -> np.ndarray:
    return np.interp(LEVELS, soak.saturation, soak.time_s)


WATER = ps.Liquid(ps.Newtonian(1e-3), surface_tension=0.072, contact_angle_deg=40, density=998)
LIQUIDS = {
    "Newtonian": WATER,
    "power law": ps.Liquid(ps.PowerLaw(0.02, 0.6), 0.072, 40, 998),
    "yield": ps.Liquid(ps.HerschelBulkley(0.02, 0.05, 0.6), 0.072, 40, 998),
    "hysteresis": ps.Liquid(ps.Newtonian(1e-3), 0.072, 40, 998, receding_angle_deg=20),
}


@functools.cache
def one_by_one(name: str) -> ps.Soak:
    return soaked(block(7), LIQUIDS[name], 1e-3, one_by_one=True)


@pytest.mark.parametrize("name", LIQUIDS)
@pytest.mark.parametrize("accuracy", [1e-2, 1e-3])
def test_many_events_in_a_step_keep_the_accuracy(name: str, accuracy: float) -> None:
    exact = one_by_one(name)
    many = soaked(block(7), LIQUIDS[name], accuracy, one_by_one=False)
    assert many.steps < exact.steps
    np.testing.assert_allclose(times(many), times(exact), rtol=accuracy)
    assert many.volume_balance <= accuracy / 100


def test_a_network_just_above_the_limit_agrees_with_its_own_coarser_march() -> None:
    """From 3000 junctions on a step holds many events whatever is asked for."""
    solid = block(15)
    assert solid.junctions > 3000
    fine, coarse = (soaked(solid, WATER, accuracy) for accuracy in (1e-3, 1e-2))
    np.testing.assert_allclose(times(coarse), times(fine), rtol=1e-2)


def test_the_same_record_on_one_core_and_two() -> None:
    solid = block(26)
    assert solid.junctions > TEAM_FROM * ROWS
    one, two = (soaked(solid, WATER, 0.05, cores=cores) for cores in (1, 2))
    for name in ("time_s", "uptake_m3", "filled_at_s", "pressure_pa", "front_m"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))
    assert one.solves == two.solves
