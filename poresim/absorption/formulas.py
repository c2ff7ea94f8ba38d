"""Sorptivities, m s-1/2, from what a solid and a liquid are. SI units; arguments broadcast."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import plain, within

_LARGE = 1e12
_SMALL = 1e-30


def sharp_front(
    permeability: ArrayLike, porosity: ArrayLike, suction: ArrayLike, viscosity: ArrayLike
) -> Any:
    """S = sqrt(2 k f P / mu) of a front behind which all is full (Green & Ampt 1911).

    permeability : m2, of the full solid. porosity : what fills, over the block's volume. suction :
    Pa, at the front. viscosity : Pa s. Without gravity.
    """
    k = within("permeability", permeability, _SMALL, 1.0, "m2")
    f = within("porosity", porosity, 0, 1)
    pull = within("suction", suction, 0, _LARGE, "Pa")
    return plain(np.sqrt(2 * k * f * pull / _viscosity(viscosity)))


def tube_bundle(
    porosity: ArrayLike,
    radius: ArrayLike,
    surface_tension: ArrayLike,
    contact_angle_deg: ArrayLike,
    viscosity: ArrayLike,
) -> Any:
    """S = f sqrt(r gamma cos(theta) / (2 mu)) of equal straight tubes across the face.

    porosity : the tubes' share of the block's volume. radius : m. surface_tension :
    N/m. contact_angle_deg : 0 to 90. viscosity : Pa s.

    Lucas 1918, Washburn 1921.
    """
    f, r = within("porosity", porosity, 0, 1), within("radius", radius, _SMALL, 1.0, "m")
    return plain(f * pull_of(surface_tension, contact_angle_deg, viscosity) * np.sqrt(r / 2))


def pull_of(surface_tension: ArrayLike, contact_angle_deg: ArrayLike, viscosity: ArrayLike) -> Any:
    """sqrt(gamma cos(theta) / mu), (m/s)^0.5: as this, S goes from liquid to liquid in one solid.

    Of Newtonian liquids that wet, without gravity: then only the clock differs.
    """
    gamma = within("surface_tension", surface_tension, 0, _LARGE, "N/m")
    angle = within("contact_angle_deg", contact_angle_deg, 0, 90, "degrees")
    return plain(np.sqrt(gamma * np.cos(np.radians(angle)) / _viscosity(viscosity)))


def _viscosity(value: ArrayLike) -> Any:
    return within("viscosity", value, _SMALL, _LARGE, "Pa s")
