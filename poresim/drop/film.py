"""The film that a plate takes along as it is lifted upright from a liquid, and how it drains.

Newtonian liquids that wet the plate. SI units; arguments broadcast; single numbers give floats.
Capillary number Ca: viscosity times speed over surface tension.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.drop.puddle import capillary_length
from poresim.liquid.properties import Floats, between, plain, within
from poresim.liquid.suspension import GRAVITY

#: 0.64304 * 3^(2/3) / sqrt(2): the curvature to which h''' = (h - 1) / h^3 tends, matched to that
#: of the static meniscus, sqrt(2) / lc (Landau & Levich 1942).
LANDAU_LEVICH = 0.94581
SLOW, FAST = 1e-2, 1.0  # capillary numbers
_LARGE = 1e6


def withdrawn(
    viscosity: ArrayLike,
    speed: ArrayLike,
    surface_tension: ArrayLike,
    density: ArrayLike,
    gravity: ArrayLike = GRAVITY,
) -> Any:
    """Thickness, m, of the film on a plate withdrawn slowly: 0.9458 lc Ca^(2/3).

    viscosity : Pa s. speed : m/s, upward, at least 0. surface_tension : N/m. density : kg/m3.
    Landau & Levich 1942, Derjaguin 1943. Far thinner than lc, and at Ca up to 0.01 (from memory);
    ValueError above.
    """
    ca = _capillary_number(viscosity, speed, surface_tension)
    _refuse(ca, ca > SLOW, f"up to {SLOW:g}")
    lc = np.asarray(capillary_length(surface_tension, density, gravity))
    return plain(LANDAU_LEVICH * lc * np.cbrt(ca) ** 2)


def withdrawn_fast(
    viscosity: ArrayLike,
    speed: ArrayLike,
    surface_tension: ArrayLike,
    density: ArrayLike,
    gravity: ArrayLike = GRAVITY,
) -> Any:
    """Greatest thickness, m, of the film on a plate withdrawn fast: sqrt(mu U / (density g)).

    Arguments as of withdrawn. Derjaguin 1945 (from memory): what gravity lets through is most,
    U h - density g h^3 / (3 mu), at this thickness; it carries up 2/3 h U, so that once lifted out
    the film is 2/3 as thick in the mean. A bound: measured films are thinner, about 0.6 to 0.7 of
    it (from memory). At Ca from about 1 on (it meets withdrawn's law at 1.4), where surface tension
    no longer matters; ValueError below. Inertia is left out.
    """
    ca = _capillary_number(viscosity, speed, surface_tension)
    _refuse(ca, ca < FAST, f"from {FAST:g} on")
    lc = np.asarray(capillary_length(surface_tension, density, gravity))
    return plain(lc * np.sqrt(ca))


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


def _refuse(ca: Floats, wrong: Any, allowed: str) -> None:
    if wrong.any():
        raise ValueError(
            f"the capillary number (viscosity speed / surface tension) must be {allowed}, "
            f"got {ca[wrong][0]:.3g}"
        )
