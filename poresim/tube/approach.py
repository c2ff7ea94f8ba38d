"""A yielding meniscus on its way to a waist under a held drive, looked up: the coarse setting.

In a tube of a given waist the time from the mouth to x under a constant drive is, in the liquid's
own units, a function of the same two numbers as the flow (:mod:`poresim.tube.lookup`). ln of
(time / x) is tabulated over them, once a liquid: :mod:`poresim.tube.waisted`. Times between are
differences, so they add up exactly; places are found by Newton's method on ln time over
ln (x / (stop - x)), stop being where the drive would hold: all but a straight line from the mouth
to the stall. A power law is a liquid whose yield stress is next to nothing.
"""

from __future__ import annotations

import math

from poresim.tube.jit import inner
from poresim.tube.lookup import log_time

_SHORT = 1e-6  # of the time from the mouth: what passes in less goes at a constant speed
_CLOSE, _CLOSER = 1e-2, 3e-2  # steps in ln (x / (stop - x)) below this, and this share of its
# whole change, are the last: the error left is of their second order
_INVERSIONS = 60
_STILL = 1e-15  # a bracket this narrow, as a share, is a place


@inner
def _stop(law, tube, drive):
    """Where a drive > 0 would hold, m, if the cone went on to its apex."""
    slope = (1.0 - tube.waist) / (0.5 * tube.length)
    if law.yield_stress == 0.0:
        return 1.0 / slope
    return -math.expm1(-0.5 * slope * drive * tube.radius / law.yield_stress) / slope


@inner
def _from_mouth(law, tube, drive, x):
    """(time from the mouth, its slope in x, -its slope in the drive over the time)."""
    half = 0.5 * tube.length
    d = (1.0 - tube.waist) * x / half
    k = 3.0 * law.index
    deep = -math.log1p(-d)
    ratio = 1.0 / (1.0 - d)
    run = hold = x
    steeper = ratio
    if d > 1e-9:
        power = math.exp(k * deep)
        run = (
            half * (power - 1.0) / (k * (1.0 - tube.waist))
            if d > 1e-4
            else x * (1.0 + 0.5 * (k + 1.0) * d)
        )
        hold = x * deep / d
        steeper = power * ratio
    per_length = 2.0 * law.yield_stress / tube.radius
    excess = drive - per_length * hold
    if excess <= 0.0:
        return math.inf, math.inf, 0.0
    z = math.log(0.5 * excess * tube.radius / (run * law.unit_stress))
    value, by_z, by_stretch = log_time(law, z, deep * law.per_depth)
    time = x / tube.radius * math.exp(value)
    turn = -per_length * ratio / excess - steeper / run  # dz / dx
    across = law.per_depth * ratio * (1.0 - tube.waist) / half  # d stretch / dx
    return time, time * (1.0 / x + by_z * turn + by_stretch * across), -by_z / excess


@inner
def approach_time(law, tube, drive, start, end):
    """Time, s, from ``start`` to ``end`` <= half the length under a drive > 0; inf if it stops."""
    whole, _, _ = _from_mouth(law, tube, drive, end)
    if start <= 0.0 or whole == math.inf:
        return whole
    return max(whole - _from_mouth(law, tube, drive, start)[0], 0.0)


@inner
def approach_advance(law, tube, drive, x, time):
    """As :func:`poresim.tube.narrowing.narrowing_advance`."""
    half = 0.5 * tube.length
    push = abs(drive)
    stop = _stop(law, tube, push)
    gone = slow = lost = 0.0
    if x > 0.0:
        if x < stop:
            gone, slow, spread = _from_mouth(law, tube, push, x)
        if x >= stop or gone == math.inf:
            return x, 0.0, 0.0, 0.0
        lost = gone * spread
        if time < _SHORT * gone:
            new = x + math.copysign(time / slow, drive)
            return min(new, half), time * spread / slow, 0.0, 0.0
    target = gone + math.copysign(time, drive)
    low, high = 0.0, x
    at, then, steep = x, gone, slow
    if drive > 0.0:
        low, high = x, min(stop, half)
        if stop > half:
            whole, rise, spread = _from_mouth(law, tube, push, half)
            if target >= whole:
                return half, 0.0, target - whole, whole * spread - lost
            if x <= 0.0:
                at, then, steep = half, whole, rise
        elif x <= 0.0:
            at = 0.5 * stop
            then, steep, _ = _from_mouth(law, tube, push, at)
    elif target <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    before = math.log(x / (stop - x)) if x > 0.0 else -math.inf
    place = math.log(at / (stop - at))
    place += math.log(target / then) * then / steep * stop / (at * (stop - at))
    new = spread = 0.0
    for _ in range(_INVERSIONS):
        new = stop / (1.0 + math.exp(-place))
        if not low < new < high:
            new = 0.5 * (low + high)
            place = math.log(new / (stop - new))
        then, steep, spread = _from_mouth(law, tube, push, new)
        if then > target:
            high = new
        else:
            low = new
        if then == math.inf or high - low <= _STILL * high:
            place = math.inf
            continue
        per_place = new * (stop - new) / stop  # d x / d place
        step = math.log(target / then) * then / (steep * per_place)
        place += step
        if abs(step) <= min(_CLOSE, _CLOSER * abs(place - before)):
            new = stop / (1.0 + math.exp(-place))
            steep *= target / then * per_place / (new * (stop - new) / stop)
            break
    new = min(max(new, x), half) if drive > 0.0 else min(new, x)
    change = target * spread - lost
    return new, max(change if drive > 0.0 else -change, 0.0) / steep, 0.0, 0.0
