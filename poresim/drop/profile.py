"""The shape of a sessile drop that gravity flattens: the axisymmetric Young-Laplace equation.

By arc length s from the apex, with the apex radius b as unit and beta = density g b^2 / tension
(Bashforth & Adams 1883): dx/ds = cos phi, dz/ds = sin phi, dphi/ds = 2 + beta z - sin phi / x,
where x is the distance from the axis, z the depth below the apex and phi the slope's angle, which
is the contact angle where the drop ends.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.brief import Rows, as_lines, as_table, length, volume
from poresim.liquid.laws import check
from poresim.liquid.suspension import GRAVITY

Floats = NDArray[np.float64]

_BEGIN = 1e-3  # arc length, over the apex radius, up to which a series serves
_MOST_BETA = 1e4  # a drop at least 40 times as wide as high
_MOST_TURNS = 60.0  # arc length over the apex radius up to which an angle is looked for


class Profile(NamedTuple):
    """Half of a drop's outline from the apex to the face, k points each.

    x : distance from the axis, m. z : depth below the apex, m. slope_deg : of the outline, 0 at the
    apex and the contact angle at the end. volume : between apex and that depth, m3.
    """

    x: Floats
    z: Floats
    slope_deg: Floats
    volume: Floats

    def __repr__(self) -> str:
        return as_lines(*self._told())

    def _repr_html_(self) -> str:
        return as_table(*self._told())

    def _told(self) -> tuple[str, Rows]:
        return f"Outline of a drop, {len(self.x)} points", [
            ("base", f"{length(2 * self.base_radius)} wide"),
            ("height", length(self.height)),
            ("volume", volume(float(self.volume[-1]))),
            ("contact angle", f"{self.slope_deg[-1]:.4g}°"),
        ]

    @property
    def base_radius(self) -> float:
        """Of the wetted face, m."""
        return float(self.x[-1])

    @property
    def height(self) -> float:
        """Of the drop, m."""
        return float(self.z[-1])


def drop_profile(
    apex_radius: float,
    density: float,
    surface_tension: float,
    contact_angle_deg: float,
    points: int = 200,
) -> Profile:
    """The outline of a drop that lies on a level face.

    apex_radius : radius of curvature at the apex, m, above 0. density : of the liquid less that of
    the air, kg/m3, at least 0. surface_tension : N/m, above 0. contact_angle_deg : above 0, below
    180. points : of the outline, evenly spaced along it; at least 2.

    Bashforth & Adams (1883), integrated to 1e-10. Raises ValueError for what lies outside, and for
    a drop so flat (large beta) that its slope never comes to that angle within 60 apex radii.
    """
    check("apex_radius", apex_radius, above=0)
    check("density", density, least=0)
    check("surface_tension", surface_tension, above=0)
    check("contact_angle_deg", contact_angle_deg, above=0)
    if not contact_angle_deg < 180:
        raise ValueError(f"contact_angle_deg must be below 180, got {contact_angle_deg:g}")
    if points < 2:
        raise ValueError(f"points must be at least 2, got {points}")
    beta = density * GRAVITY * apex_radius**2 / surface_tension
    if beta > _MOST_BETA:
        raise ValueError(f"it is a puddle: density g apex_radius^2 / tension = {beta:.3g}")
    b = apex_radius
    x, z, phi, volume = _integrated(beta, math.radians(contact_angle_deg), points)
    return Profile(x * b, z * b, np.degrees(phi), volume * b**3)


def _integrated(beta: float, angle: float, points: int) -> tuple[Floats, Floats, Floats, Floats]:
    from scipy.integrate import solve_ivp

    def slopes(_: float, y: Floats) -> list[float]:
        x, z, phi, _v = y
        sine = math.sin(phi)
        return [math.cos(phi), sine, 2 + beta * z - sine / x, math.pi * x * x * sine]

    def there(_: float, y: Floats) -> float:
        return float(y[2]) - angle

    there.terminal = True  # type: ignore[attr-defined]
    there.direction = 1  # type: ignore[attr-defined]
    s = min(_BEGIN, 0.1 * angle)
    start = _by_series(beta, s)
    found = solve_ivp(
        slopes, (s, _MOST_TURNS), start, "DOP853", dense_output=True, events=there,
        rtol=1e-12, atol=1e-14,
    )  # fmt: skip
    if not len(found.t_events[0]):
        raise ValueError(
            f"no drop of this apex radius comes to {math.degrees(angle):g} degrees: it is a puddle "
            f"(density g apex_radius^2 / tension = {beta:.3g})"
        )
    end = float(found.t_events[0][0])
    at = np.linspace(0.0, end, points)
    x, z, phi, volume = found.sol(np.maximum(at, s))
    early = at < s
    for k in np.flatnonzero(early):
        x[k], z[k], phi[k], volume[k] = _by_series(beta, float(at[k]))
    phi[-1] = angle
    return x, z, phi, volume


def _by_series(beta: float, s: float) -> tuple[float, float, float, float]:
    """(x, z, phi, volume) near the apex: phi = s + beta s^3 / 8 + O(s^5)."""
    bend = beta / 8
    return (
        s - s**3 / 6,
        s**2 / 2 + (bend - 1 / 6) * s**4 / 4,
        s + bend * s**3,
        math.pi * s**4 / 4,
    )


class Meridian(NamedTuple):
    """An outline on evenly spaced nodes, over the apex radius, with what it does as beta changes.

    s, x, z, phi : (k,) arc length, distance from the axis, depth, slope in rad. x_beta, z_beta,
    phi_beta : (k,) derivatives at that arc length. volume : (k,).
    """

    s: Floats
    x: Floats
    z: Floats
    phi: Floats
    x_beta: Floats
    z_beta: Floats
    phi_beta: Floats
    volume: Floats


def meridian(beta: float, length: float, steps: int = 80) -> Meridian:
    """The outline up to an arc length, over the apex radius, by Runge-Kutta steps of fourth order.

    beta : may be a little below 0 while it is sought. Fast (1 ms) rather than sharp: 1e-6 of the
    apex radius for drops. Outlines that close on the axis go on from there as they may.
    """
    h = length / steps
    rows = np.empty((steps + 1, 7))
    s = min(_BEGIN, 0.5 * h)
    x, z, phi, v = _by_series(beta, s)
    # d/d beta of the series: phi_beta = s^3 / 8, z_beta = s^4 / 32, x_beta of fifth order
    y = (x, z, phi, 0.0, s**4 / 32, s**3 / 8, v)
    rows[0] = (0.0,) * 7
    for k in range(1, steps + 1):
        y = _step(beta, y, h - s if k == 1 else h)
        rows[k] = y
    return Meridian(np.linspace(0.0, length, steps + 1), *rows.T)


_Row = tuple[float, float, float, float, float, float, float]


def _slopes(beta: float, y: _Row) -> _Row:
    x, z, phi, dx, dz, dphi, _ = y
    sine, cosine = math.sin(phi), math.cos(phi)
    x = x if abs(x) > 1e-6 else 1e-6
    return (
        cosine,
        sine,
        2 + beta * z - sine / x,
        -sine * dphi,
        cosine * dphi,
        z + beta * dz - cosine / x * dphi + sine / (x * x) * dx,
        math.pi * x * x * sine,
    )


def _step(beta: float, y: _Row, h: float) -> _Row:
    a = _slopes(beta, y)
    b = _slopes(beta, _along(y, a, 0.5 * h))
    c = _slopes(beta, _along(y, b, 0.5 * h))
    d = _slopes(beta, _along(y, c, h))
    w = h / 6
    return tuple(  # type: ignore[return-value]
        v + w * (p + 2 * q + 2 * r + t) for v, p, q, r, t in zip(y, a, b, c, d, strict=True)
    )


def _along(y: _Row, slope: _Row, h: float) -> _Row:
    return tuple(v + h * p for v, p in zip(y, slope, strict=True))  # type: ignore[return-value]
