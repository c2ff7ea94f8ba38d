"""When menisci will arrive, roughly: it sets the length of steps, not their result."""

from __future__ import annotations

import math

from poresim.tube.filled import STRAIGHT, wetted_flow
from poresim.tube.jit import kernel
from poresim.tube.moved import moved_speed
from poresim.tube.shape import radius_at
from poresim.tube.wetting import drives

_LONG = 1e300  # the wait for a meniscus that moves but will not arrive


@kernel
def arrival_waits(law, wetting, tubes, junctions, waits, n, back):
    """How long each meniscus would take to cross its tube at its present speed.

    With ``back`` also how long those that recede would take to their mouths.

    Enters the finite ones in ``waits`` from n on and returns their number then; a rough estimate
    that sets the length of steps, not their result.
    """
    for e in range(len(tubes)):
        tube = tubes[e]
        if not tube.live:
            continue
        if tube.body:
            if tube.speed0 != 0.0:
                waits[n] = _LONG
                if tube.speed0 > 0.0:
                    waits[n] = (tube.length - tube.x0) / tube.speed0
                n += 1
            continue
        best = math.inf
        for end in range(2):
            mouth = junctions[tube.a if end == 0 else tube.b]
            if not mouth.feeds:
                continue
            x = tube.x0 if end == 0 else tube.x1
            goal = tube.length - (tube.x1 if end == 0 else tube.x0)
            tilt = tube.tilt if end == 0 else -tube.tilt
            if goal <= x:
                continue
            if tube.apart > 0.0:  # air keeps it from arriving, and goes before it
                goal = min(x + max(goal - x, tube.length - goal), tube.length)
            at = mouth.pressure - tube.gas
            ahead, behind = drives(wetting, tube, tilt, at, x)
            if ahead <= 0.0:
                if back and x > 0.0 and behind < 0.0:
                    rate, _ = wetted_flow(law, -behind, x, tube.radius, tube.length, tube.waist)
                    r = radius_at(tube, x)
                    if rate > 0.0:
                        best = min(best, 0.5 * x * math.pi * r * r / (rate * tube.leak))
                continue
            if x < 0.5 * tube.length and tube.waist <= STRAIGHT:  # will the waist let it pass?
                past, _ = drives(wetting, tube, tilt, at, 0.5 * tube.length)
                if past <= 0.0:
                    continue
            half = max(x, 0.5 * goal)
            rate, _ = wetted_flow(law, ahead, half, tube.radius, tube.length, tube.waist)
            r = radius_at(tube, half)
            speed = tube.leak * rate / (math.pi * r * r)
            if wetting.moving:
                speed = moved_speed(law, wetting, tube, ahead, half)
            wait = (goal * goal - x * x) / (2.0 * half * speed) if speed > 0.0 else _LONG
            if wait >= _LONG and x > 0.0:  # held back before the end: does it still move?
                rate, _ = wetted_flow(law, ahead, x, tube.radius, tube.length, tube.waist)
                if rate <= 0.0:
                    continue
            best = min(best, wait)
        if best < math.inf:
            waits[n] = best
            n += 1
    return n
