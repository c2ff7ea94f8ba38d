"""What every soak must obey: scaling, volume balance, bounds, repeatability, clear refusals."""

from __future__ import annotations

import functools
from dataclasses import replace
from itertools import islice

import numpy as np
import pytest
from oracle_graphs import general_cases, random_graph, soak_arguments
from scipy.integrate import solve_ivp

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.uptake.march import march
from poresim.uptake.result import Ending

DOWN = (0.0, 0.0, -9.80665)


def liquid(law=None, tension=0.052, angle=48.0, **more):
    law = ps.Newtonian(1.2e-3) if law is None else law
    return ps.Liquid(
        viscosity=law, surface_tension=tension, contact_angle_deg=angle, density=1005.0, **more
    )


def solid_of(g):
    return ps.Network(g.points, g.ends, g.radius, g.length)


GRAPH = random_graph(41, 60)
SOLID = solid_of(GRAPH)


def soak(fluid=None, accuracy=1e-3, solid=SOLID, inlet=GRAPH.inlet, **keys):
    if not {"until_s", "until_saturation"} & keys.keys():
        keys["until_s"] = 1e6
    return ps.soak(solid, fluid or liquid(), inlet, accuracy=accuracy, **keys)


@functools.cache
def plain_soak() -> ps.Soak:
    """What many tests set another soak against."""
    return soak()


# ---- scaling: quasi-steady flow has one time scale (dimensional analysis) ----------------------


@pytest.mark.parametrize("accuracy", [1e-2, 1e-4])
def test_twice_the_viscosity_takes_twice_the_time(accuracy):
    g = random_graph(42, 30)
    asked = {"accuracy": accuracy, "solid": solid_of(g), "inlet": g.inlet}
    one, two = soak(**asked), soak(liquid(ps.Newtonian(2.4e-3)), **asked)
    assert np.isfinite(one.filled_at_s).all()
    np.testing.assert_allclose(two.filled_at_s, 2 * one.filled_at_s, rtol=1e-6)


@pytest.mark.parametrize("factor", [2.0, 3.0])
def test_twice_the_suction_takes_half_the_time(factor):
    one, two = plain_soak(), soak(liquid(tension=0.052 * factor))
    np.testing.assert_allclose(two.filled_at_s, one.filled_at_s / factor, rtol=1e-6)


def test_only_tension_times_cosine_counts_in_straight_tubes():
    other = 0.052 * np.cos(np.radians(48.0)) / np.cos(np.radians(20.0))
    one, two = plain_soak(), soak(liquid(tension=other, angle=20.0))
    np.testing.assert_allclose(two.filled_at_s, one.filled_at_s, rtol=1e-6)


@pytest.mark.parametrize("n", [0.4, 0.7])
def test_power_law_scaling(n):
    """Time goes as (consistency / suction)^(1/n): no other stress is in the problem."""
    g = random_graph(42, 12)
    asked = {"accuracy": 1e-2, "solid": solid_of(g), "inlet": g.inlet}
    one = soak(liquid(ps.PowerLaw(0.05, n)), **asked)
    two = soak(liquid(ps.PowerLaw(0.10, n)), **asked)
    three = soak(liquid(ps.PowerLaw(0.05, n), tension=0.104), **asked)
    assert np.isfinite(one.filled_at_s).all()
    np.testing.assert_allclose(two.filled_at_s, one.filled_at_s * 2 ** (1 / n), rtol=1e-6)
    np.testing.assert_allclose(three.filled_at_s, one.filled_at_s * 0.5 ** (1 / n), rtol=1e-6)


def test_larger_copy_takes_longer():
    """All lengths times 3: the times too (t ~ viscosity * length^2 / (suction * radius))."""
    g = GRAPH
    large = ps.Network(3 * g.points, g.ends, 3 * g.radius, 3 * g.length)
    found = soak(solid=large).filled_at_s
    np.testing.assert_allclose(found, 3 * plain_soak().filled_at_s, rtol=1e-6)


# ---- volume balance and bounds; of every kind of physics: check_order in test_soak_oracle.py -----


def test_volume_balance_of_a_fine_soak():
    g = random_graph(42, 8)
    s = soak(accuracy=1e-6, solid=solid_of(g), inlet=g.inlet)
    assert s.volume_balance <= 1e-9
    assert s.ending is Ending.FULL
    assert s.uptake_m3[-1] == pytest.approx(g.volume.sum(), rel=1e-9)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_pressures_lie_between_suction_and_reservoir(share):
    s = soak(until_saturation=share, accuracy=1e-2)
    wet = ~np.isnan(s.wetted_at_s)
    assert np.array_equal(wet, ~np.isnan(s.pressure_pa))
    most = 2 * 0.052 * np.cos(np.radians(48.0)) / GRAPH.radius.min()
    assert np.all(s.pressure_pa[wet] <= 1e-9 * most)
    assert np.all(s.pressure_pa[wet] >= -most * (1 + 1e-9))
    assert np.all(s.pressure_pa[GRAPH.inlet] == 0.0)


def test_asked_saturation_and_time_are_met():
    s = soak(until_saturation=0.6)
    assert s.ending is Ending.SATURATION
    assert 0.6 <= s.saturation[-1] < 0.65  # at most one step beyond
    t = soak(until_s=s.time_s[-1])
    assert t.ending is Ending.TIME
    assert t.time_s[-1] == pytest.approx(s.time_s[-1], rel=1e-12)
    assert t.uptake_m3[-1] == pytest.approx(s.uptake_m3[-1], rel=2e-3)


def test_snapshots_fall_on_their_times_and_hold_the_volume():
    whole = plain_soak()
    times = [0.1 * whole.time_s[-1], 0.4 * whole.time_s[-1]]
    s = soak(snapshots=times)
    np.testing.assert_allclose(s.snapshot_time_s, times, rtol=1e-12)
    assert np.all(s.snapshot_fill >= 0)
    assert np.all(s.snapshot_fill.sum(axis=2) <= 1 + 1e-6)
    volumes = (s.snapshot_fill.sum(axis=2) * SOLID.tube_volume).sum(axis=1)
    np.testing.assert_allclose(volumes, np.interp(times, s.time_s, s.uptake_m3), rtol=1e-5)


# ---- repeatability ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["thin", "yield", "grains"])
def test_same_seed_same_bits(name):
    solid, fluid, inlet, more = soak_arguments(general_cases()[name])
    one, two = (ps.soak(solid, fluid, inlet, until_s=0.1, accuracy=1e-2, **more) for _ in "ab")
    for key in ("time_s", "uptake_m3", "filled_at_s", "wetted_at_s", "blocked_at_s", "pressure_pa"):
        assert getattr(one, key).tobytes() == getattr(two, key).tobytes(), key


def test_another_seed_closes_other_throats():
    solid, fluid, inlet, more = soak_arguments(general_cases()["grains"])
    more.pop("seed")
    one, two = (
        ps.soak(solid, fluid, inlet, until_s=0.1, accuracy=1e-2, seed=seed, **more)
        for seed in (0, 1)
    )
    assert not np.array_equal(one.blocked_at_s, two.blocked_at_s, equal_nan=True)


def test_numbering_does_not_matter():
    """Junctions and tubes renumbered, tubes turned round: the same soak within the accuracy."""
    g, accuracy = GRAPH, 1e-3  # plain_soak's
    rng = np.random.default_rng(5)
    names, order = rng.permutation(len(g.points)), rng.permutation(len(g.ends))
    points = np.empty_like(g.points)
    points[names] = g.points
    ends = names[g.ends][order]
    ends[::2] = ends[::2, ::-1]
    other = ps.Network(points, ends, g.radius[order], g.length[order])
    one, two = plain_soak(), soak(accuracy=accuracy, solid=other, inlet=names[g.inlet])
    total = one.time_s[-1]
    allowed = 2 * accuracy * (one.filled_at_s[order] + 0.1 * total)  # either may be off by one
    assert np.all(np.abs(two.filled_at_s - one.filled_at_s[order]) <= allowed)


# ---- endings ----------------------------------------------------------------------------------


def test_inlet_without_tubes_has_no_path():
    g = GRAPH
    apart = ps.Network(np.vstack([g.points, [[1.0, 1.0, 1.0]]]), g.ends, g.radius, g.length)
    s = soak(solid=apart, inlet=[len(g.points)], until_s=1.0)
    assert s.ending is Ending.NO_PATH
    assert np.all(s.uptake_m3 == 0) and np.isnan(s.filled_at_s).all()


@pytest.mark.parametrize("angle", [91.0, 120.0])
def test_liquid_that_does_not_wet_stays_out(angle):
    s = soak(liquid(angle=angle), until_s=1.0)
    assert s.ending is Ending.STOPPED
    assert np.all(s.uptake_m3 == 0) and np.isnan(s.filled_at_s).all()


def test_piece_out_of_reach_stays_dry():
    g = random_graph(43, 20)
    n = len(g.points)
    points = np.vstack([g.points, [[1.0, 0, 0], [1.0, 0, 1e-3]]])
    ends = np.vstack([g.ends, [[n, n + 1]]])
    two = ps.Network(points, ends, np.append(g.radius, 1e-5), np.append(g.length, 1e-3))
    s = soak(solid=two, inlet=g.inlet)
    assert s.ending is Ending.FULL
    assert np.isnan(s.filled_at_s[-1]) and np.isfinite(s.filled_at_s[:-1]).all()


@pytest.mark.parametrize("law", [ps.Newtonian(1e-3), ps.PowerLaw(0.05, 0.5)])
def test_equal_tubes_everywhere(law):
    """A square grid of equal tubes from one corner: mirror images fill at the same time."""
    side = 3
    index = np.arange(side * side).reshape(side, side)
    ends = np.vstack(
        [
            np.stack([index[:-1].ravel(), index[1:].ravel()], 1),
            np.stack([index[:, :-1].ravel(), index[:, 1:].ravel()], 1),
        ]
    )
    points = np.stack([index.ravel() // side, index.ravel() % side, 0 * index.ravel()], 1) * 1e-3
    s = soak(liquid(law), 1e-4, ps.Network(points, ends, 20e-6), [0])
    assert s.ending is Ending.FULL
    half = len(ends) // 2
    mirror = s.filled_at_s[half:].reshape(side, side - 1).T.ravel()
    np.testing.assert_allclose(s.filled_at_s[:half], mirror, rtol=1e-4)


# ---- refusals ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"inlet": [10**6]}, "inlet"),
        ({"inlet": [-1]}, "inlet"),
        ({"inlet": []}, "inlet"),
        ({"inlet": [0.5]}, "inlet"),
        ({"until_s": -1.0}, "until_s"),
        ({"until_s": 0.0}, "until_s"),
        ({"until_s": np.nan}, "until_s"),
        ({"until_saturation": 1.5}, "until_saturation"),
        ({"until_saturation": -0.1}, "until_saturation"),
        ({"until_s": None}, "until"),
        ({"accuracy": 0.0}, "accuracy"),
        ({"accuracy": -1e-3}, "accuracy"),
        ({"accuracy": np.nan}, "accuracy"),
        ({"accuracy": 2.0}, "accuracy"),
        ({"air": "vacuum"}, "air"),
        ({"gravity": (0, 0)}, "gravity"),
        ({"gravity": (0, 0, np.inf)}, "gravity"),
        ({"snapshots": [-1.0]}, "snapshot"),
        ({"depth_m": [1.0]}, "depth_m"),
        ({"seed": -1}, "seed"),
        ({"cores": 0}, "cores"),
        ({"cores": 1.5}, "cores"),
        ({"cores": True}, "cores"),
    ],
)
def test_bad_request_is_refused_by_name(change, word):
    keys = {"inlet": GRAPH.inlet, "until_s": 1.0, "accuracy": 1e-2} | change
    with pytest.raises(ValueError, match=word) as caught:
        ps.soak(SOLID, liquid(), **keys)
    assert len(str(caught.value)) > 20, "say what was got and what is expected"


EARLIER = r"lift_s must hold finite times above 0 s, each later than the last, got"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"lift_s": "soon"}, "lift_s must be a row of times in s, got 'soon'"),
        ({"lift_s": [True]}, "lift_s must be a row of times in s"),
        ({"lift_s": [[1.0, 2.0]]}, "lift_s must be a row of times in s"),
        ({"lift_s": 0.0}, f"{EARLIER} 0.0"),
        ({"lift_s": [-1.0, 2.0]}, EARLIER),
        ({"lift_s": [2.0, 1.0]}, EARLIER),
        ({"lift_s": [1.0, 1.0]}, EARLIER),
        ({"lift_s": [1.0, np.nan]}, EARLIER),
        ({"lift_s": [1.0, np.inf]}, EARLIER),
        ({"lift_s": 1.0, "outside": [10**6]}, "outside names junction 1000000, but there are"),
        ({"lift_s": 1.0, "outside": [-1]}, "outside names junction -1, but there are"),
        ({"lift_s": 1.0, "outside": [0.5]}, "outside must hold whole numbers"),
        ({"lift_s": 1.0, "outside": [[0, 1]]}, "outside must be a row of junction indices"),
        ({"outside": [10**6]}, "outside names junction 1000000"),  # also where it stays in
        ({"drop_m3": 0.0}, "drop_m3 must be finite and above 0 m3, got 0.0"),
        ({"drop_m3": -1e-9}, "drop_m3 must be finite and above 0 m3"),
        ({"drop_m3": np.nan}, "drop_m3 must be finite and above 0 m3"),
        ({"drop_m3": np.inf}, "drop_m3 must be finite and above 0 m3"),
        ({"drop_m3": 1e-12, "cup": ps.Stirred()}, "drop_m3 and cup exclude one another: a drop is"),
        ({"drop_m3": 1e-12, "lift_s": 1.0}, "drop_m3 and lift_s exclude one another: a drop is"),
        ({"drop_m3": 1e-12, "inlet_pressure": 5.0}, "drop_m3 and inlet_pressure exclude one"),
    ],
)
def test_bad_lifts_and_drops_are_refused(change, says):
    keys = {"inlet": GRAPH.inlet, "until_s": 1.0, "accuracy": 1e-2} | change
    with pytest.raises(ValueError, match=says) as caught:
        ps.soak(SOLID, liquid(), **keys)
    assert "\n" not in str(caught.value)


def test_drops_that_do_not_fit_the_inlets_are_refused():
    """Four inlets 1 mm apart: a half sphere of 1 uL is 0.782 mm in radius, of 0.1 uL 0.363 mm."""
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, -1]]) * 1e-3
    solid = ps.Network(corners, [[0, 4], [1, 4], [2, 4], [3, 4]], 1e-5)
    flat = replace(liquid(), contact_angle_deg=90.0)
    for volume, says in (
        (1e-9, r"radius 0\.782 mm; the inlets reach 0\.707 mm from its middle"),
        (1e-10, r"radius 0\.363 mm, and no inlet lies under it"),
    ):
        with pytest.raises(ValueError, match=rf"drop_m3: a drop of .*{says}"):
            ps.soak(solid, flat, [0, 1, 2, 3], until_s=1.0, drop_m3=volume)


# ---- scipy's stiff integrator ------------------------------------------------------------------


def test_ladder_against_a_stiff_integrator():
    """Stem, two rails with a rung not yet reached: Radau until the first rail is full."""
    mu, gc, size = 1e-3, 0.036, 1e-3
    stem, rails = 20e-6, np.array([8e-6, 14e-6, 11e-6])
    g = np.pi * stem**4 / (8 * mu * size)
    suction = 2 * gc / rails
    x0 = 1e-8 * size

    def speeds(_, x):
        """Junction pressure from the balance; a meniscus at its mouth does not recede."""
        c = np.pi * rails**4 / (8 * mu * np.maximum(x, x0))
        use = np.ones(3, bool)
        while True:
            p = -(c[use] * suction[use]).sum() / (g + c[use].sum())
            drive = np.where(use, p + suction, 0.0)
            stuck = use & (drive < 0) & (x <= x0)
            if not stuck.any():
                return c * drive / (np.pi * rails**2)
            use &= ~stuck

    def full(_, x):
        return np.max(x) - size

    full.terminal = True
    keys = {"method": "Radau", "rtol": 1e-10, "atol": 1e-14, "events": full}
    run = solve_ivp(speeds, (0, 100), np.full(3, x0), **keys)
    points = np.array([[0, 0, 0], [0, 0, 1], [1, 0, 1], [0, 1, 1], [-1, 0, 1]]) * size
    ends = np.array([[0, 1], [1, 2], [1, 3], [1, 4]])
    ladder = ps.Network(points, ends, [stem, *rails], size)
    fluid = ps.Liquid(
        viscosity=ps.Newtonian(mu), surface_tension=0.072, contact_angle_deg=60.0, density=1000.0
    )
    began = 2 * mu * size**2 / (gc * stem)
    s = ps.soak(ladder, fluid, [0], until_s=began + run.t[-1], accuracy=1e-5, snapshots=(
        began + run.t[-1],
    ))  # fmt: skip
    np.testing.assert_allclose(s.snapshot_fill[0, 1:, 0], run.y[:, -1] / size, rtol=2e-4)
    assert s.filled_at_s[0] == pytest.approx(began, rel=1e-6)


def test_a_long_thin_lattice_drinks_as_the_root_of_time():
    """Mean height ~ t^0.5 (Gruener et al. 2012, PNAS 109:10245), where few menisci stand at once.

    Steps of large networks hold many events; with a front this narrow, what events leave owed has
    to be looked at often, or the front stays behind by a multiple.
    """
    spacing = 200e-6
    spec = SolidSpec(
        size=(17 * spacing, spacing, 189 * spacing),
        lattice="square",
        radii=Lognormal(15e-6, 0.3),
        spacing=spacing,
        sides="periodic",
    )
    solid = ps.build_solid(spec, seed=0)
    assert solid.junctions > 3000
    s = ps.soak(solid, liquid(), solid.faces["bottom"], until_saturation=0.85, accuracy=0.01)
    judged = (s.saturation > 0.2) & (s.saturation < 0.8)
    slope = np.polyfit(np.log(s.time_s[judged]), np.log(s.uptake_m3[judged]), 1)[0]
    assert slope == pytest.approx(0.5, abs=0.03)


def test_a_meniscus_a_rounding_short_of_its_end_has_arrived():
    """A gum in 64 junctions with narrow waists once stood 4e-15 short of a junction, for ever."""
    spec = SolidSpec(
        size=(3e-4, 3e-4, 3e-4),
        lattice="cubic",
        radii=Lognormal(30e-6, 0.35),
        spacing=1e-4,
        neighbours=5.2,
        waist=0.15,
    )
    solid = ps.build_solid(spec, seed=5)
    gum = liquid(ps.HerschelBulkley(0.03, 0.2, 0.5))
    *_, last = islice(march(solid, gum, solid.faces["bottom"], 2.0, accuracy=0.01), 40_000)
    assert last.ending in (Ending.FULL, Ending.TIME)
