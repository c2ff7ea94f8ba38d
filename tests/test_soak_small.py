"""Small straight networks at coarse accuracies: many events a step, against event by event.

Outside check: the march that ends each step on its first event, at accuracy 1e-3, which the exact
oracle of the tests holds (tests/test_soak_oracle.py). Random graphs of 100 to 200 junctions, of
that file, are held to the oracle itself.
"""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.uptake.begin import carried_viscosity
from poresim.uptake.march import march
from poresim.uptake.pace import Pace

SPACING = 200e-6
LEVELS = np.arange(0.1, 0.81, 0.1)
DOWN = (0.0, 0.0, -9.81)
WETS: dict[str, Any] = {"surface_tension": 0.072, "contact_angle_deg": 40, "density": 998}
GRAINS = ps.Particles(0.03, np.array([12e-6, 25e-6, 40e-6]))
LIQUIDS = {
    "newtonian": ps.Liquid(ps.Newtonian(1e-3), **WETS),
    "carreau": ps.Liquid(ps.Carreau(1.0, 2e-3, 0.5, 0.5), **WETS),
    "yields": ps.Liquid(ps.HerschelBulkley(0.02, 0.05, 0.6), **WETS),
    "grains": ps.Liquid(ps.Newtonian(1e-3), **WETS, particles=GRAINS),
}
#: Junctions along each edge, log_sd, neighbours, seed.
SHAPES = {
    "150": ((5, 5, 6), 0.7, 5.0, 2),
    "125": ((5, 5, 5), 0.5, None, 1),
    "216": ((6, 6, 6), 0.75, 4.0, 50),
    "216 narrow": ((6, 6, 6), 0.3, None, 3),
    "343 wide": ((7, 7, 7), 0.75, None, 52),
    "512 thin": ((8, 8, 8), 0.7, 4.0, 6),
    "1000": ((10, 10, 10), 0.5, 5.2, 7),
}


@functools.cache
def block(name: str) -> ps.Network:
    edges, log_sd, neighbours, seed = SHAPES[name]
    spec = SolidSpec(
        size=tuple((edge - 1) * SPACING for edge in edges),
        lattice="cubic",
        radii=Lognormal(15e-6, log_sd),
        spacing=SPACING,
        neighbours=neighbours,
    )
    return ps.build_solid(spec, seed)


@functools.cache
def soaked(
    solid: str, liquid: str, accuracy: float, gravity: bool, one_by_one: bool | None = None
) -> ps.Soak:
    """With many events a step where asked for, too, steps are as short as in small networks."""
    pace = None
    if one_by_one is False:
        index = carried_viscosity(LIQUIDS[liquid]).thinnest_index
        laden = LIQUIDS[liquid].particles is not None
        pace = Pace.of(accuracy, index=index, many=True, small=True, laden=laden)
    *_, course = march(
        block(solid), LIQUIDS[liquid], block(solid).faces["bottom"], 1e5, 0.85, accuracy=accuracy,
        gravity=DOWN if gravity else (0.0, 0.0, 0.0), seed=5, one_by_one=one_by_one, pace=pace,
    )  # fmt: skip
    return course.result()


def worst(coarse: ps.Soak, fine: ps.Soak) -> float:
    """Largest relative error of the time at 10, 20 ... 80 % saturation."""
    assert min(coarse.saturation[-1], fine.saturation[-1]) > 0.8
    found, right = (np.interp(LEVELS, s.saturation, s.time_s) for s in (coarse, fine))
    return float(np.abs(found / right - 1).max())


def check(solid: str, liquid: str, accuracy: float, gravity: bool, reference: bool | None) -> None:
    fine = soaked(solid, liquid, 1e-3, gravity, reference)
    coarse = soaked(solid, liquid, accuracy, gravity)
    assert not coarse.ending.failed
    assert worst(coarse, fine) <= accuracy
    assert coarse.volume_balance <= accuracy / 100


@pytest.mark.parametrize("accuracy", [0.05, 0.01])
@pytest.mark.parametrize(
    "liquid",
    [pytest.param(n, marks=[pytest.mark.slow] * (n in ("carreau", "yields"))) for n in LIQUIDS],
)
def test_a_small_block_keeps_the_accuracy(liquid: str, accuracy: float) -> None:
    check("150", liquid, accuracy, gravity=False, reference=True)


@pytest.mark.parametrize("accuracy", [0.05, 0.01])
def test_a_thinning_liquid_keeps_the_accuracy_in_a_small_block(accuracy: float) -> None:
    """Quick: against as fine a march with many events a step, itself 1.5e-4 from event by event."""
    check("150", "carreau", accuracy, gravity=False, reference=False)


@pytest.mark.slow
@pytest.mark.parametrize("accuracy", [0.1, 0.05, 0.02, 0.01, 0.005])
@pytest.mark.parametrize("gravity", [False, True], ids=["level", "upward"])
@pytest.mark.parametrize("liquid", LIQUIDS)
@pytest.mark.parametrize("solid", SHAPES)
def test_small_blocks_keep_the_accuracy(
    solid: str, liquid: str, gravity: bool, accuracy: float
) -> None:
    """Event by event as far as that takes no more than a minute each."""
    exact = block(solid).junctions < 200 or (liquid == "newtonian" and not gravity)
    check(solid, liquid, accuracy, gravity, exact)


@pytest.mark.parametrize("liquid", ["newtonian", "carreau", "grains"])
def test_steps_are_far_fewer_than_events(liquid: str) -> None:
    soak = soaked("1000", liquid, 0.05, gravity=False)
    events = np.isfinite(soak.filled_at_s).sum() + np.isfinite(soak.blocked_at_s).sum()
    assert events > 1000
    assert soak.steps < 0.5 * events


def steps(solid: ps.Network, inlet: Any, grains: bool = False, **more: Any) -> tuple[int, int]:
    """Of a soak at 0.02, and of one whose steps all end on their first event."""
    liquid = LIQUIDS["grains" if grains else "newtonian"]
    counts = []
    for one_by_one in (None, True):
        *_, course = march(
            solid,
            liquid,
            inlet,
            1.0,
            0.1 if len(inlet) == 1 else 0.4,
            0.02,
            DOWN,
            one_by_one=one_by_one,
            **more,
        )
        counts.append(course.result().steps)
    return counts[0], counts[1]


@pytest.mark.parametrize("name", ["wide", "bodies", "grains from a point", "lifted", "trapped"])
def test_classes_that_would_miss_it_are_followed_event_by_event(name: str) -> None:
    """What missed it is told in benchmarks/ACCURACY.md; as many steps, so the same march."""
    solid, inlet = block("125"), block("125").faces["bottom"]
    more: dict[str, Any] = {}
    if name == "wide":
        radius = 15e-6 * (solid.radius / 15e-6) ** 2
        solid = ps.Network(solid.points, solid.ends, radius)
    elif name == "bodies":
        solid = ps.Network(solid.points, solid.ends, solid.radius, body_volume=5e-14)
    elif name == "lifted":
        more["lift_s"] = [1e-3]
    elif name == "trapped":
        more["air"] = "trapped"
    one, other = steps(solid, inlet[:1] if "grains" in name else inlet, "grains" in name, **more)
    assert one == other > 100


def test_others_of_the_same_size_are_not() -> None:
    """The negative control of the last: the same block, whole face, plain."""
    one, other = steps(block("125"), block("125").faces["bottom"], grains=True)
    assert one < 0.25 * other


def test_steps_end_on_events_where_more_is_asked_for() -> None:
    """Below 0.005, and on few junctions, every event is a step of its own or more."""
    fine = soaked("125", "newtonian", 4e-3, gravity=False)
    assert fine.steps > np.isfinite(fine.filled_at_s).sum()
    assert soaked("125", "newtonian", 5e-3, gravity=False).steps < 0.5 * fine.steps
