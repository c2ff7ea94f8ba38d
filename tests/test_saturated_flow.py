"""Flow through saturated networks: resistor-network theorems, lattices, other solvers."""

from __future__ import annotations

import itertools
import math

import networkx as nx
import numpy as np
import pytest
from scipy.optimize import brentq, least_squares
from scipy.special import gamma

import poresim as ps
from poresim.uptake import laplacian, pressures
from poresim.uptake.flow import NotConverged

WATER = ps.Liquid(ps.Newtonian(1.0), surface_tension=0.072, contact_angle_deg=60.0, density=1000.0)


def liquid(law) -> ps.Liquid:
    return ps.Liquid(law, surface_tension=0.05, contact_angle_deg=40.0, density=1000.0)


def resistors(n: int, ends, conductance=1.0, points=None) -> ps.Network:
    """A network whose tubes have these conductances for a liquid of 1 Pa s."""
    ends = np.asarray(ends)
    radius = (8 * np.broadcast_to(conductance, len(ends)) / math.pi) ** 0.25
    if points is None:
        points = np.random.default_rng(0).random((n, 3))
    return ps.Network(points, ends, radius, length=1.0)


def lattice(*shape: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(index of each site, links, points) of a square or cubic lattice with open sides."""
    site = np.arange(math.prod(shape)).reshape(shape)
    links = [
        np.stack([site.take(range(n - 1), axis).ravel(), site.take(range(1, n), axis).ravel()], 1)
        for axis, n in enumerate(shape)
    ]
    points = np.zeros((site.size, 3))
    points[:, : len(shape)] = np.stack(np.unravel_index(site.ravel(), shape), axis=1)
    return site, np.concatenate(links), points


def resistance(solid: ps.Network, a: int, b: int) -> float:
    return 1 / ps.flow(solid, WATER, pressure={a: 1.0, b: 0.0}).into[a]


def plates(site: np.ndarray, drop: float = 1.0) -> dict[int, float]:
    return {int(i): drop for i in site[0].ravel()} | {int(i): 0.0 for i in site[-1].ravel()}


def random_graph(rng: np.random.Generator, n: int, more: int) -> np.ndarray:
    """Links of a connected graph: a random tree and ``more`` links on top."""
    tree = [(int(rng.integers(i)), i) for i in range(1, n)]
    extra = [tuple(rng.choice(n, 2, replace=False)) for _ in range(more)]
    return np.array(tree + extra)


# --- resistor networks -------------------------------------------------------------------------


def test_cube_of_twelve_resistors():
    """Textbook: edge 7/12, face diagonal 3/4, body diagonal 5/6 of one resistor."""
    site, links, points = lattice(2, 2, 2)
    cube = resistors(8, links, 1.0, points)
    for corner, expected in (((1, 0, 0), 7 / 12), ((1, 1, 0), 3 / 4), ((1, 1, 1), 5 / 6)):
        assert resistance(cube, site[0, 0, 0], site[corner]) == pytest.approx(expected, rel=1e-12)


def test_foster_on_a_random_graph(rng):
    """Foster 1949: conductance x resistance, summed over the links, is the junctions less one."""
    links = random_graph(rng, 30, 45)
    g = np.exp(rng.normal(0, 1.5, len(links)))
    solid = resistors(30, links, g)
    total = sum(gt * resistance(solid, a, b) for gt, (a, b) in zip(g, links, strict=True))
    assert total == pytest.approx(29.0, rel=1e-9)


def test_foster_on_a_random_lattice(rng):
    """The same on a thinned cubic lattice with lognormal radii."""
    site, links, points = lattice(5, 5, 5)
    links = links[rng.random(len(links)) < 0.75]
    graph = nx.Graph(links.tolist())
    kept = max(nx.connected_components(graph), key=len)
    links = np.array([link for link in links if link[0] in kept])
    g = np.exp(rng.normal(0, 2.0, len(links)))
    solid = resistors(site.size, links, g, points)
    total = sum(gt * resistance(solid, a, b) for gt, (a, b) in zip(g, links, strict=True))
    assert total == pytest.approx(len(kept) - 1, rel=1e-9)


def test_resistance_against_networkx(rng):
    """networkx's resistance_distance (pseudo-inverse of the Laplacian)."""
    links = random_graph(rng, 15, 20)
    g = np.exp(rng.normal(0, 1.0, len(links)))
    graph = nx.MultiGraph()
    for (a, b), conductance in zip(links.tolist(), g, strict=True):
        graph.add_edge(a, b, g=conductance)
    solid = resistors(15, links, g)
    for a, b in itertools.islice(itertools.combinations(range(15), 2), 0, None, 9):
        expected = nx.resistance_distance(graph, a, b, weight="g", invert_weight=False)
        assert resistance(solid, a, b) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("spread", [0.5, 1.0])
def test_power_balance_newtonian(rng, spread):
    """Tellegen: power in the tubes is power fed in; nothing is lost at an inner junction."""
    site, links, points = lattice(40, 40)
    solid = ps.Network(points * 1e-4, links, 15e-6 * np.exp(rng.normal(0, spread, len(links))))
    held = plates(site, 1000.0)
    held[int(site[20, 20])] = 400.0
    found = ps.flow(solid, liquid(ps.Newtonian(1e-3)), pressure=held)
    fed = sum(found.into[i] * p for i, p in held.items())
    # spent, from each tube's own conductance and drop
    g = math.pi * solid.radius**4 / (8e-3 * solid.length)
    drop = found.pressure[links[:, 0]] - found.pressure[links[:, 1]]
    assert np.sum(g * drop**2) == pytest.approx(fed, rel=1e-10)
    through = sum(abs(found.into[i]) for i in held) / 2
    inner = np.setdiff1d(np.arange(solid.junctions), list(held))
    assert np.abs(found.into[inner]).max() < 1e-10 * through
    assert found.residual < 1e-10


def test_infinite_square_lattice():
    """Atkinson & van Steenwijk 1999 Am J Phys 67:486; Cserti 2000: error falls as 1/N^2."""
    exact = {(1, 0): 1 / 2, (1, 1): 2 / math.pi, (2, 0): 2 - 4 / math.pi, (2, 1): 4 / math.pi - 0.5}
    for step, expected in exact.items():
        errors = []
        for n in (51, 101, 201):
            site, links, points = lattice(n, n)
            centre = n // 2
            patch = resistors(site.size, links, 1.0, points)
            far = site[centre + step[0], centre + step[1]]
            errors.append(resistance(patch, site[centre, centre], far) - expected)
        assert abs(errors[-1]) < 1e-3
        assert errors[0] / errors[1] == pytest.approx(4.0, abs=0.25)
        assert errors[1] / errors[2] == pytest.approx(4.0, abs=0.15)


def test_infinite_cubic_lattice():
    """Glasser & Boersma 2000; the constant by Watson 1939, Glasser & Zucker 1977."""
    watson = math.prod(gamma(k / 24) for k in (1, 5, 7, 11)) * math.sqrt(6) / (96 * math.pi**3)
    assert watson == pytest.approx(0.505462019717326, rel=1e-13)
    exact = {
        (1, 0, 0): 1 / 3,
        (1, 1, 0): 0.3950791523,
        (1, 1, 1): 0.4183053109,
        (2, 0, 0): 0.4196833906,
        (2, 1, 0): 0.4335988128,
    }
    found = {step: [] for step in exact}
    far = []
    sizes = (13, 25)
    for n in sizes:
        site, links, points = lattice(n, n, n)
        solid, centre = resistors(site.size, links, 1.0, points), n // 2
        start = site[centre, centre, centre]
        for step in exact:
            found[step].append(resistance(solid, start, site[tuple(centre + np.array(step))]))
        # between the centre and a held surface: R(infinity) / 2 less something in 1/N
        rim = set(range(site.size)) - set(site[1:-1, 1:-1, 1:-1].ravel().tolist())
        held = dict.fromkeys(rim, 0.0) | {int(start): 1.0}
        far.append(2 / ps.flow(solid, WATER, pressure=held).into[start])
    for step, expected in exact.items():
        small, large = found[step]
        assert large == pytest.approx(expected, abs=1e-3)
        # a dipole in a box: the error falls as 1/N^3
        cubes = np.array(sizes, dtype=float) ** 3
        extrapolated = (cubes[1] * large - cubes[0] * small) / (cubes[1] - cubes[0])
        assert extrapolated == pytest.approx(expected, abs=2e-5)
    reach = np.array(sizes) - 1.0
    extrapolated = (reach[1] * far[1] - reach[0] * far[0]) / (reach[1] - reach[0])
    assert extrapolated == pytest.approx(watson, rel=1e-3)


def test_uniform_slab():
    """Series and parallel: G = g ny nz / (nx - 1)."""
    site, links, points = lattice(7, 4, 5)
    slab = resistors(site.size, links, 2.5, points)
    found = ps.flow(slab, WATER, pressure=plates(site))
    assert found.into[site[0].ravel()].sum() == pytest.approx(2.5 * 4 * 5 / 6, rel=1e-12)
    np.testing.assert_allclose(found.pressure, 1 - points[:, 0] / 6, rtol=0, atol=1e-12)


def effective_medium(shares, values, z: int = 6) -> float:
    """Kirkpatrick 1973 Rev Mod Phys 45:574: sum p (g - gm)/(g + (z/2 - 1) gm) = 0."""

    def balance(gm: float) -> float:
        return sum(
            p * (g - gm) / (g + (z / 2 - 1) * gm) for p, g in zip(shares, values, strict=True)
        )

    return brentq(balance, 1e-9, max(values), xtol=1e-14)


@pytest.mark.parametrize(
    ("shares", "values", "expected", "within"),
    [
        ((0.5, 0.5), (1.0, 10.0), 4.0, 0.03),
        ((0.75, 0.25), (1.0, 10.0), 1.94529898, 0.03),
        ((0.5, 0.5), (1.0, 100.0), 27.09533604, 0.10),
        ((0.8, 0.2), (1.0, 0.0), 0.7, 0.03),
    ],
)
def test_effective_medium(rng, shares, values, expected, within):
    """A 40^3 lattice of two kinds of tubes; the last one is thinned (1 - (1-p)/(1-2/z))."""
    assert effective_medium(shares, values) == pytest.approx(expected, rel=1e-8)
    site, links, points = lattice(40, 40, 40)
    g = rng.choice(values, size=len(links), p=shares)
    links, g = links[g > 0], g[g > 0]
    found = ps.flow(resistors(site.size, links, g, points), WATER, pressure=plates(site))
    medium = found.into[site[0].ravel()].sum() * 39 / 40**2
    assert medium == pytest.approx(expected, rel=within)
    assert found.residual < 1e-10


def test_iterative_and_direct_solvers_agree(rng, monkeypatch):
    site, links, points = lattice(12, 12, 12)
    solid = ps.Network(points * 1e-4, links, 15e-6 * np.exp(rng.normal(0, 0.5, len(links))))
    answers = []
    for direct in (10**6, 0):
        monkeypatch.setattr(laplacian, "_DIRECT_UP_TO", direct)
        monkeypatch.setattr(laplacian, "_COARSE", 100)
        for law in (ps.Newtonian(1e-3), ps.HerschelBulkley(0.5, 0.1, 0.5)):
            answers.append(ps.flow(solid, liquid(law), pressure=plates(site, 1000.0)))
    for one, other in zip(answers[:2], answers[2:], strict=True):
        np.testing.assert_allclose(one.rate, other.rate, rtol=0, atol=1e-9 * one.rate.max())


# --- any law -----------------------------------------------------------------------------------

LAWS = {
    "thinning": ps.PowerLaw(0.1, 0.6),
    "strongly thinning": ps.PowerLaw(0.1, 0.3),
    "thickening": ps.PowerLaw(0.001, 1.5),
    "bingham": ps.Bingham(0.5, 1e-3),
    "near its threshold": ps.Bingham(3.0, 1e-3),
    "yielding": ps.HerschelBulkley(0.5, 0.1, 0.5),
}
every_law = pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())


@every_law
@pytest.mark.parametrize("waist", [1.0, 0.6])
def test_power_balance_of_any_law(rng, law, waist):
    """Tellegen again; and each rate is that of its tube at the drop found."""
    site, links, points = lattice(7, 7, 7)
    radius = 20e-6 * np.exp(rng.normal(0, 0.5, len(links)))
    solid = ps.Network(points * 1e-4, links, radius, waist=waist)
    found = ps.flow(solid, liquid(law), pressure=plates(site, 1000.0))
    drop = found.pressure[links[:, 0]] - found.pressure[links[:, 1]]
    fed = found.into[site[0].ravel()].sum()
    assert fed > 0
    assert np.sum(found.rate * drop) == pytest.approx(1000.0 * fed, rel=1e-10)
    assert np.abs(found.into[site[1:-1].ravel()]).max() < 1e-10 * fed
    assert found.residual < 1e-10
    if waist == 1.0:
        expected = law.tube_flow_rate(drop, radius, solid.length)
        np.testing.assert_allclose(found.rate, expected, rtol=1e-8, atol=1e-10 * fed)


@every_law
def test_against_least_squares(rng, law):
    """The same balances handed to scipy's trust-region solver on a small graph."""
    n, scale = 9, 1e12
    links = random_graph(rng, n, 9)
    radius = rng.uniform(10e-6, 30e-6, len(links))
    solid = ps.Network(rng.random((n, 3)) * 3e-4, links, radius)
    held = {0: 800.0, 8: -100.0}
    found = ps.flow(solid, liquid(law), pressure=held)
    free = np.setdiff1d(np.arange(n), list(held))

    def net(inner: np.ndarray) -> np.ndarray:
        p = np.zeros(n)
        p[list(held)] = list(held.values())
        p[free] = inner
        rate = law.tube_flow_rate(p[links[:, 0]] - p[links[:, 1]], radius, solid.length)
        out = np.bincount(links[:, 0], rate, n) - np.bincount(links[:, 1], rate, n)
        return out[free] * scale

    start = np.full(len(free), 300.0)
    other = least_squares(net, start, xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=400)
    p = np.zeros(n)
    p[list(held)], p[free] = list(held.values()), other.x
    rate = law.tube_flow_rate(p[links[:, 0]] - p[links[:, 1]], radius, solid.length)
    out = np.bincount(links[:, 0], rate, n) - np.bincount(links[:, 1], rate, n)
    off = np.abs(out[free]).max()
    # the reference is as good as its own imbalance
    np.testing.assert_allclose(found.rate, rate, rtol=0, atol=20 * off + 1e-8 * np.abs(rate).max())
    assert off < 1e-4 * np.abs(out[0])


def test_power_law_scales_with_the_drop(rng):
    """Homogeneous: lambda times the drop gives lambda^(1/n) times every rate."""
    links = random_graph(rng, 25, 30)
    solid = ps.Network(rng.random((25, 3)) * 1e-3, links, rng.uniform(5e-6, 4e-5, len(links)))
    for n in (0.4, 1.5):
        one = ps.flow(solid, liquid(ps.PowerLaw(0.1, n)), pressure={0: 10.0, 24: 0.0})
        ten = ps.flow(solid, liquid(ps.PowerLaw(0.1, n)), pressure={0: 100.0, 24: 0.0})
        largest = ten.rate.max()
        np.testing.assert_allclose(ten.rate, one.rate * 10 ** (1 / n), atol=1e-9 * largest)


def test_two_tubes_in_series():
    """Herschel-Bulkley: the rate at which the two drops add up, by bisection."""
    law = ps.HerschelBulkley(0.4, 0.1, 0.5)
    points = [[0, 0, 0], [1e-3, 0, 0], [3e-3, 0, 0]]
    solid = ps.Network(points, [[0, 1], [2, 1]], [2e-5, 3e-5])
    found = ps.flow(solid, liquid(law), pressure={0: 900.0, 2: 0.0})
    middle = brentq(
        lambda p: law.tube_flow_rate(900 - p, 2e-5, 1e-3) - law.tube_flow_rate(p, 3e-5, 2e-3),
        0,
        900,
    )
    assert found.pressure[1] == pytest.approx(middle, rel=1e-9)
    assert found.rate[0] == pytest.approx(-found.rate[1], rel=1e-10)
    assert found.rate[0] == pytest.approx(law.tube_flow_rate(900 - middle, 2e-5, 1e-3), rel=1e-8)


def test_yield_threshold_is_the_weakest_path(rng):
    """Nothing flows until the drop passes the lowest sum of yield drops of any path.

    Roux & Herrmann 1987 Europhys Lett 4:1227 (from memory); the path is found by networkx.
    """
    ty = 0.7
    site, links, points = lattice(15, 15)
    radius = 15e-6 * np.exp(rng.normal(0, 0.5, len(links)))
    solid = ps.Network(points * 1e-4, links, radius)
    graph = nx.Graph()
    for (a, b), r in zip(links.tolist(), radius, strict=True):
        graph.add_edge(a, b, drop=2 * ty * 1e-4 / r)
    sources = site[0].ravel().tolist()
    lowest = min(
        d
        for j, d in nx.multi_source_dijkstra_path_length(graph, sources, weight="drop").items()
        if j in set(site[-1].ravel().tolist())
    )
    for law in (ps.Bingham(ty, 1e-3), ps.HerschelBulkley(ty, 0.1, 0.5)):
        below = ps.flow(solid, liquid(law), pressure=plates(site, 0.99999 * lowest))
        assert not below.rate.any()
        drop = below.pressure[links[:, 0]] - below.pressure[links[:, 1]]
        assert np.all(np.abs(drop) <= 2 * ty * 1e-4 / radius)
        above = ps.flow(solid, liquid(law), pressure=plates(site, 1.001 * lowest))
        assert above.into[site[0].ravel()].sum() > 0
        assert above.residual < 1e-10


# --- gravity, clusters, failures ---------------------------------------------------------------


@every_law
def test_hydrostatic_liquid_is_at_rest(rng, law):
    _, links, points = lattice(4, 4, 4)
    solid = ps.Network(points * 1e-3, links, rng.uniform(1e-5, 1e-4, len(links)))
    g = np.array([1.0, -2.0, -9.80665])
    held = {0: 50.0, 63: 50.0 + 1000.0 * float(points[63] * 1e-3 @ g)}
    found = ps.flow(solid, liquid(law), pressure=held, gravity=g)
    np.testing.assert_allclose(found.pressure, 50.0 + 1000.0 * points * 1e-3 @ g, atol=1e-9)
    full = law.tube_flow_rate(100.0, 1e-4, 1e-3)
    # a shear-thickening liquid answers a drop of rounding's size with its root, (1e-16)^(1/n)
    assert np.abs(found.rate).max() < (1e-10 if getattr(law, "index", 1.0) > 1.0 else 1e-12) * full


def test_gravity_drives_a_vertical_tube():
    """Poiseuille: Q = pi R^4 rho g / (8 eta) in an open vertical tube, downwards."""
    solid = ps.Network([[0, 0, 0], [0, 0, -0.02]], [[0, 1]], 1e-4)
    found = ps.flow(
        solid, liquid(ps.Newtonian(1e-3)), pressure={0: 0.0, 1: 0.0}, gravity=(0, 0, -9.80665)
    )
    assert found.rate[0] == pytest.approx(math.pi * 1e-16 * 9806.65 / 8e-3, rel=1e-12)


@pytest.mark.parametrize("law", [ps.Newtonian(1e-3), ps.PowerLaw(0.05, 0.5), ps.Bingham(9.9, 1e-3)])
def test_gravity_turns_liquid_round_through_periodic_sides(law):
    """Down one tube and through the bottom: the head of the height is spent in the loop."""
    height, r = 2e-3, 1e-4
    solid = ps.Network(
        [[0, 0, 0], [0, 0, -height / 2]],
        [[0, 1], [1, 0]],
        r,
        length=height / 2,
        span=[[0, 0, -height / 2], [0, 0, -height / 2]],
    )
    found = ps.flow(solid, liquid(law), pressure={0: 5.0}, gravity=(0, 0, -9.80665))
    expected = law.tube_flow_rate(1000 * 9.80665 * height, r, height)
    np.testing.assert_allclose(found.rate, expected, rtol=1e-9)


@pytest.mark.parametrize("law", [ps.Newtonian(1e-3), ps.HerschelBulkley(0.1, 0.1, 0.5)])
def test_parts_that_touch_no_given_pressure(law):
    points = np.random.default_rng(3).random((8, 3)) * 1e-3
    links = [[0, 1], [1, 2], [3, 4], [5, 6], [1, 7]]
    solid = ps.Network(points, links, 2e-5)
    found = ps.flow(solid, liquid(law), pressure={0: 500.0, 2: 0.0, 5: 7.0})
    assert np.isnan(found.pressure[[3, 4]]).all()
    assert found.rate[2] == 0.0
    assert abs(found.rate[3]) < 1e-12 * found.rate[0]
    assert found.pressure[6] == pytest.approx(7.0, rel=1e-12)
    assert found.pressure[7] == pytest.approx(found.pressure[1], rel=1e-12)
    assert found.rate[0] == pytest.approx(found.rate[1], rel=1e-10)
    assert found.rate[0] > 0
    assert found.into[0] == found.rate[0]


def test_one_pressure_alone_drives_nothing():
    solid = ps.Network([[0, 0, 0], [1e-3, 0, 0], [2e-3, 0, 0]], [[0, 1], [1, 2]], 1e-5)
    for law in (ps.Newtonian(1e-3), *LAWS.values()):
        found = ps.flow(solid, liquid(law), pressure={1: 250.0})
        np.testing.assert_array_equal(found.rate, 0.0)
        np.testing.assert_array_equal(found.pressure, 250.0)
        assert found.residual == 0.0


def test_what_rounding_leaves_is_closed(rng):
    """Ten decades of conductance: pressures in doubles cannot balance it, the rates still do."""
    site, links, points = lattice(60, 60)
    solid = ps.Network(points * 1e-4, links, 15e-6 * np.exp(rng.normal(0, 1.2, len(links))))
    for law in (ps.Newtonian(1e-3), ps.PowerLaw(0.001, 1.8)):
        found = ps.flow(solid, liquid(law), pressure=plates(site, 1000.0))
        drop = found.pressure[links[:, 0]] - found.pressure[links[:, 1]]
        fed = found.into[site[0].ravel()].sum()
        assert found.residual < 1e-12
        assert np.sum(found.rate * drop) == pytest.approx(1000.0 * fed, rel=1e-9)


def test_failure_is_said_and_carries_the_best_answer(rng, monkeypatch):
    monkeypatch.setattr(pressures, "_MOST_STEPS", 1)
    site, links, points = lattice(6, 6)
    solid = ps.Network(points * 1e-4, links, 15e-6 * np.exp(rng.normal(0, 0.5, len(links))))
    with pytest.raises(NotConverged, match="was not found") as caught:
        ps.flow(solid, liquid(ps.PowerLaw(0.1, 0.3)), pressure=plates(site, 1000.0))
    best = caught.value.best
    assert best.residual > 1e-10
    assert best.iterations == 1
    assert np.isfinite(best.pressure).all()


@pytest.mark.parametrize(
    ("pressure", "gravity", "word"),
    [
        ({}, (0, 0, 0), "at least one"),
        ([(0, 1.0)], (0, 0, 0), "at least one"),
        ({3: 1.0}, (0, 0, 0), "no junction 3"),
        ({-1: 1.0}, (0, 0, 0), "no junction -1"),
        ({0.5: 1.0}, (0, 0, 0), "whole number"),
        ({True: 1.0}, (0, 0, 0), "whole number"),
        ({0: math.nan}, (0, 0, 0), "finite"),
        ({0: math.inf}, (0, 0, 0), "finite"),
        ({0: "high"}, (0, 0, 0), "must be a number"),
        ({0: 1.0}, (0, 0), "gravity"),
        ({0: 1.0}, (0, 0, math.nan), "gravity"),
    ],
)
def test_bad_requests_are_refused(pressure, gravity, word):
    solid = ps.Network([[0, 0, 0], [1e-3, 0, 0], [2e-3, 0, 0]], [[0, 1], [1, 2]], 1e-5)
    with pytest.raises(ValueError, match=word):
        ps.flow(solid, WATER, pressure=pressure, gravity=gravity)
