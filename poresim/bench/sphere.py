"""Viscosity from the speed of a sphere that falls (or rises) along the axis of a wide tube.

Stokes (1851), with the wall's drag of Haberman & Sayre (1958) and with inertia by Schiller &
Naumann (1933), added to it as inertia is felt near the sphere first:

    mu (K + 0.15 Re^0.687) = d^2 |rho_s - rho| g / (18 v),   Re = rho v d / mu,
    K = (1 - 0.75857 q^5) / (1 - 2.1050 q + 2.0865 q^3 - 1.7068 q^5 + 0.72603 q^6),  q = d / D.

For thin spheres K = 1 + 2.105 q (Faxen 1922; Ladenburg 1907 has 2.4). Held to q up to 0.5, where K
is within 2 % of the exact solution, and to Re up to 10. That inertia and wall do not simply add or
multiply goes into the sd: half of the difference, and 5 % of the inertia. From memory. Newtonian
liquids only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import NamedTuple

from poresim.bench.error import BenchError
from poresim.bench.propagate import propagated
from poresim.liquid.suspension import GRAVITY

WIDEST, FASTEST = 0.5, 10.0  # d / D and Reynolds number
_WALL_SD = 0.01
_VISCOSITIES = (1e-6, 1e5)  # Pa s


@dataclass(frozen=True)
class Fall:
    """diameter of the sphere, distance between the marks, tube : its inner diameter; m. time : s.
    solid, liquid : densities, kg/m3."""

    diameter: float
    distance: float
    tube: float
    time: float
    solid: float
    liquid: float

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if not (math.isfinite(value) and value > 0):
                raise BenchError(f"{name} of a fall must be above 0, got {value:g}")


class Fallen(NamedTuple):
    """viscosity and sd, Pa s. shear_rate : at the sphere's widest circle, 1/s. reynolds. wall : K.
    start : way in which the final speed is reached, m. parts : sd of ln(viscosity) by source."""

    viscosity: float
    sd: float
    shear_rate: float
    reynolds: float
    wall: float
    start: float
    parts: dict[str, float]


def wall_drag(ratio: float) -> float:
    """K, drag over that far from walls, for sphere over tube diameter up to 0.5."""
    q = ratio
    return (1 - 0.75857 * q**5) / (1 - 2.1050 * q + 2.0865 * q**3 - 1.7068 * q**5 + 0.72603 * q**6)


def fallen(fall: Fall, sds: Mapping[str, float]) -> Fallen:
    """The viscosity of the liquid. sds : of the numbers of a fall, by name.

    Raises BenchError outside the range of the formulas, and where the densities are no different.
    """
    if fall.diameter > WIDEST * fall.tube:
        raise BenchError(
            f"the sphere takes {fall.diameter / fall.tube:.2g} of the tube's width; at most "
            f"{WIDEST:g} is expected: take a wider tube or a smaller sphere"
        )
    lift = abs(fall.solid - fall.liquid)
    apart = math.hypot(sds.get("solid", 0.0), sds.get("liquid", 0.0))
    if lift <= 2 * apart:
        raise BenchError(
            f"sphere and liquid differ by {lift:.3g} ± {apart:.3g} kg/m3: too little for a speed "
            "to tell the viscosity"
        )
    mu = _viscosity(asdict(fall))
    speed, wall = fall.distance / fall.time, wall_drag(fall.diameter / fall.tube)
    reynolds = fall.liquid * speed * fall.diameter / mu
    if reynolds > FASTEST:
        raise BenchError(
            f"the sphere falls at a Reynolds number of {reynolds:.3g}; up to {FASTEST:g} the "
            "formula holds: take a smaller or lighter sphere"
        )
    inertia = _inertia(reynolds)
    _, parts = propagated(lambda now: math.log(_viscosity(now)), asdict(fall), sds)
    parts["wall"] = _WALL_SD * min(wall - 1.0, 1.0)
    parts["inertia"] = inertia * (0.05 + 0.5 * (wall - 1.0)) / (wall + inertia)
    share = math.sqrt(sum(part**2 for part in parts.values()))
    relaxing = (fall.solid + 0.5 * fall.liquid) * fall.diameter**2 / (18 * mu * wall)
    return Fallen(
        mu, mu * share, 3 * speed / fall.diameter, reynolds, wall, 4 * speed * relaxing, parts
    )


def _viscosity(now: Mapping[str, float]) -> float:
    """Pa s. The drag rises with the viscosity, so there is one root."""
    from scipy.optimize import brentq

    d, speed = now["diameter"], now["distance"] / now["time"]
    wall = wall_drag(d / now["tube"])
    drag = d**2 * abs(now["solid"] - now["liquid"]) * GRAVITY / (18 * speed)

    def over(log_mu: float) -> float:
        mu = math.exp(log_mu)
        return math.log(mu * (wall + _inertia(now["liquid"] * speed * d / mu)) / drag)

    ends = [math.log(v) for v in _VISCOSITIES]
    if not over(ends[0]) < 0 < over(ends[1]):
        raise BenchError("no viscosity from 1e-3 to 1e8 mPa s lets a sphere fall like that")
    return math.exp(brentq(over, *ends, xtol=1e-13))


def _inertia(reynolds: float) -> float:
    return float(0.15 * reynolds**0.687)
