"""Flow curves for the general oracle: formulas, an interpolant and quadrature written out here.

A curve is ln(stress) and the local index over ln(rate). With the wall stress tw and the rate g
there, the reduced flow s = Q / (pi r^3) is the integral of tau^2 g dtau / tw^3 (Weissenberg-
Rabinowitsch-Mooney), summed over cells of ln(rate) by Gauss-Legendre quadrature, and
d ln s / d ln tw = g / s - 3. Beyond the table the curve is a power law.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicHermiteSpline

KNOTS, WEIGHTS = np.polynomial.legendre.leggauss(6)
LOW, HIGH, CELLS = -40.0, 40.0, 16000  # ln of rates in 1/s


@dataclass(frozen=True)
class Curve:
    """``law``: the name and the arguments (SI) of the law, as the package's users give them."""

    law: str
    arguments: tuple
    flow: CubicHermiteSpline = field(init=False, repr=False, compare=False)  # ln s of ln tw
    stress: CubicHermiteSpline = field(init=False, repr=False, compare=False)  # and back

    def __post_init__(self):
        formula = {"Cross": cross, "Carreau": carreau, "MeasuredFlow": measured}[self.law]
        z, y, slope = tabulated(*formula(*self.arguments))
        object.__setattr__(self, "flow", CubicHermiteSpline(z, y, slope))
        object.__setattr__(self, "stress", CubicHermiteSpline(y, z, 1 / slope))

    @property
    def steep(self):
        """Flow index at the highest rates."""
        end = self.flow.x[-1]
        return 1 / float(self.flow(end, 1))

    def shear(self, stress):
        """(s, ds/dtw) at wall stresses >= 0; below 1e-9 Pa the slope stays what it is there."""
        y, _ = _onward(self.flow, np.log(np.maximum(stress, 1e-60)))
        over = np.log(np.maximum(stress, 1e-9))
        steep, slope = _onward(self.flow, over)
        return np.exp(y), slope * np.exp(steep - over)

    def stress_of(self, log_s):
        """Wall stress at ln s."""
        return np.exp(_onward(self.stress, log_s)[0])


def _onward(spline, at):
    """(value, slope), by straight lines beyond the ends."""
    inside = np.clip(at, spline.x[0], spline.x[-1])
    slope = spline(inside, 1)
    return spline(inside) + slope * (at - inside), slope


def tabulated(log_stress, kinks=()):
    """(ln tw, ln s, d ln s / d ln tw) at the ends of the cells; ``kinks`` are among these."""
    x = np.unique(np.concatenate([np.linspace(LOW, HIGH, CELLS + 1), kinks]))
    half = 0.5 * np.diff(x)
    inner = x[:-1, None] + half[:, None] * (1 + KNOTS)
    # tau^2 g dtau = tau^3 g n dln(g), over the stress at the end of each cell: no overflow
    z, n = log_stress(x)
    zi, ni = log_stress(inner)
    part = half * ((np.exp(3 * (zi - z[1:, None]) + inner - x[1:, None]) * ni) @ WEIGHTS)
    s = np.empty(len(x))  # over the rate
    s[0] = n[0] / (3 * n[0] + 1)  # a power law below
    fall = np.exp(-3 * np.diff(z) - np.diff(x))
    for k in range(len(part)):
        s[k + 1] = s[k] * fall[k] + part[k]
    return z, np.log(s) + x, 1 / s - 3


def cross(zero, infinite, time, exponent):
    """Cross 1965, J Colloid Sci 20:417 (from memory)."""

    def log_stress(x):
        u = (time * np.exp(x)) ** exponent
        viscosity = infinite + (zero - infinite) / (1 + u)
        bend = -(zero - infinite) * exponent * u / (1 + u) ** 2
        return np.log(viscosity) + x, 1 + bend / viscosity

    return (log_stress,)


def carreau(zero, infinite, time, index):
    """Carreau 1972, Trans Soc Rheol 16:99 (from memory)."""

    def log_stress(x):
        u = (time * np.exp(x)) ** 2
        viscosity = infinite + (zero - infinite) * (1 + u) ** ((index - 1) / 2)
        bend = (zero - infinite) * (index - 1) * u * (1 + u) ** ((index - 3) / 2)
        return np.log(viscosity) + x, 1 + bend / viscosity

    return (log_stress,)


def measured(rate, viscosity, infinite=0.0, zero=np.inf):
    """The curve as ps.MeasuredFlow says it runs: cubics through the points, power laws beyond.

    Slopes at the points are the harmonic mean of the neighbouring lines', at most 1.5 times the
    lesser (monotone: Fritsch & Carlson 1980, SIAM J Numer Anal 17:238). The power laws are those of
    viscosity - infinite above (Sisko 1958) and of zero / viscosity - 1 below (Cross 1965): the line
    through three of them, in ln-ln, says with which slope the curve ends, its power at most 3, at
    most a factor of 1.5 off the last line's.
    """
    rate, viscosity = np.asarray(rate, dtype=float), np.asarray(viscosity, dtype=float)
    x, y = np.log(rate), np.log(np.multiply(rate, viscosity))
    lines = (y[1:] - y[:-1]) / (x[1:] - x[:-1])
    m = np.empty(len(x))
    for k in range(1, len(x) - 1):
        a, b = lines[k - 1], lines[k]
        m[k] = min(2 / (1 / a + 1 / b), 1.5 * min(a, b))
    excess = viscosity[-3:] - infinite
    lack = 1 / viscosity[:3] - 1 / zero  # zero / viscosity - 1, over zero
    falls = min(-np.polyfit(x[-3:], np.log(excess), 1)[0], 3.0)
    grows = min(np.polyfit(x[:3], np.log(lack), 1)[0], 3.0)
    excess, lack = excess[-1] / viscosity[-1], lack[0] * viscosity[0]
    m[-1] = np.clip(1 - falls * excess, lines[-1] / 1.5, lines[-1] * 1.5)
    m[0] = np.clip(1 - grows * lack, lines[0] / 1.5, lines[0] * 1.5)
    falls, grows = (1 - m[-1]) / excess, (1 - m[0]) / lack

    def log_stress(at):
        at = np.asarray(at)
        k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
        h = x[k + 1] - x[k]
        t = np.clip((at - x[k]) / h, 0.0, 1.0)
        value = (
            y[k] * (1 + 2 * t) * (1 - t) ** 2
            + y[k + 1] * t * t * (3 - 2 * t)
            + h * m[k] * t * (1 - t) ** 2
            - h * m[k + 1] * t * t * (1 - t)
        )
        slope = (
            6 * t * (1 - t) * (y[k + 1] - y[k]) / h
            + m[k] * (1 - t) * (1 - 3 * t)
            + m[k + 1] * t * (3 * t - 2)
        )
        over, under = np.maximum(at - x[-1], 0), np.maximum(x[0] - at, 0)
        thin = 1 - excess + excess * np.exp(-falls * over)  # viscosity over that at the end
        thick = 1 / (1 - lack + lack * np.exp(-grows * under))
        value = value + over - under + np.log(thin) + np.log(thick)
        slope = np.where(at > x[-1], 1 - falls * (1 - (1 - excess) / thin), slope)
        slope = np.where(at < x[0], 1 - grows * (1 - (1 - lack) * thick), slope)
        return value, slope

    return log_stress, x
