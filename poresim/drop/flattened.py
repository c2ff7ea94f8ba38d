"""What gravity makes of a drop's angle when it is read off as that of a sphere's cap."""

from __future__ import annotations

import math

from poresim.drop.profile import drop_profile


def cap_bias(base_radius: float, cap_deg: float, density: float, surface_tension: float) -> float:
    """By how much the true angle lies above that of the cap of the same height and base, degrees.

    base_radius : m. Young-Laplace outlines of that base and angle, until the height fits; NaN where
    none does, for a drop that gravity flattens stays lower than such a cap.
    """
    from scipy.optimize import brentq

    height = base_radius * math.tan(math.radians(cap_deg) / 2)

    def over(angle_deg: float) -> float:
        try:
            return _height_on(base_radius, angle_deg, density, surface_tension) - height
        except ValueError:  # a puddle
            return -height

    high = cap_deg
    while over(high) < 0 and high < 178:
        high = min(high + 5.0, 178.0)
    if over(high) < 0:
        return math.nan
    return float(brentq(over, cap_deg, high, xtol=1e-3)) - cap_deg if high > cap_deg else 0.0


def _height_on(radius: float, angle_deg: float, density: float, tension: float) -> float:
    """Height of the drop on that base, m."""
    from scipy.optimize import brentq

    def wide(ln_b: float) -> float:
        drop = drop_profile(math.exp(ln_b), density, tension, angle_deg, 2)
        return drop.base_radius - radius

    sphere = math.log(radius / math.sin(math.radians(angle_deg)))
    high = sphere
    while wide(high) < 0:
        high += 0.3
    b = math.exp(brentq(wide, high - 0.3 if high > sphere else high - 1e-3, high, xtol=1e-6))
    return drop_profile(b, density, tension, angle_deg, 2).height
