"""The oracles themselves, against closed forms and against scipy's stiff integrator."""

from __future__ import annotations

import numpy as np
import oracle
import oracle_march
import pytest
from oracle_data import (
    DATA,
    GAMMA_COS,
    GENERAL,
    GRAPHS,
    RANDOM,
    SPACING,
    VISCOSITY,
    cubic,
    general_reference,
    random_reference,
    reference,
)
from oracle_graphs import THIN, general_cases, random_graph
from oracle_tubes import Fluid, Tubes, shear
from scipy.integrate import quad, solve_ivp
from scipy.special import lambertw

GC, MU = 0.036, 1e-3  # standard tube: 0.072 N/m, 60 degrees, 1 mPa s
STANDARD = Fluid(0.072, 60.0, MU)


def chain(lengths):
    points = np.zeros((len(lengths) + 1, 3))
    points[1:, 2] = np.cumsum(lengths)
    k = np.arange(len(lengths))
    return points, np.stack([k, k + 1], 1)


def both(points, ends, radius, length, inlet, **more):
    """filled_at of the exact and of the general oracle."""
    exact = oracle.soak(len(points), ends, radius, length, inlet, GC, MU)
    plain = oracle_march.soak(points, ends, radius, length, inlet, STANDARD, **more)
    return exact.filled_at, plain.filled_at


@pytest.mark.parametrize(
    ("r1", "r2", "expected"),
    [
        (20e-6, 5e-6, 0.349392361),
        (5e-6, 20e-6, 35.9027777778),
        (10e-6, 5e-6, 0.451388889),
        (5e-6, 10e-6, 4.861111111),
    ],
)
def test_two_tubes_in_series(r1, r2, expected):
    """Quasi-steady Poiseuille as in Reyssat et al. 2008, J Fluid Mech 615:335 (from memory)."""
    points, ends = chain([5e-3, 5e-3])
    first = 2 * MU * 25e-6 / (GC * r1)  # Washburn 1921
    for found in both(points, ends, np.array([r1, r2]), np.full(2, 5e-3), [0]):
        np.testing.assert_allclose(found, [first, expected], rtol=2e-7)


def test_exact_oracle_knows_no_step():
    """Ten times as many intervals give the same filling times to 1e-9."""
    points, ends, radius, inlet = cubic(3)
    args = (len(points), ends, radius, SPACING, inlet, GAMMA_COS, VISCOSITY)
    once, often = oracle.soak(*args), oracle.soak(*args, longest=0.01)
    assert len(often.time) > 2 * len(once.time)
    np.testing.assert_allclose(often.filled_at, once.filled_at, rtol=1e-9)
    np.testing.assert_allclose(often.time_at, once.time_at, rtol=1e-9)


def test_start_of_a_meniscus_does_not_matter():
    points, ends, radius, inlet = cubic(3)
    args = (len(points), ends, radius, SPACING, inlet, GAMMA_COS, VISCOSITY)
    a, b, c = (oracle.soak(*args, start=s).filled_at for s in (1e-6, 1e-7, 1e-8))
    far, near = np.abs(a / c - 1).max(), np.abs(b / c - 1).max()
    assert far < 1e-5 and near < 1e-6 and near < 0.2 * far


def test_both_oracles_agree():
    """Two methods that share nothing but the equations."""
    points, ends, radius, inlet = cubic(2)
    exact = oracle.soak(8, ends, radius, SPACING, inlet, GAMMA_COS, VISCOSITY)
    args = (points, ends, radius, np.full(len(ends), SPACING), inlet, THIN)
    plain = oracle_march.soak(*args, tolerance=1e-6)
    np.testing.assert_allclose(plain.filled_at, exact.filled_at, rtol=1e-6)
    for share, time in zip((0.2, 0.4, 0.6, 0.8), exact.time_at, strict=True):
        assert plain.time_at(share * exact.uptake[-1]) == pytest.approx(time, rel=2e-5)


@pytest.mark.parametrize(("time", "millimetres"), [(1, 34.678943525), (10, 67.938974146)])
def test_gravity(time, millimetres):
    """Fries & Dreyer 2008, J Colloid Interface Sci 320:259 (from memory): r = 100 um."""
    a, b = 9.0e-4, 1.22583125e-2
    formula = (a / b) * (1 + lambertw(-np.exp(-1 - b * b * time / a)).real)
    assert formula * 1e3 == pytest.approx(millimetres, rel=1e-9)
    points, ends = chain([0.1])
    down = (0.0, 0.0, -9.80665)
    args = (points, ends, 100e-6, 0.1, [0], STANDARD)
    found = oracle_march.soak(*args, gravity=down, until=time, tolerance=1e-7)
    assert found.uptake[-1] / (np.pi * 1e-8) == pytest.approx(formula, rel=1e-7)


@pytest.mark.parametrize(("n", "millimetres"), [(0.5, 31.4488967305), (0.3, 84.9465429352)])
def test_power_law(n, millimetres):
    """Rabinowitsch-Mooney and quasi-steady flow: time to that length is 10 s."""
    points, ends = chain([millimetres * 1e-3])
    fluid = Fluid(0.072, 60.0, 0.05, n)
    args = (points, ends, 10e-6, millimetres * 1e-3, [0], fluid)
    found = oracle_march.soak(*args, tolerance=1e-6)
    assert found.filled_at[0] == pytest.approx(10.0, rel=2e-7)


def test_yield_stress():
    """Herschel-Bulkley tube, R = 50 um (Skelland 1967), and the time to 0.9 of the stop length."""
    found = np.pi * 50e-6**3 * shear(Fluid(0.05, 0, 0.1, 0.5, 0.5), np.array([2.0, 10.0]))
    np.testing.assert_allclose(found, [1.50483515292e-11, 6.90495844414e-10], rtol=5e-9)
    fluid, length = Fluid(0.072, 60.0, 0.05, 0.6, 5.0), 0.9 * GC / 5.0

    def slowness(x):
        return 1 / (20e-6 * shear(fluid, np.array([GC / x]))[0])

    expected = quad(slowness, 0, length, epsrel=1e-11, epsabs=0, limit=400)[0]
    points, ends = chain([length])
    found = oracle_march.soak(points, ends, 20e-6, length, [0], fluid, tolerance=1e-7)
    assert found.filled_at[0] == pytest.approx(expected, rel=1e-6)


def test_waisted_tube():
    """Both cones by quadrature: dt = A * resistance / drive dx."""
    r0, waist, size = 10e-6, 0.5, 20e-3
    slope = r0 * (1 - waist) / (size / 2)
    bend = np.arctan(slope)

    def r(z):
        return r0 - slope * min(z, size - z)

    def slowness(z):
        inner = (r(min(z, size / 2)) ** -3 - r0**-3) / (3 * slope)
        if z > size / 2:
            inner += ((r0 * waist) ** -3 - r(z) ** -3) / (3 * slope)
        theta = np.pi / 3 + (-bend if z < size / 2 else bend)
        return r(z) ** 3 * 4 * MU * inner / (0.072 * np.cos(theta))

    parts = ((0, size / 2), (size / 2, size))
    expected = sum(quad(slowness, *part, epsrel=1e-12, epsabs=0)[0] for part in parts)
    points, ends = chain([size])
    args = (points, ends, r0, size, [0], STANDARD)
    found = oracle_march.soak(*args, waist=waist, tolerance=1e-7)
    assert found.filled_at[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("law", [{}, {"index": 0.6}, {"index": 0.6, "yield_stress": 5.0}])
def test_waisted_flow_loses_what_drives_it(law):
    """The flow rate put back into the local law gives the drop again (quadrature)."""
    fluid = Fluid(0.052, 48.0, 0.05, **law)
    one = np.array([0])
    tubes = Tubes(fluid, np.array([2e-5]), np.array([1e-4]), np.array([0.4]), np.zeros(1))
    n, k, ty = fluid.index, fluid.consistency, fluid.yield_stress

    def stress(s):
        if ty == 0:
            return k * ((3 * n + 1) / n * s) ** n
        low, high = ty, ty + 10 * k * (5 * s) ** n
        for _ in range(90):
            mid = 0.5 * (low + high)
            low, high = (mid, high) if shear(fluid, np.array([mid]))[0] < s else (low, mid)
        return mid

    for x in (3e-5, 8e-5, 1e-4):
        q = tubes.flow(one, np.array([x]), np.array([3000.0]))[0][0]

        def gradient(z, q=q):
            r = tubes.r(one, np.array([z]))[0]
            return 2 * stress(q / (np.pi * r**3)) / r

        drop = quad(gradient, 0, min(x, 5e-5), epsrel=1e-10)[0]
        drop += quad(gradient, 5e-5, x, epsrel=1e-10)[0] if x > 5e-5 else 0.0
        assert drop == pytest.approx(3000.0, rel=1e-8)


# ---- scipy's stiff integrator on networks written out by hand -----------------------------------


def test_fork_by_hand():
    """A stem and two branches: Radau on the two branch lengths, pressure eliminated by hand."""
    stem, size = 20e-6, 1e-3
    radii = np.array([8e-6, 14e-6])
    g = np.pi * stem**4 / (8 * MU * size)
    suction = 2 * GC / radii
    x0 = 1e-7 * size

    def speeds(_, x):
        c = np.pi * radii**4 / (8 * MU * np.maximum(x, x0))
        for use in (np.array([True, True]), np.array([True, False])):
            p = -(c[use] * suction[use]).sum() / (g + c[use].sum())
            drive = np.where(use, p + suction, 0.0)
            if drive[1] >= 0 or x[1] > x0:
                break
        return c * drive / (np.pi * radii**2)

    def first_full(_, x):
        return np.max(x) - size

    first_full.terminal = True
    began = 2 * MU * size**2 / (GC * stem)
    keys = {"method": "Radau", "rtol": 1e-10, "atol": 1e-14, "events": first_full}
    run = solve_ivp(speeds, (0, 100), [x0, x0], **keys)
    points = np.array([[0, 0, 0], [0, 0, size], [size, 0, size], [0, size, size]])
    ends, radius = np.array([[0, 1], [1, 2], [1, 3]]), np.array([stem, *radii])
    for found in both(points, ends, radius, np.full(3, size), [0], tolerance=1e-7):
        assert found[0] == pytest.approx(began, rel=2e-7)
        assert np.min(found[1:]) - began == pytest.approx(run.t[-1], rel=2e-5)


def test_loop_by_hand():
    """A tube wet from both ends: two parallel ways to its ends, one meniscus from each."""
    size = 1e-3
    r1, r2, r3 = 25e-6, 18e-6, 6e-6
    t1, t2 = (2 * MU * size**2 / (GC * r) for r in (r1, r2))
    g = [np.pi * r**4 / (8 * MU * size) for r in (r1, r2)]
    c, suction = np.pi * r3**4 / (8 * MU), 2 * GC / r3

    def speed(x, link):  # link and meniscus in series
        k = c / x
        return link * k / (link + k) * suction / (np.pi * r3**2)

    def speeds(t, x):
        first, second = np.maximum(x, 1e-8 * size)
        return [speed(first, g[0]), speed(second, g[1]) if t > t2 - t1 else 0.0]

    def met(_, x):
        return np.sum(x) - size

    met.terminal = True
    # the first stretch alone, then both
    keys = {"method": "Radau", "rtol": 1e-11, "atol": 1e-15}
    alone = solve_ivp(speeds, (0, t2 - t1), [0.0, 0.0], **keys)
    run = solve_ivp(speeds, (t2 - t1 + 1e-12, 10), alone.y[:, -1], events=met, **keys)
    points = np.array([[0, 0, 0], [0, 0, size], [size, 0, 0]])
    ends, radius = np.array([[0, 1], [0, 2], [1, 2]]), np.array([r1, r2, r3])
    for found in both(points, ends, radius, np.full(3, size), [0], tolerance=1e-7):
        np.testing.assert_allclose(found[:2], [t1, t2], rtol=2e-7)
        assert found[2] == pytest.approx(t1 + run.t[-1], rel=1e-6)


# ---- the stored references -----------------------------------------------------------------------


def stored(name):
    return np.load(DATA / f"{name}.npz")


def same(found, names, data, key, rtol):
    for name, value in zip(names, found, strict=True):
        # times at a given uptake are read off a cubic between steps: coarser than events
        limit = 10 * rtol if name == "time_at" else rtol
        np.testing.assert_allclose(value, data[f"{key}/{name}"], rtol=limit, err_msg=name)


@pytest.mark.parametrize("seed", [0, 1])
def test_stored_random_graphs(seed):
    small = sorted(range(GRAPHS), key=lambda s: len(random_graph(s).ends))[seed]
    same(random_reference(small), RANDOM, stored("random"), small, 1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(GRAPHS))
def test_all_stored_random_graphs(seed):
    same(random_reference(seed), RANDOM, stored("random"), seed, 1e-8)


@pytest.mark.slow
@pytest.mark.parametrize("name", general_cases())
def test_stored_general_cases_do_not_depend_on_the_tolerance(name):
    """Recomputed ten times more loosely and with another start: the same to 2e-6."""
    found = general_reference(general_cases()[name], tolerance=1e-6, start=3e-7)
    same(found, GENERAL, stored("general"), name, 2e-6)


@pytest.mark.slow
@pytest.mark.parametrize("side", [8, 12])
def test_stored_lattices(side):
    fresh, data = reference(side), stored(f"lattice_{side}")
    for key in ("radius", "filled_at", "time_at"):
        np.testing.assert_allclose(fresh[key], data[key], rtol=1e-8, err_msg=key)
