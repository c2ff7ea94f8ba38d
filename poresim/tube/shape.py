"""The shape of a tube: a cylinder, or two cones that meet at a waist.

The radius falls linearly from ``radius`` at both ends to ``waist * radius`` at the middle.
Places s are distances, m, from either mouth: the shape is the same from both.
"""

from __future__ import annotations

import math

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner, kernel

BEYOND = 3.0  # a predicted meniscus may overrun its tube, up to this many lengths


@kernel
def radius_at(tube, s):
    """Radius, m, at s; the end's radius beyond the tube."""
    if tube.waist > STRAIGHT:
        return tube.radius
    half = 0.5 * tube.length
    far = min(abs(s - half), half)
    return tube.radius * (tube.waist + (1.0 - tube.waist) * far / half)


@inner
def volume_to(tube, s):
    """Volume, m3, between a mouth and s (beyond the tube it goes on as a cylinder)."""
    r0 = tube.radius
    if tube.waist > STRAIGHT:
        return math.pi * r0 * r0 * s
    half = 0.5 * tube.length
    w = tube.waist
    first = math.pi * r0 * r0 * half * (1.0 + w + w * w) / 3.0
    r = radius_at(tube, s)
    if s <= half:
        return math.pi * s * (r0 * r0 + r0 * r + r * r) / 3.0
    if s >= tube.length:
        return 2.0 * first + math.pi * r0 * r0 * (s - tube.length)
    over = tube.length - s
    return 2.0 * first - math.pi * over * (r0 * r0 + r0 * r + r * r) / 3.0


@inner
def opening(tube):
    """Slope |dr/ds| of a waisted tube's walls."""
    return tube.radius * (1.0 - tube.waist) / (0.5 * tube.length)


@inner
def shape_ends(tube, a, way):
    """The next place, going ``way`` (+1, -1) from a, where the tube's shape changes."""
    half = 0.5 * tube.length
    if way > 0.0:
        if tube.waist <= STRAIGHT and a < half:
            return half
        return tube.length if a < tube.length else BEYOND * tube.length
    if tube.waist <= STRAIGHT:
        if a > tube.length:
            return tube.length
        if a > half:
            return half
    return 0.0
