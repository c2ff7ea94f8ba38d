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


def check(
    name: str, value: float, *, above: float | None = None, least: float | None = None
) -> None:
    """Raise unless ``value`` is a finite number within its bounds."""
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, Real):
        raise TypeError(f"{name} must be a number, got {value!r}")
    if not np.isfinite(value):
        raise ValueError(f"{name} must be finite, got {value}")
    if above is not None and not value > above:
        raise ValueError(f"{name} must be above {above:g}, got {value:g}")
    if least is not None and not value >= least:
        raise ValueError(f"{name} must be at least {least:g}, got {value:g}")


def check_index(value: float) -> None:
    """Raise unless ``value`` can be a flow index."""
    check("index", value, above=0)
    if not LEAST_INDEX <= value <= MOST_INDEX:
        raise ValueError(f"index must lie in {LEAST_INDEX:g} to {MOST_INDEX:g}, got {value:g}")


def rates(shear_rate: ArrayLike) -> NDArray[np.float64]:
    """Shear rates, 1/s, as an array; ValueError unless all are finite and above 0."""
    found = np.asarray(shear_rate, dtype=np.float64)
    if not np.all(np.isfinite(found) & (found > 0)):
        raise ValueError("shear_rate (1/s) must be finite and above 0")
    return found


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

    def shear_stress(self, shear_rate: ArrayLike) -> NDArray[np.float64]:
        """Shear stress, Pa, at shear rates above 0, 1/s, of any shape."""
        raise NotImplementedError

    def apparent_viscosity(self, shear_rate: ArrayLike) -> NDArray[np.float64]:
        """Shear stress over shear rate, Pa s, at shear rates above 0, 1/s, of any shape."""
        return self.shear_stress(shear_rate) / np.asarray(shear_rate, dtype=np.float64)

    def thickened(self, factor: float) -> ViscosityLaw:
        """The law whose shear rate at every stress is this one's over ``factor``, above 0.

        So grains thicken: their effect is one number at a given stress, whatever the liquid between
        them does (common practice for suspensions in liquids that shear-thin). A yield stress
        stays.
        """
        raise NotImplementedError

    @property
    def thinnest_index(self) -> float:
        """Least of d ln(stress - yield stress) / d ln(rate), over all rates."""
        return 1.0


@dataclass(frozen=True)
class Newtonian(ViscosityLaw):
    """Constant viscosity, Pa s."""

    viscosity: float

    def __post_init__(self) -> None:
        check("viscosity (Pa s)", self.viscosity, above=0)

    def shear_stress(self, shear_rate: ArrayLike) -> NDArray[np.float64]:
        """See ViscosityLaw."""
        return self.viscosity * rates(shear_rate)

    def thickened(self, factor: float) -> Newtonian:
        """See ViscosityLaw."""
        return Newtonian(self.viscosity * factor)


@dataclass(frozen=True)
class PowerLaw(ViscosityLaw):
    """stress = consistency * rate^index (Ostwald-de Waele). Consistency in Pa s^n."""

    consistency: float
    index: float

    def __post_init__(self) -> None:
        check("consistency (Pa s^n)", self.consistency, above=0)
        check_index(self.index)

    def shear_stress(self, shear_rate: ArrayLike) -> NDArray[np.float64]:
        """See ViscosityLaw."""
        return self.consistency * rates(shear_rate) ** self.index

    def thickened(self, factor: float) -> PowerLaw:
        """See ViscosityLaw."""
        return PowerLaw(self.consistency * factor**self.index, self.index)

    @property
    def thinnest_index(self) -> float:
        """See ViscosityLaw."""
        return self.index


@dataclass(frozen=True)
class Bingham(ViscosityLaw):
    """stress = yield + plastic viscosity * rate. Yield stress in Pa, viscosity in Pa s."""

    yield_stress: float
    plastic_viscosity: float

    def __post_init__(self) -> None:
        check("yield_stress (Pa)", self.yield_stress, least=0)
        check("plastic_viscosity (Pa s)", self.plastic_viscosity, above=0)

    def shear_stress(self, shear_rate: ArrayLike) -> NDArray[np.float64]:
        """See ViscosityLaw."""
        return self.yield_stress + self.plastic_viscosity * rates(shear_rate)

    def thickened(self, factor: float) -> Bingham:
        """See ViscosityLaw."""
        return Bingham(self.yield_stress, self.plastic_viscosity * factor)


@dataclass(frozen=True)
class HerschelBulkley(ViscosityLaw):
    """stress = yield + consistency * rate^index. Yield stress in Pa, consistency in Pa s^n."""

    yield_stress: float
    consistency: float
    index: float

    def __post_init__(self) -> None:
        check("yield_stress (Pa)", self.yield_stress, least=0)
        check("consistency (Pa s^n)", self.consistency, above=0)
        check_index(self.index)

    def shear_stress(self, shear_rate: ArrayLike) -> NDArray[np.float64]:
        """See ViscosityLaw."""
        return self.yield_stress + self.consistency * rates(shear_rate) ** self.index

    def thickened(self, factor: float) -> HerschelBulkley:
        """See ViscosityLaw."""
        return HerschelBulkley(self.yield_stress, self.consistency * factor**self.index, self.index)

    @property
    def thinnest_index(self) -> float:
        """See ViscosityLaw."""
        return self.index
