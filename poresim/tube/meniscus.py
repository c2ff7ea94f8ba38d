"""A meniscus in any tube: straight or waisted, level or tilted, whatever the liquid.

The pressure P at the mouth is held. Straight level tubes have the place after a given time in
closed form (:mod:`poresim.tube.straight`), straight tilted Newtonian ones too
(:mod:`poresim.tube.tilted`), and so has the way to a waist of a Newtonian liquid
(:mod:`poresim.tube.narrowing`). Elsewhere the meniscus is followed by a sum over each piece of the
tube (:mod:`poresim.tube.follow`); at the coarse setting, in waisted tubes and for liquids that
yield or thin by a power law, it is looked up as far as the waist (:mod:`poresim.tube.approach`) and
followed by few panels past it (:mod:`poresim.tube.panels`), to 1e-3 of the distance moved. A
contact angle that depends on the speed has its own way (:mod:`poresim.tube.moving`). The place
rises with P whatever the tube, which keeps the march's step convex.

Where a tube narrows, up to its waist, and where a straight one leads down, the drive is taken at
``place``, where the meniscus is expected half-way through the time, and held: followed exactly it
would grow on the way, and the volume taken would be a jump in the pressure. Beyond a waist and
on the way up it falls, a meniscus may come to rest there, and it is followed exactly; so it is in
a straight tube whose ``place`` is nan.
"""

from __future__ import annotations

import math

from poresim.tube.approach import approach_advance, approach_time
from poresim.tube.filled import STRAIGHT
from poresim.tube.follow import follow, holding_place, stall, time_between
from poresim.tube.jit import inner, kernel
from poresim.tube.moved import moved, moved_time
from poresim.tube.narrowing import narrowing_advance, narrowing_time
from poresim.tube.panels import panel_follow, panel_time, panelled
from poresim.tube.shape import BEYOND, radius_at, shape_ends
from poresim.tube.straight import straight_advance, straight_time
from poresim.tube.tilted import tilted_advance, tilted_time
from poresim.tube.wetting import advancing_pull, drives, receding_pull


@kernel
def advance(law, wetting, tube, tilt, x, place, pressure, time):
    """(x_new, d x_new / d pressure) after ``time`` with the mouth's pressure held.

    x is measured from the mouth; ``tilt`` is the head gained per length, Pa/m. The new place may
    lie beyond the tube's end: that is how an arrival is noticed.
    """
    time *= tube.leak
    if time <= 0.0:
        return x, 0.0
    if wetting.moving:
        return moved(law, wetting, tube, tilt, x, place, pressure, time)
    if tube.waist <= STRAIGHT:
        return _advance_waisted(law, wetting, tube, tilt, x, place, pressure, time)
    ahead, behind = drives(wetting, tube, tilt, pressure, x)
    if tilt > 0.0 and not math.isnan(place):  # held: followed, it would grow on the way down
        ahead, behind = drives(wetting, tube, tilt, pressure, place)
        if ahead > 0.0 or (x > 0.0 and behind < 0.0):
            drive = ahead if ahead > 0.0 else behind
            return straight_advance(law, x, drive, tube.radius, time)
        return x, 0.0
    if ahead > 0.0:
        if abs(tilt) * tube.length <= wetting.head_share * ahead:
            return straight_advance(law, x, ahead, tube.radius, time)
        if law.kind == 0:
            return tilted_advance(law, ahead - tilt * x, tilt, x, tube.radius, time)
        return _go(law, tube, wetting.advance_cos, tilt, x, pressure, time, 1.0, 0.0)
    if x > 0.0 and behind < 0.0:
        if abs(tilt) * tube.length <= -wetting.head_share * behind:
            return straight_advance(law, x, behind, tube.radius, time)
        return _go(law, tube, wetting.recede_cos, tilt, x, pressure, time, -1.0, 0.0)
    return x, 0.0


@inner
def _advance_waisted(law, wetting, tube, tilt, x, place, pressure, time):
    half = 0.5 * tube.length
    change = 0.0
    a = x
    if x < half:
        ahead, behind = drives(wetting, tube, tilt, pressure, place)
        drive = ahead if ahead > 0.0 else min(behind, 0.0)
        if drive == 0.0 or (x <= 0.0 and drive < 0.0):
            return x, 0.0
        new, slope, time, change = _held(law, tube, drive, x, time)
        if new < half or time <= 0.0:
            return new, slope
        a = half
    ahead, behind = drives(wetting, tube, tilt, pressure, a)
    if ahead > 0.0:
        on = advancing_pull(wetting, tube, True)
        return _go(law, tube, on, tilt, a, pressure, time, 1.0, change)
    if x < half or behind >= 0.0:
        return a, 0.0
    if x > half:
        back = receding_pull(wetting, tube, True)
        if x > tube.length:
            return _go(law, tube, back, tilt, x, pressure, time, -1.0, 0.0)
        new, time, lost, slow = _piece(law, tube, back, tilt, pressure, x, half, time)
        if new > half or time <= 0.0:
            slope = lost / slow if slow < math.inf and lost < math.inf else 0.0
            return max(new, half * (1.0 + 1e-15)), slope
        change = lost
        _, behind = drives(wetting, tube, tilt, pressure, half)
        if behind >= 0.0:
            return half, 0.0
    new, slope, _, _ = _held(law, tube, behind, half, time)
    if change > 0.0 and time > 0.0 and slope > 0.0:
        slope *= 1.0 + change * abs(behind) * law.index / time
    return new, slope


@inner
def _held(law, tube, drive, x, time):
    """As :func:`poresim.tube.narrowing.narrowing_advance`, for any liquid."""
    if law.kind == 0:
        return narrowing_advance(law, tube, drive, x, time)
    if panelled(law, tube):
        return approach_advance(law, tube, drive, x, time)
    half = 0.5 * tube.length
    new, left, lost, slow = follow(
        law, tube, 0.0, 0.0, drive, x, half if drive > 0.0 else 0.0, time
    )
    if left > 0.0:
        return new, 0.0, left, lost
    return new, lost / slow if slow < math.inf and lost < math.inf else 0.0, 0.0, 0.0


@inner
def _piece(law, tube, pull, tilt, pressure, a, b, time):
    """As :func:`poresim.tube.follow.follow`; past a waist by panels where these serve."""
    if panelled(law, tube):
        return panel_follow(law, tube, pull, tilt, pressure, a, b, time)
    return follow(law, tube, pull, tilt, pressure, a, b, time)


@inner
def _go(law, tube, pull, tilt, x, pressure, time, way, change):
    """Follow piece after piece; ``change`` is -d time / d pressure of the way to x."""
    a = x
    while True:
        b = shape_ends(tube, a, way)
        if b == a:
            return a, 0.0
        if way * (pressure + pull / radius_at(tube, a) + tilt * a) <= 0.0:
            return a, 0.0
        new, time, lost, slow = _piece(law, tube, pull, tilt, pressure, a, b, time)
        change += lost
        if time <= 0.0 or new != b:
            return new, change / slow if slow < math.inf and change < math.inf else 0.0
        a = b
        if a == 0.0 or a >= BEYOND * tube.length:
            return a, 0.0


@kernel
def travel_time(law, wetting, tube, tilt, start, end, place, pressure):
    """Time, s, from ``start`` to ``end`` > start as :func:`advance` goes; inf if it stops."""
    if end <= start:
        return 0.0
    if wetting.moving:
        return moved_time(law, wetting, tube, tilt, start, end, place, pressure) / tube.leak
    if tube.waist <= STRAIGHT:
        return _time_waisted(law, wetting, tube, tilt, start, end, place, pressure) / tube.leak
    held = tilt > 0.0 and not math.isnan(place)
    ahead, _ = drives(wetting, tube, tilt, pressure, place if held else start)
    if ahead <= 0.0:
        return math.inf
    if held or abs(tilt) * tube.length <= wetting.head_share * ahead:
        return straight_time(law, start, end, ahead, tube.radius) / tube.leak
    if law.kind == 0:
        whole = tilted_time(law, ahead - tilt * start, tilt, start, end, tube.radius)
        return whole / tube.leak
    return _time_driven(law, tube, wetting.advance_cos, tilt, start, end, pressure) / tube.leak


@inner
def _time_waisted(law, wetting, tube, tilt, start, end, place, pressure):
    half = 0.5 * tube.length
    total = 0.0
    if start < half:
        ahead, _ = drives(wetting, tube, tilt, pressure, place)
        if ahead <= 0.0:
            return math.inf
        if law.kind == 0:
            total = narrowing_time(law, tube, ahead, start, min(end, half))
        elif panelled(law, tube):
            total = approach_time(law, tube, ahead, start, min(end, half))
        else:
            total = _time_driven(law, tube, 0.0, 0.0, start, min(end, half), ahead)
        if end <= half:
            return total
        start = half
    on = advancing_pull(wetting, tube, True)
    return total + _time_driven(law, tube, on, tilt, start, end, pressure)


@inner
def _time_driven(law, tube, pull, tilt, start, end, pressure):
    total = 0.0
    a = start
    while a < end:
        if pressure + pull / radius_at(tube, a) + tilt * a <= 0.0:
            return math.inf
        b = shape_ends(tube, a, 1.0)
        c = min(end, b)
        if panelled(law, tube):
            total += panel_time(law, tube, pull, tilt, pressure, a, b, c)
            a = c
            continue
        widening = max(a, b) > 0.5 * tube.length
        stop = stall(tube, pull, tilt, pressure, a, widening, 1.0)
        if law.yield_stress > 0.0:
            stop = holding_place(law, tube, pull, tilt, pressure, a, stop, widening)
        if stop <= c:
            return math.inf
        part, _ = time_between(law, tube, pull, tilt, pressure, a, c, stop, widening)
        total += part
        a = c
    return total
