"""What a liquid made of something known comes to, and the ranges in which that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.brief import Brief, Rows

Floats = NDArray[np.float64]

KELVIN = 273.15  # of 0 C


@dataclass(frozen=True, repr=False)
class Properties(Brief):
    """density in kg/m3, viscosity (Newtonian) in Pa s, surface_tension against air in N/m."""

    density: float
    viscosity: float
    surface_tension: float

    def _told(self) -> tuple[str, Rows]:
        return "Properties", [
            ("density", f"{self.density:.5g} kg/m³"),
            ("viscosity", f"{1e3 * self.viscosity:.4g} mPa s"),
            ("surface tension", f"{1e3 * self.surface_tension:.4g} mN/m"),
        ]


def within(name: str, value: ArrayLike, least: float, greatest: float, unit: str = "") -> Floats:
    """``value`` as numbers, all of them in the range.

    Raises ValueError (the first that lies outside, with the range), TypeError (no number).
    """
    numbers = as_numbers(name, value)
    outside = ~((numbers >= least) & (numbers <= greatest))  # also what is not a number
    if outside.any():
        span = f"{least:g} to {greatest:g}" + (f" ({unit})" if unit else "")
        raise ValueError(f"{name} must lie in {span}, got {numbers[outside][0]:g}")
    return numbers


def between(name: str, value: ArrayLike, above: float, below: float = math.inf) -> Floats:
    """``value`` as numbers, all of them between two that they may not reach; see within."""
    numbers = as_numbers(name, value)
    outside = ~((numbers > above) & (numbers < below))
    if outside.any():
        end = "finite" if below == math.inf else f"below {below:g}"
        raise ValueError(f"{name} must be above {above:g} and {end}, got {numbers[outside][0]:g}")
    return numbers


def as_numbers(name: str, value: ArrayLike) -> Floats:
    """``value`` as numbers, finite or not. Raises TypeError (no number)."""
    given = np.asarray(value)
    if given.dtype.kind not in "iuf":
        raise TypeError(f"{name} must be a number, got {value!r}")
    return given.astype(np.float64)


def plain(values: Floats) -> Any:
    """A single number as a float; arrays as they are."""
    return float(values) if np.ndim(values) == 0 else values
