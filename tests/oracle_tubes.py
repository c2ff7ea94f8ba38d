"""Physics of the tubes for the general oracle: plain formulas and quadrature, nothing shared.

A *slot* is one end of one tube; x is measured from that end. ``r(x)`` falls linearly from R to
waist * R at the middle and rises again. Local Poiseuille flow (Weissenberg-Rabinowitsch-Mooney
in the reduced form s = Q / (pi r^3) = f(wall stress)); Herschel & Bulkley 1926, Skelland 1967.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from oracle_curves import Curve
from scipy.interpolate import CubicSpline

FLOOR = 1e-9  # creeping share of flow below the yield stress, so that pressures are defined


@dataclass(frozen=True)
class Fluid:
    """Yield stress (0: power law; index 1: Newtonian, consistency = viscosity), SI units.

    curve: in place of these three. log_ratio: ln(L/l) of a moving line (Newtonian liquids only),
    by which angles depend on the speed; 0: they do not.
    """

    gamma: float
    angle: float
    consistency: float
    index: float = 1.0
    yield_stress: float = 0.0
    receding: float | None = None
    density: float = 1000.0
    curve: Curve | None = None
    log_ratio: float = 0.0

    @property
    def hysteresis(self):
        return self.receding is not None and self.receding < self.angle

    def theta(self, mode):
        """Contact angle (rad) in each mode: -1 receding, otherwise advancing."""
        back = self.angle if self.receding is None else self.receding
        return np.radians(np.where(mode == -1, back, self.angle))


def shear(fluid, stress):
    """Reduced flow s (1/s) at a wall stress >= 0, no power law (CHECKED in tests)."""
    if fluid.curve is not None:
        return fluid.curve.shear(stress)[0]
    n, k, ty = fluid.index, fluid.consistency, fluid.yield_stress
    tw = np.maximum(stress, 1e-60)
    over = np.maximum(tw - ty, 0.0)
    with np.errstate(under="ignore"):
        s = (over / k) ** (1 / n) * over / tw**3
    s = s * (over * over / (3 + 1 / n) + 2 * ty * over / (2 + 1 / n) + ty * ty / (1 + 1 / n))
    return s + FLOOR * _creep(fluid) * stress


def _creep(fluid):
    """Reduced flow per stress of a Newtonian liquid as thick as this one well above yield."""
    n, k, ty = fluid.index, fluid.consistency, fluid.yield_stress
    return ((2 * ty) / k) ** (1 / n) / (8 * ty)


def stress_of(fluid, s):
    """Wall stress at reduced flow s >= 0, by bisection on a bracket and Newton's rule."""
    n, k, ty = fluid.index, fluid.consistency, fluid.yield_stress
    low = np.zeros_like(s)
    high = ty * 4 + 4 * k * ((3 + 1 / n) * s) ** n
    tw = np.where(s > 0, np.minimum(ty + k * ((3 + 1 / n) * s) ** n, high), 0.0)
    for _ in range(80):
        value = shear(fluid, tw) - s
        high = np.where(value > 0, tw, high)
        low = np.where(value <= 0, tw, low)
        step = 1e-6 * tw + 1e-12 * ty
        slope = (shear(fluid, tw + step) - shear(fluid, tw)) / step
        new = tw - value / np.maximum(slope, 1e-300)
        new = np.where((new > low) & (new < high), new, 0.5 * (low + high))
        done = np.abs(new - tw) <= 1e-13 * high
        tw = new
        if done.all():
            break
    return tw


class Tubes:
    """Geometry and flow of the slots of a network; every method is vectorised over slots."""

    def __init__(self, fluid, radius, length, waist, fall):
        """radius, length, waist, fall per slot; fall = rho g . displacement to the far end, Pa."""
        self.fluid = fluid
        self.radius, self.length, self.waist, self.fall = radius, length, waist, fall
        self.slope = radius * (1 - waist) / (length / 2)
        self.half = np.arctan(self.slope)
        steep = fluid.index if fluid.curve is None else fluid.curve.steep
        self.power = 1 + 1 / steep  # x^power grows linearly under a constant drive
        if fluid.curve is not None and (waist < 1).any():
            y = np.linspace(-70.0, 40.0, 16001)
            self.stress = CubicSpline(y, fluid.curve.stress_of(y))
            self.cone = self.stress.antiderivative()
        elif fluid.yield_stress > 0 and (waist < 1).any():
            y = np.linspace(-70.0, 40.0, 8001)  # ln s; error of the spline about 1e-10
            self.stress = CubicSpline(y, stress_of(fluid, np.exp(y)))
            self.cone = self.stress.antiderivative()

    def r(self, j, x):
        return self.radius[j] - self.slope[j] * np.minimum(x, self.length[j] - x)

    def area(self, j, x):
        return np.pi * self.r(j, x) ** 2

    def volume(self, j, x):
        """Liquid between the mouth and x, m3."""
        r0, half, middle = self.radius[j], self.length[j] / 2, self.radius[j] * self.waist[j]
        a = np.minimum(x, half)
        ra = r0 - self.slope[j] * a
        b = np.maximum(x - half, 0.0)
        rb = middle + self.slope[j] * b
        frustum = a * (r0**2 + r0 * ra + ra**2) + b * (middle**2 + middle * rb + rb**2)
        return np.pi * frustum / 3

    def suction(self, j, x, mode, piece):
        """Capillary pressure of the meniscus (Pa); piece 0 before, 1 after the waist."""
        theta = self.fluid.theta(mode) + np.where(piece == 0, -1.0, 1.0) * self.half[j]
        return 2 * self.fluid.gamma * np.cos(theta) / self.r(j, x)

    def extra(self, j, x, mode, piece):
        """Drive (Pa) less the junction's pressure: suction and weight."""
        return self.suction(j, x, mode, piece) + self.fall[j] * x / self.length[j]

    def _integral(self, j, x):
        """Integral of r^-(3n+1) from the mouth to x."""
        k = 3 * self.fluid.index + 1
        r0, slope = self.radius[j], self.slope[j]
        if not slope.any():
            return x * r0**-k
        half = self.length[j] / 2
        a, b = np.minimum(x, half), np.maximum(x - half, 0.0)
        return _cone(r0, -slope, a, k) + _cone(r0 * self.waist[j], slope, b, k)

    def flow(self, j, x, drive):
        """(Q, dQ/d drive): liquid from the mouth to x, x > 0, under a drive; odd in it."""
        fluid, size = self.fluid, np.abs(drive)
        if fluid.curve is None and fluid.yield_stress == 0:
            n = fluid.index
            c = n * np.pi / (3 * n + 1) * (2 * fluid.consistency * self._integral(j, x)) ** (-1 / n)
            # At rest the slope is infinite or none: dead ends would leave no system to solve.
            least = (1e-12 if n > 1 else 1e-10) * fluid.gamma / self.radius[j]
            slope = c / n * np.maximum(size, least) ** (1 / n - 1)
            return np.sign(drive) * c * size ** (1 / n), slope
        q, slope = np.zeros_like(size), np.zeros_like(size)
        straight = self.waist[j] == 1.0
        i = np.flatnonzero(straight)
        if fluid.curve is not None and len(i):
            q[i], slope[i] = self._straight(j[i], x[i], size[i])
            i = i[:0]
        r, step = self.radius[j[i]], 1e-6 * size[i] + 1e-9 * fluid.gamma / self.radius[j[i]]
        low, mid, high = (
            np.pi * r**3 * np.sign(u) * shear(fluid, r * np.abs(u) / (2 * x[i]))
            for u in (size[i] - step, size[i], size[i] + step)
        )
        q[i], slope[i] = mid, (high - low) / (2 * step)
        i = np.flatnonzero(~straight)
        if len(i):
            q[i], slope[i] = self._waisted(j[i], x[i], size[i])
        return np.sign(drive) * q, slope

    def moving(self, j, x, drive, mode, piece, share):
        """(Q, dQ/d drive) of menisci whose angle follows t^3 = t0^3 + 9 Ca ln(L/l).

        drive: with the angle at rest; share: of the clean tube's flow. By bisection on the angle,
        polished by Newton's rule. Voinov 1976; cones here are less steep than the angle.
        """
        fluid, size, way = self.fluid, np.abs(drive), np.where(drive >= 0, 1.0, -1.0)
        area, k = self.area(j, x), 9 * fluid.log_ratio * fluid.consistency / fluid.gamma
        loss = area / (share * self.flow(j, x, np.ones_like(x))[0])  # Pa over speed
        lean = np.where(piece == 0, -1.0, 1.0) * self.half[j]
        t0 = fluid.theta(mode)
        steep = 2 * fluid.gamma / self.r(j, x)

        def spare(t):  # and its slope along the way
            pull = way * steep * (np.cos(t0 + lean) - np.cos(t + lean))
            slope = -steep * np.sin(t + lean) - loss * 3 * t * t / k
            return size - pull - loss * way * (t**3 - t0**3) / k, slope

        low, high = np.zeros_like(x), np.where(way > 0, np.pi - t0, t0)
        over = np.maximum(spare(t0 + way * high)[0], 0.0)  # beyond where the angle ends
        for _ in range(60):
            middle = 0.5 * (low + high)
            on = spare(t0 + way * middle)[0] > 0
            low, high = np.where(on, middle, low), np.where(on, high, middle)
        t = t0 + way * high
        value, slope = spare(t)
        t = np.where(over > 0, t, t - way * value / np.minimum(slope, -1e-300))
        rise = np.where(over > 0, 0.0, steep * np.sin(t + lean) * k / np.maximum(3 * t * t, 1e-300))
        speed = way * np.abs(t**3 - t0**3) / k + way * over / loss
        return area * speed, area / (loss + rise)

    def _straight(self, j, x, drop):
        """(Q, slope) of a flow curve in straight tubes."""
        wall = self.radius[j] / (2 * x)
        s, slope = self.fluid.curve.shear(drop * wall)
        return np.pi * self.radius[j] ** 3 * s, np.pi * self.radius[j] ** 3 * slope * wall

    def _waisted(self, j, x, drop):
        """(Q, slope): in a cone ds/s = -3 dr/r, so the loss is an integral in ln s."""
        half, alpha, r0 = self.length[j] / 2, self.slope[j], self.radius[j]
        a, b = np.minimum(x, half), np.maximum(x - half, 0.0)
        radii = np.array([r0, r0 - alpha * a, r0 * self.waist[j], r0 * self.waist[j] + alpha * b])
        shift = np.log(np.pi * radii**3)
        short = a < 1e-3 * half

        def loss(y):  # y = ln Q: pressure loss and its slope in y
            z = y - shift
            whole, edge = self.cone(z), self.stress(z)
            first = np.where(
                short, 1.5 * alpha * a * (edge[0] / r0 + edge[1] / radii[1]), whole[1] - whole[0]
            )
            value = first + whole[2] - whole[3]
            return value * 2 / (3 * alpha), (edge[1] - edge[0] + edge[2] - edge[3]) * 2 / (
                3 * alpha
            )

        drop = np.maximum(drop, 1e-12 * self.fluid.gamma / r0)
        low, high = np.full(len(j), -65.0) + shift.max(0), np.full(len(j), 35.0) + shift.min(0)
        mean = 2 * (a + b) / r0
        y = np.log(np.pi * r0**3 * shear(self.fluid, drop / mean))
        for _ in range(300):
            value, slope = loss(y)
            high, low = np.where(value > drop, y, high), np.where(value <= drop, y, low)
            value = np.maximum(value, 1e-300)
            rate = np.maximum(slope / value, 1e-6)  # d ln loss / d ln Q, small on the plateau
            step = np.clip(np.log(value / drop) / rate, -2.0, 2.0)
            done = np.abs(step) <= 1e-10  # as good as there: no bisection, which would lead away
            new = y - step
            y = np.where(done | ((new > low) & (new < high)), new, 0.5 * (low + high))
            if done.all():
                break
        q = np.exp(y)
        return q, q / np.maximum(loss(y)[1], 1e-300)


def _cone(start, slope, run, k):
    """Integral of r^-k over a length ``run`` along which r = start + slope * position."""
    end = start + slope * run
    cylinder = run * start**-k
    with np.errstate(divide="ignore", invalid="ignore"):
        cone = (start ** (1 - k) - end ** (1 - k)) / ((k - 1) * slope)
    thin = np.abs(slope * run) < 1e-6 * start
    series = cylinder * (1 - k * slope * run / (2 * start))
    return np.where(thin, series, cone)
