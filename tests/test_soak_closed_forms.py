"""The soak of one tube and of tubes in series against closed forms, at accuracy 1e-4.

Standard tube: 0.072 N/m, 60 degrees, 1 mPa s, 1000 kg/m3, g = 9.80665 m/s2. Numbers are worked
out from the formula of the source named at each test; 1e-6 relative is asked of a network solve.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.special import lambertw

import poresim as ps

GAMMA, ANGLE, MU, RHO, G = 0.072, 60.0, 1e-3, 1000.0, 9.80665
GC = 0.036  # gamma cos(theta)
TOLERANCE = 1e-6
DOWN = (0.0, 0.0, -G)


def liquid(law=None):
    law = ps.Newtonian(MU) if law is None else law
    return ps.Liquid(viscosity=law, surface_tension=GAMMA, contact_angle_deg=ANGLE, density=RHO)


def line(radius, length, waist=1.0, direction=(0.0, 0.0, 1.0)):
    """Tubes in series along a direction, entered at junction 0."""
    radius = np.atleast_1d(np.asarray(radius, float))
    place = np.concatenate([[0.0], np.cumsum(np.broadcast_to(length, radius.shape))])
    points = place[:, None] * np.asarray(direction) / np.linalg.norm(direction)
    k = np.arange(len(radius))
    return ps.Network(points, np.stack([k, k + 1], 1), radius, np.diff(place), waist=waist)


def soak(solid, fluid=None, **keys):
    keys = {"inlet": [0], "accuracy": 1e-4, "until_s": 1e9} | keys
    return ps.soak(solid, liquid() if fluid is None else fluid, **keys)


def reached(radius, time, length, fluid=None, **keys):
    """Length wetted in one straight tube after a time, m."""
    result = soak(line(radius, length, **keys.pop("tube", {})), fluid, until_s=time, **keys)
    assert result.time_s[-1] == pytest.approx(time, rel=1e-12)
    return result.uptake_m3[-1] / (np.pi * radius**2)


# ---- Newtonian: Lucas 1918, Kolloid-Z 23:15; Washburn 1921, Phys Rev 17:273 ------------------


@pytest.mark.parametrize(("time", "expected"), [(1.0, 13.416407865e-3), (10.0, 42.4264068712e-3)])
def test_washburn_length(time, expected):
    assert reached(10e-6, time, 0.1) == pytest.approx(expected, rel=TOLERANCE)


def test_washburn_time_to_ten_millimetres():
    result = soak(line(10e-6, 10e-3))
    assert result.filled_at_s[0] == pytest.approx(0.5555555556, rel=TOLERANCE)
    assert result.ending.name == "FULL"


@pytest.mark.parametrize("pieces", [2, 7, 40])
def test_equal_tubes_in_series_are_one_tube(pieces):
    """Washburn at every junction, whatever the number of pieces."""
    result = soak(line(np.full(pieces, 10e-6), 20e-3 / pieces))
    x = 20e-3 * np.arange(1, pieces + 1) / pieces
    expected = 2 * MU * x**2 / (GC * 10e-6)
    np.testing.assert_allclose(result.filled_at_s, expected, rtol=TOLERANCE)
    np.testing.assert_allclose(result.wetted_at_s[1:], expected, rtol=TOLERANCE)
    assert result.wetted_at_s[0] == 0.0


def test_tube_fed_from_its_other_end():
    """A tube entered at end 1 behaves as one entered at end 0 (Washburn)."""
    solid = ps.Network([[0, 0, 0.01], [0, 0, 0]], [[0, 1]], 10e-6)
    assert soak(solid, inlet=[1]).filled_at_s[0] == pytest.approx(0.5555555556, rel=TOLERANCE)


def test_tube_fed_from_both_ends_fills_in_a_quarter_of_the_time():
    """Two menisci meet in the middle: Washburn over half the length (symmetry)."""
    result = soak(line(10e-6, 10e-3), inlet=[0, 1])
    assert result.filled_at_s[0] == pytest.approx(0.5555555556 / 4, rel=TOLERANCE)


@pytest.mark.parametrize("law", [ps.Newtonian(MU), ps.PowerLaw(3e-3, 0.7), ps.Bingham(0.05, MU)])
def test_menisci_that_go_unlike_ways_meet_when_they_do(law):
    """One rises, one sinks: both by their own ODE (scipy), until the tube is full."""
    radius, length = 100e-6, 50e-3
    solid = line(radius, length)
    filled = soak(solid, liquid(law), inlet=[0, 1], gravity=DOWN).filled_at_s[0]

    def rates(_, square):  # of x^2: the speed has no bound at the mouth
        x = np.sqrt(np.maximum(square, 1e-16))
        push = 2 * GC / radius + RHO * G * np.array([-x[0], x[1]])
        stress = push * radius / (2 * x)
        flow = np.array([law.tube_flow_rate(u, radius, x_) for u, x_ in zip(push, x, strict=True)])
        assert np.all(stress > getattr(law, "yield_stress", 0.0))
        return 2 * x * flow / (np.pi * radius**2)

    def met(_, square):
        return np.sum(np.sqrt(square)) - length

    met.terminal = True
    way = solve_ivp(rates, (0, 10), [1e-16, 1e-16], "DOP853", events=met, rtol=1e-11, atol=1e-20)
    assert filled == pytest.approx(way.t_events[0][0], rel=TOLERANCE)


# ---- two tubes in series: quasi-steady Poiseuille, as in Reyssat et al. 2008, JFM 615:335 -----
# (source from memory; the numbers follow from the formula)


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
    size = 5e-3
    formula = (2 * MU / GC) * (size**2 / r1 + size**2 / r2 + 2 * size**2 * r2**3 / r1**4)
    assert formula == pytest.approx(expected, rel=1e-8)
    result = soak(line([r1, r2], size))
    assert result.filled_at_s[1] == pytest.approx(formula, rel=TOLERANCE)
    assert result.filled_at_s[0] == pytest.approx(2 * MU * size**2 / (GC * r1), rel=TOLERANCE)


# ---- cones: source as above -------------------------------------------------------------------


def cone_time(r0, r1, length=10e-3):
    alpha = (r1 - r0) / length
    return 4 * MU / (3 * alpha**2 * GC) * ((r1**4 - r0**4) / (4 * r0**3) - (r1 - r0))


def test_cone_numbers():
    assert cone_time(10e-6, 5e-6) == pytest.approx(0.393518519, rel=1e-8)
    assert cone_time(5e-6, 10e-6) == pytest.approx(2.037037037, rel=1e-8)


@pytest.mark.parametrize(("r0", "r1"), [(10e-6, 5e-6), (5e-6, 10e-6)])
def test_many_segments_converge_to_the_cone(r0, r1):
    """Second order in the segment length, and the extrapolation agrees (its own error is 1e-7)."""
    counts, times = np.array([20, 40, 80]), []
    for count in counts:
        middle = r0 + (r1 - r0) * (np.arange(count) + 0.5) / count
        times.append(soak(line(middle, 10e-3 / count)).filled_at_s[-1])
    error = np.array(times) / cone_time(r0, r1) - 1
    order = np.log2(error[:-1] / error[1:])
    assert np.all(np.abs(order - 2) < 0.1), (error, order)
    assert abs(error[-1]) < 1e-3
    better = times[2] + (times[2] - times[1]) / 3
    assert better == pytest.approx(cone_time(r0, r1), rel=2e-6)


R, WAIST, LONG = 10e-6, 0.5, 20e-3
BETA = np.arctan(R * (1 - WAIST) / (LONG / 2))


def waisted_time(x):
    """Time to wet x of the waisted tube, by quadrature of the two cones (1e-12)."""
    slope = R * (1 - WAIST) / (LONG / 2)

    def r(z):
        return R - slope * min(z, LONG - z)

    def resistance(z):  # integral of r^-4 from the mouth
        first = (r(min(z, LONG / 2)) ** -3 - R**-3) / (3 * slope)
        return first if z <= LONG / 2 else first + ((R * WAIST) ** -3 - r(z) ** -3) / (3 * slope)

    def speed_inverse(z):  # dt/dx = A * resistance / drive
        bend = -BETA if z < LONG / 2 else BETA
        drive = 2 * GAMMA * np.cos(np.radians(ANGLE) + bend) / r(z)
        return np.pi * r(z) ** 2 * 8 * MU / np.pi * resistance(z) / drive

    parts = [(0, min(x, LONG / 2))] + ([(LONG / 2, x)] if x > LONG / 2 else [])
    return sum(quad(speed_inverse, *part, epsrel=1e-12, epsabs=0)[0] for part in parts)


def test_first_half_of_a_waisted_tube_is_the_closing_cone():
    """The 10 to 5 um cone, with the drive of the half-opening: cos(theta - beta)."""
    time = cone_time(10e-6, 5e-6) * 0.5 / np.cos(np.radians(ANGLE) - BETA)
    assert waisted_time(LONG / 2) == pytest.approx(time, rel=1e-10)
    result = soak(line(R, LONG, WAIST), until_s=time)
    frustum = np.pi * (LONG / 2) * (R**2 + R * R * WAIST + (R * WAIST) ** 2) / 3
    assert result.uptake_m3[-1] == pytest.approx(frustum, rel=TOLERANCE)


def test_whole_waisted_tube():
    """The second half opens, with the first half upstream: quadrature of both cones."""
    result = soak(line(R, LONG, WAIST))
    # the drive is held over each step: the accuracy asked for holds, not more
    assert result.filled_at_s[0] == pytest.approx(waisted_time(LONG), rel=1e-4)


def test_waisted_tube_stops_at_its_waist_when_the_angle_leaves_no_suction():
    """cos(theta + half-opening) < 0: the meniscus stays at the waist (common geometry)."""
    solid = ps.Network([[0, 0, 0], [0, 0, 1e-4]], [[0, 1]], 30e-6, waist=0.3)
    wetting = ps.Liquid(
        viscosity=ps.Newtonian(MU), surface_tension=GAMMA, contact_angle_deg=70.0, density=RHO
    )
    assert 70 + np.degrees(np.arctan(30e-6 * 0.7 / 50e-6)) > 90
    result = soak(solid, wetting, until_s=100.0)
    assert np.isnan(result.filled_at_s[0])
    assert result.ending.name == "STOPPED"
    assert result.uptake_m3[-1] == pytest.approx(solid.tube_volume[0] / 2, rel=TOLERANCE)


# ---- gravity: Jurin 1718; Fries & Dreyer 2008, J Colloid Interface Sci 320:259 (from memory) --

WIDE = 100e-6
A, B = GAMMA * WIDE * 0.5 / (4 * MU), RHO * G * WIDE**2 / (8 * MU)


def rise(time, sine=1.0):
    b = B * sine
    return (A / b) * (1 + lambertw(-np.exp(-1 - b * b * time / A)).real)


def test_jurin_height():
    height = A / B
    assert height == pytest.approx(73.4195673344e-3, rel=1e-10)
    assert reached(WIDE, 250.0, 0.1, gravity=DOWN) == pytest.approx(A / B, rel=TOLERANCE)


def test_jurin_height_fills_no_longer_tube():
    result = soak(line(WIDE, 73.5e-3), gravity=DOWN, until_s=5000.0)
    assert np.isnan(result.filled_at_s[0])
    result = soak(line(WIDE, 73.3e-3), gravity=DOWN, until_s=5000.0)
    time = (A / B**2) * (-np.log1p(-73.3e-3 * B / A) - 73.3e-3 * B / A)
    assert result.filled_at_s[0] == pytest.approx(time, rel=TOLERANCE)


@pytest.mark.parametrize(
    ("time", "millimetres"),
    [
        (1, 34.678943525),
        (5, 59.1923337942),
        (10, 67.938974146),
        (20, 72.4489655798),
        (60, 73.4183626546),
    ],
)
def test_rise_against_gravity(time, millimetres):
    assert rise(time) * 1e3 == pytest.approx(millimetres, rel=1e-9)
    assert reached(WIDE, time, 0.1, gravity=DOWN) == pytest.approx(rise(time), rel=TOLERANCE)


@pytest.mark.parametrize("time", [1.0, 10.0])
def test_rise_in_pieces(time):
    """Ten tubes in series rise as one (1.6 of the same source)."""
    result = soak(line(np.full(10, WIDE), 0.01), gravity=DOWN, until_s=time)
    # one tube is exact; in ten, pressures bend within a step: the accuracy asked for holds
    assert result.uptake_m3[-1] / (np.pi * WIDE**2) == pytest.approx(rise(time), rel=1e-4)


@pytest.mark.parametrize("degrees", [30.0, 60.0, -40.0])
def test_rise_in_a_tilted_tube(degrees):
    tilt = np.radians(degrees)
    way = (np.cos(tilt), 0.0, np.sin(tilt))
    for time in (1.0, 4.0):
        x = reached(WIDE, time, 0.6, gravity=DOWN, tube={"direction": way})
        if degrees > 0:
            expected = rise(time, np.sin(tilt))
        else:  # running down: dx/dt = a / x + b |sin| has the same form, other branch of W
            b = B * np.sin(-tilt)
            expected = -(A / b) * (1 + lambertw(-np.exp(-1 - b * b * time / A), -1).real)
        assert x == pytest.approx(expected, rel=TOLERANCE)


@pytest.mark.parametrize(
    ("t_star", "h_star"),
    [
        (0.1, 0.383183168208),
        (0.5, 0.698290437316),
        (1.0, 0.841405660437),
        (2.0, 0.947530902542),
    ],
)
def test_rise_without_units(t_star, h_star):
    x = reached(WIDE, t_star * A / B**2, 0.1, gravity=DOWN)
    assert x * B / A == pytest.approx(h_star, rel=TOLERANCE)


def test_time_to_ninety_per_cent_of_the_height():
    result = soak(line(WIDE, 0.9 * A / B), gravity=DOWN)
    assert result.filled_at_s[0] * B**2 / A == pytest.approx(1.40258509299, rel=TOLERANCE)


# ---- power law: Rabinowitsch-Mooney and quasi-steady flow -------------------------------------


@pytest.mark.parametrize(
    ("n", "millimetres"),
    [(1.0, 6.0), (0.8, 10.4762075216), (0.5, 31.4488967305), (0.3, 84.9465429352)],
)
def test_power_law_length(n, millimetres):
    fluid = liquid(ps.PowerLaw(0.05, n))
    x = reached(10e-6, 10.0, 0.1, fluid)
    assert x * 1e3 == pytest.approx(millimetres, rel=TOLERANCE)


@pytest.mark.parametrize("n", [0.8, 0.5, pytest.param(0.3, marks=pytest.mark.slow)])
def test_power_law_slope_in_pieces(n):
    """Equal tubes in series: length grows as t^(n / (n + 1))."""
    result = soak(line(np.full(4, 10e-6), 2e-3), liquid(ps.PowerLaw(0.05, n)))
    slope = np.diff(np.log(np.arange(1, 5))) / np.diff(np.log(result.filled_at_s))
    np.testing.assert_allclose(slope, n / (n + 1), rtol=1e-4)  # the accuracy asked for


@pytest.mark.parametrize(("r1", "r2"), [(10e-6, 5e-6), (5e-6, 10e-6)])
def test_power_law_in_two_tubes(r1, r2, n=0.6, k=0.05, size=2e-3):
    """Losses of both tubes added, quadrature over the second (Rabinowitsch-Mooney)."""

    def loss(radius, length):  # of Q^n
        return 2 * k * ((3 * n + 1) / (n * np.pi)) ** n * length * radius ** (-3 * n - 1)

    def slowness(x):
        q = (2 * GC / r2 / (loss(r1, size) + loss(r2, x))) ** (1 / n)
        return np.pi * r2**2 / q

    first = (3 * n + 1) / (n + 1) / r1 * (k / GC) ** (1 / n) * size ** ((n + 1) / n)
    second = quad(slowness, 0, size, epsrel=1e-12)[0]
    result = soak(line([r1, r2], size), liquid(ps.PowerLaw(k, n)))
    assert result.filled_at_s[0] == pytest.approx(first, rel=TOLERANCE)
    # a power law sees more than the pressure's integral: the accuracy asked for holds
    assert result.filled_at_s[1] == pytest.approx(first + second, rel=1e-4)


# ---- yield stress: Herschel & Bulkley 1926; Buckingham 1921, Reiner 1926; stop length of
# imbibition from the force balance (Kim & Choi 2024, J Fluid Mech) -----------------------------


def yielding_flow(ty, k, n, radius, stress):
    over = stress - ty
    if over <= 0:
        return 0.0
    bracket = over**2 / (3 + 1 / n) + 2 * ty * over / (2 + 1 / n) + ty**2 / (1 + 1 / n)
    return np.pi * radius**3 * over ** (1 + 1 / n) / (k ** (1 / n) * stress**3) * bracket


def yielding_time(ty, k, n, radius, length):
    def slowness(x):
        return np.pi * radius**2 / yielding_flow(ty, k, n, radius, GC / x)

    return quad(slowness, 0, length, epsrel=1e-12, epsabs=0, limit=400)[0]


LAWS = {
    "bingham": (1.0, 5e-3, 1.0),
    "yield 1 Pa": (1.0, 0.05, 0.5),
    "pudding": (5.0, 0.05, 0.6),
}


def law_of(ty, k, n):
    return ps.Bingham(ty, k) if n == 1.0 else ps.HerschelBulkley(ty, k, n)


def test_flow_formula_of_this_file():
    """Published form against a value worked out by quadrature (R = 50 um), and Buckingham."""
    assert yielding_flow(0.5, 0.1, 0.5, 50e-6, 2.0) == pytest.approx(1.50483515292e-11, rel=1e-9)
    plain = np.pi * (50e-6) ** 3 * 2.0 / (4 * 0.1)
    for phi, factor in ((0.25, 0.66796875), (0.5, 0.354166667)):
        flow = yielding_flow(2 * phi, 0.1, 1.0, 50e-6, 2.0)
        assert flow / plain == pytest.approx(factor, rel=1e-8)


@pytest.mark.parametrize(
    ("share", "name"),
    [
        *((share, "bingham") for share in (0.3, 0.9, 0.99)),
        (0.3, "yield 1 Pa"),
        (0.99, "pudding"),
        pytest.param(0.9, "yield 1 Pa", marks=pytest.mark.slow),
        pytest.param(0.99, "yield 1 Pa", marks=pytest.mark.slow),
        pytest.param(0.3, "pudding", marks=pytest.mark.slow),
        pytest.param(0.9, "pudding", marks=pytest.mark.slow),
    ],
)
def test_yield_stress_time_to_a_share_of_the_stop_length(share, name):
    ty, k, n = LAWS[name]
    length = share * GC / ty
    result = soak(line(20e-6, length), liquid(law_of(ty, k, n)))
    expected = yielding_time(ty, k, n, 20e-6, length)
    assert result.filled_at_s[0] == pytest.approx(expected, rel=TOLERANCE)


@pytest.mark.parametrize(
    ("radius", "ty", "stop"),
    [
        (5e-6, 0.1, 0.36),
        (40e-6, 5.0, 7.2e-3),
        pytest.param(5e-6, 1.0, 36e-3, marks=pytest.mark.slow),
        pytest.param(5e-6, 5.0, 7.2e-3, marks=pytest.mark.slow),
        pytest.param(40e-6, 0.1, 0.36, marks=pytest.mark.slow),
        pytest.param(40e-6, 1.0, 36e-3, marks=pytest.mark.slow),
    ],
)
def test_stop_length_whatever_the_radius(radius, ty, stop):
    """gamma cos(theta) / yield stress; the last stretch is crept into ever more slowly."""
    fluid = liquid(ps.HerschelBulkley(ty, 0.05, 0.5))
    time = yielding_time(ty, 0.05, 0.5, radius, 0.9999 * stop)
    result = soak(line(radius, 1.001 * stop), fluid, until_s=1e6 * time, snapshots=[time])
    assert time in result.time_s  # a step ends there
    x = np.interp(time, result.time_s, result.uptake_m3) / (np.pi * radius**2)
    assert x == pytest.approx(0.9999 * stop, rel=TOLERANCE)
    x = result.uptake_m3[-1] / (np.pi * radius**2)
    assert np.isnan(result.filled_at_s[0])
    assert 0.9999 * stop < x <= stop * (1 + TOLERANCE)


def test_stop_length_in_pieces():
    """Five equal tubes in series stop where one would: inside the fourth."""
    stop = 7.2e-3
    solid = line(np.full(5, 10e-6), stop / 3.5)
    time = yielding_time(5.0, 0.05, 0.6, 10e-6, 0.999 * stop)
    result = soak(solid, liquid(ps.HerschelBulkley(5.0, 0.05, 0.6)), until_s=time)
    x = result.uptake_m3[-1] / (np.pi * 10e-6**2)
    assert x == pytest.approx(0.999 * stop, rel=TOLERANCE)
    assert np.isnan(result.filled_at_s).tolist() == [False] * 3 + [True] * 2
