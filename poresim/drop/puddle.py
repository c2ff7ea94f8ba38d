"""When gravity flattens a drop, and how high the flat ones stand.

SI units; angles in degrees, measured in the liquid. Arguments broadcast; numbers give floats.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import between, plain, within
from poresim.liquid.suspension import GRAVITY

#: Bond number (as bond_number has it) up to which a drop is a spherical cap to about 2.5 %. At the
#: limit, at angles up to 120 degrees, against Young-Laplace integrated, the cap of the true volume
#: and angle has a base radius up to 2.6 % too small and a height up to 2.5 % too large; the angle
#: from the true height and width is up to 2.2 % too small; the Laplace pressure of the cap of the
#: true volume and base is up to 2.2 % above that at the apex. Errors go as the Bond number. Beyond
#: 120 degrees the base radius is far worse (10 % at 150), the rest a little (4 %).
FAIR_BOND = 0.25


def capillary_length(
    surface_tension: ArrayLike, density: ArrayLike, gravity: ArrayLike = GRAVITY
) -> Any:
    """m: sqrt(gamma / (density g)), 2.7 mm for water.

    surface_tension : N/m. density : kg/m3. gravity : m/s2, above 0. de Gennes, Brochard-Wyart &
    Quere 2004, Capillarity and Wetting Phenomena (from memory).
    """
    gamma = between("surface_tension", surface_tension, 0)
    weight = between("density", density, 0) * between("gravity", gravity, 0)
    return plain(np.sqrt(gamma / weight))


def puddle_height(
    angle_deg: ArrayLike, capillary_length: ArrayLike, base_radius: ArrayLike | None = None
) -> Any:
    """Height of a puddle, m: 2 lc sin(angle / 2), and for its round edge more.

    angle_deg : 0 to 180. capillary_length : lc, m. base_radius : m, above 0; None: so wide that its
    edge is straight (de Gennes et al. 2004). True puddles stand higher than that by a share of 1.05
    (30 degrees) to 0.7 (150) lc / width: 5 % at a width of 20 lc, 1 % at 100.

    With a base radius a: h^2 = 4 lc^2 sin^2(t / 2) + 8/3 (lc^3 / a) (1 - cos^3(t / 2)). The balance
    of horizontal forces on a slice, lc^2 (1 - cos t) = h^2 / 2 - lc^2 / a times the integral of
    sin f dz along the straight edge, z = 2 lc sin(f / 2). Against Young-Laplace integrated, 10 to
    150 degrees: 0.5 % low at most at a width of 20 lc, 0.13 % at 40; not for narrower drops.
    """
    half = np.radians(within("angle_deg", angle_deg, 0, 180)) / 2
    lc = between("capillary_length", capillary_length, 0)
    flat = 2 * lc * np.sin(half)
    if base_radius is None:
        return plain(np.asarray(flat))
    a = between("base_radius", base_radius, 0)
    c = np.cos(half)
    edge = 2 * np.sin(half / 2) ** 2 * (1 + c + c**2)  # 1 - c^3
    return plain(np.sqrt(flat**2 + 8 / 3 * lc**3 / a * edge))


def bond_number(base_radius: ArrayLike, height: ArrayLike, capillary_length: ArrayLike) -> Any:
    """Weight against surface tension: (base radius^2 + height^2) / lc^2.

    base_radius, height : m, at least 0. capillary_length : m. With the length from the apex to the
    edge, one number serves for all angles: 2 atan(2 height / width) of a true drop falls short of
    its contact angle by a share of 1/16 of it where both are small (exact to first order), of 1/15
    at 90 degrees, 1/11 at 120 and 1/7 at 150. Other authors take other lengths.
    """
    a = within("base_radius", base_radius, 0, np.inf)
    h = within("height", height, 0, np.inf)
    return plain((a**2 + h**2) / between("capillary_length", capillary_length, 0) ** 2)


def is_fair_cap(base_radius: ArrayLike, height: ArrayLike, capillary_length: ArrayLike) -> Any:
    """Whether a drop is a spherical cap to about 2.5 %: Bond number up to FAIR_BOND.

    Arguments as of bond_number. Of water at 60 degrees 1 uL is (0.18), and 5 uL is not (0.52). What
    holds at the limit, and beyond 120 degrees: see FAIR_BOND.
    """
    fair = np.asarray(bond_number(base_radius, height, capillary_length)) <= FAIR_BOND
    return bool(fair) if fair.ndim == 0 else fair
