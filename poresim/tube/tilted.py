"""A Newtonian meniscus in a straight tilted tube: closed form in time (Fries & Dreyer 2008).

The drive is ``level + tilt s``.
"""

from __future__ import annotations

import math

from poresim.tube.jit import inner

_INVERSIONS = 60
_SERIES = 1e-3  # changes of the drive below this share are summed as a series


@inner
def tilted_time(law, level, tilt, start, end, radius):
    """Time, s, from start to end > start, m; inf where the drive vanishes on the way."""
    if level + tilt * start <= 0.0 or level + tilt * end <= 0.0:
        return math.inf
    speed = radius * radius / (8.0 * law.consistency)
    bend = tilt * (end - start) / (level + tilt * start)
    if abs(bend) < _SERIES:  # the closed form cancels here; its series in the bend does not
        u = level + tilt * start
        d = end - start
        first = start * d * (1.0 - bend * (0.5 - bend * (1.0 / 3.0 - 0.25 * bend)))
        second = d * d * (0.5 - bend * (1.0 / 3.0 - bend * (0.25 - 0.2 * bend)))
        return (first + second) / (speed * u)
    return ((end - start) - level / tilt * math.log1p(bend)) / (tilt * speed)


@inner
def tilted_advance(law, level, tilt, x, radius, time):
    """(x_new, d x_new / d level) after ``time``; the drive at x is above 0."""
    speed = radius * radius / (8.0 * law.consistency)
    u = level + tilt * x
    low = x
    high = math.sqrt(x * x + 2.0 * speed * max(u, u + tilt * x) * time)
    if tilt < 0.0:
        high = min(high, -level / tilt)
    else:
        while tilted_time(law, level, tilt, x, high, radius) < time:
            low = high
            high = 2.0 * high + 1e-12
    new = 0.5 * (low + high)
    for _ in range(_INVERSIONS):
        over = tilted_time(law, level, tilt, x, new, radius) - time
        if over > 0.0:
            high = new
        else:
            low = new
        step = over * speed * (level + tilt * new) / new
        if abs(step) <= 1e-13 * new:
            break
        new -= step
        if not (low < new < high):
            new = 0.5 * (low + high)
        if high - low <= 1e-15 * high:
            break
    # d time / d level = -(1/speed) integral s / (level + tilt s)^2 ds
    end = level + tilt * new
    bend = (end - u) / u
    if abs(bend) < _SERIES:
        d = new - x
        lost = d * (x + 0.5 * d) / (u * u) * (1.0 - bend)
    else:
        lost = (math.log1p(bend) + level * (1.0 / end - 1.0 / u)) / (tilt * tilt)
    return new, lost * end / new
