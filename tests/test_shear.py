"""The wall shear rates of a soak: closed forms, quadrature, plain numpy, energy."""

from __future__ import annotations

import collections
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import cumulative_trapezoid, quad
from scipy.optimize import brentq

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.tube.filled import wetted_flow
from poresim.uptake import shear
from poresim.uptake.begin import build_state
from poresim.uptake.march import march
from poresim.uptake.observe import Course
from poresim.uptake.result import Ending
from poresim.uptake.state import PASSING, State

LENGTH, RADIUS = 0.01, 1e-5
TUBE = ps.Network([[0, 0, 0], [0, 0, LENGTH]], [[0, 1]], radius=RADIUS)
WATER = ps.Newtonian(1e-3)
GUM = ps.PowerLaw(0.1, 0.5)
SAUCE = ps.HerschelBulkley(2.0, 0.02, 0.6)
CURVE = ps.Carreau(0.05, 1e-3, 0.01, 0.4)
LAWS = [WATER, GUM, SAUCE, CURVE]


def liquid(law, angle=60.0, **more):
    return ps.Liquid(law, 0.072, angle, 1000.0, **more)


def block(cells: int, waist: float = 1.0) -> ps.Network:
    edge = cells * 1e-4
    spec = SolidSpec((edge,) * 3, "cubic", Lognormal(RADIUS, 0.4), 1e-4, waist=waist)
    return ps.build_solid(spec, 3)


def rate_at(law, stress: float) -> float:
    """Shear rate at a stress: the flow law itself, turned round."""

    def over(log_rate: float) -> float:
        return math.log(float(law.shear_stress(math.exp(log_rate))) / stress)

    return math.exp(brentq(over, math.log(1e-9), math.log(1e14)))


def whole(law, accuracy: float = 1e-3):
    """A soak that ends just before the tube is full."""
    full = ps.soak(TUBE, liquid(law), [0], until_saturation=1.0, accuracy=accuracy)
    until = float(full.filled_at_s[0]) * (1 - 1e-9)
    return ps.soak(TUBE, liquid(law), [0], until_s=until, accuracy=accuracy)


def test_water_in_one_tube_is_sheared_as_the_closed_form_says():
    """The drive is constant, so the work is even in x; g = gamma cos(theta) / (mu x), 3600 1/s at
    10 mm whatever the radius (computed by hand)."""
    soak = whole(WATER)
    assert_allclose(soak.wall_shear_rate(), 3600 / np.array([0.9, 0.5, 0.1]), rtol=0.05)
    assert_allclose(soak.wall_shear_rate([0.3, 0.7]), 3600 / np.array([0.7, 0.3]), rtol=0.05)
    assert soak.shear_share.sum() == pytest.approx(1.0)
    work = 2 * 0.072 * 0.5 / RADIUS * soak.uptake_m3[-1]
    assert soak.dissipated_j == pytest.approx(work, rel=0.01)
    assert soak.effective_viscosity(WATER) == 1e-3


@pytest.mark.parametrize("law", LAWS)
def test_any_liquid_in_one_tube(law):
    """Wall stress gamma cos(theta) / x, work even in x, the rate by the law itself.

    Sampled at steps of 15 % of time, rates stand 10 % apart or more where the liquid thins.
    """
    soak = whole(law)
    expected = [rate_at(law, 0.072 * 0.5 / (share * LENGTH)) for share in (0.9, 0.5, 0.1)]
    local = math.log(expected[2] / expected[0]) / math.log(9.0)  # rates over stresses
    assert_allclose(soak.wall_shear_rate(), expected, rtol=0.05 * local)
    middle = float(law.apparent_viscosity(expected[1]))
    assert soak.effective_viscosity(law) == pytest.approx(middle, rel=0.05 * local)


def reduced_flow(law, stress: float) -> float:
    """s at a wall stress by quadrature: the integral of tau^2 rate(tau), over tw^3."""
    start = getattr(law, "yield_stress", 0.0)
    value, _ = quad(lambda t: t * t * rate_at(law, t), start * (1 + 1e-9), stress, epsrel=1e-8)
    return value / stress**3


@pytest.mark.parametrize("law", [WATER, GUM, SAUCE])
def test_a_waisted_full_tube_against_quadrature(law):
    """Dissipation per length Q 2 tw / r along the cones, both alike, at a given flow."""
    waist, drop = 0.4, 2e5
    length = 1e-4
    solid = ps.Network([[0, 0, 0], [0, 0, length]], [[0, 1]], radius=RADIUS, waist=waist)
    power = full_tube(solid, law, drop)
    stresses = np.geomspace(2.1 if law is SAUCE else 1e-2, 3e5, 300)
    flows = [reduced_flow(law, float(t)) for t in stresses]
    r = RADIUS * np.linspace(waist, 1.0, 2001)

    def along(log_flow: float) -> np.ndarray:
        return np.exp(np.interp(log_flow - 3 * np.log(r), np.log(flows), np.log(stresses)))

    def over(log_flow: float) -> float:
        slope = RADIUS * (1 - waist) / (0.5 * length)
        return 2 * np.trapezoid(2 * along(log_flow) / r, r) / slope - drop

    log_flow = brentq(over, -60.0, -5.0)  # ln of Q / pi
    stress = along(log_flow)
    assert power.sum() == pytest.approx(math.pi * math.exp(log_flow) * drop, rel=2e-3)
    share = cumulative_trapezoid((stress / r)[::-1], -r[::-1], initial=0.0)
    low = np.interp([0.9, 0.5, 0.1], share / share[-1], r[::-1])  # radius by share from the mouth
    expected = [rate_at(law, float(np.interp(x, r, stress))) for x in low]
    cum = np.concatenate([[0.0], np.cumsum(power)]) / power.sum()
    found = np.exp(np.interp([0.9, 0.5, 0.1], cum, np.log(shear.edges())))
    assert_allclose(found, expected, rtol=0.05)


def look(state: State, until: float, turn: int = 0) -> np.ndarray:
    power = np.zeros(shear.BINS)
    shear.add_dissipation(
        state.law, state.wetting, state.tubes, state.junctions, state.graph, state.shapes,
        state.log, until, turn, power,
    )  # fmt: skip
    return power


def full_tube(solid: ps.Network, law, drop: float) -> np.ndarray:
    """Dissipation in a tube that lies full between two reservoirs."""
    state = build_state(solid, liquid(law), np.array([0, 1]), np.zeros(3), 1e-3, 0)
    tube = state.tubes[0]
    rate, _ = wetted_flow(
        state.law, drop, tube["length"], tube["radius"], tube["length"], tube["waist"]
    )
    state.junctions["pressure"][:2] = drop, 0.0
    state.graph.flow[:], state.graph.slot[0], tube["live"] = rate / drop, PASSING, 0
    return look(state, 3.0)


def plain(state: State, law, solid: ps.Network, until: float) -> tuple[np.ndarray, np.ndarray]:
    """(wall shear rate, dissipation) of every tube and meniscus, straight ones, by numpy.

    Full tubes by the drop over them, menisci by what they are booked to take.
    """
    junctions, graph, slots = state.junctions, state.graph, state.slots
    pressure = junctions["pressure"]
    near = np.repeat(np.arange(solid.junctions), np.diff(graph.first.astype(int)))
    full = (graph.flow != 0) & (graph.far > near) & (graph.slot[graph.ring] == PASSING)
    tube = graph.ring[full]
    head = graph.bore["head"][full] if len(graph.tangent) else graph.lift[full]
    drop = pressure[near[full]] - pressure[graph.far[full]] + head
    flows = [np.abs(law.tube_flow_rate(drop, solid.radius[tube], solid.length[tube]))]
    shares, runs, radii = [np.ones(len(tube))], [solid.length[tube]], [solid.radius[tube]]
    index = getattr(law, "index", 1.0)
    some = slots[slots["live"] == 1]
    area = np.pi * some["radius"] ** 2
    for x, other, v in ((some["x0"], some["x1"], "v0"), (some["x1"], some["x0"], "v1")):
        way = np.clip(some[v] / area, -x, some["length"] - other - x)
        moves = (way != 0) & (until > some["start"])
        time = (until - some["start"])[moves]
        at = (x + np.outer((np.arange(4) + 0.5) / 4, way))[:, moves]
        slow = at ** (1 / index)  # of each quarter of the way
        spent = time * slow / slow.sum(axis=0)
        flow = np.abs((area * way)[moves]) / 4 / spent
        flows.append(flow.ravel())
        shares.append((spent / time).ravel())
        runs.append(at.ravel())
        radii.append(np.tile(some["radius"][moves], 4))
    flow, share, run, radius = map(np.concatenate, (flows, shares, runs, radii))
    rate = np.maximum(flow / (math.pi * radius**3) * (3 + 1 / index), 1e-30)
    return rate, share * flow * 2 * law.shear_stress(rate) * run / radius


@pytest.mark.parametrize("law", [WATER, ps.PowerLaw(0.01, 0.7)])
@pytest.mark.parametrize("cells", [3, 15])
def test_a_network_at_one_moment_against_plain_numpy(monkeypatch, law, cells):
    """Of a large one each look takes some: all of them together are the whole."""
    solid = block(cells)
    turns, seen = 1, []

    def keep(self: shear.Shear, now: float, until: float) -> None:
        nonlocal turns
        state = self._state
        if np.count_nonzero(state.junctions["wet"]) < 0.3 * solid.junctions or seen:
            return
        turns = math.lcm(
            1 + solid.junctions // shear._ROWS, 1 + len(state.slots_by_half[0]) // shear._SLOTS
        )
        seen.extend(look(state, until, turn) for turn in range(turns))
        seen.append(plain(state, law, solid, until))

    monkeypatch.setattr(shear.Shear, "look", keep)
    run_to(solid, law, until_saturation=0.5, gravity=(0.0, 0.0, -500.0))
    rate, work = seen.pop()
    assert (turns > 1) == (cells == 15)
    found = sum(seen) / turns
    if turns > 1:
        assert not np.allclose(seen[0], seen[1], rtol=0.01)
    expected, _ = np.histogram(np.clip(rate, 2e-6, 9e11), shear.edges(), weights=work)
    if isinstance(law, ps.PowerLaw) and cells == 15:  # tangents serve for some change of the flow
        assert found.sum() == pytest.approx(expected.sum(), rel=0.02)
        return
    assert_allclose(np.cumsum(found), np.cumsum(expected), rtol=1e-6, atol=1e-6 * expected.sum())


@pytest.mark.parametrize(
    ("law", "apart", "within"),
    [
        *((law, 1.0, 0.01) for law in LAWS),
        *(
            pytest.param(law, None, 0.06, marks=[pytest.mark.slow] * (k > 1))
            for k, law in enumerate(LAWS)
        ),
    ],
)
def test_what_is_dissipated_is_what_menisci_gave(monkeypatch, law, apart, within):
    """Level, straight, from zero pressure: the sum of suction times volume over all menisci.

    To 1 % if every step is looked at; power jumps at events, and looks 15 % of the time apart miss
    some.
    """
    if apart is not None:
        monkeypatch.setattr(shear, "_GROWN", apart)
    solid = block(2)
    course = run_to(solid, law, until_saturation=0.8)
    assert course.result().dissipated_j == pytest.approx(given(course, solid), rel=within)


def test_in_waisted_tubes_too():
    """Suction 2 gamma cos(theta -+ b)/r up to the waist and past it, times pi r^2 dx."""
    solid = block(2, 0.5)
    course = run_to(solid, WATER, until_saturation=0.6)
    state, half = course._state, 0.5 * solid.length
    lean = np.arctan(0.5 * solid.radius / half)
    way = np.zeros((2, solid.tubes))
    full = np.isfinite(state.log.filled_at)
    way[:, full] = np.array([state.log.met, 1 - state.log.met])[:, full] * solid.length[full]
    some = state.slots[state.slots["live"] == 1]
    way[:, some["number"]] = some["x0"], some["x1"]
    narrowing = np.minimum(way, half)
    mean = solid.radius * (1 - 0.25 * narrowing / half)  # radii from the mouth on, and back
    beyond = way - narrowing
    widening = solid.radius * (0.5 + 0.25 * beyond / half)
    pull = 2 * np.pi * 0.072
    work = pull * np.sum(
        np.cos(np.radians(60) - lean) * narrowing * mean
        + np.cos(np.radians(60) + lean) * beyond * widening
    )
    assert course.result().dissipated_j == pytest.approx(work, rel=0.03)


@pytest.mark.parametrize("law", LAWS)
def test_with_many_events_a_step_about_so(law):
    """What fills within a step then counts by the pressures before: 6 % instead of 2 %."""
    solid = block(15)
    course = run_to(solid, law, until_saturation=0.6)
    soak = course.result()
    assert soak.steps < solid.tubes / 15
    assert soak.dissipated_j == pytest.approx(given(course, solid), rel=0.06)


def run_to(solid: ps.Network, law, **more) -> Course:
    course, *_ = collections.deque(
        march(solid, liquid(law), solid.faces["bottom"], accuracy=1e-2, **more), maxlen=1
    )
    return course


def given(course: Course, solid: ps.Network) -> float:
    """Work that the menisci have done, J."""
    slots = course._state.slots
    volume = np.where(np.isfinite(course._state.log.filled_at), solid.tube_volume, 0.0)
    some = slots[slots["live"] == 1]
    volume[some["number"]] = np.pi * some["radius"] ** 2 * (some["x0"] + some["x1"])
    return float(np.sum(2 * 0.072 * 0.5 / solid.radius * volume))


def test_a_curve_measured_too_slowly_is_told():
    """Water by a curve to 100 1/s: all the work lies above; to 7200 1/s, where half is done."""

    def measured(last: float):
        rates = np.geomspace(0.1, last, 8)
        law = ps.MeasuredFlow(rates, np.full(8, 1e-3))
        return whole(law, 1e-2).extrapolated_share(law)

    assert measured(100.0) == (0.0, pytest.approx(1.0, abs=1e-9))
    assert measured(7200.0) == (0.0, pytest.approx(0.5, abs=0.04))
    assert measured(1e9)[1] < 1e-3
    assert np.isnan(whole(WATER, 1e-2).extrapolated_share(WATER)).all()
    fast = ps.MeasuredFlow([1e6, 1e7, 1e8], [1e-3] * 3)
    assert whole(fast, 1e-2).extrapolated_share(fast)[0] > 0.98


@pytest.mark.parametrize("angle", [120.0, 60.0])
def test_where_nothing_flows_there_is_no_rate(angle):
    """A liquid that does not wet; and one that can go nowhere."""
    solid = TUBE if angle > 90 else ps.Network([[0, 0, 0], [0, 0, 1], [0, 1, 1]], [[1, 2]], RADIUS)
    soak = ps.soak(solid, liquid(GUM, angle), [0], until_s=1.0)
    assert soak.ending in (Ending.STOPPED, Ending.NO_PATH)
    assert not soak.shear_share.any()
    assert soak.dissipated_j == 0.0
    assert np.isnan(soak.wall_shear_rate()).all()
    assert math.isnan(soak.effective_viscosity(GUM))
    law = ps.MeasuredFlow([1.0, 10.0, 100.0], [0.1, 0.1, 0.1])
    assert np.isnan(soak.extrapolated_share(law)).all()


@pytest.mark.parametrize(("cells", "waist", "grains"), [(2, 0.5, True), (15, 1.0, False)])
def test_to_look_changes_nothing(monkeypatch, cells, waist, grains):
    solid = block(cells, waist)
    more = {"particles": ps.Particles(0.02, np.array([8e-6]))} if grains else {}

    def soak():
        return ps.soak(
            solid, liquid(GUM, **more), solid.faces["bottom"], until_saturation=0.1, accuracy=0.05
        )

    watched = soak()
    assert np.isfinite(watched.wall_shear_rate()).all()
    monkeypatch.setattr(shear.Shear, "look", lambda *_: None)
    blind = soak()
    assert not blind.shear_share.any()
    for name in ("time_s", "uptake_m3", "front_m", "filled_at_s", "pressure_pa"):
        np.testing.assert_array_equal(getattr(blind, name), getattr(watched, name))
