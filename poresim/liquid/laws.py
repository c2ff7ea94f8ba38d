"""Flow laws: how a liquid's shear rate answers a shear stress.

Each law is a small frozen dataclass in SI units. The flow rate in a tube follows from the
Weissenberg-Rabinowitsch-Mooney relation, Q = pi R^3 / tw^3 * integral_0^tw tau^2 rate(tau) dtau,
with the wall stress tw = R dP / (2 L); the kernels stand in :mod:`poresim.tube`.
"""

from __future__ import annotations

from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Flow indices outside these are no liquid's, and their stresses overflow double precision.
LEAST_INDEX, MOST_INDEX = 0.05, 5.0


def _check(
    name: str, value: float, *, above: float | None = None, least: float | None = None
) -> None:
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, Real):
        raise TypeError(f"{name} must be a number, got {value!r}")
    if not np.isfinite(value):
        raise ValueError(f"{name} must be finite, got {value}")
    if above is not None and not value > above:
        raise ValueError(f"{name} must be above {above:g}, got {value:g}")
    if least is not None and not value >= least:
        raise ValueError(f"{name} must be at least {least:g}, got {value:g}")


def _check_index(value: float) -> None:
    _check("index", value, above=0)
    if not LEAST_INDEX <= value <= MOST_INDEX:
        raise ValueError(f"index must lie in {LEAST_INDEX:g} to {MOST_INDEX:g}, got {value:g}")


class ViscosityLaw:
    """Common base: every law gives the flow rate in a round tube."""

    def tube_flow_rate(
        self, pressure_drop: ArrayLike, radius: ArrayLike, length: ArrayLike
    ) -> NDArray[np.float64] | Any:
        """Flow rate in a straight tube, m3/s; odd in the pressure drop; arguments broadcast.

        pressure_drop in Pa, radius and length in m (above 0).
        """
        from poresim.tube.rates import tube_flow_rate  # loads the compiled kernels

        return tube_flow_rate(self, pressure_drop, radius, length)


@dataclass(frozen=True)
class Newtonian(ViscosityLaw):
    """Constant viscosity, Pa s."""

    viscosity: float

    def __post_init__(self) -> None:
        _check("viscosity (Pa s)", self.viscosity, above=0)


@dataclass(frozen=True)
class PowerLaw(ViscosityLaw):
    """stress = consistency * rate^index (Ostwald-de Waele). Consistency in Pa s^n."""

    consistency: float
    index: float

    def __post_init__(self) -> None:
        _check("consistency (Pa s^n)", self.consistency, above=0)
        _check_index(self.index)


@dataclass(frozen=True)
class Bingham(ViscosityLaw):
    """stress = yield + plastic viscosity * rate. Yield stress in Pa, viscosity in Pa s."""

    yield_stress: float
    plastic_viscosity: float

    def __post_init__(self) -> None:
        _check("yield_stress (Pa)", self.yield_stress, least=0)
        _check("plastic_viscosity (Pa s)", self.plastic_viscosity, above=0)


@dataclass(frozen=True)
class HerschelBulkley(ViscosityLaw):
    """stress = yield + consistency * rate^index. Yield stress in Pa, consistency in Pa s^n."""

    yield_stress: float
    consistency: float
    index: float

    def __post_init__(self) -> None:
        _check("yield_stress (Pa)", self.yield_stress, least=0)
        _check("consistency (Pa s^n)", self.consistency, above=0)
        _check_index(self.index)
