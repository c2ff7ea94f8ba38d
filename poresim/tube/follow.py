"""A meniscus followed along one piece of a tube (a cone or a cylinder), the mouth's pressure held.

The drive u(s) = P + pull / r + tilt s is spent on the wet part, so ds/dt = Q(u, s) / A(s) and the
way from a to c takes T = integral of A / Q. T is a Gauss-Legendre sum; its integrand is smooth,
since 1/Q vanishes at the mouth as s does. Towards the place where the drive vanishes the time has
no bound: near it the sum runs over the logarithm of the distance to it. The place reached in a
given time follows by Newton's method from a guess that is right for a straight tube, or for a
drive that vanishes linearly.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import STRAIGHT, wetted_flow, yield_drop
from poresim.tube.jit import inner
from poresim.tube.shape import opening, radius_at, shape_ends

_MANY, _FEW = (8, 5), (4, 2)  # points of a sum over long and short ways: fine, coarse
_STARTS = np.cumsum((0, *_MANY, *_FEW))
_NODES, _WEIGHTS = 0.5 * np.hstack([np.polynomial.legendre.leggauss(n) for n in (*_MANY, *_FEW)])
_NODES += 0.5
_CHEBYSHEV = 0.5 - 0.5 * np.cos(np.pi * (np.arange(4) + 0.5) / 4)
_CUBIC = np.linalg.inv(np.vander(_CHEBYSHEV, increasing=True))
_NEARLY = 0.3  # of any length that matters: stalls this close are met by a cubic
_HELD = 1e-9  # how exactly, as a share, the place that holds is found (Newton's last step)
_STEEPEST = 6.0  # of the logarithm of the distance to a stall, in one sum
_INVERSIONS = 60
_NEAR, _RESTED = 1e-3, 25.0  # so many times its relaxation time on the way, a meniscus rests
_SHORT = 0.03  # moves below this share of any length that matters are summed over three points
_CLOSE = (1e-2, 4e-2)  # a target this close, as a share of the way, is reached by one trapezium


@inner
def slowness(law, tube, pull, tilt, pressure, s, widening):
    """(A/|Q|, -d(A/|Q|)/dP sign(Q)) at s; inf where nothing flows."""
    r = radius_at(tube, s)
    u = abs(pressure + pull / r + tilt * s)
    if law.kind == 0 and tube.waist <= STRAIGHT and s <= tube.length:
        if u == 0.0:
            return math.inf, 0.0
        # resistance of the wet cones, over 8 eta / (3 pi opening)
        near = tube.radius**-3
        here = 1.0 / (r * r * r)
        run = here - near
        if widening:
            narrow = tube.radius * tube.waist
            run = 2.0 / (narrow * narrow * narrow) - near - here
        slow = 8.0 * law.consistency * r * r * run / (3.0 * opening(tube) * u)
        return slow, slow / u
    rate, slope = wetted_flow(law, u, s, tube.radius, tube.length, tube.waist)
    if rate <= 0.0:
        return math.inf, 0.0
    slow = math.pi * r * r / rate
    return slow, slow * slope / rate


@inner
def stall(tube, pull, tilt, pressure, a, widening, way):
    """Where the meniscus stops, going ``way`` from a; infinite if it does not.

    Without a yield stress that is where the drive pull/r + P + tilt s vanishes; along a cone r is
    linear in s, so these are zeros of a quadratic in r. The place may lie beyond the piece.
    """
    far = way * math.inf
    beyond = a > tube.length or (a == tube.length and way > 0.0)
    if tube.waist > STRAIGHT or beyond:
        level = pressure + pull / tube.radius
        if tilt == 0.0:
            return far
        s = -level / tilt
        return s if way * (s - a) > 0.0 else far
    grow = opening(tube) * (1.0 if widening else -1.0)
    ra = radius_at(tube, a)
    # s = a + (r - ra)/grow:  (tilt/grow) r^2 + (P + tilt (a - ra/grow)) r + pull = 0
    qa = tilt / grow
    qb = pressure + tilt * (a - ra / grow)
    if qa == 0.0:
        return _ahead(a, way, a + (-pull / qb - ra) / grow, far) if qb != 0.0 else far
    disc = qb * qb - 4.0 * qa * pull
    if disc < 0.0:
        return far
    q = -0.5 * (qb + math.copysign(math.sqrt(disc), qb))
    best = far
    if q != 0.0:
        best = _ahead(a, way, a + (pull / q - ra) / grow, best)
    return _ahead(a, way, a + (q / qa - ra) / grow, best)


@inner
def _ahead(a, way, s, best):
    return s if way * (s - a) > 0.0 and abs(s - a) < abs(best - a) else best


@inner
def holding_place(law, tube, pull, tilt, pressure, a, stop, widening):
    """As :func:`stall`, where a yield stress holds before the drive vanishes at ``stop``.

    Within the piece that begins at a, or as far as ``stop``: beyond, the hold is not looked for.
    """
    way = 1.0 if stop > a else -1.0
    end = shape_ends(tube, a, way)
    low, high = a, end if way * (stop - end) > 0.0 else stop
    f_low = _spare(law, tube, pull, tilt, pressure, low, widening)
    f_high = _spare(law, tube, pull, tilt, pressure, high, widening)
    if f_low <= 0.0:
        return a
    if f_high > 0.0:
        return stop
    s = low - f_low * (high - low) / (f_high - f_low)
    for _ in range(_INVERSIONS):  # Newton's method, or halving where it would leave the bracket
        f = _spare(law, tube, pull, tilt, pressure, s, widening)
        if f > 0.0:
            low = s
        else:
            high = s
        r = radius_at(tube, s)
        grow = opening(tube) * (1.0 if widening else -1.0) if tube.waist <= STRAIGHT else 0.0
        steep = way * (tilt - pull * grow / (r * r)) - 2.0 * law.yield_stress / r
        target = s - f / steep if steep != 0.0 else high
        if abs(target - s) <= _HELD * s:
            break
        s = (
            target
            if way * (target - low) > 0.0 and way * (high - target) > 0.0
            else 0.5 * (low + high)
        )
    return s


@inner
def _spare(law, tube, pull, tilt, pressure, s, widening):
    """How far the drive at s is above what holds the liquid, Pa."""
    u = abs(pressure + pull / radius_at(tube, s) + tilt * s)
    return u - yield_drop(law, s, tube.radius, tube.length, tube.waist)


@inner
def time_between(law, tube, pull, tilt, pressure, a, c, stop, widening):
    """(time, -d time / d pressure), both above 0, between a and c within one piece.

    ``stop`` is where the meniscus stops, beyond c.
    """
    wide = abs(c - a)
    if wide == 0.0:
        return 0.0, 0.0
    scale = min(_scale(tube, a), _scale(tube, c))
    if min(abs(stop - c), abs(stop - a)) < wide:
        if wide < _NEARLY * scale and law.kind != 3:  # a curve has no one power
            return _near_stall(law, tube, pull, tilt, pressure, a, c, stop, widening)
        grade = math.log((stop - a) / (stop - c))
        parts = int(abs(grade) * law.order / _STEEPEST) + 1
        total = 0.0
        change = 0.0
        left = stop - a
        for _ in range(parts):
            for k in range(_STARTS[law.coarse], _STARTS[law.coarse + 1]):
                rest = left * math.exp(-grade / parts * _NODES[k])
                share = abs(rest * grade) / parts * _WEIGHTS[k]
                slow, slope = slowness(law, tube, pull, tilt, pressure, stop - rest, widening)
                total += share * slow
                change += share * slope
            left *= math.exp(-grade / parts)
        return total, change
    rule = law.coarse + (2 if wide < 0.3 * scale else 0)
    total = 0.0
    change = 0.0
    for k in range(_STARTS[rule], _STARTS[rule + 1]):
        s = a + (c - a) * _NODES[k]
        slow, slope = slowness(law, tube, pull, tilt, pressure, s, widening)
        total += wide * _WEIGHTS[k] * slow
        change += wide * _WEIGHTS[k] * slope
    return total, change


@inner
def _near_stall(law, tube, pull, tilt, pressure, a, c, stop, widening):
    """:func:`time_between` close to a stall, where the slowness goes as a power of the distance.

    Slowness times that power is all but constant: it is interpolated by a cubic at Chebyshev's
    points, and the cubic times the power integrated exactly.
    """
    far, near = max(abs(stop - a), abs(stop - c)), min(abs(stop - a), abs(stop - c))
    way = 1.0 if stop > min(a, c) else -1.0
    m = law.order
    t0 = t1 = t2 = t3 = 0.0
    d0 = d1 = d2 = d3 = 0.0
    shrink = near / far
    span = 1.0 - shrink
    for k in range(4):
        y = 1.0 - span * _CHEBYSHEV[k]
        slow, change = slowness(law, tube, pull, tilt, pressure, stop - way * far * y, widening)
        slow *= _power(y, m)
        change *= _power(y, m) * y
        t0 += _CUBIC[0, k] * slow
        t1 += _CUBIC[1, k] * slow
        t2 += _CUBIC[2, k] * slow
        t3 += _CUBIC[3, k] * slow
        d0 += _CUBIC[0, k] * change
        d1 += _CUBIC[1, k] * change
        d2 += _CUBIC[2, k] * change
        d3 += _CUBIC[3, k] * change
    # integrals of y^(j-m-1) from shrink to 1, j = 0..4
    less = math.log(shrink)
    w = math.exp(-m * less)
    i0 = (w - 1.0) / m
    i1 = _integral(1.0 - m, w * shrink, less)
    i2 = _integral(2.0 - m, w * shrink**2, less)
    i3 = _integral(3.0 - m, w * shrink**3, less)
    i4 = _integral(4.0 - m, w * shrink**4, less)
    t1, d1 = t1 / span, d1 / span
    t2, d2 = t2 / span**2, d2 / span**2
    t3, d3 = t3 / span**3, d3 / span**3
    time = t0 * i1 + t1 * (i1 - i2) + t2 * (i1 - 2.0 * i2 + i3)
    time += t3 * (i1 - 3.0 * i2 + 3.0 * i3 - i4)
    lost = d0 * i0 + d1 * (i0 - i1) + d2 * (i0 - 2.0 * i1 + i2)
    lost += d3 * (i0 - 3.0 * i1 + 3.0 * i2 - i3)
    return far * time, far * lost


@inner
def _integral(q, end, less):
    return (1.0 - end) / q if abs(q) > 1e-6 else -less


@inner
def _power(y, m):
    if m == 1.0:
        return y
    if m == 2.0:
        return y * y
    return y**m


@inner
def follow(law, tube, pull, tilt, pressure, a, b, time):
    """(place, time left, lost, slowness there): from a towards b, the piece's end.

    ``lost`` is -d time / d pressure of the way gone. Time is left only at b. The drive points
    from a to b.
    """
    way = 1.0 if b > a else -1.0
    widening = max(a, b) > 0.5 * tube.length
    stop = stall(tube, pull, tilt, pressure, a, widening, way)
    if law.yield_stress > 0.0:
        stop = holding_place(law, tube, pull, tilt, pressure, a, stop, widening)
        if stop == a:
            return a, 0.0, 0.0, math.inf
    reachable = way * (stop - b) > 0.0
    slow, change = math.inf, 0.0
    if a > 0.0:
        slow, change = slowness(law, tube, pull, tilt, pressure, a, widening)
        if slow == math.inf:
            return a, 0.0, 0.0, math.inf
        if time / slow < _SHORT * min(abs(stop - a), abs(b - a), _scale(tube, a)):
            return _short_way(law, tube, pull, tilt, pressure, a, time, widening, way, slow, change)
    new = _guess(law, tube, pull, tilt, pressure, a, b, stop, time, widening, way, slow)
    if not reachable and _rests(
        law, tube, pull, tilt, pressure, a, stop, new, time, widening, slow
    ):
        r = radius_at(tube, stop)
        grow = opening(tube) * (1.0 if widening else -1.0) if tube.waist <= STRAIGHT else 0.0
        return stop, 0.0, 1.0, abs(tilt - pull * grow / (r * r))
    asked = False
    if reachable and way * (new - b) > -0.01 * abs(b - a):
        part, lost = time_between(law, tube, pull, tilt, pressure, a, b, stop, widening)
        if part <= time:
            return b, time - part, lost, 0.0
        asked = True
    low, high = a, b if reachable else stop  # low: not yet out of time
    if not way * (high - new) > 0.0:
        new = a + 0.9 * (high - a)
    if new == a:
        return a, 0.0, 0.0, math.inf
    part, lost = time_between(law, tube, pull, tilt, pressure, a, new, stop, widening)
    slow = math.inf
    for _ in range(_INVERSIONS):
        slow, change = slowness(law, tube, pull, tilt, pressure, new, widening)
        over = part - time
        if over > 0.0:
            high = new
        else:
            low = new
        if not slow < math.inf or abs(high - low) <= 1e-14 * max(abs(high), abs(low)):
            break
        target = _target(law, new, stop, over / slow, way)
        if not (min(low, high) < target < max(low, high)):
            if reachable and not asked and high == b:
                whole, all_lost = time_between(
                    law, tube, pull, tilt, pressure, a, b, stop, widening
                )
                if whole <= time:
                    return b, time - whole, all_lost, 0.0
                asked = True
            target = 0.5 * (low + high)
        step = way * (target - new)
        if abs(step) <= _CLOSE[law.coarse] * min(abs(new - a), abs(stop - new)):
            # close: one trapezium, whose error is the third power of the step
            slow2, change2 = slowness(law, tube, pull, tilt, pressure, target, widening)
            lost += 0.5 * step * (change + change2)
            new = target - way * (over + 0.5 * step * (slow + slow2)) / slow2
            return new if way * (b - new) > 0.0 else b, 0.0, lost, slow2
        close = abs(step) < 0.3 * abs(new - a) and over < time
        if close and abs(stop - new) > 0.3 * abs(stop - target):  # else the sums nearly cancel
            more, worse = time_between(law, tube, pull, tilt, pressure, new, target, stop, widening)
            part += math.copysign(more, step)
            lost += math.copysign(worse, step)
        else:
            part, lost = time_between(law, tube, pull, tilt, pressure, a, target, stop, widening)
        new = target
    return new, 0.0, lost, slow


@inner
def _scale(tube, s):
    """A length over which nothing changes by more than its own size."""
    if tube.waist > STRAIGHT:
        return s
    return min(s, radius_at(tube, s) / opening(tube))


@inner
def _short_way(law, tube, pull, tilt, pressure, a, time, widening, way, slow, change):
    """:func:`follow` over a way so short that three points are enough: Simpson's rule."""
    d = time / slow
    slow1, change1 = slowness(law, tube, pull, tilt, pressure, a + 0.5 * way * d, widening)
    slow2, change2 = slowness(law, tube, pull, tilt, pressure, a + way * d, widening)
    part = d * (slow + 4.0 * slow1 + slow2) / 6.0
    step = (time - part) / slow2
    lost = d * (change + 4.0 * change1 + change2) / 6.0 + step * change2
    # the slowness at the place, and the way of a step at its changing speed
    bend = (3.0 * slow2 - 4.0 * slow1 + slow) / d
    step *= 1.0 - 0.5 * bend * step / slow2
    return a + way * (d + step), 0.0, lost, slow2 + bend * step


@inner
def _rests(law, tube, pull, tilt, pressure, a, stop, new, time, widening, slow):
    """Whether so much time passes that a meniscus stands where the drive vanishes, to rounding."""
    if law.kind != 0 or not abs(stop - new) < _NEAR * abs(stop - a):
        return False
    near = stop - _NEAR * (stop - a)
    slow1, _ = slowness(law, tube, pull, tilt, pressure, near, widening)
    return max(slow * abs(stop - a), slow1 * abs(stop - near)) * _RESTED < time


@inner
def _target(law, new, stop, excess, way):
    """Where the time runs out, ``excess`` (at the speed there) before new."""
    room = abs(stop - new)
    if room == math.inf:
        return new - way * excess
    m = law.order - 1.0
    share = excess / room
    if abs(share) < 1e-4:
        return new - way * excess * (1.0 + 0.5 * (m + 1.0) * share)
    if m < 1e-3:
        return stop - way * room * math.exp(min(share, 50.0))
    return stop - way * room * max(1.0 - m * share, 0.1) ** (-1.0 / m)


@inner
def _guess(law, tube, pull, tilt, pressure, a, b, stop, time, widening, way, slow):
    p = 1.0 / law.index
    if a == 0.0:
        at = 0.1 * (b if abs(stop) > b else stop)
        slow, _ = slowness(law, tube, pull, tilt, pressure, at, widening)
        if slow == math.inf:
            return 0.5 * at
        return at * (time * (1.0 + p) / (slow * at)) ** (1.0 / (1.0 + p))
    gone = time / slow
    least = math.inf
    if abs(stop - a) < 3.0 * abs(b - a):
        least = abs(_target(law, a, stop, -gone, way) - a)
    if widening and tube.waist <= STRAIGHT:
        if way > 0.0:  # the wet part resists alike, the drive falls as 1/r
            r = radius_at(tube, a) / opening(tube)
            grown = 1.0 + (3.0 + p) * gone / r
            gone = r * (grown ** (1.0 / (3.0 + p)) - 1.0)
        return a + way * min(gone, least)
    if least < math.inf:
        return a + way * least
    grown = 1.0 + way * (1.0 + p) * gone / a
    return a * grown ** (1.0 / (1.0 + p)) if grown > 0.0 else 0.0
