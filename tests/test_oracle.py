"""The oracles themselves, against closed forms and against scipy's stiff integrator."""

from __future__ import annotations

import numpy as np
import oracle
import oracle_march
import pytest
from oracle_curves import Curve, measured
from oracle_data import (
    GAMMA_COS,
    SPACING,
    VISCOSITY,
    cubic,
)
from oracle_graphs import GUM, THIN
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


# ---- junction bodies -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ratio", "angles"),
    [
        (1.0, (60.0, None)),
        (1.5, (60.0, 20.0)),
        (2.0, (60.0, None)),
        pytest.param(1.0, (60.0, 20.0), marks=pytest.mark.slow),
        pytest.param(1.5, (60.0, None), marks=pytest.mark.slow),
        pytest.param(2.0, (60.0, 20.0), marks=pytest.mark.slow),
    ],
)
def test_a_body_fills_under_its_own_suction(ratio, angles):
    """Tube, body, tube: V times resistance over 2 gamma cos / R, and all later by that."""
    r1, r2, size = 20e-6, 12e-6, 1e-3
    points, ends = chain([size, size])
    ball = ratio * r1
    body = np.array([0.0, 4 / 3 * np.pi * ball**3, 0.0])
    wait = body[1] * 8 * MU * size / (np.pi * r1**4) / (2 * GC / ball)
    fluid = Fluid(0.072, angles[0], MU, receding=angles[1])
    args = (points, ends, np.array([r1, r2]), np.full(2, size), [0], fluid)
    without = oracle_march.soak(*args, tolerance=1e-7)
    found = oracle_march.soak(*args, tolerance=1e-7, body=body)
    assert found.filled_at[0] == pytest.approx(without.filled_at[0], rel=1e-9)
    assert found.body_filled_at[1] - found.filled_at[0] == pytest.approx(wait, rel=1e-7)
    assert found.filled_at[1] - without.filled_at[1] == pytest.approx(wait, rel=1e-5)
    assert found.uptake[-1] == pytest.approx(without.uptake[-1] + body[1], rel=1e-6)


def test_a_body_rests_while_a_narrow_tube_draws():
    """A stem, then a narrow tube and a short wide one with a body beyond.

    The narrow one's suction holds the fork below what the body needs: nothing enters it until that
    is weak enough; from then on the body keeps its own pressure.
    """
    stem, narrow, wide, size = 10e-6, 4e-6, 9e-6, 1e-3
    points = np.array([[0, 0, 0], [0, 0, size], [size, 0, size], [0, size, size]])
    ends, radius = np.array([[0, 1], [1, 2], [1, 3]]), np.array([stem, narrow, wide])
    ball, short = 60e-6, 2e-5
    body = np.array([0, 0, 0, 4 / 3 * np.pi * ball**3])
    args = (points, ends, radius, np.array([size, size, short]), [0], STANDARD)
    found = oracle_march.soak(*args, tolerance=1e-7, body=body)
    path = 8 * MU / np.pi * (size * stem**-4 + short * wide**-4)
    alone = body[3] * path * ball / (2 * GC)
    turn, full = found.filled_at[2], found.body_filled_at[3]
    assert found.wetted_at[3] == turn
    assert full > turn + alone
    at = np.array([one[3] for one in found.pressure]) / (2 * GC / ball)
    waits = (found.time >= turn) & (at < -1 - 1e-9)
    fills = (found.time > found.time[waits].max()) & (found.time < full)
    assert waits.sum() > 5 and np.ptp(at[waits]) > 0.1
    np.testing.assert_allclose(at[fills], -1.0, rtol=1e-9)
    # what the waiting cost: nothing but that, once the narrow tube is full
    assert full <= max(found.time[waits].max(), found.filled_at[1]) + alone * (1 + 1e-7)


# ---- flow curves ---------------------------------------------------------------------------------


@pytest.mark.parametrize("waist", [1.0, 0.4])
def test_a_power_law_as_a_curve_flows_as_the_closed_form(waist):
    """Three points on a straight line in ln-ln are a power law, whatever the interpolant."""
    rate = np.array([1.0, 7.0, 300.0])
    curve = Curve("MeasuredFlow", (rate, 0.05 * rate**-0.4))
    plain, general = Fluid(0.052, 48.0, 0.05, 0.6), Fluid(0.052, 48.0, 1.0, curve=curve)
    shape = [np.array([v]) for v in (2e-5, 1e-4, waist, 0.0)]
    j = np.array([0])
    for x in (1e-6, 3e-5, 8e-5, 1e-4):
        for drop in (1e-3, 1.0, 3000.0, 1e5):
            a, b = (
                Tubes(f, *shape).flow(j, np.array([x]), np.array([drop])) for f in (plain, general)
            )
            np.testing.assert_allclose(b, a, rtol=1e-6 if waist < 1 and x < 1e-4 else 1e-9)


@pytest.mark.parametrize(
    ("law", "arguments", "stress", "rate"),
    [
        ("Carreau", (0.05, 0.001, 1.0, 0.5), 0.1, 3.294367494e-13),
        ("Carreau", (0.05, 0.001, 1.0, 0.5), 10.0, 5.665530927e-10),
        ("Cross", (0.05, 0.001, 0.5, 0.76), 1.0, 5.385598200e-11),
        ("Cross", (0.05, 0.001, 0.5, 0.76), 10.0, 8.924215933e-10),
    ],
)
def test_tube_flow_of_cross_and_carreau(law, arguments, stress, rate):
    """Weissenberg-Rabinowitsch-Mooney, worked out by two other integrals (10 digits): r = 50 um."""
    s, slope = Curve(law, arguments).shear(np.array([stress, stress * (1 + 1e-6)]))
    assert s[0] * np.pi * 125e-15 == pytest.approx(rate, rel=1e-9)
    assert (s[1] - s[0]) / (stress * 1e-6) == pytest.approx(slope[0], rel=1e-5)


def test_measured_curve_of_the_oracle():
    """Through every point, rising, and its flow by plain quadrature over the stress."""
    log_stress, x = measured(*GUM)
    np.testing.assert_allclose(np.exp(log_stress(x)[0]), GUM[0] * GUM[1], rtol=1e-14)
    at = np.linspace(x[0] - 5, x[-1] + 5, 5001)
    value, index = log_stress(at)
    assert index.min() > 0.1
    np.testing.assert_allclose(np.gradient(value, at)[1:-1], index[1:-1], atol=2e-3)
    curve = Curve("MeasuredFlow", GUM)
    for end in (0.5, 50.0, 2e4):  # 1/s at the wall
        wall = float(np.exp(log_stress(np.log(end))[0]))

        def part(y, wall=wall):
            z, n = log_stress(y)
            return np.exp(3 * z + y) * n / wall**3

        ends = [np.log(end) - 40, *x[x < np.log(end)], np.log(end)]
        keys = {"epsrel": 1e-12, "epsabs": 0}
        total = sum(quad(part, *p, **keys)[0] for p in zip(ends[:-1], ends[1:], strict=True))
        assert curve.shear(np.array([wall]))[0][0] == pytest.approx(total, rel=1e-9)


def test_straight_tube_of_a_curve():
    """dt = pi r^2 dx / Q(x) by quadrature."""
    curve = Curve("Carreau", (0.3, 0.0015, 0.05, 0.4))
    fluid, length, r = Fluid(0.072, 60.0, 1.0, curve=curve), 5e-3, 20e-6
    suction = 2 * GC / r

    def slowness(x):
        return 1 / (r * curve.shear(np.array([suction * r / (2 * x)]))[0][0])

    expected = quad(slowness, 0, length, epsrel=1e-10, limit=500)[0]
    points, ends = chain([length])
    found = oracle_march.soak(points, ends, r, length, [0], fluid, tolerance=1e-8)
    assert found.filled_at[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("law", ["Carreau", "MeasuredFlow"])
def test_waisted_flow_of_a_curve_loses_what_drives_it(law):
    """The flow put back into the local law gives the drop again (quadrature, bisection)."""
    curve = Curve(law, GUM if law == "MeasuredFlow" else (0.3, 0.0015, 0.05, 0.4))
    fluid, one = Fluid(0.052, 48.0, 1.0, curve=curve), np.array([0])
    tubes = Tubes(fluid, np.array([2e-5]), np.array([1e-4]), np.array([0.4]), np.zeros(1))

    def gradient(z, q):
        r = tubes.r(one, np.array([z]))[0]
        low, high = -50.0, 50.0
        for _ in range(100):
            mid = 0.5 * (low + high)
            over = shear(fluid, np.array([np.exp(mid)]))[0] > q / (np.pi * r**3)
            low, high = (low, mid) if over else (mid, high)
        return 2 * np.exp(mid) / r

    for x, drop in ((3e-5, 3000.0), (8e-5, 30.0), (1e-4, 3000.0)):
        q = tubes.flow(one, np.array([x]), np.array([drop]))[0][0]
        total = quad(gradient, 0, min(x, 5e-5), args=(q,), epsrel=1e-9)[0]
        total += quad(gradient, 5e-5, x, args=(q,), epsrel=1e-9)[0] if x > 5e-5 else 0.0
        assert total == pytest.approx(drop, rel=1e-7)


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
