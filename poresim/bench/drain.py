"""Viscosity from the time in which a cup with upright walls drains through a short tube.

The head h, from the tube's lower end to the surface, pays for a mean speed v in the tube:

    g (h - h_jet) = v^2 / 2 (1 + K + 4 f l / D),

v^2 / 2 for the speed itself, K for the inlet's edge, and 4 f l / D for friction and for the profile
that forms on the way. The friction factor is Shah's (1978, in Shah & London, Laminar flow forced
convection in ducts) for any length, with x = l / (D Re):

    f Re = 3.44 / x^0.5 + (16 + 1.25 / (4 x) - 3.44 / x^0.5) / (1 + 0.000212 / x^2).

In long tubes this is Poiseuille's law with the kinetic-energy term 1.125 v^2 (Hagenbach 1860,
Boussinesq 1891: 1.12), in short ones a boundary layer's. h_jet = gamma / (rho g a) is what surface
tension keeps back in a jet of the tube's radius a. The time is the integral of dh A / (pi a^2 v).

Laminar up to Re = 2000 = v D / nu at the start. All coefficients from memory. Flow cups of ISO 2431
and ASTM D1200 are of this kind; their own formulas are not used here. Newtonian liquids only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np

from poresim.bench.error import BenchError
from poresim.bench.propagate import propagated
from poresim.liquid.suspension import GRAVITY

LAMINAR = 2000.0  # Reynolds number of a tube's flow
#: Of water while a cup is calibrated: short tubes with a still inlet stay laminar longer.
LAMINAR_WATER = 5000.0
INLET, INLET_SD = 0.2, 0.2  # K: about 0.05 of a rounded edge, 0.5 of a sharp one
_WORST = (-0.3, 3.0)  # K that a cup may have
_KINEMATIC = (1e-8, 10.0)  # m2/s
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True)
class Cup:
    """radius, length : of the tube. area : of the surface. high, low : of the surface above the
    tube's lower end at the start and the end. m and m2."""

    radius: float
    length: float
    area: float
    high: float
    low: float

    def __post_init__(self) -> None:
        for name in ("radius", "length", "area", "high", "low"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise BenchError(f"{name} of a cup must be above 0, got {value:g}")
        if not self.low < self.high:
            raise BenchError(
                f"a cup drains from {1e3 * self.high:g} to {1e3 * self.low:g} mm: the first height "
                "must be the greater"
            )
        if self.low < self.length:
            raise BenchError(
                f"the last height, {1e3 * self.low:g} mm above the tube's lower end, lies within "
                f"the tube of {1e3 * self.length:g} mm"
            )
        if not self.area > math.pi * self.radius**2:
            raise BenchError("the tube is as wide as the cup")


class Drained(NamedTuple):
    """viscosity and sd, Pa s. shear_rate : at the wall, 1/s, of the mean flow; first, last : of
    the start and the end. reynolds : at the start. kinetic : share of the first head that is not
    friction. inlet : K. parts : sd of ln(viscosity) by what it stems from."""

    viscosity: float
    sd: float
    shear_rate: float
    first: float
    last: float
    reynolds: float
    kinetic: float
    inlet: float
    parts: dict[str, float]


class Water(NamedTuple):
    """A cup's time with water: time and sd in s, density kg/m3, viscosity Pa s, tension N/m."""

    time: float
    sd: float
    density: float
    viscosity: float
    tension: float


def drain_time(
    cup: Cup, kinematic: float, inlet: float = INLET, jet: float = 0.0, *, first: bool = False
) -> float:
    """Seconds from high to low for a kinematic viscosity, m2/s; jet : h_jet, m.

    first : instead the Reynolds number at the start.
    """
    speeds = [_speed(cup, h - jet, kinematic, inlet) for h in (cup.high, cup.low)]
    if first:
        return 2 * cup.radius * speeds[0] / kinematic
    ends = np.log(speeds[::-1])
    v = np.exp(0.5 * (ends[1] - ends[0]) * (_NODES + 1) + ends[0])
    h = _head(cup, v, kinematic, inlet)
    # the integral of dh / v by parts: h / v + integral of h / v over ln v
    inner = 0.5 * (ends[1] - ends[0]) * float(_WEIGHTS @ (h / v))
    outer = (cup.high - jet) / speeds[0] - (cup.low - jet) / speeds[1]
    return float(cup.area / (math.pi * cup.radius**2) * (outer + inner))


def drained(
    cup: Cup,
    density: float,
    time: float,
    time_sd: float,
    tension: float = 0.05,
    water: Water | None = None,
    sds: Mapping[str, float] | None = None,
) -> Drained:
    """The viscosity of a liquid from its drain time.

    density kg/m3, time s, tension N/m. water : finds K; without it K = 0.2 +- 0.2. sds : of the
    cup's numbers by name (radius, length, area, high, low), m and m2. Raises BenchError where the
    flow is not laminar, or the time one that the cup cannot have.
    """
    if not (time > 0 and density > 0):
        raise BenchError("drain time and density must be above 0")
    values = asdict(cup) | {"time": time, "inlet": INLET, "jet": 1.0, "water": 0.0}
    spread = dict(sds or {}) | {"time": time_sd, "jet": 0.5}
    if water is None:
        spread["inlet"] = INLET_SD
    else:
        values["water"], spread["water"] = water.time, water.sd
    _refuse_turbulent(cup, values, density, tension, water)

    def kinematic(now: Mapping[str, float]) -> float:
        return _kinematic(now, density, tension, water)[0]

    nu, inlet = _kinematic(values, density, tension, water)
    _, parts = propagated(lambda now: math.log(kinematic(now)), values, spread)
    share = math.sqrt(sum(p**2 for p in parts.values()))
    jet = _jet(cup.radius, density, tension)
    speeds = [_speed(cup, h - jet, nu, inlet) for h in (cup.high, cup.low)]
    mean = cup.area * (cup.high - cup.low) / (time * math.pi * cup.radius**2)
    friction = 32 * nu * cup.length * speeds[0] / (GRAVITY * 4 * cup.radius**2)
    return Drained(
        nu * density,
        nu * density * share,
        4 * mean / cup.radius,
        4 * speeds[0] / cup.radius,
        4 * speeds[1] / cup.radius,
        2 * cup.radius * speeds[0] / nu,
        1 - friction / (cup.high - jet),
        inlet,
        parts,
    )


def _refuse_turbulent(
    cup: Cup, values: Mapping[str, float], density: float, tension: float, water: Water | None
) -> None:
    jet = _jet(cup.radius, density, tension)
    if jet >= cup.low:
        raise BenchError(
            f"surface tension holds {1e3 * jet:.2g} mm of head at this tube, and the last height "
            f"is {1e3 * cup.low:.3g} mm: it drips; stop the clock higher"
        )
    inlet = INLET
    if water is not None:
        reynolds = drain_time(
            cup, water.viscosity / water.density, INLET, _water_jet(cup.radius, water), first=True
        )
        if reynolds > LAMINAR_WATER:
            raise BenchError(
                f"water runs out of this cup at a Reynolds number of {reynolds:.0f}, above "
                f"{LAMINAR_WATER:g}: a cup is not calibrated so; leave the water out, or take a "
                "narrower tube"
            )
        inlet = _inlet(values, water)
    # the viscosity at which the flow is just laminar, and its time
    least = _bisected(lambda nu: LAMINAR - drain_time(cup, nu, inlet, jet, first=True), *_KINEMATIC)
    shortest = drain_time(cup, least, inlet, jet)
    if values["time"] < shortest:
        raise BenchError(
            f"drains in {values['time']:.3g} s; below {shortest:.3g} s this cup's flow is not "
            f"laminar (Reynolds number above {LAMINAR:g}): take a narrower tube"
        )
    longest = drain_time(cup, _KINEMATIC[1], inlet, jet)
    if values["time"] > longest:
        raise BenchError(f"drains in {values['time']:.3g} s; no liquid here takes that long")


def _kinematic(
    now: Mapping[str, float], density: float, tension: float, water: Water | None
) -> tuple[float, float]:
    """Kinematic viscosity and K."""
    cup = _cup(now)
    inlet = now["inlet"] if water is None else _inlet(now, water)
    jet = now["jet"] * _jet(cup.radius, density, tension)
    nu = _bisected(lambda nu: drain_time(cup, nu, inlet, jet) - now["time"], *_KINEMATIC)
    return nu, inlet


def _inlet(now: Mapping[str, float], water: Water) -> float:
    """K with which the cup has the time that was measured with water."""
    cup, nu = _cup(now), water.viscosity / water.density
    jet = now["jet"] * _water_jet(cup.radius, water)
    times = [drain_time(cup, nu, k, jet) for k in _WORST]
    if not times[0] < now["water"] < times[1]:
        raise BenchError(
            f"water drains in {now['water']:.3g} s; {times[0]:.3g} to {times[1]:.3g} s fit the "
            "cup's measures: measure its tube anew"
        )
    from scipy.optimize import brentq

    found = brentq(lambda k: drain_time(cup, nu, k, jet) - now["water"], *_WORST, xtol=1e-10)
    return float(found)


def _cup(now: Mapping[str, float]) -> Cup:
    return Cup(now["radius"], now["length"], now["area"], now["high"], now["low"])


def _jet(radius: float, density: float, tension: float) -> float:
    return tension / (density * GRAVITY * radius)


def _water_jet(radius: float, water: Water) -> float:
    return _jet(radius, water.density, water.tension)


def _head(cup: Cup, speed: Any, kinematic: float, inlet: float) -> Any:
    """Head that speeds take, m; numbers, or arrays."""
    x = cup.length * kinematic / (4 * cup.radius**2 * speed)
    root = 3.44 / x**0.5
    friction = root + (16 + 1.25 / (4 * x) - root) / (1 + 0.000212 / x**2)
    return speed**2 / (2 * GRAVITY) * (1 + inlet + 4 * friction * x)


def _speed(cup: Cup, head: float, kinematic: float, inlet: float) -> float:
    """Mean speed in the tube under a head, m/s: below that without friction, and Poiseuille's."""
    from scipy.optimize import brentq

    free = math.sqrt(2 * GRAVITY * head / (1 + inlet))
    creeping = GRAVITY * head * cup.radius**2 / (8 * kinematic * cup.length)

    def over(log_v: float) -> float:
        return math.log(_head(cup, math.exp(log_v), kinematic, inlet) / head)

    top = math.log(min(free, creeping)) + 0.05
    return float(math.exp(brentq(over, top - 15.0, top, xtol=1e-13)))


def _bisected(over: Callable[[float], float], low: float, high: float) -> float:
    """The root of a function that rises from low to high, on a scale of logarithms."""
    from scipy.optimize import brentq

    return math.exp(brentq(lambda u: over(math.exp(u)), math.log(low), math.log(high), xtol=1e-11))
