"""A sessile drop that gravity flattens: the axisymmetric Young-Laplace equation, integrated.

Bashforth & Adams 1883, from the apex down along the arc s, lengths in capillary lengths:
dr/ds = cos f, dz/ds = sin f, df/ds = 2/b + z - sin f / r, and dV/ds = pi r^2 sin f.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq


class Shape(NamedTuple):
    """volume, base_radius, height, and the pressure at its base over density g lc."""

    volume: float
    base_radius: float
    height: float
    base_pressure: float


def from_apex(log_b: float, angle_deg: float) -> Shape:
    """The drop whose radius of curvature at the apex is exp(log_b), down to its contact angle."""
    pull, end = 2 * math.exp(-log_b), math.radians(angle_deg)

    def along(_: float, y: np.ndarray) -> list[float]:
        r, z, f, _volume = y
        bend = pull / 2 if r == 0 else pull + z - math.sin(f) / r
        return [math.cos(f), math.sin(f), bend, math.pi * r * r * math.sin(f)]

    def reached(_: float, y: np.ndarray) -> float:
        return y[2] - end

    reached.terminal = True  # type: ignore[attr-defined]
    far = 50 + 2 * max(log_b, 0)
    run = solve_ivp(
        along, (0, far), [0.0] * 4, method="DOP853", events=reached, rtol=1e-11, atol=1e-13
    )
    if run.status != 1:
        raise RuntimeError(f"the contact angle was not reached: {run.message}")
    r, z, _, volume = run.y_events[0][0]
    return Shape(volume, r, z, pull + z)


def of_volume(volume: float, angle_deg: float) -> Shape:
    """volume in lc^3."""
    return _sought(lambda shape: math.log(shape.volume / volume), volume, angle_deg)


def of_base(base_radius: float, angle_deg: float) -> Shape:
    """base_radius in lc."""
    return _sought(lambda shape: math.log(shape.base_radius / base_radius), 1.0, angle_deg)


def _sought(miss, scale: float, angle_deg: float) -> Shape:
    def off(log_b: float) -> float:
        return miss(from_apex(log_b, angle_deg))

    low = math.log(scale) / 3 - 3
    high = low + 1
    while off(high) < 0:
        high += 1
    found = brentq(off, low, high, xtol=1e-13, rtol=1e-13)
    return from_apex(found, angle_deg)
