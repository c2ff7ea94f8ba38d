"""Capillary pressure of a meniscus, and the drive that it makes.

Young-Laplace in a cone of half-opening b: 2 gamma cos(theta - b) / r where the tube narrows
before the meniscus, 2 gamma cos(theta + b) / r where it widens; theta is the advancing angle when
that drives the liquid on, the receding one when that pulls it back, and between the two the
meniscus is pinned.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner, kernel
from poresim.tube.shape import opening, radius_at

#: What wets: 2 gamma cos and sin of the advancing and the receding angle, N/m; the share of its
#: drive below which the head along one tube counts as constant.
WETTING = np.dtype(
    [
        ("advance_cos", np.float64),
        ("advance_sin", np.float64),
        ("recede_cos", np.float64),
        ("recede_sin", np.float64),
        ("pull", np.float64),  # 2 gamma, N/m
        ("moving", np.int64),  # where angles depend on the speed: the address of what says how
        ("line", np.float64),  # ln(L/l) of a moving line
        ("advance_angle", np.float64),  # rad, without speed
        ("recede_angle", np.float64),
        ("rise", np.float64),  # of a body's pressure as it fills, over 2 gamma / radius
        ("head_share", np.float64),
        ("pinned", np.int64),  # 1: the angles differ
        ("kink", np.float64),  # a pressure known to this share may miss its balance: a kink or jump
        ("plain", np.int64),  # 1: every tube straight and level, the liquid Newtonian
    ],
    align=True,
)


@inner
def pull(tube, cos_part, sin_part, widening):
    """Capillary pressure times radius, N/m; the parts are 2 gamma cos, sin theta."""
    if tube.waist > STRAIGHT:
        return cos_part
    lean = opening(tube)
    across = 1.0 / math.sqrt(1.0 + lean * lean)
    along = lean * across
    if widening:
        return cos_part * across - sin_part * along
    return cos_part * across + sin_part * along


@inner
def advancing_pull(wetting, tube, widening):
    """:func:`pull` of a meniscus that advances."""
    return pull(tube, wetting.advance_cos, wetting.advance_sin, widening)


@inner
def receding_pull(wetting, tube, widening):
    """:func:`pull` of a meniscus that recedes."""
    return pull(tube, wetting.recede_cos, wetting.recede_sin, widening)


@kernel
def drives(wetting, tube, tilt, pressure, x):
    """(advancing drive, receding drive), Pa, of a meniscus that stands at x."""
    half = 0.5 * tube.length
    r = radius_at(tube, x)
    rest = pressure + tilt * x
    ahead = rest + advancing_pull(wetting, tube, x >= half) / r
    behind = rest + receding_pull(wetting, tube, x > half) / r
    return ahead, behind
