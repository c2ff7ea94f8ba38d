"""Every flow law, 40 random liquids each (200 if slow): tube flow against quadrature written here.

The reference knows a law as its flow curve, (ln of the stress, local index) over ln of the rate,
from formulas of its own. Flow is then the integral of tau^2 g dtau (Weissenberg-Rabinowitsch-
Mooney) by scipy's quad; a cone's pressure drop the integral of 2 tw / r along it, by panels of
Gauss-Legendre.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import oracle_curves
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

import poresim as ps
from poresim.liquid.curves import FlowCurve
from poresim.liquid.laws import ViscosityLaw
from poresim.tube.curve_tables import MOST_ERROR, curve_tables
from poresim.tube.filled import wetted_flow
from poresim.tube.law import CURVE, flow_law, reduced_flow
from poresim.tube.tables import CELLS
from poresim.tube.waisted import with_waist

FEW, COUNT = 40, 200  # looked at each time, and by the slow tests
KNOTS, WEIGHTS = np.polynomial.legendre.leggauss(7)
PIECES = np.array([-36.0, -18.0, -9.0, -4.0, -1.5, 0.0])  # of ln(rate), below the wall's


@dataclass
class Case:
    """A liquid, and its flow curve as a formula: ln(rate) -> (ln(stress), d ln stress)."""

    law: ViscosityLaw
    curve: Callable
    rate: float  # 1/s, typical
    kinks: np.ndarray = field(default_factory=lambda: np.zeros(0))  # ln(rate)
    span: tuple[float, float] = (1e-4, 1e6)  # of the rates to look at, over the typical one

    @property
    def exact(self) -> float:
        """Relative error that its tube flow may have."""
        return 1e-9 if not isinstance(self.law, FlowCurve) else MOST_ERROR


def log_uniform(rng, low, high) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def shifted_power(yield_stress, consistency, index):
    """Herschel & Bulkley 1926: yield + consistency rate^index."""

    def curve(x):
        flowing = consistency * np.exp(index * np.asarray(x))
        stress = yield_stress + flowing
        return np.log(stress), index * flowing / stress

    return curve


def newtonian(rng) -> Case:
    eta = log_uniform(rng, 1e-4, 1e2)
    return Case(ps.Newtonian(eta), shifted_power(0.0, eta, 1.0), 1.0)


def power_law(rng) -> Case:
    k, n = log_uniform(rng, 1e-3, 1e2), rng.uniform(0.2, 1.8)
    return Case(ps.PowerLaw(k, n), shifted_power(0.0, k, n), 1.0)


def bingham(rng) -> Case:
    ty, eta = log_uniform(rng, 1e-3, 1e2), log_uniform(rng, 1e-4, 1e1)
    return Case(ps.Bingham(ty, eta), shifted_power(ty, eta, 1.0), ty / eta)


def herschel_bulkley(rng) -> Case:
    ty, k, n = log_uniform(rng, 1e-3, 1e2), log_uniform(rng, 1e-3, 1e1), rng.uniform(0.2, 1.8)
    return Case(ps.HerschelBulkley(ty, k, n), shifted_power(ty, k, n), (ty / k) ** (1 / n))


def plateaus(rng) -> tuple[float, float, float, float]:
    """zero, infinite, time, and an exponent that lets the stress rise."""
    zero, time = log_uniform(rng, 1e-3, 1e2), log_uniform(rng, 1e-3, 1e2)
    infinite = zero * log_uniform(rng, 1e-4, 0.9) if rng.random() < 0.8 else 0.0
    return zero, infinite, time, rng.uniform(0.1, 0.9)


def cross(rng) -> Case:
    zero, infinite, time, m = plateaus(rng)
    (curve,) = oracle_curves.cross(zero, infinite, time, m)
    return Case(ps.Cross(zero, infinite, time, m), curve, 1 / time)


def carreau(rng) -> Case:
    zero, infinite, time, m = plateaus(rng)
    (curve,) = oracle_curves.carreau(zero, infinite, time, 1 - m)
    return Case(ps.Carreau(zero, infinite, time, 1 - m), curve, 1 / time)


def measured(rng) -> Case:
    """3 to 12 points, indices 0.11 to 1.2 from one to the next; plateaus at every other end."""
    steps = rng.uniform(0.3, 2.5, rng.integers(2, 12))
    indices = rng.uniform(0.11, 1.2, len(steps))
    x = np.concatenate([[0.0], np.cumsum(steps)]) + rng.uniform(-5, 5)
    stress = np.concatenate([[0.0], np.cumsum(indices * steps)]) + rng.uniform(-5, 5)
    points = np.exp(x), np.exp(stress - x)
    beyond = {
        "infinite_viscosity": points[1][-3:].min() * log_uniform(rng, 1e-3, 0.9),
        "zero_viscosity": points[1][:3].max() / log_uniform(rng, 1e-3, 0.9),
    }
    beyond = {name: value for name, value in beyond.items() if rng.random() < 0.6}
    if not reached(points, beyond):
        beyond = {}
    law = ps.MeasuredFlow(*points, **beyond)
    curve, kinks = oracle_curves.measured(*points, law.infinite_viscosity, law.zero_viscosity)
    case = Case(law, curve, float(np.exp(x.mean())), kinks)
    case.span = max(1e-4, 1e-7 / case.rate), min(1e6, 1e10 / case.rate)
    return case


def reached(points, plateau) -> bool:
    """Whether it is one that such points go to, and that tables can follow."""
    try:
        curve_tables(ps.MeasuredFlow(*points, **plateau))
    except ValueError:
        return False
    return True


LAWS = [newtonian, power_law, bingham, herschel_bulkley, cross, carreau, measured]


def flow_by_quad(case: Case, x: float) -> float:
    """s = Q / (pi R^3) at ln of the wall's rate."""
    wall = float(case.curve(x)[0])

    def part(at: float) -> float:
        z, n = case.curve(at)
        return math.exp(3 * (float(z) - wall) + at) * float(n)  # tau^2 g dtau / tw^3

    lower = x + PIECES[0]
    inner = case.kinks[(case.kinks > lower) & (case.kinks < x)]
    ends = np.unique(np.concatenate([x + PIECES, inner]))
    total = sum(
        quad(part, a, b, epsabs=1e-13 * math.exp(x), epsrel=1e-10)[0]
        for a, b in zip(ends[:-1], ends[1:], strict=True)
    )
    return total


class Along:
    """s and M = integral of tw d ln s from one ln(rate) up to higher ones, by panels."""

    def __init__(self, case: Case, x: float, s: float, reach: float) -> None:
        self.case, self.first = case, x
        kinks = case.kinks[(case.kinks > x) & (case.kinks < x + reach)]
        even = np.linspace(x, x + reach, max(int(reach / 0.25), 4) + 1)
        self.edges = np.unique(np.concatenate([even, kinks]))
        self.start = s * math.exp(3 * float(case.curve(x)[0]))
        parts = self._gathered(self.edges[:-1], self.edges[1:])
        self.sums = self.start + np.concatenate([[0.0], np.cumsum(parts)])
        self.log_s = np.log(self.sums) - 3 * case.curve(self.edges)[0]

    def _gathered(self, low, high):
        """Integral of tau^2 g dtau between ln of rates."""
        half = 0.5 * (high - low)[..., None]
        at = low[..., None] + half * (1 + KNOTS)
        z, n = self.case.curve(at)
        return np.sum(half * WEIGHTS * np.exp(3 * z + at) * n, axis=-1)

    def place(self, log_s: float) -> float:
        """ln(rate) where ln s is as given."""
        k = int(np.clip(np.searchsorted(self.log_s, log_s) - 1, 0, len(self.edges) - 2))

        def over(at: float) -> float:
            low, high = np.array([self.edges[k]]), np.array([at])
            total = self.sums[k] + float(self._gathered(low, high)[0])
            return math.log(total) - 3 * float(self.case.curve(at)[0]) - log_s

        low, high = self.edges[k], self.edges[k + 1]
        if over(low) >= 0:
            return float(low)
        return float(brentq(over, low, high, xtol=1e-14, rtol=1e-14))

    def drop(self, last: float) -> float:
        """M up to ln(rate) ``last``."""
        ends = np.append(self.edges[self.edges < last], last)
        low, high = ends[:-1], ends[1:]
        half = 0.5 * (high - low)[:, None]
        at = low[:, None] + half * (1 + KNOTS)
        z, n = self.case.curve(at)
        total = self.sums[: len(low), None] + self._gathered(
            np.broadcast_to(low[:, None], at.shape), at
        )
        slope = np.exp(at + 3 * z) / total - 3  # d ln s / d ln tw = g / s - 3
        return float(np.sum(half * WEIGHTS * np.exp(z) * n * slope))


def drop_by_quadrature(case: Case, x: float, s: float, reached, radius, length, waist) -> float:
    """Pressure drop from a mouth, where ln(rate) is x and the flow s, to ``reached``."""
    half = length / 2
    if waist == 1:
        return 2 * math.exp(float(case.curve(x)[0])) * reached / radius
    narrow = 1 - (1 - waist) * min(reached, half) / half
    grows = -3 * math.log(narrow)  # of ln s; ln of the rate grows by less, or hardly more
    along = Along(case, x, s, grows + 3.0)
    deep = along.place(math.log(s) + grows)
    total = along.drop(deep)
    if reached > half:
        wide = waist + (1 - waist) * (reached - half) / half
        total += along.drop(deep) - along.drop(along.place(math.log(s) - 3 * math.log(wide)))
    return 2 * total / (3 * radius * (1 - waist) / half)


def many(kind: Callable):
    return pytest.param(kind, COUNT, id=f"{kind.__name__}-{COUNT}", marks=pytest.mark.slow)


@pytest.mark.parametrize(
    ("kind", "count"),
    [
        *(pytest.param(k, FEW, id=f"{k.__name__}-{FEW}") for k in LAWS if k is not measured),
        *map(many, LAWS),
    ],
)
def test_random_laws(kind, count):
    """Straight and waisted tubes within what tables may be off; monotone, without a jump."""
    rng = np.random.default_rng([17, LAWS.index(kind)])
    for number in range(count):
        case = kind(rng)
        fluid = flow_law(case.law)
        if fluid.kind == CURVE:
            assert curve_tables(case.law).error <= MOST_ERROR
        x = math.log(case.rate * log_uniform(rng, *case.span))
        s = flow_by_quad(case, x)
        radius, length = log_uniform(rng, 1e-6, 1e-3), log_uniform(rng, 1e-5, 1e-2)
        drop = drop_by_quadrature(case, x, s, length, radius, length, 1.0)
        rate = math.pi * radius**3 * s
        got = case.law.tube_flow_rate(drop, radius, length)
        assert got == pytest.approx(rate, rel=case.exact), (number, case.law)
        waist = 1.0 if number % 20 == 0 else rng.uniform(0.1, 1.0)
        at = length * (1.0 if number % 3 == 0 else rng.uniform(0.01, 1.0))
        drop = drop_by_quadrature(case, x, s, at, radius, length, waist)
        got, _ = wetted_flow(fluid, drop, at, radius, length, waist)
        assert got == pytest.approx(rate, rel=case.exact), (number, waist, at / length, case.law)
        rises_without_a_jump(case, fluid)


def rises_without_a_jump(case: Case, fluid) -> None:
    """ln(flow) over ln(stress beyond the yield) rises between bounds that follow from the curve.

    Where the local index lies between two numbers everywhere, so does 1 / (d ln s / d ln tw); with
    a yield stress and an index n, d ln s over d ln(tw - yield) lies between 1/n and 1/n + 1.
    """
    if fluid.kind == CURVE:
        look = case.curve(np.linspace(math.log(1e-16), math.log(1e24), 2001))[1]
        least, most = 1 / look.max(), 1 / look.min()
        ends = fluid.time_start + fluid.time_step * CELLS * np.arange(2)
        ends = np.log(fluid.unit_stress) + np.concatenate([ends - 1e-3, ends, ends + 1e-3])
        middle = float(case.curve(math.log(case.rate))[0])
        z = np.unique(np.concatenate([ends, middle + np.linspace(-14, 14, 150)]))
    else:
        least, most = 1 / fluid.index, 1 / fluid.index + (fluid.yield_stress > 0)
        z = np.log(fluid.yield_stress or 1.0) + np.linspace(-16, 14, 150)
    s = np.array([reduced_flow(fluid, fluid.yield_stress + math.exp(at))[0] for at in z])
    rise = np.diff(np.log(s)) / np.diff(z)
    assert np.all(rise > least * (1 - 1e-3) - 1e-6)
    assert np.all(rise < most * (1 + 1e-3) + 1e-6)
    assert reduced_flow(fluid, fluid.yield_stress)[0] == 0.0
    assert reduced_flow(fluid, 0.999 * fluid.yield_stress)[0] == 0.0


def tubes(rng, viscosity):
    """(drop, radius, length) of a random tube, at wall rates of 0.01 to 1e6 1/s."""
    radius, length = log_uniform(rng, 1e-6, 1e-3), log_uniform(rng, 1e-5, 1e-2)
    return 2 * length * viscosity * log_uniform(rng, 1e-2, 1e6) / radius, radius, length


def test_limits_of_closed_forms():
    """Exact where a figure reaches its limit, and in proportion to what is left just before it."""
    rng = np.random.default_rng(18)
    for _ in range(FEW):
        k, n, ty = log_uniform(rng, 1e-3, 1e2), rng.uniform(0.2, 1.8), log_uniform(rng, 1e-3, 1e2)
        tube = tubes(rng, k)
        newton = ps.Newtonian(k).tube_flow_rate(*tube)
        power = ps.PowerLaw(k, n).tube_flow_rate(*tube)
        assert ps.PowerLaw(k, 1.0).tube_flow_rate(*tube) == newton
        assert ps.Bingham(0.0, k).tube_flow_rate(*tube) == newton
        assert ps.HerschelBulkley(0.0, k, n).tube_flow_rate(*tube) == power
        bingham = ps.Bingham(ty, k).tube_flow_rate(*tube)
        assert ps.HerschelBulkley(ty, k, 1.0).tube_flow_rate(*tube) == bingham
        near = ps.PowerLaw(k, 1 + 1e-9).tube_flow_rate(*tube)
        assert near == pytest.approx(newton, rel=1e-7)
        stress = tube[0] * tube[1] / (2 * tube[2])
        weak = ps.HerschelBulkley(1e-9 * stress, k, n).tube_flow_rate(*tube)
        # to first order 1 - (1 + 3n)/(1 + 2n) (1 + 1/n) ty/tw: less than 8e-9 here
        assert power * (1 - 1e-8) < weak < power
        near = ps.HerschelBulkley(ty, k, 1 + 1e-9).tube_flow_rate(*tube)
        assert near == pytest.approx(bingham, rel=1e-6 if bingham < 1e-3 * newton else 1e-7)
        m = rng.uniform(0.1, 0.9)
        assert ps.Cross(k, k, ty, m).tube_flow_rate(*tube) == newton
        assert ps.Carreau(k, k, ty, m).tube_flow_rate(*tube) == newton
        assert ps.Carreau(k, 0.5 * k, ty, 1.0).tube_flow_rate(*tube) == pytest.approx(newton)


def test_limits_of_curves():
    """Near-equal plateaus, times of next to nothing, and points of one viscosity: Newtonian."""
    rng = np.random.default_rng(19)
    for _ in range(10):
        zero, infinite, _, m = plateaus(rng)
        tube = tubes(rng, zero)
        newton = ps.Newtonian(zero).tube_flow_rate(*tube)
        rates = np.sort(np.exp(rng.uniform(-5, 10, 5)))
        near = [
            ps.Cross(zero, zero * (1 - 1e-8), 1.0, m),
            ps.Carreau(zero, zero * (1 - 1e-8), 1.0, 1 - m),
            ps.Cross(zero, infinite, 1e-8 ** (1 / m) * 1e-6, m),
            ps.Carreau(zero, infinite, 1e-11, 1 - m),
            ps.MeasuredFlow(rates, np.full(5, zero)),
            ps.MeasuredFlow(rates, zero * rates**-1e-9),
        ]
        for law in near:
            assert law.tube_flow_rate(*tube) == pytest.approx(newton, rel=1e-7), law
    flat = ps.MeasuredFlow([1.0, 3.0, 5.0], [0.2, 0.1, 0.1], infinite_viscosity=0.0999)
    assert flat.apparent_viscosity(1e3) == pytest.approx(0.0999, rel=1e-6)


@pytest.mark.parametrize("kind", [herschel_bulkley, cross, carreau, measured])
def test_waists_looked_up(kind):
    """The same for tubes of one waist, whose flow soaks look up where that is accurate enough.

    Between the table's stresses, a factor of 1.2 apart, a curve is known by value and slope.
    Most seen: 9e-6, 1e-5, 1e-4, and 2e-2 where the index jumps from 1.2 to 0.1 within a factor of
    1.4 of the rate.
    """
    rng = np.random.default_rng([20, LAWS.index(kind)])
    used = 0
    for _ in range(4):
        case, waist = kind(rng), rng.uniform(0.1, 0.95)
        fluids = {accuracy: flow_law(case.law) for accuracy in (1e-2, 1e-3, 1e-4)}
        for accuracy, fluid in fluids.items():
            with_waist(fluid, np.array([waist]), accuracy)
            used += fluid.waist > 0
        for _ in range(20):
            x = math.log(case.rate * log_uniform(rng, *case.span))
            s = flow_by_quad(case, x)
            at = 1e-4 * rng.uniform(0.01, 1.0)
            drop = drop_by_quadrature(case, x, s, at, 2e-5, 1e-4, waist)
            for accuracy, fluid in fluids.items():
                got, _ = wetted_flow(fluid, drop, at, 2e-5, 1e-4, waist)
                assert got == pytest.approx(math.pi * 2e-5**3 * s, rel=accuracy)
    assert used > 0


def test_a_curve_that_jumps_is_not_looked_up():
    jagged = ps.MeasuredFlow([1.0, 1.4, 2.0, 2.8], [1.0, 0.99, 0.75, 0.73])
    loose, fine = flow_law(jagged), flow_law(jagged)
    with_waist(loose, np.array([0.3]), 0.1)
    with_waist(fine, np.array([0.3]), 1e-4)
    assert loose.waist == 0.3 and fine.waist == 0.0
