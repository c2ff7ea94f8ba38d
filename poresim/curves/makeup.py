"""What a solid is made of: pore space, wall area, tube sizes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.solid.network import Network

Floats = NDArray[np.float64]

SHARES = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Makeup:
    """Pore space and walls of a network; NaN where it has no block size.

    porosity : tube (and body) volume over block volume.
    wall_area_m2 : lateral area of all tubes; what they share at junctions is counted in each.
    surface_per_block_1_m, surface_per_solid_1_m : over the block's volume, and what the pores
        leave of it.
    surface_per_mass_m2_kg : over the dry mass; NaN where the dry density is not known.
    radius_m, throat_m : radii at the ends and at the waists that 10, 50 and 90 % of the tubes,
        by number, do not exceed.
    throat_by_volume_m : the same of the throats, by volume of the tubes.
    """

    porosity: float
    wall_area_m2: float
    surface_per_block_1_m: float
    surface_per_solid_1_m: float
    surface_per_mass_m2_kg: float
    radius_m: tuple[float, ...]
    throat_m: tuple[float, ...]
    throat_by_volume_m: tuple[float, ...]


def makeup(solid: Network, dry_density: float | None = None) -> Makeup:
    """Measure a network. dry_density : kg of dry solid over the block's volume in m3."""
    area = float(wall_area(solid).sum())
    block = float("nan") if solid.size is None else float(np.prod(solid.size))
    body = np.asarray(getattr(solid, "body_volume", 0.0), dtype=float)
    pores = float(solid.tube_volume.sum() + np.broadcast_to(body, solid.junctions).sum())
    rest = block - pores
    return Makeup(
        porosity=pores / block,
        wall_area_m2=area,
        surface_per_block_1_m=area / block,
        surface_per_solid_1_m=area / rest if rest > 0 else float("nan"),
        surface_per_mass_m2_kg=float("nan") if dry_density is None else area / block / dry_density,
        radius_m=_quantiles(solid.radius),
        throat_m=_quantiles(solid.throat_radius),
        throat_by_volume_m=_quantiles(solid.throat_radius, solid.tube_volume),
    )


def wall_area(solid: Network) -> Floats:
    """(m,) lateral area of each tube, m2: a cylinder, or two cones."""
    end, throat = solid.radius, solid.throat_radius
    slant = np.hypot(0.5 * solid.length, end - throat)
    return 2 * np.pi * (end + throat) * slant


def _quantiles(values: Floats, weights: Floats | None = None) -> tuple[float, ...]:
    if weights is None:
        return tuple(float(v) for v in np.quantile(values, SHARES, method="inverted_cdf"))
    order = np.argsort(values)
    below = np.cumsum(weights[order])
    places = np.searchsorted(below, np.array(SHARES) * below[-1])
    return tuple(float(values[order[i]]) for i in places)
