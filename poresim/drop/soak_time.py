"""How long a drop takes to soak into equal tubes without end, in closed form.

The tubes stand upright under the face, of one radius R, and fill as L^2 = R gamma cos t T / (2 mu)
(Lucas 1918, Washburn 1921; T time, t angle). Neither gravity nor the drop's own pressure is seen.
SI units; arguments broadcast; single numbers give floats.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import Floats, as_numbers, between, plain, within

HAPGOOD = 1.35  # constant_base, on a base as wide as the drop in flight, has 1.37


def constant_base(
    volume: ArrayLike,
    base_radius: ArrayLike,
    porosity: ArrayLike,
    tube_radius: ArrayLike,
    viscosity: ArrayLike,
    surface_tension: ArrayLike,
    angle_deg: ArrayLike,
) -> Any:
    """s, for a drop that is pinned: 2 mu V^2 / (pi^2 rd^4 e^2 R gamma cos t).

    volume : V, m3. base_radius : rd, m. porosity : e, the tubes' share of the face, above 0 and
    below 1. tube_radius : R, m. viscosity : mu, Pa s. surface_tension : gamma, N/m. angle_deg : t,
    in the tubes, 0 to below 90. Washburn's time to fill L = V / (pi rd^2 e). Meanwhile
    V (1 - sqrt(T / time)) remains. Denesuk et al. 1993, J Colloid Interface Sci 158:114 (from
    memory).
    """
    v = within("volume", volume, 0, np.inf)
    area = math.pi * between("base_radius", base_radius, 0) ** 2 * _porosity("porosity", porosity)
    pull = _pull(tube_radius, surface_tension, angle_deg)
    return plain(2 * between("viscosity", viscosity, 0) * (v / area) ** 2 / pull)


def shrinking_base(
    volume: ArrayLike,
    base_radius: ArrayLike,
    porosity: ArrayLike,
    tube_radius: ArrayLike,
    viscosity: ArrayLike,
    surface_tension: ArrayLike,
    angle_deg: ArrayLike,
) -> Any:
    """s, for a drop that slides from the start, its own angle fixed: 9 times constant_base.

    Arguments as there; base_radius : r0, at first. With V = V0 (r / r0)^3, tubes under the drop
    all filled to L, and those that it has left at rest: dV = 3 V0 r^2 / r0^3 dr = -e pi r^2 dL, so
    r0 - r = e pi r0^3 L / (3 V0). The drop is gone, r = 0, at L = 3 V0 / (e pi r0^2): three times
    as deep, nine times as long. Meanwhile r = r0 (1 - sqrt(T / time)). Denesuk et al. 1993.
    """
    time = constant_base(
        volume, base_radius, porosity, tube_radius, viscosity, surface_tension, angle_deg
    )
    return plain(9 * np.asarray(time))


def loose_bed(
    volume: ArrayLike,
    porosity: ArrayLike,
    tube_radius: ArrayLike,
    viscosity: ArrayLike,
    surface_tension: ArrayLike,
    angle_deg: ArrayLike,
) -> Any:
    """s, for a drop on a bed of powder: 1.35 V^(2/3) mu / (e^2 R gamma cos t).

    porosity : e, of loose beds effective_porosity. tube_radius : R, m, effective_radius. The rest
    as in constant_base. Hapgood et al. 2002, J Colloid Interface Sci 253:353 (from memory).
    """
    v = within("volume", volume, 0, np.inf)
    pull = _pull(tube_radius, surface_tension, angle_deg)
    e = _porosity("porosity", porosity)
    return plain(HAPGOOD * np.cbrt(v) ** 2 * between("viscosity", viscosity, 0) / (e**2 * pull))


def effective_porosity(porosity: ArrayLike, tapped_porosity: ArrayLike) -> Any:
    """Porosity of a loose bed that draws: e_tap (1 - e + e_tap).

    porosity : e, as poured, above 0 and below 1. tapped_porosity : e_tap, once tapped, at most e.
    The rest, e - e_tap, is taken to be hollows that stop the liquid. Hapgood et al. 2002.
    """
    loose, tapped = np.broadcast_arrays(
        _porosity("porosity", porosity), _porosity("tapped_porosity", tapped_porosity)
    )
    wrong = tapped > loose
    if wrong.any():
        raise ValueError(
            f"tapped_porosity must be at most the porosity, {loose[wrong][0]:g}, "
            f"got {tapped[wrong][0]:g}"
        )
    return plain(np.asarray(tapped * (1 - loose + tapped)))


def effective_radius(diameter: ArrayLike, porosity: ArrayLike, sphericity: ArrayLike = 1.0) -> Any:
    """Radius of the tubes, m, that stand for a bed: phi d32 e / (3 (1 - e)).

    diameter : d32, m, the grains' Sauter diameter. porosity : e, above 0 and below 1, of loose beds
    effective_porosity. sphericity : phi, above 0 up to 1. Twice the pores' volume over their walls
    (Kozeny), as in Hapgood et al. 2002.
    """
    phi = between("sphericity", within("sphericity", sphericity, 0, 1), 0)
    e = _porosity("porosity", porosity)
    return plain(phi * between("diameter", diameter, 0) * e / (3 * (1 - e)))


def _porosity(name: str, value: ArrayLike) -> Floats:
    return between(name, value, 0, 1)


def _pull(tube_radius: ArrayLike, surface_tension: ArrayLike, angle_deg: ArrayLike) -> Floats:
    """R gamma cos t, N."""
    angle = as_numbers("angle_deg", angle_deg)
    wrong = ~((angle >= 0) & (angle < 90))
    if wrong.any():
        raise ValueError(f"angle_deg must lie in 0 to below 90, got {angle[wrong][0]:g}")
    radius = between("tube_radius", tube_radius, 0)
    return radius * between("surface_tension", surface_tension, 0) * np.cos(np.radians(angle))
