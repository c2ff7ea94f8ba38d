"""At which shear rates a liquid flows while it soaks in, and which of them were not measured.

A meniscus of a tube's radius r pulls with 2 gamma cos(angle) / r, and the wall bears half of r over
the depth of it: gamma cos(angle) / L, whatever the radius. So a Newtonian liquid's rate at the wall
is gamma cos(angle) / (mu L): 3600 1/s for 36 mN/m, 1 mPa s and 10 mm (Washburn 1921, Poiseuille).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from poresim.bench.error import BenchError

#: Wall shear rates, 1/s, of broths in solids of mm to cm.
PORES = (1e2, 1e5)
_RATES = (1e-9, 1e12)


def missing(slowest: float, fastest: float) -> list[tuple[float, float]]:
    """Parts of PORES outside what was measured, 1/s."""
    low, high = PORES
    if fastest <= low or slowest >= high:
        return [PORES]
    parts = [(low, slowest)] if slowest > low else []
    return [*parts, (fastest, high)] if fastest < high else parts


def wall_stress(tension: float, angle_deg: float, depth: float) -> float:
    """gamma cos(angle) / L, Pa; tension N/m, depth m.

    Raises BenchError where nothing is drawn in.
    """
    if not (tension > 0 and depth > 0):
        raise BenchError("surface tension and depth must be above 0")
    if not 0 <= angle_deg < 90:
        raise BenchError(
            f"a liquid with an angle of {angle_deg:g} degrees is not drawn in: below 90"
        )
    return tension * math.cos(math.radians(angle_deg)) / depth


def wall_rate(stress: float, viscosity: Callable[[float], float]) -> float:
    """The rate, 1/s, at which a liquid of viscosity(rate), Pa s, bears a stress; 0 below its yield.

    Infinite where its stress ends below that. By halves, on a scale of logarithms.
    """
    low, high = (math.log(r) for r in _RATES)
    if viscosity(_RATES[0]) * _RATES[0] > stress:
        return 0.0
    if viscosity(_RATES[1]) * _RATES[1] < stress:
        return math.inf
    for _ in range(80):
        middle = math.exp(0.5 * (low + high))
        if viscosity(middle) * middle < stress:
            low = 0.5 * (low + high)
        else:
            high = 0.5 * (low + high)
    return math.exp(0.5 * (low + high))
