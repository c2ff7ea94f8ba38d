"""Suspended grains: size classes and how many of them are wide enough to close a throat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, init=False, eq=False)
class Particles:
    """Grains carried by a liquid, as size classes.

    volume_fraction : share of the suspension's volume that is grains, 0 to 0.6.
    diameter : (k,) or scalar, class diameters, m.
    share : (k,) share of the grains' volume in each class (normalised); equal when None.
    density : kg/m3 of a grain.
    leak : conductance that a closed throat keeps, as a share of its own, in (0, 1].
    """

    volume_fraction: float
    diameter: Floats
    share: Floats
    density: float
    leak: float

    def __init__(
        self,
        volume_fraction: float,
        diameter: ArrayLike,
        share: ArrayLike | None = None,
        density: float = 1400.0,
        leak: float = 0.02,
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

    def number_density(self, at_least: ArrayLike) -> Floats:
        """Grains per m3 of suspension whose diameter is at least ``at_least`` (m, any shape)."""
        order = np.argsort(self.diameter)
        d = self.diameter[order]
        counts = self.volume_fraction * self.share[order] / (np.pi * d**3 / 6)
        above = np.append(np.cumsum(counts[::-1])[::-1], 0.0)
        return above[np.searchsorted(d, np.asarray(at_least, dtype=np.float64), side="left")]
