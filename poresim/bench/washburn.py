"""A contact angle from two liquids in equal porous pieces, one of which wets fully.

Washburn (1921, Phys Rev 17:273): m^2 = C rho^2 gamma cos(theta) t / mu, with C the piece's. With
A = m / sqrt(t), per area or not, cos(theta) is (A/rho)^2 mu/gamma over the same of a liquid whose
cosine is 1 (Siebold et al. 1997, JCIS 186:60, from memory). On a rough porous solid that is an
apparent angle, of the solid and its roughness together.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from poresim.bench.error import BenchError


class Wetted(NamedTuple):
    """One liquid's uptake. slope, slope_sd : A, kg m-2 s-1/2 or, in equal faces, kg s-1/2. freedom
    : of the sd. tension N/m, viscosity Pa s, density kg/m3, each with its sd."""

    slope: float
    slope_sd: float
    freedom: float
    tension: tuple[float, float]
    viscosity: tuple[float, float]
    density: tuple[float, float]


class Angle(NamedTuple):
    """cosine : as measured, above 1 where it comes so, with its sd and 95 % interval. degrees : 0
    for cosines above 1. degrees_sd : NaN there. low, high : degrees, the interval. beyond : whether
    the cosine is above 1 by more than the interval allows."""

    cosine: float
    cosine_sd: float
    interval: tuple[float, float]
    degrees: float
    degrees_sd: float
    low: float
    high: float
    beyond: bool


def angle_of(liquid: Wetted, reference: Wetted) -> Angle:
    """The angle of a liquid against one that wets fully. BenchError for what is not above 0."""
    from scipy.stats import norm, t

    ratio = _strength(liquid) / _strength(reference)
    parts = [part for one in (liquid, reference) for part in _relative(one)]
    variance = sum(part**2 for part, _ in parts)
    fourth = sum(part**4 / freedom for part, freedom in parts if math.isfinite(freedom))
    relative = math.sqrt(variance)
    # Welch and Satterthwaite's degrees of freedom; the interval is even in the logarithm
    freedom = variance**2 / fourth if fourth > 0 else math.inf
    factor = float(norm.ppf(0.975) if math.isinf(freedom) else t.ppf(0.975, max(freedom, 1.0)))
    spread = math.exp(min(factor * relative, 50.0))
    low, high = ratio / spread, ratio * spread
    degrees = _degrees(ratio)
    sine = math.sqrt(max(1.0 - ratio**2, 0.0))
    sd = math.degrees(ratio * relative / sine) if sine > 0 else math.nan
    return Angle(
        ratio, ratio * relative, (low, high), degrees, sd, _degrees(high), _degrees(low), low > 1
    )


def _strength(one: Wetted) -> float:
    """(A/rho)^2 mu/gamma, what goes as the cosine."""
    for name, value in (
        ("the slope", one.slope),
        ("tension", one.tension[0]),
        ("viscosity", one.viscosity[0]),
        ("density", one.density[0]),
    ):
        if not (math.isfinite(value) and value > 0):
            raise BenchError(f"an angle needs {name} above 0, got {value:g}")
    return float((one.slope / one.density[0]) ** 2 * one.viscosity[0] / one.tension[0])


def _relative(one: Wetted) -> list[tuple[float, float]]:
    """Relative standard errors of what makes the cosine up, and their degrees of freedom."""
    return [
        (2 * one.slope_sd / one.slope, one.freedom),
        (2 * one.density[1] / one.density[0], math.inf),
        (one.viscosity[1] / one.viscosity[0], math.inf),
        (one.tension[1] / one.tension[0], math.inf),
    ]


def _degrees(cosine: float) -> float:
    return math.degrees(math.acos(min(cosine, 1.0)))
