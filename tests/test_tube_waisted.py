"""One meniscus in a waisted tube, against a stiff ODE; the looked-up flow, against the solved."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

import poresim as ps
from poresim.tube.filled import wetted_flow
from poresim.tube.law import flow_law
from poresim.tube.meniscus import advance, travel_time
from poresim.tube.waisted import with_waist
from poresim.tube.wetting import WETTING
from poresim.uptake.state import TUBE

ETA, GAMMA, ANGLE = 1.2e-3, 0.052, math.radians(48)
RADIUS, LENGTH, WAIST = 3e-5, 1e-4, 0.2
HALF = 0.5 * LENGTH
LEAN = math.atan(RADIUS * (1 - WAIST) / HALF)


def radius(s):
    return RADIUS * (WAIST + (1 - WAIST) * abs(s - HALF) / HALF)


def suction(s):
    """Young-Laplace in a cone: the angle to the axis is the contact angle -+ the half-opening."""
    return 2 * GAMMA * math.cos(ANGLE + (LEAN if s > HALF else -LEAN)) / radius(s)


def rate(s, drive):
    """Poiseuille, resistances of slices in series."""
    pieces = [quad(lambda x: 8 * ETA / (math.pi * radius(x) ** 4), 0, min(s, HALF))[0]]
    if s > HALF:
        pieces.append(quad(lambda x: 8 * ETA / (math.pi * radius(x) ** 4), HALF, s)[0])
    return drive / sum(pieces)


def ode(start, pressure, time):
    def speed(_, x):
        return [rate(x[0], pressure + suction(x[0])) / (math.pi * radius(x[0]) ** 2)]

    return solve_ivp(speed, (0, time), [start], method="LSODA", rtol=1e-10, atol=1e-16).y[0, -1]


@pytest.fixture(scope="module")
def tube():
    record = np.zeros(1, TUBE)[0]
    record["radius"], record["length"], record["waist"], record["leak"] = RADIUS, LENGTH, WAIST, 1
    return record


@pytest.fixture(scope="module")
def wetting():
    record = np.zeros(1, WETTING)[0]
    for way in ("advance", "recede"):
        record[f"{way}_cos"] = 2 * GAMMA * math.cos(ANGLE)
        record[f"{way}_sin"] = 2 * GAMMA * math.sin(ANGLE)
    return record


@pytest.mark.parametrize("start", [0.52, 0.7, 0.9])
@pytest.mark.parametrize("pressure", [-4000.0, -2500.0, -1200.0, -600.0, 500.0])
@pytest.mark.parametrize("time", [1e-5, 1e-3, 0.05])
def test_beyond_the_waist_a_meniscus_follows_its_ode(tube, wetting, start, pressure, time):
    """On, back, and to rest where suction and pressure meet; or on beyond the tube's end."""
    expected = ode(start * LENGTH, pressure, time)
    law = flow_law(ps.Newtonian(ETA))
    found, _ = advance(law, wetting, tube, 0.0, start * LENGTH, HALF, pressure, time)
    assert expected > HALF
    if expected < LENGTH:
        assert found == pytest.approx(expected, rel=1e-6)
    else:
        assert found >= LENGTH


def test_a_meniscus_stays_where_its_suction_meets_the_pressure(tube, wetting):
    law = flow_law(ps.Newtonian(ETA))
    found, slope = advance(law, wetting, tube, 0.0, 0.6 * LENGTH, HALF, -1500.0, 1e3)
    assert suction(found) == pytest.approx(1500.0, rel=1e-9)
    more, _ = advance(law, wetting, tube, 0.0, 0.6 * LENGTH, HALF, -1499.0, 1e3)
    assert more - found == pytest.approx(slope, rel=5e-3)


def test_up_to_the_waist_the_drive_is_held(tube, wetting):
    """The stated rule: the drive at the given place, spent on the cone's own resistance."""
    law = flow_law(ps.Newtonian(ETA))
    place, start, pressure, time = 0.3 * LENGTH, 0.1 * LENGTH, -4000.0, 2e-6
    drive = pressure + suction(place)
    speed = lambda _, x: [rate(x[0], drive) / (math.pi * radius(x[0]) ** 2)]  # noqa: E731
    expected = solve_ivp(speed, (0, time), [start], rtol=1e-10, atol=1e-16).y[0, -1]
    assert start < expected < HALF
    found, _ = advance(law, wetting, tube, 0.0, start, place, pressure, time)
    assert found == pytest.approx(expected, rel=1e-6)


def test_a_waist_that_widens_too_fast_stops_the_meniscus(wetting):
    """Beyond the waist the angle to the axis is above 90 degrees: cos(48 + 44) < 0."""
    wide = np.zeros(1, TUBE)[0]
    wide["radius"], wide["length"], wide["waist"], wide["leak"] = 6e-5, LENGTH, WAIST, 1
    law = flow_law(ps.Newtonian(ETA))
    assert advance(law, wetting, wide, 0.0, 0.0, 0.2 * LENGTH, 0.0, 10.0) == (HALF, 0.0)
    assert travel_time(law, wetting, wide, 0.0, 0.0, LENGTH, 0.2 * LENGTH, 0.0) == math.inf
    # and it stays, whatever way it came and however fast
    assert advance(law, wetting, wide, 0.0, HALF, HALF, 0.0, 10.0) == (HALF, 0.0)


@pytest.mark.parametrize("way", [-3000.0, -600.0, 400.0])
def test_place_rises_with_the_pressure(tube, wetting, way, rng):
    """What keeps the march's step convex."""
    law = flow_law(ps.Newtonian(ETA))
    for start in rng.uniform(0, LENGTH, 20):
        place = min(start, HALF)
        found = [
            advance(law, wetting, tube, 0.0, start, place, p, 1e-4)[0]
            for p in way + np.linspace(-500, 500, 41)
        ]
        assert np.all(np.diff(found) >= -1e-12 * LENGTH)


@pytest.mark.parametrize("index", [0.3, 0.5, 1.0])
@pytest.mark.parametrize("waist", [0.1, 0.2, 0.5, 0.9])
def test_looked_up_flow_is_the_solved_one(index, waist, rng):
    """To 1e-5, from a thousandth of the holding drop above it to a hundred thousand times it."""
    viscosity = ps.HerschelBulkley(0.03, 0.12, index)
    solved, looked_up = flow_law(viscosity), flow_law(viscosity)
    with_waist(looked_up, np.array([waist, 1.0]), 1e-4)
    assert looked_up.waist == waist and solved.waist == 0
    moving = 0
    for _ in range(400):
        x, r = LENGTH * rng.uniform(0.001, 1), 10 ** rng.uniform(-6, -4)
        drop = 2 * 0.03 * LENGTH / r * 10 ** rng.uniform(-3, 5)
        rate0, slope0 = wetted_flow(solved, drop, x, r, LENGTH, waist)
        rate1, slope1 = wetted_flow(looked_up, drop, x, r, LENGTH, waist)
        assert rate1 == pytest.approx(rate0, rel=1e-5)
        assert slope1 == pytest.approx(slope0, rel=3e-5)
        moving += rate0 > 0
    assert moving > 100


def test_several_waists_are_solved(rng):
    law = flow_law(ps.Bingham(0.1, 1e-3))
    with_waist(law, np.array([0.3, 0.5]), 1e-2)
    assert law.waist == 0
