"""A liquid: density, surface tension, contact angles, flow law and what it carries."""

from __future__ import annotations

import math
from dataclasses import dataclass

from poresim.liquid.laws import ViscosityLaw
from poresim.liquid.particles import Particles


@dataclass(frozen=True)
class Liquid:
    """SI units; angles in degrees, measured in the liquid.

    receding_angle_deg is the advancing angle when None (no hysteresis).
    """

    viscosity: ViscosityLaw
    surface_tension: float
    contact_angle_deg: float
    density: float
    receding_angle_deg: float | None = None
    particles: Particles | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.viscosity, ViscosityLaw):
            raise TypeError(
                f"viscosity must be a flow law such as Newtonian(1e-3), got {self.viscosity!r}"
            )
        for name in ("surface_tension", "density"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be finite and above 0 (SI units), got {value:g}")
        if not 0 <= self.contact_angle_deg <= 180:
            raise ValueError(
                f"contact_angle_deg must lie in 0 to 180, got {self.contact_angle_deg:g}"
            )
        receding = self.receding_angle_deg
        if receding is not None and not 0 <= receding <= self.contact_angle_deg:
            raise ValueError(
                "receding_angle_deg must lie between 0 and the advancing angle "
                f"({self.contact_angle_deg:g}), got {receding:g}"
            )

    @property
    def receding_deg(self) -> float:
        """Receding angle, degrees: the advancing one when none was stated."""
        if self.receding_angle_deg is None:
            return self.contact_angle_deg
        return self.receding_angle_deg
