"""A Newtonian meniscus on its way to a waist under a held drive, in closed form.

With the radius r = r0 e^-L where it stands, the wet part resists as (e^3L - 1)/(3 k r0^4), k
being the share of r0 lost per length, so that::

    t = 8 eta / (3 k^2 r0^2 u) [h(L) - h(L0)],      h(L) = L - (1 - e^-3L)/3
"""

from __future__ import annotations

import math

from poresim.tube.jit import inner

_INVERSIONS = 8


@inner
def _three_h(y):
    """3 h at y = 3 L: y - 1 + e^-y."""
    if y < 1e-3:
        return y * y * (0.5 - y * (1.0 / 6.0 - y / 24.0))
    return y + math.expm1(-y)


@inner
def _inverse(target):
    """y >= 0 where 3 h is ``target``."""
    if target <= 0.0:
        return 0.0
    if target < 1e-7:
        root = math.sqrt(2.0 * target)
        return root * (1.0 + root * (1.0 / 6.0 + root / 36.0))
    y = math.sqrt(2.0 * target) + target / 3.0 if target < 2.0 else target + 1.0
    for _ in range(_INVERSIONS):
        shrunk = -math.expm1(-y)  # slope of 3 h
        over = (y - shrunk) - target if y >= 1e-3 else _three_h(y) - target
        step = over / (shrunk - 0.5 * over * (1.0 - shrunk) / shrunk)  # Halley
        y -= step
        if abs(step) < 1e-5 * y:
            break
    return y


@inner
def _unit_of_time(law, tube, drive):
    share = (1.0 - tube.waist) / (0.5 * tube.length)
    return 8.0 * law.consistency / (9.0 * share * share * tube.radius * tube.radius * drive)


@inner
def _depth(tube, s):
    return -3.0 * math.log1p(-(1.0 - tube.waist) * s / (0.5 * tube.length))


@inner
def narrowing_time(law, tube, drive, start, end):
    """Time, s, from ``start`` to ``end`` <= half the length under a drive > 0, Pa."""
    way = _three_h(_depth(tube, end)) - _three_h(_depth(tube, start))
    return _unit_of_time(law, tube, drive) * way


@inner
def narrowing_advance(law, tube, drive, x, time):
    """(x_new, its slope, time left, slope of the time left) under a held drive of any sign.

    Slopes are per Pa of drive. Stops at the waist, with time left, or at the mouth.
    """
    half = 0.5 * tube.length
    unit = _unit_of_time(law, tube, abs(drive))
    gone = _three_h(_depth(tube, x))
    gain = time / unit
    share = (1.0 - tube.waist) / half
    if drive > 0.0:
        whole = _three_h(-3.0 * math.log(tube.waist))
        if gone + gain >= whole:
            took = (whole - gone) * unit
            return half, 0.0, time - took, took / drive
        y = _inverse(gone + gain)
    else:
        if gain >= gone:
            return 0.0, 0.0, 0.0, 0.0
        y = _inverse(gone - gain)
    # ds = e^-L dL / k, and 3 h grows by (1 - e^-y) dy
    new = -math.expm1(-y / 3.0) / share
    slope = gain / abs(drive) * math.exp(-y / 3.0) / (-3.0 * math.expm1(-y) * share)
    return min(new, half), slope, 0.0, 0.0
