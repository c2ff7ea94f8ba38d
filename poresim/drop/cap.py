"""The spherical cap: a sessile drop so small that gravity does not flatten it.

All of it goes by x = tan(angle / 2) = height / base radius. The volume is pi a^3 (3 x + x^3) / 6,
and x^3 + 3 x = 2 k has the one real root x = 2 sinh(asinh(k) / 3): no digits are lost at angles
near 0 or near 180. When gravity may be left out: :mod:`poresim.drop.puddle`.

SI units; angles in degrees, measured in the liquid. Arguments broadcast; numbers give floats.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.liquid.properties import Floats, as_numbers, between, plain, within


class Cap(NamedTuple):
    """One cap or many, all of one shape: volume m3, lengths m."""

    volume: Any
    base_radius: Any
    height: Any
    angle_deg: Any
    radius_of_curvature: Any

    def laplace_pressure(self, surface_tension: ArrayLike) -> Any:
        """Pressure in the liquid over that of the air, Pa: 2 gamma / R.

        surface_tension : N/m. 0 where the cap is flat, infinite where it is empty (of a cap of an
        angle). Young 1805, Laplace 1806.
        """
        gamma = between("surface_tension", surface_tension, 0)
        with np.errstate(divide="ignore"):
            return plain(2 * gamma / np.asarray(self.radius_of_curvature))


def cap_of_angle(volume: ArrayLike, angle_deg: ArrayLike) -> Cap:
    """The cap of a volume that meets the face at an angle.

    volume : m3, at least 0. angle_deg : above 0 (there it spreads without end) up to 180 (a sphere
    on a point). V = 4/3 pi R^3 s^4 (3 - 2 s^2), with s = sin(angle / 2): geometry.
    """
    v = within("volume", volume, 0, np.inf)
    angle = as_numbers("angle_deg", angle_deg)
    _refuse("angle_deg must be above 0 and at most 180", angle, ~((angle > 0) & (angle <= 180)))
    v, angle = np.broadcast_arrays(v, angle)
    s, c = sin_and_cos_of_half(angle)
    radius = np.cbrt(3 * v / (4 * math.pi * (3 - 2 * s**2))) / np.cbrt(s) ** 4
    return _cap(v, 2 * radius * s * c, 2 * radius * s**2, angle, radius)


def cap_on_base(volume: ArrayLike, base_radius: ArrayLike) -> Cap:
    """The cap of a volume on a base of a given radius.

    volume : m3, at least 0 (flat: radius of curvature infinite). base_radius : m, above 0. Exact
    (geometry), to a few roundings.
    """
    v = within("volume", volume, 0, np.inf)
    a = between("base_radius", base_radius, 0)
    return _of_tangent(v, a, tangent_of_ratio(v / a**3))


def cap_of_height(height: ArrayLike, base_radius: ArrayLike) -> Cap:
    """The cap of a height on a base: angle 2 atan(2 height / width).

    height : m, at least 0. base_radius : m, above 0. Geometry. Of a drop that gravity has flattened
    the angle comes out too small (:func:`poresim.drop.puddle.bond_number` says by how much).
    """
    h = within("height", height, 0, np.inf)
    a = between("base_radius", base_radius, 0)
    x = h / a
    return _of_tangent(a**3 * ratio_of_tangent(x), a, x)


def volume_ratio(angle_deg: ArrayLike) -> Any:
    """Volume over the cube of the base radius: pi (3 x + x^3) / 6, x = tan(angle / 2).

    angle_deg : 0 to below 180. Grows with the angle. Geometry.
    """
    angle = as_numbers("angle_deg", angle_deg)
    _refuse("angle_deg must be at least 0 and below 180", angle, ~((angle >= 0) & (angle < 180)))
    return plain(ratio_of_tangent(tangent_of_half(angle)))


# ---- by the tangent of half the angle --------------------------------------------------------


def sin_and_cos_of_half(angle_deg: Floats) -> tuple[Floats, Floats]:
    """Of half an angle in degrees; the cosine also near 180, where 180 - angle is exact."""
    return np.sin(np.radians(angle_deg) / 2), np.sin(np.radians(180 - angle_deg) / 2)


def tangent_of_half(angle_deg: Floats) -> Floats:
    """Infinite at 180."""
    s, c = sin_and_cos_of_half(angle_deg)
    with np.errstate(divide="ignore"):
        return np.asarray(s / c)


def angle_of_tangent(x: Floats) -> Floats:
    """Degrees."""
    return np.asarray(np.degrees(2 * np.arctan(x)))


def ratio_of_tangent(x: Floats) -> Floats:
    """Volume over the cube of the base radius."""
    return np.asarray(math.pi / 6 * x * (3 + x**2))


def tangent_of_ratio(ratio: Floats) -> Floats:
    """The inverse of ratio_of_tangent."""
    return np.asarray(2 * np.sinh(np.arcsinh(3 * ratio / math.pi) / 3))


def _refuse(expected: str, values: Floats, wrong: NDArray[np.bool_]) -> None:
    if wrong.any():
        raise ValueError(f"{expected}, got {values[wrong][0]:g}")


def _of_tangent(volume: Floats, base_radius: Floats, x: Floats) -> Cap:
    with np.errstate(divide="ignore"):
        radius = base_radius * (x + 1 / x) / 2
    return _cap(volume, base_radius, base_radius * x, angle_of_tangent(x), radius)


def _cap(*values: Floats) -> Cap:
    return Cap(*(plain(one) for one in np.broadcast_arrays(*values)))
