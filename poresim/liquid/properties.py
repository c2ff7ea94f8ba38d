"""What a liquid made of something known comes to, and the ranges in which that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

KELVIN = 273.15  # of 0 C


@dataclass(frozen=True)
class Properties:
    """density in kg/m3, viscosity (Newtonian) in Pa s, surface_tension against air in N/m."""

    density: float
    viscosity: float
    surface_tension: float


def within(name: str, value: ArrayLike, least: float, greatest: float, unit: str = "") -> Floats:
    """``value`` as numbers, all of them in the range.

    Raises ValueError (the first that lies outside, with the range), TypeError (no number).
    """
    given = np.asarray(value)
    if given.dtype.kind not in "iuf":
        raise TypeError(f"{name} must be a number, got {value!r}")
    numbers = given.astype(np.float64)
    outside = ~((numbers >= least) & (numbers <= greatest))  # also what is not a number
    if outside.any():
        span = f"{least:g} to {greatest:g}" + (f" ({unit})" if unit else "")
        raise ValueError(f"{name} must lie in {span}, got {numbers[outside][0]:g}")
    return numbers


def plain(values: Floats) -> Any:
    """A single number as a float; arrays as they are."""
    return float(values) if np.ndim(values) == 0 else values
