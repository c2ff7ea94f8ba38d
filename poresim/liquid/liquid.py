"""A liquid: density, surface tension, contact angles, flow law and what it carries."""

from __future__ import annotations

import math
from dataclasses import dataclass

from poresim.brief import Brief, Rows
from poresim.liquid.laws import Newtonian, ViscosityLaw, check
from poresim.liquid.particles import Particles

#: A line's outer length over its inner one: a metre over the size of an atom is e^23.
MOST_LOG_RATIO = 30.0


@dataclass(frozen=True, repr=False)
class Liquid(Brief):
    """SI units; angles in degrees, measured in the liquid.

    viscosity : a flow law, such as :class:`poresim.Newtonian`. surface_tension : N/m.
    contact_angle_deg : advancing. density : kg/m3. receding_angle_deg : the advancing one when None
    (no hysteresis). particles : grains that it carries. log_length_ratio : ln(L/l) of a moving
    line, about 10: the angles given are those at rest, and at a speed v t^3 = t0^3 + 9 (viscosity v
    / surface_tension) ln(L/l) (:func:`poresim.cox_voinov`); 0: they do not depend on the speed.
    Newtonian liquids only; menisci in bodies keep the angles at rest.
    """

    viscosity: ViscosityLaw
    surface_tension: float
    contact_angle_deg: float
    density: float
    receding_angle_deg: float | None = None
    particles: Particles | None = None
    log_length_ratio: float = 0.0

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
        self._check_line()

    def _told(self) -> tuple[str, Rows]:
        angles = f"{self.contact_angle_deg:g}°"
        if self.receding_deg != self.contact_angle_deg:
            angles += f" advancing, {self.receding_deg:g}° receding"
        rows = [
            ("flow", repr(self.viscosity)),
            ("surface tension", f"{1e3 * self.surface_tension:.4g} mN/m"),
            ("contact angle", angles),
            ("density", f"{self.density:g} kg/m³"),
        ]
        if self.log_length_ratio > 0:
            rows.append(("moving line", f"ln(L/l) {self.log_length_ratio:g}"))
        if self.particles is not None:
            rows.append(("grains", repr(self.particles)))
        return "Liquid", rows

    def _check_line(self) -> None:
        ratio = self.log_length_ratio
        check("log_length_ratio", ratio, least=0)
        if ratio > MOST_LOG_RATIO:
            raise ValueError(
                f"log_length_ratio must lie in 0 (off) to {MOST_LOG_RATIO:g}, got {ratio:g}"
            )
        if ratio > 0 and not isinstance(self.viscosity, Newtonian):
            raise ValueError(
                "log_length_ratio (a contact angle that depends on the speed) needs one viscosity, "
                f"Newtonian(...), got {type(self.viscosity).__name__}"
            )

    @property
    def receding_deg(self) -> float:
        """Receding angle, degrees: the advancing one when none was stated."""
        if self.receding_angle_deg is None:
            return self.contact_angle_deg
        return self.receding_angle_deg
