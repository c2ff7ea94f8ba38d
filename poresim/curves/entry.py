"""The pressure at which a liquid passes through a tube: at its hardest place (Young-Laplace).

Where the walls come together by the half-opening b, tan b = |dr/dx|, a meniscus of contact angle
theta pulls with 2 gamma cos(theta - b) / r, and where they go apart with cos(theta + b)
(:mod:`poresim.tube.wetting`). Along each cone r changes evenly, so the least pull is at one of its
ends. A meniscus cannot be rounder than a hemisphere: beyond 180 degrees theta + b counts as 180.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.solid.network import Network
from poresim.tube.filled import STRAIGHT

Floats = NDArray[np.float64]


class Entry(NamedTuple):
    """Gauge pressures of the liquid, Pa, (m,) each; negative where capillarity draws it in.

    through : takes a meniscus from one end of the tube to the other.
    to_waist : takes one from each end to the middle: fills a tube that is wet at both ends.
    """

    through: Floats
    to_waist: Floats


def entry_pressures(solid: Network, surface_tension: float, contact_angle_deg: float) -> Entry:
    """What it takes to fill each tube of a network. surface_tension in N/m."""
    angle = math.radians(contact_angle_deg)
    radius, throat = solid.radius, solid.throat_radius
    waisted = solid.waist <= STRAIGHT
    half_opening = np.where(waisted, half_openings(solid), 0.0)
    narrowing = 2 * surface_tension * np.cos(angle - half_opening)
    widening = 2 * surface_tension * np.cos(np.minimum(angle + half_opening, math.pi))
    throat = np.where(waisted, throat, radius)
    to_waist = np.minimum(narrowing / radius, narrowing / throat)
    past_it = np.minimum(widening / radius, widening / throat)
    return Entry(-np.minimum(to_waist, past_it), -to_waist)


def half_openings(solid: Network) -> Floats:
    """(m,) angle between the walls of each tube and its axis, radians; 0 where straight."""
    return np.arctan((solid.radius - solid.throat_radius) / (0.5 * solid.length))
