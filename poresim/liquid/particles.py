"""Suspended grains: size classes and how many of them are wide enough to close a throat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.brief import length
from poresim.liquid.laws import check

Floats = NDArray[np.float64]


@dataclass(frozen=True, init=False, eq=False, repr=False)
class Particles:
    """Grains carried by a liquid, as size classes.

    volume_fraction : share of the suspension's volume that is grains, 0 to 0.6.
    diameter : (k,) or scalar, class diameters, m.
    share : (k,) share of the grains' volume in each class (normalised); equal when None.
    density : kg/m3 of a grain.
    leak : conductance that a closed throat keeps, as a share of its own, in (0, 1].
    bridging_ratio : throat over grain, in width, below which grains can be caught in arches, 1 or
        above; 1: only those that do not fit are caught. 3: Marin et al. 2018, PRE 97:021102; see
        :func:`poresim.bridging_chance`.
    deposition_per_m : share of the grains that stays on the walls a metre of way, 1/m (0: none):
        dc/dx = -deposition_per_m c (Iwasaki 1937, from memory).
    bed_porosity : of what grains build before a closed throat or a face, 0.2 to 0.8.
    max_fraction : volume fraction at which they jam, 0.4 to 0.75 and above volume_fraction.
    intrinsic_viscosity : how steeply few grains thicken, 0 (not at all) or above; 2.5 for spheres.
        See :func:`poresim.krieger_dougherty`, also for max_fraction.
    passing_ratio : throat over grain, in width, above which grains pass a closed throat and what
        has built up before it; at least bridging_ratio. 7: Abrams 1977, J Pet Tech 29:586; van
        Oort et al. 1993 (from memory).
    """

    volume_fraction: float
    diameter: Floats
    share: Floats
    density: float
    leak: float
    bridging_ratio: float
    deposition_per_m: float
    bed_porosity: float
    max_fraction: float
    intrinsic_viscosity: float
    passing_ratio: float

    def __repr__(self) -> str:
        ends = dict.fromkeys(length(float(d)) for d in (self.diameter[0], self.diameter[-1]))
        count = len(self.diameter)
        return (
            f"Particles({100 * self.volume_fraction:.3g} % by volume, {' to '.join(ends)}, "
            f"{count} size{'s' * (count > 1)}, {self.density:g} kg/m³)"
        )

    def __init__(
        self,
        volume_fraction: float,
        diameter: ArrayLike,
        share: ArrayLike | None = None,
        density: float = 1400.0,
        leak: float = 0.02,
        bridging_ratio: float = 3.0,
        deposition_per_m: float = 0.0,
        bed_porosity: float = 0.4,
        max_fraction: float = 0.64,
        intrinsic_viscosity: float = 2.5,
        passing_ratio: float = 7.0,
    ) -> None:
        diameters = np.atleast_1d(np.array(diameter, dtype=np.float64))
        shares = (
            np.ones_like(diameters)
            if share is None
            else np.atleast_1d(np.array(share, dtype=np.float64))
        )
        if not 0 <= volume_fraction <= 0.6:
            raise ValueError(
                f"volume_fraction must lie in 0 to 0.6 (grains jam above), got {volume_fraction:g}"
            )
        if diameters.ndim != 1 or diameters.size == 0:
            raise ValueError(f"diameter must hold one value a class, got shape {diameters.shape}")
        if not np.all(np.isfinite(diameters)) or np.any(diameters <= 0):
            raise ValueError("diameter must be finite and above 0, in m, one value a class")
        if shares.shape != diameters.shape:
            raise ValueError(
                f"share must have one value a class: {diameters.shape}, got {shares.shape}"
            )
        if not np.all(np.isfinite(shares)) or np.any(shares < 0) or shares.sum() <= 0:
            raise ValueError("share must be finite, not negative, and not all zero")
        if not (math.isfinite(density) and density > 0):
            raise ValueError(f"density (kg/m3) must be above 0, got {density:g}")
        if not 0 < leak <= 1:
            raise ValueError(f"leak must lie above 0 and up to 1, got {leak:g}")
        put = object.__setattr__
        put(self, "volume_fraction", float(volume_fraction))
        put(self, "diameter", diameters)
        put(self, "share", shares / shares.sum())
        put(self, "density", float(density))
        put(self, "leak", float(leak))
        put(self, "bridging_ratio", float(bridging_ratio))
        put(self, "deposition_per_m", float(deposition_per_m))
        put(self, "bed_porosity", float(bed_porosity))
        put(self, "max_fraction", float(max_fraction))
        put(self, "intrinsic_viscosity", float(intrinsic_viscosity))
        put(self, "passing_ratio", float(passing_ratio))
        self._check_capture()

    def _check_capture(self) -> None:
        check("bridging_ratio (throat over grain)", self.bridging_ratio, least=1)
        check("deposition_per_m (1/m)", self.deposition_per_m, least=0)
        check("intrinsic_viscosity", self.intrinsic_viscosity, least=0)
        check("passing_ratio (throat over grain)", self.passing_ratio)
        for name, least, most in (("bed_porosity", 0.2, 0.8), ("max_fraction", 0.4, 0.75)):
            value = getattr(self, name)
            if not least <= value <= most:
                raise ValueError(f"{name} must lie in {least:g} to {most:g}, got {value:g}")
        if not self.volume_fraction < 1 - self.bed_porosity:
            raise ValueError(
                f"volume_fraction must be below 1 - bed_porosity ({1 - self.bed_porosity:g}): a "
                f"suspension is thinner than the bed that it builds, got {self.volume_fraction:g}"
            )
        if not self.max_fraction > self.volume_fraction:
            raise ValueError(
                f"max_fraction must be above volume_fraction ({self.volume_fraction:g}), got "
                f"{self.max_fraction:g}"
            )
        if not self.passing_ratio >= self.bridging_ratio:
            raise ValueError(
                f"passing_ratio must be at least bridging_ratio ({self.bridging_ratio:g}), got "
                f"{self.passing_ratio:g}"
            )

    def number_density(self, at_least: ArrayLike) -> Floats:
        """Grains per m3 of suspension whose diameter is at least ``at_least`` (m, any shape)."""
        order = np.argsort(self.diameter)
        d = self.diameter[order]
        counts = self.volume_fraction * self.share[order] / (np.pi * d**3 / 6)
        above = np.append(np.cumsum(counts[::-1])[::-1], 0.0)
        return above[np.searchsorted(d, np.asarray(at_least, dtype=np.float64), side="left")]
