"""What a meniscus takes, from the point of its law that was looked up last.

A law is slow to look up, and where pressures are sought it need not be exact: menisci move by the
law itself, and books are closed by that. From the volume and the slope at one pressure follows
what is taken near it, by a tangent; in a straight level tube by a curve that bends as a power of
the drive does that has this volume and slope::

    volume + slope d / (1 + bend d),     d = pressure - at

(Pade's approximation of the power; exact for a slope that does not change, off by a(a^2-1)/12 times
the cube of the change of the drive for a power a.) Where a meniscus rests, it is known up to where
it will set out.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner
from poresim.tube.wetting import drives
from poresim.uptake.ledger import curved, outflow

_FARTHER = 2.0  # times the reach of a tangent
_FARTHEST = 0.7  # of the drive, or of the volume

#: Where it was laid, Pa; the volume, m3, and the slope there; its bend, 1/Pa; and between which
#: pressures it serves.
TOUCH = np.dtype([(name, np.float64) for name in ("at", "volume", "slope", "bend", "low", "high")])


@inner
def by_touch(law, wetting, tube, end, touch, pressure, until):
    """What a meniscus takes until then, and its slope; by the law where its touch does not reach.

    That is as far as neither the volume nor the drive changes by more than a small share.
    """
    if touch.low <= pressure <= touch.high:
        way = pressure - touch.at
        share = 1.0 / (1.0 + touch.bend * way)
        return touch.volume + touch.slope * way * share, touch.slope * share * share
    v, s = outflow(law, wetting, tube, end, pressure, until - tube.start)
    lay_touch(law, wetting, tube, end, touch, pressure, v, s)
    return v, s


@inner
def lay_touch(law, wetting, tube, end, touch, pressure, v, s):
    """At that pressure the meniscus takes v, with slope s."""
    touch.at, touch.volume, touch.slope, touch.bend = pressure, v, s, 0.0
    touch.low = touch.high = pressure
    if law.grasp <= 0.0:
        return
    x, tilt = (tube.x0, tube.tilt) if end == 0 else (tube.x1, -tube.tilt)
    if curved(law, tube):
        _lay_straight(law, wetting, tube, touch, x)
    elif s > 0.0:
        ahead, behind = drives(wetting, tube, tilt, pressure - tube.gas, x)
        reach = law.grasp * min(abs(v) / s, abs(ahead if v > 0.0 else behind))
        touch.low, touch.high = pressure - reach, pressure + reach


@inner
def _lay_straight(law, wetting, tube, touch, x):
    at, v, s = touch.at, touch.volume, touch.slope
    ahead = at - tube.gas + wetting.advance_cos / tube.radius
    behind = at - tube.gas + wetting.recede_cos / tube.radius
    if v > 0.0 and s > 0.0:
        reach = min(_FARTHER * law.grasp, _FARTHEST) * min(v / s, ahead)
        touch.bend = 0.5 * (1.0 / ahead - s / v)
        touch.low, touch.high = at - reach, at + reach
    elif v < 0.0 and s > 0.0:
        reach = law.grasp * min(-v / s, -behind)
        touch.low, touch.high = at - reach, at + reach
    elif v < 0.0:  # back at its mouth
        touch.low = -math.inf
    elif v == 0.0:
        _lay_rest(law, touch, x, ahead, behind, 2.0 * law.yield_stress * x / tube.radius)


@inner
def _lay_rest(law, touch, x, ahead, behind, hold):
    """Where neither drive overcomes what holds the meniscus, Pa, it takes nothing."""
    if ahead > hold or (x > 0.0 and behind < -hold):
        return
    at = touch.at
    touch.high = at + (hold - ahead)
    touch.low = at - (behind + hold) if x > 0.0 else -math.inf


@inner
def lay_none(law, wetting, tube, end, touch, pressure):
    """No touch to the law yet; only a rest is known at once."""
    touch.low, touch.high = math.inf, -math.inf
    if law.grasp > 0.0 and curved(law, tube):
        touch.at, touch.volume, touch.slope, touch.bend = pressure, 0.0, 0.0, 0.0
        x = tube.x0 if end == 0 else tube.x1
        ahead = pressure - tube.gas + wetting.advance_cos / tube.radius
        behind = pressure - tube.gas + wetting.recede_cos / tube.radius
        _lay_rest(law, touch, x, ahead, behind, 2.0 * law.yield_stress * x / tube.radius)
