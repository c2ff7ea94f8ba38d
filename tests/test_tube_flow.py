"""Flow in one full tube: flow laws, cones, yield drops; against published forms and quadrature."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

import poresim as ps
from poresim.tube import filled
from poresim.tube.filled import wetted_flow, yield_drop
from poresim.tube.law import (
    cone_integral,
    excess_at_imbibition,
    flow_above_yield,
    flow_law,
    log_imbibition,
    reduced_flow,
    wall_stress,
)

LAWS = {
    "newtonian": ps.Newtonian(1.3e-3),
    "power": ps.PowerLaw(0.1, 0.5),
    "thickening": ps.PowerLaw(0.002, 1.4),
    "bingham": ps.Bingham(0.4, 2e-3),
    "yielding": ps.HerschelBulkley(0.5, 0.1, 0.5),
    "strongly thinning": ps.HerschelBulkley(0.02, 0.3, 0.3),
    "cross": ps.Cross(0.3, 1.5e-3, 0.4, 0.7),
    "carreau": ps.Carreau(2.0, 1e-3, 5.0, 0.35),
    "measured": ps.MeasuredFlow([0.2, 3.0, 40.0, 300.0, 5000.0], [0.9, 0.3, 0.06, 0.02, 0.005]),
    "with plateaus": ps.MeasuredFlow([0.2, 3.0, 40.0, 300.0], [0.9, 0.3, 0.06, 0.02], 1e-3, 2.0),
}


def parameters(law) -> tuple[float, float, float]:
    """(yield stress, consistency, index) of a law."""
    if isinstance(law, ps.Newtonian):
        return 0.0, law.viscosity, 1.0
    if isinstance(law, ps.PowerLaw):
        return 0.0, law.consistency, law.index
    if isinstance(law, ps.Bingham):
        return law.yield_stress, law.plastic_viscosity, 1.0
    return law.yield_stress, law.consistency, law.index


def quadrature_rate(law, drop: float, radius: float, length: float) -> float:
    """Weissenberg-Rabinowitsch-Mooney: Q = pi R^3/tw^3 * integral of tau^2 * shear rate."""
    ty, k, n = parameters(law)
    tw = radius * drop / (2 * length)
    if tw <= ty:
        return 0.0
    # tau = ty + (tw - ty) v: the rate is ((tw - ty) v / k)^(1/n)
    inner, _ = quad(
        lambda v: (ty + (tw - ty) * v) ** 2 * v ** (1 / n), 0, 1, epsabs=0, epsrel=1e-13
    )
    return math.pi * radius**3 / tw**3 * (tw - ty) ** (1 + 1 / n) / k ** (1 / n) * inner


@pytest.mark.parametrize(
    ("ty", "k", "n", "tw", "rate"),
    [
        (0.5, 0.1, 0.5, 2.0, 1.50483515292e-11),
        (0.5, 0.1, 0.5, 10.0, 6.90495844414e-10),
        (1.0, 0.05, 0.6, 5.0, 1.11716915014e-10),
        (0.0, 1e-3, 1.0, 10.0, 9.81747704247e-10),
    ],
)
def test_rate_of_herschel_bulkley(ty, k, n, tw, rate):
    """Herschel & Bulkley 1926; Skelland 1967; Chhabra & Richardson. Printed to 12 digits."""
    radius, length = 50e-6, 1e-3
    law = ps.HerschelBulkley(ty, k, n)
    got = law.tube_flow_rate(2 * length * tw / radius, radius, length)
    assert got == pytest.approx(rate, rel=1e-11)


@pytest.mark.parametrize(("phi", "factor"), [(0.25, 0.66796875), (0.5, 17 / 48), (0.9, None)])
def test_buckingham_reiner(phi, factor):
    """Buckingham 1921; Reiner 1926: Q over Poiseuille's is 1 - 4 phi/3 + phi^4/3, phi = ty/tw."""
    if factor is None:
        factor = 1 - 4 * phi / 3 + phi**4 / 3
    stress, eta, radius = 3.0, 2e-3, 50e-6
    got = ps.Bingham(phi * stress, eta).tube_flow_rate(2 * stress / radius, radius, 1.0)
    poiseuille = math.pi * radius**3 * stress / (4 * eta)
    assert got / poiseuille == pytest.approx(factor, rel=1e-13)


def test_random_laws_against_quadrature():
    """The closed forms against quadrature of the Weissenberg-Rabinowitsch-Mooney relation."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        n, k = rng.uniform(0.2, 1.8), 10 ** rng.uniform(-3, 1)
        ty = 10 ** rng.uniform(-3, 1) if rng.random() < 0.7 else 0.0
        radius, length = 10 ** rng.uniform(-6, -3), 10 ** rng.uniform(-5, -2)
        stress = ty * (1 + 10 ** rng.uniform(-2, 3)) if ty else 10 ** rng.uniform(-2, 3)
        law = ps.HerschelBulkley(ty, k, n)
        drop = 2 * length * stress / radius
        expected = quadrature_rate(law, drop, radius, length)
        # a drop known to 1e-16 fixes the excess over the yield to 1e-14 at worst here
        assert law.tube_flow_rate(drop, radius, length) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
def test_rate_is_odd_monotone_and_broadcasts(law):
    drops = np.linspace(-2000.0, 2000.0, 4001)
    rate = law.tube_flow_rate(drops[:, None], np.array([5e-6, 2e-5]), 1e-3)
    assert rate.shape == (4001, 2)
    np.testing.assert_array_equal(rate, -rate[::-1])
    assert np.all(np.diff(rate, axis=0) >= 0)
    assert rate[-1, 1] > rate[-1, 0] > 0
    one = law.tube_flow_rate(1000.0, 2e-5, 1e-3)
    assert np.ndim(one) == 0
    assert one == rate[3000, 1]


def test_limits_meet_the_simpler_laws():
    """n -> 1 is Newtonian or Bingham; a vanishing yield stress is the power law."""
    tube = (500.0, 2e-5, 1e-3)
    newton = ps.Newtonian(0.01).tube_flow_rate(*tube)
    assert ps.PowerLaw(0.01, 1.0).tube_flow_rate(*tube) == newton
    assert ps.PowerLaw(0.01, 1 + 1e-9).tube_flow_rate(*tube) == pytest.approx(newton, rel=1e-7)
    assert ps.Bingham(0.0, 0.01).tube_flow_rate(*tube) == newton
    bingham = ps.Bingham(0.5, 0.01).tube_flow_rate(*tube)
    near = ps.HerschelBulkley(0.5, 0.01, 1 + 1e-9).tube_flow_rate(*tube)
    assert near == pytest.approx(bingham, rel=1e-7)
    power = ps.PowerLaw(0.1, 0.5).tube_flow_rate(*tube)
    assert ps.HerschelBulkley(0.0, 0.1, 0.5).tube_flow_rate(*tube) == power
    # to first order the rate falls as 1 - (1 + 3n)/n * [..] ty/tw, of order ty/tw = 2e-9 here
    weak = ps.HerschelBulkley(1e-8, 0.1, 0.5).tube_flow_rate(*tube)
    assert weak == pytest.approx(power, rel=2e-8)
    assert weak < power


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
def test_slope_and_inverse_of_the_reduced_flow(law):
    fluid = flow_law(law)
    for excess in (1e-3, 0.1, 2.0, 40.0, 3000.0):
        stress = fluid.yield_stress + excess
        s, slope = reduced_flow(fluid, stress)
        step = 1e-4 * excess
        ahead, behind = reduced_flow(fluid, stress + step)[0], reduced_flow(fluid, stress - step)[0]
        assert slope == pytest.approx((ahead - behind) / (2 * step), rel=1e-6)
        assert wall_stress(fluid, math.log(s)) == pytest.approx(stress, rel=1e-9)
    assert reduced_flow(fluid, 0.0)[0] == 0.0
    assert reduced_flow(fluid, 0.999 * fluid.yield_stress)[0] == 0.0


@pytest.mark.parametrize("index", [0.2, 0.5, 1.0, 1.7])
def test_tables_against_quadrature(index):
    """M and E of the Herschel-Bulkley tables, far beyond the stresses of any real tube."""
    fluid = flow_law(ps.HerschelBulkley(0.3, 0.1, index))
    ty = fluid.yield_stress

    def reduced(z: float) -> float:
        return flow_above_yield(fluid, ty * math.exp(z))[0]

    pieces = np.array([0.0, 0.5, 2.0, 5.0, 12.0, 40.0])
    for z in (-40.0, -24.9, -8.0, -1.0, 0.3, 5.0, 24.9, 30.0):
        level, slope = log_imbibition(fluid, z)
        found, fall = excess_at_imbibition(fluid, level)
        assert found == pytest.approx(z, abs=1e-10)
        assert fall == pytest.approx(slope, rel=1e-7)
        scale = math.exp(-level - fluid.log_time)

        def share(v: float, scale: float = scale) -> float:  # dE, over E
            return scale * ty * math.exp(v) / (ty * (1 + math.exp(v))) ** 2 / reduced(v)

        whole = sum(
            quad(share, z + a, z + b, epsabs=0, epsrel=1e-11)[0]
            for a, b in itertools.pairwise(pieces)
        )
        assert whole == pytest.approx(1.0, rel=3e-9)
        assert slope == pytest.approx(-share(z), rel=1e-7)

    ends = (-9.0, 1.5, 12.0)
    m = [cone_integral(fluid, math.log(reduced(z)))[0] for z in ends]
    for (low, high), (m0, m1) in zip(itertools.pairwise(ends), itertools.pairwise(m), strict=True):
        # dM = tw d(ln s), by parts: [tw ln s] - integral of ln s dtw
        tw = [ty * (1 + math.exp(z)) for z in (low, high)]
        rest, _ = quad(
            lambda z: math.log(reduced(z)) * ty * math.exp(z), low, high, epsrel=1e-12, limit=200
        )
        whole = tw[1] * math.log(reduced(high)) - tw[0] * math.log(reduced(low)) - rest
        assert m1 - m0 == pytest.approx(whole, rel=1e-9)


def drop_by_quadrature(fluid, rate, x, radius, length, waist) -> float:
    """Pressure drop beyond the yield drop: integral of 2 (tw(Q/(pi r^3)) - ty) / r dx."""

    def density(at: float) -> float:
        r = radius * (1 - (1 - waist) * min(at, length - at) / (length / 2))
        s = rate / (math.pi * r**3)
        # ln(tw - ty) by bisection of the closed form, not from the tables
        z = brentq(lambda z: math.log(flow_above_yield(fluid, math.exp(z))[0] / s), -60, 40)
        return 2 * math.exp(z) / r

    half = length / 2
    whole = quad(density, 0, min(x, half), epsabs=0, epsrel=1e-11)[0]
    if x > half:
        whole += quad(density, half, x, epsabs=0, epsrel=1e-11)[0]
    return whole


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
@pytest.mark.parametrize("waist", [0.1, 0.5, 0.97, 1 - 1e-4, 1 - 1e-7])
def test_cones_against_quadrature(law, waist):
    """A waisted tube, full and partly wet, against quadrature of the pressure gradient."""
    fluid = flow_law(law)
    radius, length = 12e-6, 1e-4
    for share in (1e-5, 0.3, 0.5, 0.8, 1.0):
        x = share * length
        least = yield_drop(fluid, x, radius, length, waist)
        for beyond in (1e-2, 3.0, 300.0):
            drop = least + beyond * max(least, 1.0)
            rate, slope = wetted_flow(fluid, drop, x, radius, length, waist)
            got = drop_by_quadrature(fluid, rate, x, radius, length, waist)
            assert got == pytest.approx(drop - least, rel=1e-8)
            step = 1e-5 * (drop - least)
            ahead, behind = (
                wetted_flow(fluid, drop + s * step, x, radius, length, waist)[0] for s in (1, -1)
            )
            assert slope == pytest.approx((ahead - behind) / (2 * step), rel=1e-6)
            assert wetted_flow(fluid, -drop, x, radius, length, waist) == (-rate, slope)
        if least > 0:
            assert wetted_flow(fluid, 0.999999 * least, x, radius, length, waist) == (0.0, 0.0)


def test_newtonian_cone_in_closed_form():
    """Two cones of a full tube resist as 8 eta L/(pi R^4) * (1 + w + w^2)/(3 w^3) (textbook)."""
    eta, drop, radius, length = 1e-3, 700.0, 1e-5, 2e-4
    for w in (0.2, 0.5, 0.9):
        rate, _ = wetted_flow(flow_law(ps.Newtonian(eta)), drop, length, radius, length, w)
        factor = (1 + w + w * w) / (3 * w**3)
        expected = drop * math.pi * radius**4 / (8 * eta * length * factor)
        assert rate == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
def test_cones_turn_smoothly_into_a_straight_tube(law):
    fluid, radius, length = flow_law(law), 1e-5, 1e-4
    straight, _ = wetted_flow(fluid, 900.0, length, radius, length, 1.0)
    for gap in (1e-3, 1e-5, 1e-8, 1e-10):
        rate, _ = wetted_flow(fluid, 900.0, length, radius, length, 1 - gap)
        assert abs(rate / straight - 1) < 5 * (3 + 1 / fluid.index) * gap + 1e-9
        assert rate < straight * (1 + 1e-9)


def test_yield_drop_is_the_integral_of_yield_stress():
    """2 ty/r summed along the tube: 2 ty x/R when straight, a logarithm along a cone."""
    fluid = flow_law(ps.Bingham(0.7, 1e-3))
    radius, length = 1e-5, 1e-4
    assert yield_drop(fluid, 4e-5, radius, length, 1.0) == pytest.approx(2 * 0.7 * 4e-5 / radius)
    for waist, x in ((0.3, 4e-5), (0.3, 8e-5), (0.999, 1e-4)):
        whole = quad(
            lambda at, w=waist: (
                2 * 0.7 / radius / (1 - (1 - w) * min(at, length - at) * 2 / length)
            ),
            0,
            x,
            points=[length / 2] if x > length / 2 else None,
        )[0]
        assert yield_drop(fluid, x, radius, length, waist) == pytest.approx(whole, rel=1e-12)
    assert yield_drop(flow_law(ps.PowerLaw(1.0, 0.5)), 1e-5, radius, length, 0.5) == 0.0


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ((math.nan, 1e-5, 1e-3), "pressure_drop"),
        ((1.0, 0.0, 1e-3), "radius"),
        ((1.0, 1e-5, -1e-3), "length"),
        ((1.0, math.inf, 1e-3), "radius"),
    ],
)
def test_bad_tubes_are_refused(arguments, word):
    with pytest.raises(ValueError, match=word):
        ps.Newtonian(1e-3).tube_flow_rate(*arguments)


def test_a_kernel_for_kernels_only_refuses_python():
    """Called from Python it would jump to code that was never made, compiled or not."""
    wetted_flow(flow_law(LAWS["power"]), 10.0, 1e-4, 1e-5, 1e-4, 0.5)
    with pytest.raises(TypeError, match="_looked_up: only kernels can call it"):
        filled._looked_up(flow_law(LAWS["power"]), 10.0, 1e-4, 1e-5, 1e-4, 0.5)
