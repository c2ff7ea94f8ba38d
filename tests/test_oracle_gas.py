"""The oracle of trapped air against closed forms, quadrature and scipy. All values are invented.

Boyle: p V is kept at one temperature. Young and Laplace: 2 gamma cos(theta) / r across a meniscus.
Washburn 1921, Phys Rev 17:273: quasi-steady Poiseuille flow in the wet part.
"""

from __future__ import annotations

import networkx as nx
import numpy as np
import oracle_march
import pytest
from oracle_gas import soak
from oracle_graphs import THIN, random_graph
from oracle_tubes import Fluid
from scipy.integrate import quad, solve_ivp

P0, GC, MU = 101325.0, 0.036, 1e-3  # gas outside, Pa; 0.072 N/m at 60 degrees; 1 mPa s
STANDARD = Fluid(0.072, 60.0, MU)
CAUGHT = Fluid(0.052, 48.0, 1.2e-3, receding=20.0, density=1005.0)
SIZE, R = 1e-2, 10e-6
PC = 2 * GC / R
ONE = np.array([[0.0, 0, 0], [0, 0, SIZE]]), np.array([[0, 1]]), R, SIZE


# ---- one tube ------------------------------------------------------------------------------------


@pytest.mark.parametrize("receding", [None, 20.0])
def test_a_closed_tube_stops_where_boyle_balances_the_meniscus(receding):
    """x / L = Pc / (P0 + Pc); t = integral of 8 mu x / (r^2 (Pc - p(x))) dx, p = P0 x / (L - x)."""
    fluid = Fluid(0.072, 60.0, MU, receding=receding)
    found = soak(*ONE, [0], fluid, vents=(), at=(1e-5, 1e-3, 1e-2, 0.1))
    end = found.states[-1]
    assert end.x[0] / SIZE == pytest.approx(PC / (P0 + PC), rel=1e-9)
    assert end.x[0] / SIZE == pytest.approx(0.0663441603, rel=1e-9)
    for state in found.states[:-1]:
        took, _ = quad(
            lambda x: 8 * MU * x / (R**2 * (PC - P0 * x / (SIZE - x))), 0, state.x[0], epsrel=1e-12
        )
        x = state.x[0]
        speed = R**2 * (PC - P0 * x / (SIZE - x)) / (8 * MU * x)
        assert abs(took - state.time) * speed < 3e-9 * SIZE
        assert state.gas_pressure[0] == pytest.approx(P0 * state.x[0] / (SIZE - state.x[0]))
    assert np.isnan(found.filled_at[0]) and found.lost_pv[-1] == 0


def test_a_closed_waisted_tube():
    """The same with a cone's r, volume and slope; the end by bisection."""
    waist, size = 0.7, 1e-3
    points, ends = ONE[0] * 0.1, ONE[1]
    steep = R * (1 - waist) / (size / 2)
    whole = np.pi * R**2 * size * (1 + waist + waist**2) / 3

    def pressures(x):  # before the waist
        r = R - steep * x
        wet = np.pi * x * (R * R + R * r + r * r) / 3
        return 2 * 0.072 * np.cos(np.pi / 3 - np.arctan(steep)) / r, P0 * wet / (whole - wet)

    low, high = 0.0, size / 2
    for _ in range(60):
        x = 0.5 * (low + high)
        pull, p = pressures(x)
        low, high = (x, high) if pull > p else (low, x)
    found = soak(points, ends, R, size, [0], STANDARD, vents=(), waist=waist, at=(1e-5, 2e-4))
    assert found.states[-1].x[0] == pytest.approx(x, rel=1e-9)

    def slowness(x):
        r = R - steep * x
        loss = 8 * MU / np.pi * (r**-3 - R**-3) / (3 * steep)
        pull, p = pressures(x)
        return np.pi * r * r * loss / (pull - p)

    for state in found.states[:2]:
        took, _ = quad(slowness, 0, state.x[0], epsrel=1e-12)
        assert abs(took - state.time) / slowness(state.x[0]) < 3e-9 * size


def test_gas_between_two_equal_reservoirs():
    """Both menisci at (1 - P0 / (P0 + Pc)) / 2 of the length, though every junction is open."""
    found = soak(*ONE, [0, 1], STANDARD)
    share = 0.5 * (1 - P0 / (P0 + PC))
    np.testing.assert_allclose(found.states[-1].x / SIZE, share, rtol=1e-9)
    assert found.gas_pv[-1] == pytest.approx(P0 * np.pi * R**2 * SIZE, rel=1e-12)


def test_a_bubble_drifts_to_the_lower_pressure_and_leaves():
    """Until the mouth by solve_ivp in s = sqrt(t); then Washburn under the difference alone."""
    more = 1000.0

    def speed(s, x):
        p = P0 * SIZE / (SIZE - x.sum()) - P0
        return s * R**2 / (4 * MU * x) * (np.array([more, 0.0]) + PC - p)

    def out(s, x):
        return x[1] - 1e-9

    out.terminal = True
    start = 1e-7 * np.sqrt(R**2 / (4 * MU) * (PC + np.array([more, 0.0])))
    run = solve_ivp(speed, (1e-7, 1), start, "LSODA", events=out, rtol=1e-10, atol=1e-18)
    x, first = run.y[0, -1], run.t[-1] ** 2
    last = R**2 * more / (8 * MU * (x + 1e-9))  # speed of the rest of its way
    found = soak(*ONE, [0, 1], STANDARD, inlet_pressure=[more, 0.0], at=(2.0,), tolerance=1e-8)
    mouth = next(t for t, what, _ in found.log if what == "mouth")
    assert mouth == pytest.approx(first + 1e-9 / last, rel=2e-6)
    area = np.pi * R**2
    k = int(np.argmax(found.lost_pv > 0))
    left = found.gas_pv[k] / area  # it drops at once to what the mouth holds
    assert left == pytest.approx((P0 + PC) * (SIZE - x - 1e-9), rel=1e-8)
    assert found.gas_pv[k - 1] == pytest.approx(P0 * SIZE * area, rel=1e-12)
    rate = R**2 * more / (4 * MU)
    middle = found.states[0]
    assert middle.gas_pressure[0] == pytest.approx(PC, rel=1e-12)
    x0 = SIZE - left / (P0 + PC)
    assert middle.x[0] == pytest.approx(np.sqrt(x0**2 + rate * (2.0 - mouth)), rel=1e-8)
    assert found.filled_at[0] == pytest.approx(mouth + (SIZE**2 - x0**2) / rate, rel=1e-8)
    assert found.lost_pv[-1] == pytest.approx(P0 * SIZE * area, rel=1e-10)


# ---- two tubes -----------------------------------------------------------------------------------

WIDE, NARROW = 30e-6, 8e-6


def closed_block(head):
    """A wide and a narrow tube from reservoirs to one junction that is no vent."""
    points = SIZE * np.array([[0, 0, 0], [0.1, 0, 0], [0, 0, 1.0]])
    ends, radius = np.array([[0, 2], [1, 2]]), np.array([WIDE, NARROW])
    more = {"vents": (), "inlet_pressure": [0.0, head], "tolerance": 1e-8, "at": (0.3, 0.6)}
    return soak(points, ends, radius, SIZE, [0, 1], STANDARD, **more)


@pytest.mark.parametrize("head", [0.0, 500.0])
def test_the_narrow_tube_pushes_gas_out_by_the_wide_one(head):
    """By hand. Until the wide meniscus is back: two equations, by solve_ivp in s = sqrt(t).

    Then bubbles leave at p = 2 gamma cos / wide, and x^2 grows by r^2 (head + pn - pw) / (4 mu) in
    the narrow tube. Once it is full its junction is wet and what is in the wide one is enclosed:
    with no head it is held at both ends alike, for good; a head drives it out at p = pw.
    """
    radius = np.array([WIDE, NARROW])
    pull, area = 2 * GC / radius, np.pi * radius**2
    whole = area.sum() * SIZE

    def speed(s, x):
        p = P0 * whole / (whole - area @ x) - P0
        return s * radius**2 / (4 * MU * x) * ([0, head] + pull - p)

    def back(s, x):
        return x[0] - 1e-9

    back.terminal, back.direction = True, -1
    start = 1e-7 * np.sqrt(radius**2 / (4 * MU) * ([0, head] + pull))
    run = solve_ivp(speed, (1e-7, 3), start, "LSODA", events=back, rtol=1e-10, atol=1e-18)
    found = closed_block(head)
    mouth = next(t for t, what, slot in found.log if what == "mouth" and slot == 0)
    x, s = run.y[:, -1], run.t[-1]
    last = speed(s, x)[0] / (2 * s)  # of the rest of its way
    assert mouth == pytest.approx(s * s - 1e-9 / last, rel=1e-6)
    rate = NARROW**2 * (head + pull[1] - pull[0]) / (4 * MU)
    first, second = found.states[:2]
    assert first.x[2] == pytest.approx(np.sqrt(run.y[1, -1] ** 2 + rate * (0.3 - mouth)), rel=2e-6)
    assert second.x[2] ** 2 - first.x[2] ** 2 == pytest.approx(rate * 0.3, rel=1e-8)
    assert first.x[0] == 0 and first.bubbling.all()
    np.testing.assert_allclose(second.gas_pressure, pull[0], rtol=1e-12)
    arrives = 0.3 + (SIZE**2 - first.x[2] ** 2) / rate
    assert found.filled_at[1] == pytest.approx(arrives, rel=1e-8)
    end = found.states[-1]
    if head == 0:
        np.testing.assert_array_equal(end.full, [False, True])
        np.testing.assert_array_equal(end.x, 0.0)
        assert end.gas_pressure[0] == pytest.approx(pull[0], rel=1e-12)
        left = (P0 + pull[0]) * area[0] * SIZE
    else:
        # A dx (L / n^4 + x / w^4) 8 mu / pi = head dt
        loss = SIZE**2 * (NARROW**-4 + 0.5 * WIDE**-4) * 8 * MU * WIDE**2
        assert found.filled_at[0] - arrives == pytest.approx(loss / head, rel=1e-7)
        left = 0.0
    assert found.lost_pv[-1] == pytest.approx(P0 * whole - left, rel=1e-9)


@pytest.mark.parametrize("receding", [None, 45.0])
def test_gas_leaves_through_the_full_tube_that_holds_it(receding):
    """Reservoir - narrow tube - J - wide tube - D - reservoir at a head; no vents.

    The narrow tube is full first. Then the other one presses gas against the wide tube's mouth at
    J, which is held until p = 2 gamma cos(receding) / narrow; then p stays, and x^2 in the other
    tube grows by r^2 (head + p_c - p) / (4 mu).
    """
    fluid = Fluid(0.072, 60.0, MU, receding=receding)
    radius = np.array([NARROW, 20e-6, 12e-6])
    length = np.array([0.02, 1.0, 1.0]) * SIZE
    points = np.array([[0, 0, 0], [0, 0, length[0]], [0, 0, 1.02 * SIZE], [0, 0, 2.02 * SIZE]])
    ends, head = np.array([[0, 1], [1, 2], [3, 2]]), 16e3
    more = {"vents": (), "inlet_pressure": [0.0, head], "tolerance": 1e-8}
    found = soak(points, ends, radius, length, [0, 3], fluid, until=0.12, at=(0.05, 0.1), **more)
    hold = 0.144 * np.cos(np.radians(60.0 if receding is None else receding)) / NARROW
    opens = next(t for t, what, _ in found.log if what == "leaks")
    assert 0 < found.filled_at[0] < opens < 0.05
    np.testing.assert_allclose(found.lost_pv[found.time < opens], 0, atol=1e-10 * found.gas_pv[0])
    a, b, _ = found.states
    assert a.x[2] == 0 and a.bubbling.all()
    np.testing.assert_allclose(a.gas_pressure[1:], hold, rtol=1e-12)
    rate = radius[2] ** 2 * (head + 2 * GC / radius[2] - hold) / (4 * MU)
    assert b.x[4] ** 2 - a.x[4] ** 2 == pytest.approx(0.05 * rate, rel=1e-8)


# ---- graphs --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fluid", "waist"),
    [
        (THIN, 1.0),
        (CAUGHT, 1.0),
        pytest.param(THIN, 0.7, marks=pytest.mark.slow),
    ],
)
def test_a_tree_of_vents_goes_as_in_free_air(fluid, waist):
    """Nothing is ever enclosed: the oracle of free air says the same."""
    rng = np.random.default_rng(11)
    count = 7
    parent = np.array([rng.integers(max(0, k - 3), k) for k in range(1, count)])
    ends = np.stack([parent, np.arange(1, count)], 1)
    ends[::2] = ends[::2, ::-1]
    points = rng.random((count, 3)) * 1e-3
    radius = 15e-6 * np.exp(0.5 * rng.standard_normal(count - 1))
    length = 300e-6 * np.exp(0.4 * rng.standard_normal(count - 1))
    args = points, ends, radius, length, [0], fluid
    free = oracle_march.soak(*args, waist=waist, tolerance=1e-7)
    found = soak(*args, waist=waist)
    np.testing.assert_allclose(found.filled_at, free.filled_at, rtol=1e-6)
    assert found.gas_pv.max() == 0 and found.lost_pv[-1] == 0
    assert found.uptake[-1] == pytest.approx(free.uptake[-1], rel=1e-9)


def kept(found, whole):
    """Moles are those of the start until gas leaves, and what is there and what left add up."""
    assert (np.diff(found.gas_pv) <= 1e-12 * P0 * whole).all()
    np.testing.assert_allclose(found.gas_pv + found.lost_pv, P0 * whole, rtol=1e-10)
    leaves = next((t for t, what, _ in found.log if what in ("bubble", "leaks")), np.inf)
    for state in found.states:
        there = np.nansum((P0 + state.gas_pressure) * state.gas_volume)  # of V and p alone
        assert there == pytest.approx(state.pv.sum(), rel=1e-10)
        if state.time < leaves:
            assert there == pytest.approx(P0 * whole, rel=1e-10)
    before = found.time < leaves
    np.testing.assert_allclose(found.gas_pv[before], P0 * whole, rtol=1e-10)
    return leaves


def energy(g, state, fluid):
    """J, of wetted walls and of trapped gas; gas at one temperature, reservoirs at 0 Pa."""
    wet = g.length * np.pi * g.radius**2 - state.gas_volume
    walls = -(2 * fluid.gamma * np.cos(np.radians(fluid.angle)) / g.radius * wet).sum()
    volume = np.bincount(state.pocket[state.pocket >= 0], state.gas_volume[state.pocket >= 0])
    return walls + (P0 * volume - state.pv * np.log(volume / g.volume.sum())).sum()


@pytest.mark.parametrize(
    "seed", [5, *(pytest.param(s, marks=pytest.mark.slow) for s in (16, 2, 3, 6, 7))]
)
def test_moles_are_kept_and_energy_falls(seed):
    """Without vents; energy while no gas leaves and pockets are the same."""
    g = random_graph(seed, 7)
    at = np.geomspace(1e-6, 1e-3, 12)
    found = soak(
        g.points,
        g.ends,
        g.radius,
        g.length,
        g.inlet,
        THIN,
        vents=(),
        at=at,
        until=2e-3,
        tolerance=1e-6,
    )
    leaves = kept(found, g.volume.sum())
    same = [s for s in found.states if s.time < leaves and not s.full.any()]
    values = [energy(g, s, THIN) for s in same]
    assert len(values) > 3
    assert (np.diff(values) <= 1e-12 * np.ptp(values)).all()


def threshold(state, g, vents, own, hold):
    """By reachability (networkx), for every pocket: the least value at which gas finds out."""
    node, tube = g.ends.ravel(), np.repeat(np.arange(len(g.ends)), 2)
    wet = ~np.isnan(state.pressure)
    inlet = np.zeros(len(g.points), bool)
    inlet[g.inlet] = True
    slots = wet[node] & ~state.full[tube]
    air = np.isin(np.arange(len(g.points)), vents) & wet
    air[node[slots & (state.pocket[tube] == -1)]] = True
    values = np.full(len(state.pv), np.inf)
    links = [
        (i, j, max(state.pressure[i], state.pressure[j]) + hold[t])
        for t in np.flatnonzero(state.full)
        for i, j in (g.ends[t], g.ends[t][::-1])
    ]
    back = slots & (state.x == 0) & ~state.moving
    for slot in np.flatnonzero(back & (state.pocket[tube] >= 0)):
        i, least = node[slot], state.pressure[node[slot]] + own[slot]
        for value in sorted({least, 0.0, *state.pressure[inlet], *(c for *_, c in links)}):
            out = {k for k in range(len(g.points)) if (inlet[k] and state.pressure[k] <= value)}
            out |= {k for k in np.flatnonzero(air) if value >= 0}
            graph = nx.DiGraph([(a, b) for a, b, cost in links if cost <= value])
            graph.add_node(i)
            if value >= least and ({i} | nx.descendants(graph, i)) & out:
                k = state.pocket[tube[slot]]
                values[k] = min(values[k], value)
                break
    return values


RANDOM = [
    (5, THIN, (2,)),
    *(
        pytest.param(seed, fluid, vents, marks=pytest.mark.slow)
        for seed in (1, 2, 3, 6)
        for fluid in (THIN, CAUGHT)
        for vents in ((), (0, 5), None)
    ),
]


@pytest.mark.parametrize(("seed", "fluid", "vents"), RANDOM)
def test_random_graphs_come_to_rest(seed, fluid, vents):
    """At the end no meniscus has a drive that would move it, and no pocket is above its threshold.

    Without heads all wet junctions end at 0 Pa: nothing flows in full tubes. Thresholds are worked
    out again, at every time, by reachability.
    """
    g = random_graph(seed, 7)
    args = g.points, g.ends, g.radius, g.length, g.inlet, fluid
    found = soak(*args, vents=vents, at=(1e-4, 1e-3, 1e-2), tolerance=1e-5)
    scale = 2 * fluid.gamma / g.radius.min()
    back = fluid.angle if fluid.receding is None else fluid.receding
    own = 2 * fluid.gamma * np.cos(np.radians(back)) / g.radius
    pull = 2 * fluid.gamma * np.cos(np.radians(fluid.angle)) / g.radius
    open_to = np.setdiff1d(np.arange(len(g.points)), g.inlet) if vents is None else np.array(vents)
    for state in found.states:
        limit = threshold(state, g, open_to, np.repeat(own, 2), own)
        np.testing.assert_allclose(limit, state.threshold, atol=1e-9 * scale)
        p = state.gas_pressure[[np.flatnonzero(state.pocket == k)[0] for k in range(len(limit))]]
        assert (p <= limit + 1e-9 * scale).all()
        np.testing.assert_allclose(p[state.bubbling], limit[state.bubbling], atol=1e-9 * scale)
    end = found.states[-1]
    np.testing.assert_allclose(end.pressure[~np.isnan(end.pressure)], 0.0, atol=1e-7 * scale)
    t = np.repeat(np.arange(len(g.ends)), 2)
    slots = ~np.isnan(end.pressure[g.ends.ravel()]) & ~end.full[t]
    forward, backward = (d[t] - end.gas_pressure[t] for d in (pull, own))
    assert (forward[slots] <= 1e-7 * scale).all()
    assert (backward[slots & (end.x > 0)] >= -1e-7 * scale).all()
    assert slots.any() or end.full.all()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_the_tolerance_does_not_matter(seed):
    """A hundred times closer: volumes to 1e-5 of a tube."""
    g = random_graph(20 + seed, 10)
    fluid, waist = (THIN, CAUGHT)[seed % 2], (1.0, 0.7)[seed // 2 % 2]
    args = g.points, g.ends, g.radius, g.length, g.inlet, fluid
    more = {"vents": (3,), "waist": waist, "at": (1e-4, 1e-3, 1e-2, 0.1), "until": 1.0}
    loose, close = (soak(*args, **more, tolerance=tolerance) for tolerance in (1e-5, 1e-7))
    for a, b in zip(loose.states, close.states, strict=True):
        np.testing.assert_allclose(a.gas_volume / g.volume, b.gas_volume / g.volume, atol=1e-5)
        np.testing.assert_array_equal(a.full, b.full)
