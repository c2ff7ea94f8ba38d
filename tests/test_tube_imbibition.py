"""A meniscus in a straight tube under a constant drive, against closed forms and an ODE solver."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import poresim as ps
from poresim.tube.law import flow_law, reduced_flow
from poresim.tube.straight import straight_advance, straight_time

# the standard tube: water-like liquid at 60 degrees in a 10 um tube
TENSION, COSINE, RADIUS, ETA = 0.072, 0.5, 10e-6, 1e-3
DRIVE = 2 * TENSION * COSINE / RADIUS

LAWS = {
    "newtonian": ps.Newtonian(1e-3),
    "power": ps.PowerLaw(0.05, 0.5),
    "thickening": ps.PowerLaw(0.002, 1.4),
    "bingham": ps.Bingham(1.0, 2e-3),
    "yielding": ps.HerschelBulkley(0.5, 0.1, 0.5),
    "strongly thinning": ps.HerschelBulkley(0.02, 0.3, 0.3),
    "cross": ps.Cross(0.3, 1.5e-3, 0.4, 0.7),
    "carreau": ps.Carreau(2.0, 1e-3, 5.0, 0.35),
    "measured": ps.MeasuredFlow([0.2, 3.0, 40.0, 300.0, 5000.0], [0.9, 0.3, 0.06, 0.02, 0.005]),
    "with plateaus": ps.MeasuredFlow([0.2, 3.0, 40.0, 300.0], [0.9, 0.3, 0.06, 0.02], 1e-3, 2.0),
}
every_law = pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())


def test_lucas_washburn():
    """Lucas 1918 Kolloid-Z 23:15; Washburn 1921 Phys Rev 17:273."""
    water = flow_law(ps.Newtonian(ETA))
    for time, mm in ((1.0, 13.416407865), (10.0, 42.4264068712)):
        x, _ = straight_advance(water, 0.0, DRIVE, RADIUS, time)
        assert x * 1e3 == pytest.approx(mm, rel=1e-10)
    assert straight_time(water, 0.0, 10e-3, DRIVE, RADIUS) == pytest.approx(0.5555555556, rel=1e-9)


@pytest.mark.parametrize(
    ("index", "mm"),
    [(1.0, 6.0), (0.8, 10.4762075216), (0.5, 31.4488967305), (0.3, 84.9465429352)],
)
def test_power_law_imbibition(index, mm):
    """L = [(n+1)/(3n+1) r t]^(n/(n+1)) (gamma cos/K)^(1/(n+1)) (quasi-steady)."""
    gum = flow_law(ps.PowerLaw(0.05, index))
    x, _ = straight_advance(gum, 0.0, DRIVE, RADIUS, 10.0)
    assert x * 1e3 == pytest.approx(mm, rel=1e-10)
    later, _ = straight_advance(gum, 0.0, DRIVE, RADIUS, 1000.0)
    assert math.log(later / x, 100.0) == pytest.approx(index / (index + 1), rel=1e-10)


@pytest.mark.parametrize(("ty", "metres"), [(0.01, 3.6), (0.1, 0.36), (1.0, 0.036), (5.0, 0.0072)])
@pytest.mark.parametrize("index", [0.4, 1.0])
def test_stop_length(ty, metres, index):
    """Force balance: flow stops at gamma cos/ty whatever the radius (cf. Kim & Choi 2024 JFM)."""
    liquid = flow_law(ps.HerschelBulkley(ty, 0.05, index))
    for radius in (2e-6, 10e-6, 40e-6):
        drive = 2 * TENSION * COSINE / radius
        stop = drive * radius / (2 * ty)
        assert stop == pytest.approx(metres, rel=1e-12)
        before = 0.0
        for time in 10.0 ** np.arange(-6, 19):
            x, slope = straight_advance(liquid, 0.0, drive, radius, time)
            assert before <= x <= stop
            assert slope >= 0
            before = x
        assert x > 0.999 * stop
        assert straight_time(liquid, 0.0, 1.000001 * stop, drive, radius) == math.inf
        assert straight_advance(liquid, 1.01 * stop, drive, radius, 10.0) == (1.01 * stop, 0.0)


@every_law
def test_many_small_steps_equal_one(law):
    """The step is exact for any length of time."""
    fluid = flow_law(law)
    for signs in ((1.0,), (-1.0,)):
        drive = signs[0] * 5000.0
        start = 1e-6 if drive > 0 else 3e-3
        whole = 0.05 if drive > 0 else 0.01
        x = start
        for _ in range(1000):
            x, _ = straight_advance(fluid, x, drive, RADIUS, whole / 1000)
        once, _ = straight_advance(fluid, start, drive, RADIUS, whole)
        assert x == pytest.approx(once, rel=1e-9)


@every_law
@pytest.mark.parametrize("drive", [4000.0, -4000.0])
def test_against_an_ode_solver(law, drive):
    """dx/dt = R s(u R/(2x)), integrated by scipy's DOP853 at 1e-12."""
    fluid = flow_law(law)
    radius, start = 15e-6, 4e-4
    speed = radius * reduced_flow(fluid, abs(drive) * radius / (2 * start))[0]
    time = (3.0 if drive > 0 else 0.15) * start / speed

    def rate(_: float, x: np.ndarray) -> list[float]:
        s, _slope = reduced_flow(fluid, abs(drive) * radius / (2 * x[0]))
        return [math.copysign(radius * s, drive)]

    path = solve_ivp(rate, (0, time), [start], method="DOP853", rtol=1e-12, atol=1e-18)
    x, _ = straight_advance(fluid, start, drive, radius, time)
    assert x == pytest.approx(path.y[0, -1], rel=1e-10)


@every_law
def test_slope_against_finite_differences(law):
    fluid = flow_law(law)
    for drive in (3000.0, -3000.0):
        for start, moves in ((0.0, None), (1e-5, 1e-6), (1e-4, 0.01), (1e-3, 0.4), (1e-4, 50.0)):
            if start == 0.0:
                if drive < 0:
                    continue
                time = 0.01
            else:
                stress = abs(drive) * RADIUS / (2 * start)
                time = moves * start / (RADIUS * reduced_flow(fluid, stress)[0])
            x, slope = straight_advance(fluid, start, drive, RADIUS, time)
            if x == 0.0:
                assert slope == 0.0
                continue
            step = 1e-4 * drive
            two, ahead, behind, back = (
                straight_advance(fluid, start, drive + s * step, RADIUS, time)[0]
                for s in (2, 1, -1, -2)
            )
            found = (8 * (ahead - behind) - (two - back)) / (12 * step)
            # the difference of two positions carries their rounding, eps x / (u dx/du * 1e-4)
            rounding = 4e-15 * x / (abs(drive) * slope * 1e-4)
            assert slope == pytest.approx(found, rel=1e-6 + rounding)


@every_law
def test_time_is_the_inverse_of_advance(law):
    fluid = flow_law(law)
    for start in (0.0, 1e-5, 1e-3):
        for further in (1e-6, 1e-3, 0.1, 3.0):
            end = start * (1 + further) if start else 1e-3 * further
            time = straight_time(fluid, start, end, DRIVE, RADIUS)
            x, _ = straight_advance(fluid, start, DRIVE, RADIUS, time)
            # time is a difference: its rounding moves x by about 1e-13 of itself
            assert x == pytest.approx(end, rel=3e-13)
        assert straight_time(fluid, start, start, DRIVE, RADIUS) == 0.0
        assert straight_time(fluid, start, start + 1e-6, -DRIVE, RADIUS) == math.inf


@every_law
def test_position_never_falls_as_the_drive_grows(law):
    """What keeps the balance of flows convex; fine enough to see the noise of a table."""
    fluid = flow_law(law)
    for start, time in ((0.0, 0.1), (1e-4, 1e-3), (5e-4, 0.5), (2e-3, 1e-7)):
        for centre in (-2000.0, -1.0, 1.0, 500.0, 20000.0):
            drives = centre * (1 + np.linspace(-1e-7, 1e-7, 400))
            x = np.array(
                [straight_advance(fluid, start, u, RADIUS, time)[0] for u in sorted(drives)]
            )
            # a position read off the table of a yield-stress liquid is rounded at about 1e-14
            assert np.all(np.diff(x) >= -2e-14 * max(start, x.max()))
        wide = np.linspace(-30000.0, 30000.0, 1201)
        x = np.array([straight_advance(fluid, start, u, RADIUS, time)[0] for u in wide])
        assert np.all(np.diff(x) >= -2e-14 * max(start, x.max()))
        assert np.all(x >= 0)


def test_recedes_to_the_mouth_and_stays():
    """Newtonian: x^2 falls in proportion to time, and the tube is empty at 4 eta x^2/(R^2 |u|)."""
    water = flow_law(ps.Newtonian(ETA))
    empties = 4 * ETA * 1e-3**2 / (RADIUS**2 * 500.0)
    x, _ = straight_advance(water, 1e-3, -500.0, RADIUS, 0.75 * empties)
    assert x == pytest.approx(0.5e-3, rel=1e-12)
    for law in LAWS.values():
        assert straight_advance(flow_law(law), 1e-3, -5e5, RADIUS, 1e6) == (0.0, 0.0)
        assert straight_advance(flow_law(law), 0.0, -500.0, RADIUS, 1.0) == (0.0, 0.0)
        assert straight_advance(flow_law(law), 1e-3, 500.0, RADIUS, 0.0) == (1e-3, 0.0)
