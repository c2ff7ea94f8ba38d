"""The film that a plate takes along as it is lifted upright from a liquid, and how it drains.

Newtonian liquids that wet the plate. SI units; arguments broadcast; single numbers give floats.
Capillary number Ca: viscosity times speed over surface tension.

:class:`Film` is what hangs on a lifted solid. Other liquids enter it by their apparent viscosity at
the shear rate of the lift, speed over thickness, and by the thickness that their yield stress
holds; grains by how they thicken. (An estimate of ours.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.drop.puddle import capillary_length
from poresim.liquid.properties import Floats, between, plain, within
from poresim.liquid.suspension import GRAVITY

if TYPE_CHECKING:
    from poresim.liquid.laws import ViscosityLaw

#: 0.64304 * 3^(2/3) / sqrt(2): the curvature to which h''' = (h - 1) / h^3 tends, matched to that
#: of the static meniscus, sqrt(2) / lc (Landau & Levich 1942).
LANDAU_LEVICH = 0.94581
_LARGE = 1e6
_ROUNDS = 200  # by which thickness and viscosity have found one another


@dataclass(frozen=True)
class Film:
    """What hangs on the outside of a solid just lifted out. Single numbers.

    area : m2, that it covers. thickness : m, in the mean. height : m, of what it runs down.
    viscosity : Pa s. density : kg/m3. held : m, the thickness that a yield stress keeps up.
    """

    area: float
    thickness: float
    height: float
    viscosity: float
    density: float
    held: float = 0.0

    def __post_init__(self) -> None:
        for name in ("area", "thickness", "height", "viscosity", "density"):
            between(name, getattr(self, name), 0)
        within("held", self.held, 0, np.inf)

    @property
    def volume(self) -> float:
        """m3, at first."""
        return self.area * self.thickness

    @property
    def _pace(self) -> float:
        return self.density * GRAVITY / (self.viscosity * self.height)

    def runs_down(self, volume: float) -> float:
        """At which rate, m3/s, while ``volume``, m3, is left of it; see after."""
        h = volume / self.area
        if h <= self.held:
            return 0.0
        return self.area * self._pace * min(self.thickness**3 / 3.0, 1.125 * h**3)

    def after(self, volume: float, time: float) -> float:
        """What is left of ``volume``, m3, when it has run down for ``time``, s.

        The mean of :func:`drained` over the height, written by the mean thickness h alone, so that
        it holds too where the solid drinks of it:
        dh/dt = -(density g / (viscosity height)) min(thickness^3 / 3, 9 h^3 / 8).
        The first while the upper part is still as thick as it was, down to h = 2/3 thickness.
        """
        h = volume / self.area
        if h <= self.held:
            return volume
        pace, steady = self._pace, 2.0 / 3.0 * self.thickness
        if h > steady:
            rate = pace * self.thickness**3 / 3.0
            until = (h - steady) / rate
            if time <= until:
                return self.area * max(h - rate * time, self.held)
            h, time = steady, time - until
        h = 1.0 / math.sqrt(1.0 / h**2 + 2.25 * pace * time)
        return self.area * max(h, self.held)


def film_on(
    law: ViscosityLaw,
    speed: float,
    surface_tension: float,
    density: float,
    area: float,
    height: float,
) -> Film:
    """The film of a liquid of that flow law on a solid lifted at ``speed``, m/s, above 0.

    The arguments are those of :class:`Film` and of :func:`entrained`.
    """
    between("speed", speed, 0)
    thick = 0.0
    viscosity = float(law.apparent_viscosity(1.0))
    for _ in range(_ROUNDS):
        before, thick = thick, float(entrained(viscosity, speed, surface_tension, density))
        if abs(thick - before) <= 1e-12 * thick:
            break
        viscosity = float(law.apparent_viscosity(speed / thick))
    mean = float(carried(viscosity, speed, surface_tension, density))
    held = float(getattr(law, "yield_stress", 0.0)) / (density * GRAVITY)
    return Film(area, max(mean, held), height, viscosity, density, held)


def entrained(
    viscosity: ArrayLike,
    speed: ArrayLike,
    surface_tension: ArrayLike,
    density: ArrayLike,
    gravity: ArrayLike = GRAVITY,
) -> Any:
    """Thickness, m, of the film on a plate that is being withdrawn, at any capillary number.

    viscosity : Pa s. speed : m/s, upward, at least 0. surface_tension : N/m. density : kg/m3.
    Ca = (D / 0.9458)^(3/2) + D^2 for D = thickness / lc: White & Tallmadge 1965, Chem Eng Sci 20:33
    (from memory). Where slow (Ca up to 0.01, from memory) that is 0.9458 lc Ca^(2/3), Landau &
    Levich 1942, Derjaguin 1943; where fast sqrt(mu U / (density g)), at which gravity lets most
    through (Derjaguin 1945, from memory): a bound, of which measured films have about 0.6 to 0.7
    (from memory). Inertia is left out.
    """
    ca = _capillary_number(viscosity, speed, surface_tension)
    lc = np.asarray(capillary_length(surface_tension, density, gravity))
    return plain(lc * _over_length(ca))


def carried(
    viscosity: ArrayLike,
    speed: ArrayLike,
    surface_tension: ArrayLike,
    density: ArrayLike,
    gravity: ArrayLike = GRAVITY,
) -> Any:
    """Mean thickness, m, of the film once the plate has left the liquid.

    Arguments as of entrained. What goes up, U h - density g h^3 / (3 mu), over U, at the thickness
    h of :func:`entrained`: all of it where slow, two thirds where fast.
    """
    ca = _capillary_number(viscosity, speed, surface_tension)
    lc = np.asarray(capillary_length(surface_tension, density, gravity))
    d = _over_length(ca)
    runs_back = np.divide(d**2, 3.0 * ca, out=np.zeros_like(d), where=ca > 0)
    return plain(lc * d * (1.0 - runs_back))


def _over_length(ca: Floats) -> Floats:
    """Thickness over the capillary length: the root D of (D / 0.9458)^(3/2) + D^2 = Ca.

    With s = sqrt(D) the left is convex and rising: Newton's method from above comes down to it.
    """
    s = np.sqrt(np.minimum(np.sqrt(ca), LANDAU_LEVICH * np.cbrt(ca) ** 2))
    k = LANDAU_LEVICH**-1.5
    for _ in range(_ROUNDS):
        slope = 3.0 * k * s**2 + 4.0 * s**3
        step = np.divide(k * s**3 + s**4 - ca, slope, out=np.zeros_like(s), where=slope > 0)
        s = s - step
        if np.all(np.abs(step) <= 1e-15 * s):
            break
    return np.asarray(s**2)


def drained(
    depth: ArrayLike,
    time: ArrayLike,
    viscosity: ArrayLike,
    density: ArrayLike,
    first: ArrayLike | None = None,
    gravity: ArrayLike = GRAVITY,
) -> Any:
    """Thickness, m, of a film that runs down an upright plate: sqrt(mu z / (density g t)).

    depth : z, m, at least 0, below the film's upper edge. time : t, s, above 0 (at least 0 with
    ``first``), since it was lifted out. viscosity : Pa s. density : kg/m3. first : m, above 0: the
    film was as thick everywhere at t = 0, and still is where z is over density g first^2 t / mu;
    None: so thick that it does not matter. Exact for dh/dt + (density g / mu) h^2 dh/dz = 0
    (Jeffreys 1930; from memory). Without surface tension or inertia: not near the edges, nor
    where forces between the faces of the film count (below about 0.1 um).
    """
    z = within("depth", depth, 0, _LARGE)
    mu = between("viscosity", viscosity, 0)
    weight = between("density", density, 0) * between("gravity", gravity, 0)
    if first is None:
        return plain(np.sqrt(mu * z / (weight * between("time", time, 0))))
    thick, t = between("first", first, 0), within("time", time, 0, np.inf)
    # Kept finite at t = 0 and at the upper edge: what the wave has passed is the thinner one.
    thick, passed = np.broadcast_arrays(thick, mu * z < weight * thick**2 * t)
    thin = np.sqrt(mu * z / (weight * np.where(t > 0, t, 1.0)))
    return plain(np.where(passed, thin, thick))


def _capillary_number(viscosity: ArrayLike, speed: ArrayLike, tension: ArrayLike) -> Floats:
    stress = between("viscosity", viscosity, 0) * within("speed", speed, 0, _LARGE)
    return np.asarray(stress / between("surface_tension", tension, 0))
