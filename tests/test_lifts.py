"""Lifted out of the liquid: the soak against the event-by-event oracle, and where it comes to rest.

The oracle's results are stored in tests/data/lifts.npz; test_oracle_stored.py recomputes them.
Asked of every soak: the liquid in every tube at every stored time, and in the end, to the accuracy
times all the liquid, in sum (to 1e-4 where that is more: so exact is the time of the lift itself).
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from oracle_data import DATA, SETS
from oracle_equilibrium import least_energy, violations
from oracle_graphs import random_graph, soak_arguments, star

import poresim as ps

CASES = SETS["lifts"]()
STORED = np.load(DATA / "lifts.npz")
QUICK = ("lift_star", "lift_random", "lift_thrice", "lift_gravity", "lift_hysteresis", "lift_box")
THIN = ps.Liquid(
    viscosity=ps.Newtonian(1.2e-3), surface_tension=0.052, contact_angle_deg=48, density=1005
)


def wet_volume(solid: ps.Network, fill: np.ndarray) -> np.ndarray:
    """(m,) m3 in tubes of which these shares of the length are wet from either end."""
    fill = np.minimum(fill, 1.0)
    radius, length, w = (v[:, None] for v in (solid.radius, solid.length, solid.waist))
    near = np.minimum(fill, 1 - fill)  # a cone's part between a mouth and there
    at = 1 - (1 - w) * 2 * near
    part = np.pi * radius**2 * length * near * (1 + at + at * at) / 3
    whole = np.pi * radius**2 * length * (1 + w + w * w) / 3
    return np.where(fill <= 0.5, part, whole - part).sum(axis=1)


def soaked(name: str, accuracy: float):
    case = CASES[name]
    solid, liquid, inlet, more = soak_arguments(case)
    times = STORED[f"{name}/time"]
    end = float(times[-1])
    soak = ps.soak(
        solid, liquid, inlet, until_s=end, accuracy=accuracy,
        snapshots=times[times < end * (1 - 1e-9)], **more,
    )  # fmt: skip
    return case, solid, liquid, soak


@pytest.mark.parametrize("accuracy", [1e-2, 1e-3])
@pytest.mark.parametrize("name", QUICK)
def test_lifted_solids_follow_the_oracle(name: str, accuracy: float) -> None:
    follow(name, accuracy)


@pytest.mark.slow
@pytest.mark.parametrize("accuracy", [1e-2, 1e-3, 1e-4])
@pytest.mark.parametrize("name", CASES)
def test_all_lifted_solids_follow_the_oracle(name: str, accuracy: float) -> None:
    follow(name, accuracy)


def follow(name: str, accuracy: float) -> None:
    case, solid, _, soak = soaked(name, accuracy)
    times, volume = STORED[f"{name}/time"], STORED[f"{name}/volume"]
    for when, fill in zip(soak.snapshot_time_s, soak.snapshot_fill, strict=True):
        k = int(np.argmin(np.abs(times - when)))
        off = np.abs(wet_volume(solid, fill.astype(float)) - volume[k]).sum() / volume[k].sum()
        assert off < max(accuracy, 1e-4), (name, when, off)
    lifted = soak.time_s >= case.lift[-1]
    if len(case.lift) % 2:  # it ends in the air: nothing is lost
        held = soak.uptake_m3[lifted]
        assert np.abs(held / held[0] - 1).max() < 1e-2 * accuracy
    assert soak.volume_balance <= 1e-2 * accuracy


def at_rest(solid, liquid, fluid, soak, exposed, gravity):
    """What the independent conditions of rest say of the state just before a soak's end."""
    fill = soak.snapshot_fill[-1].astype(float)
    full = fill.sum(axis=1) > 1 - 1e-6
    x = np.where(full[:, None], 0.0, fill * solid.length[:, None])
    pressure = soak.pressure_pa
    state = SimpleNamespace(x=x.ravel(), full=full, pressure=pressure, dry=np.isnan(pressure))
    return violations(
        solid.points, solid.ends, solid.radius, solid.length, fluid, state, exposed, gravity,
        solid.waist,
    )  # fmt: skip


@pytest.mark.parametrize("gravity", [(0.0, 0.0, 0.0), (0.0, 0.0, -9.80665)])
@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(s, marks=pytest.mark.slow) for s in range(1, 6))]
)
def test_a_drained_block_rests_where_an_independent_minimisation_says(seed, gravity) -> None:
    """One level of pressure in every cluster, at which nothing may recede, advance or open."""
    graph = random_graph(30 + seed, 24)
    case = CASES["lift_random"]
    solid = ps.Network(graph.points, graph.ends, graph.radius, graph.length)
    lift = ps.soak(
        solid, THIN, graph.inlet, until_saturation=0.6, accuracy=1e-3, gravity=gravity
    ).time_s[-1]
    soak = ps.soak(
        solid, THIN, graph.inlet, until_s=100.0, accuracy=1e-3, gravity=gravity, lift_s=[lift],
        snapshots=[99.0],
    )  # fmt: skip
    rest = at_rest(solid, THIN, case.fluid, soak, graph.inlet, gravity)
    assert rest.worst < 1e-4
    assert rest.spread < 1e-4


@pytest.mark.parametrize("seed", range(4))
def test_a_star_rests_at_least_energy(seed) -> None:
    """All mouths open to the air, so that any tube may empty: a linear programme (see the oracle).

    The narrowest arms are full, one is filled in part, the others are empty.
    """
    rng = np.random.default_rng(seed)
    g = star(rng.uniform(6e-6, 25e-6, 6), 30e-6)
    solid = ps.Network(g.points, g.ends, g.radius, g.length)
    share = rng.uniform(0.4, 0.8)
    lift = ps.soak(solid, THIN, [0], until_saturation=share, accuracy=1e-4).time_s[-1]
    soak = ps.soak(
        solid, THIN, [0], until_s=1e4, accuracy=1e-4, lift_s=[lift], snapshots=[9e3],
        outside=np.arange(solid.junctions),
    )  # fmt: skip
    volume = wet_volume(solid, soak.snapshot_fill[-1].astype(float))
    best = least_energy(g.radius, g.length, volume.sum(), CASES["lift_random"].fluid)
    np.testing.assert_allclose(volume / solid.tube_volume * g.length, best, atol=1e-5 * g.length[0])


def test_what_is_pressed_out_drips_off() -> None:
    """A liquid that does not wet, held in a tube by a head, runs out again when that is gone.

    Young-Laplace presses it back by 2 gamma |cos(theta)| / r; the tube's far end is closed off by
    the air alone, so that nothing stays behind.
    """
    solid = ps.Network([[0, 0, 0], [0, 0, 0.01]], [[0, 1]], radius=50e-6)
    shy = ps.Liquid(
        viscosity=ps.Newtonian(1e-3), surface_tension=0.072, contact_angle_deg=110, density=1000
    )
    against = 2 * 0.072 * np.cos(np.radians(110)) / 50e-6
    soak = ps.soak(
        solid, shy, [0], until_s=10.0, accuracy=1e-3, inlet_pressure=-1.5 * against, lift_s=[0.2]
    )
    # x = sqrt(r^2 u t / (4 eta)) on the way in, and back under twice that drive (Washburn 1921)
    drive = -0.5 * against
    before = np.sqrt((50e-6) ** 2 * drive * 0.2 / (4 * 1e-3))
    at_lift = np.interp(0.2, soak.time_s, soak.uptake_m3) / (np.pi * (50e-6) ** 2)
    assert at_lift == pytest.approx(before, rel=1e-3)
    assert soak.uptake_m3[-1] < 1e-3 * soak.uptake_m3.max()
    half = soak.time_s[soak.uptake_m3 > 0.5 * soak.uptake_m3.max()][-1]
    # back from x under the drive `against`: x^2 falls by r^2 |against| t / (4 eta)
    wait = 0.75 * before**2 * 4 * 1e-3 / ((50e-6) ** 2 * -against)
    assert half == pytest.approx(0.2 + wait, rel=0.02)
