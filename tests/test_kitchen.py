"""A draining cup and a falling sphere: closed forms, another integrator, and known tables."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from poresim.bench.drain import INLET, LAMINAR, Cup, Water, drain_time, drained
from poresim.bench.error import BenchError
from poresim.bench.pore_rates import missing, wall_rate, wall_stress
from poresim.bench.propagate import propagated
from poresim.bench.sphere import Fall, fallen, wall_drag
from poresim.liquid.laws import HerschelBulkley

G = 9.80665
CUP = Cup(radius=1e-3, length=20e-3, area=math.pi * 0.03**2, high=0.1, low=0.05)
WATER = Water(70.0, 0.1, 998.2, 1.0016e-3, 0.0728)


def test_creeping_flow_drains_by_poiseuilles_law():
    """t = 8 nu l A ln(h1 / h2) / (pi a^4 g) / a: exact where speed costs nothing."""
    nu = 0.05
    exact = 8 * nu * CUP.length * CUP.area * math.log(2) / (math.pi * CUP.radius**4 * G)
    assert drain_time(CUP, nu) == pytest.approx(exact, rel=1e-5)
    half = replace(CUP, length=2 * CUP.length)
    assert drain_time(half, nu) / drain_time(CUP, nu) == pytest.approx(2, rel=1e-5)


def test_long_tubes_drain_with_the_known_kinetic_term():
    """g h = 8 nu l v / a^2 + m v^2 with m = 1.125 (no inlet loss); Boussinesq's 1.12, Hagenbach.
    In closed form t = A / (pi a^2) (8 nu l / (a^2 g) ln(v1 / v2) + 2 m / g (v1 - v2))."""
    cup, nu = replace(CUP, length=0.05, low=0.06), 2e-5
    k, m = 8 * nu * cup.length / cup.radius**2, 1.125
    v = [(-k + math.sqrt(k * k + 4 * m * G * h)) / (2 * m) for h in (cup.high, cup.low)]
    closed = k / G * math.log(v[0] / v[1]) + 2 * m / G * (v[0] - v[1])
    closed *= cup.area / (math.pi * cup.radius**2)
    creeping = k / G * math.log(cup.high / cup.low) * cup.area / (math.pi * cup.radius**2)
    assert closed > 1.01 * creeping  # the term is seen
    assert drain_time(cup, nu, 0.0) == pytest.approx(closed, rel=2e-3)


def test_thin_liquids_drain_as_torricelli_says():
    """No friction: t = A / (pi a^2) sqrt(2 (1 + K) / g) (sqrt(h1) - sqrt(h2))."""
    cup = replace(CUP, length=1e-6)
    free = math.sqrt(2 * 1.2 / G) * (math.sqrt(cup.high) - math.sqrt(cup.low))
    free *= cup.area / (math.pi * cup.radius**2)
    assert drain_time(cup, 1e-6, 0.2) == pytest.approx(free, rel=0.01)


@pytest.mark.parametrize("nu", [1.5e-6, 1e-5, 1e-4])
def test_another_integrator_agrees(nu):
    """The surface followed in time, the speed from Shah's formula written anew."""

    def head(v):
        d = 2e-3
        reynolds = v * d / nu
        x = CUP.length / d / reynolds
        f = (
            3.44 / x**0.5 + (1.25 / (4 * x) + 16 - 3.44 / x**0.5) / (1 + 0.000212 * x**-2)
        ) / reynolds
        return v * v / 2 / G * (1 + INLET + 4 * f * CUP.length / d)

    def speed(h):
        return brentq(lambda v: head(v) - h, 1e-7, 5.0, xtol=1e-14)

    jet = 0.003
    emptied = lambda t, h: h[0] - CUP.low  # noqa: E731
    emptied.terminal = True
    got = solve_ivp(
        lambda t, h: [-speed(h[0] - jet) * math.pi * 1e-6 / CUP.area],
        (0, 1e5), [CUP.high], events=emptied, rtol=1e-9, atol=1e-12,
    )  # fmt: skip
    assert drain_time(CUP, nu, INLET, jet) == pytest.approx(got.t[-1], rel=1e-6)


def test_short_tubes_rub_as_plates_do_at_first():
    """Near the inlet a boundary layer grows as on a plate: twice the entrance's 3.44 sqrt(x) law,
    4 f l / D = 13.76 sqrt(l / (D Re)) (Shapiro, Siegel & Kline 1954; from memory)."""
    cup = Cup(2e-3, 2e-3, 0.002, 0.1, 0.0999)
    v, nu = 1.2, 1e-6
    x = cup.length * nu / (4 * cup.radius**2 * v)
    head = v * v / (2 * G) * (1 + INLET + 13.76 * math.sqrt(x))
    seen = replace(cup, high=head * 1.0001, low=head * 0.9999)
    mean = cup.area * (seen.high - seen.low) / drain_time(seen, nu) / (math.pi * cup.radius**2)
    assert mean == pytest.approx(v, rel=2e-3)


def test_a_viscosity_comes_back_with_its_uncertainty():
    """Invert what was computed forward; sd by simulation of uncertain cups."""
    jet = 0.05 / (1010 * G * CUP.radius)
    time = drain_time(CUP, 8e-3 / 1010, INLET, jet)
    sds = {"radius": 1e-5, "length": 1e-4, "area": 3e-5, "high": 5e-4, "low": 5e-4}
    got = drained(CUP, 1010, time, 0.5, 0.05, None, sds)
    assert got.viscosity == pytest.approx(8e-3, rel=1e-7)
    rng, found = np.random.default_rng(1), []
    for _ in range(25):
        other = Cup(**{n: v + sds[n] * rng.normal() for n, v in asdict(CUP).items()})
        seen = drain_time(
            other, 8e-3 / 1010, INLET + 0.2 * rng.normal(), jet * (1 + 0.5 * rng.normal())
        )
        now = drained(CUP, 1010, seen + 0.5 * rng.normal(), 0.5, 0.05, None, sds)
        found.append((math.log(now.viscosity / 8e-3)) / (now.sd / now.viscosity))
    assert 0.6 < np.std(found) < 1.45  # 1 +- 0.14 is expected
    mean = CUP.area * 0.05 / time / (math.pi * 1e-6)
    assert got.shear_rate == pytest.approx(4 * mean / 1e-3)
    assert got.last < got.shear_rate < got.first
    assert got.reynolds == pytest.approx(1010 * got.first * 1e-3 / 4 * 2e-3 / 8e-3)


def test_water_finds_the_loss_at_the_inlet():
    """A cup with K = 0.6: uncalibrated it is read too viscous, calibrated rightly."""
    jet = 0.0728 / (998.2 * G * CUP.radius)
    water = WATER._replace(time=drain_time(CUP, 1.0016e-3 / 998.2, 0.6, jet))
    time = drain_time(CUP, 3e-6, 0.6, 0.05 / (1000 * G * CUP.radius))
    assert drained(CUP, 1000, time, 0.1).viscosity > 3.1e-3
    got = drained(CUP, 1000, time, 0.1, water=water)
    assert got.viscosity == pytest.approx(3e-3, rel=1e-6) and got.inlet == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("change", "time", "water", "said"),
    [
        ({}, 40.0, None, "is not laminar (Reynolds number above 2000): take a narrower tube"),
        ({}, 1e9, None, "no liquid here takes that long"),
        ({}, -1.0, None, "drain time and density must be above 0"),
        ({}, 100.0, 30.0, "water drains in 30 s; 5"),
        ({"low": 0.1}, 100.0, None, "the first height must be the greater"),
        ({"low": 0.01}, 100.0, None, "lies within the tube of 20 mm"),
        ({"radius": 0.03}, 100.0, None, "the tube is as wide as the cup"),
        ({"radius": 1e-4, "low": 0.03}, 1e5, None, "it drips; stop the clock higher"),
        ({"radius": 3e-3}, 30.0, 10.0, "a cup is not calibrated so; leave the water out"),
        ({"area": 0.0}, 30.0, None, "area of a cup must be above 0, got 0"),
    ],
)
def test_cups_that_tell_nothing_are_refused(change, time, water, said):
    with pytest.raises(BenchError) as caught:
        cup = replace(CUP, **change)
        drained(cup, 1000, time, 0.1, water=water and WATER._replace(time=water))
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_the_laminar_limit_is_that_of_the_start():
    nu = brentq(lambda n: drain_time(CUP, n, first=True) - LAMINAR, 1e-7, 1e-5)
    jet = 0.05 / (1000 * G * 1e-3)
    just = brentq(lambda n: drain_time(CUP, n, INLET, jet, first=True) - LAMINAR, 1e-7, 1e-5)
    assert just < nu
    time = drain_time(CUP, just, INLET, jet)
    assert drained(CUP, 1000, 1.001 * time, 0.1).reynolds == pytest.approx(2000, rel=0.05)
    with pytest.raises(BenchError, match="not laminar"):
        drained(CUP, 1000, 0.999 * time, 0.1)


# ---- sphere ------------------------------------------------------------------------------------

FALL = Fall(diameter=2e-3, distance=0.1, tube=0.03, time=10.0, solid=2500.0, liquid=1000.0)
SDS = {"time": 0.1, "diameter": 1e-5, "distance": 5e-4, "tube": 3e-4, "solid": 12.0, "liquid": 2.0}


def test_the_walls_drag():
    """Exact drag of a sphere on a tube's axis (Haberman & Sayre 1958, as tabled by Happel &
    Brenner, Low Reynolds number hydrodynamics, 7-3; from memory), and Faxen's series."""
    exact = {0.1: 1.263, 0.2: 1.680, 0.3: 2.371, 0.4: 3.596, 0.5: 5.970}
    for ratio, drag in exact.items():
        assert wall_drag(ratio) == pytest.approx(drag, rel=0.002 if ratio < 0.35 else 0.02)
    for q in (0.01, 0.05, 0.1):
        faxen = 1 / (1 - 2.104 * q + 2.089 * q**3 - 0.948 * q**5)
        assert wall_drag(q) == pytest.approx(faxen, rel=5e-4)
    assert wall_drag(0.0) == 1.0


def test_slow_spheres_fall_as_stokes_says():
    """mu = 2/9 a^2 (rho_s - rho) g / v, over the wall's drag."""
    slow = replace(FALL, time=1000.0, tube=100.0)
    got = fallen(slow, SDS | {"tube": 0.0})
    assert got.viscosity == pytest.approx(2 / 9 * 1e-6 * 1500 * G / 1e-4, rel=1e-3)
    near = fallen(replace(slow, tube=0.01), SDS)
    assert got.viscosity / near.viscosity == pytest.approx(1.680, rel=2e-3)
    assert got.shear_rate == pytest.approx(3 * 1e-4 / 2e-3)
    rising = fallen(replace(slow, solid=500.0, liquid=2000.0), SDS)
    assert rising.viscosity == pytest.approx(got.viscosity, rel=1e-3)


def test_inertia_by_the_drag_of_schiller_and_naumann():
    """Drag coefficient 24 / Re (1 + 0.15 Re^0.687) against weight, far from walls."""
    fall = replace(FALL, time=1.5, tube=100.0)
    got = fallen(fall, SDS | {"tube": 0.0})
    assert 1 < got.reynolds < 10
    v = 0.1 / 1.5
    coefficient = 24 / got.reynolds * (1 + 0.15 * got.reynolds**0.687)
    drag = coefficient * 0.5 * 1000 * v * v * math.pi * 1e-6
    assert drag == pytest.approx(1500 * G * 4 / 3 * math.pi * 1e-9, rel=1e-3)


def test_uncertainties_add_up():
    """d counts twice (Stokes), time once; the sum of their squares."""
    far = replace(FALL, tube=100.0, time=1000.0)
    got = fallen(far, {"time": 10.0, "diameter": 2e-5})
    assert got.parts["time"] == pytest.approx(0.01, rel=0.01)
    assert got.parts["diameter"] == pytest.approx(0.02, rel=0.01)
    assert got.sd / got.viscosity == pytest.approx(math.hypot(0.01, 0.02), rel=0.02)
    sd, _ = propagated(lambda x: x["a"] * x["b"], {"a": 3.0, "b": 4.0}, {"a": 0.1, "b": 0.2})
    assert sd == pytest.approx(math.hypot(0.4, 0.6), rel=1e-9)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"diameter": 0.016}, "the sphere takes 0.53 of the tube's width; at most 0.5"),
        ({"solid": 1010.0}, "sphere and liquid differ by 10 ± 12.2 kg/m3: too little"),
        ({"time": 0.5}, "falls at a Reynolds number of"),
        ({"time": 0.0}, "time of a fall must be above 0, got 0"),
        ({"time": 1e-4}, "no viscosity from 1e-3 to 1e8 mPa s lets a sphere fall like that"),
    ],
)
def test_falls_that_tell_nothing_are_refused(change, said):
    with pytest.raises(BenchError) as caught:
        fallen(replace(FALL, **change), SDS)
    assert said in str(caught.value)


# ---- rates in pores ------------------------------------------------------------------------------


def test_the_rate_at_the_wall_of_a_pore():
    """gamma cos(angle) / (mu L), whatever the radius: 36 mN/m, 1 mPa s, 10 mm: 3600 1/s."""
    stress = wall_stress(0.072, 60.0, 0.01)
    assert stress == pytest.approx(3.6)
    assert wall_rate(stress, lambda rate: 1e-3) == pytest.approx(3600, rel=1e-9)
    law = HerschelBulkley(1.0, 0.2, 0.5)
    rate = wall_rate(stress, lambda r: float(law.apparent_viscosity(r)))
    assert rate == pytest.approx((2.6 / 0.2) ** 2, rel=1e-9)
    assert wall_rate(0.9, lambda r: float(law.apparent_viscosity(r))) == 0.0
    assert wall_rate(1.0, lambda r: 1e-20) == math.inf
    with pytest.raises(BenchError, match="95 degrees is not drawn in"):
        wall_stress(0.05, 95.0, 0.01)
    with pytest.raises(BenchError, match="must be above 0"):
        wall_stress(0.05, 0.0, 0.0)


@pytest.mark.parametrize(
    ("span", "gaps"),
    [
        ((0.1, 1000.0), [(1000.0, 1e5)]),
        ((500.0, 2e5), [(100.0, 500.0)]),
        ((200.0, 300.0), [(100.0, 200.0), (300.0, 1e5)]),
        ((1.0, 50.0), [(1e2, 1e5)]),
        ((2e5, 3e5), [(1e2, 1e5)]),
        ((1.0, 1e6), []),
    ],
)
def test_which_rates_are_missing(span, gaps):
    assert missing(*span) == gaps
