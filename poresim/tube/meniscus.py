"""A meniscus in any tube: straight or waisted, level or tilted, whatever the liquid.

The pressure P at the mouth is held. With liquid from the mouth to s, the drive is
``u(s) = P + p_c(s) + tilt * s``: capillary pressure and the head along the tube. It is spent on
the wet part, so ds/dt = Q(u, s) / A(s) and the way from x to x' takes::

    T = integral from x to x' of A(s) / Q(s) ds

Straight level tubes have T in closed form (:mod:`poresim.tube.straight`), straight tilted
Newtonian ones too (Fries & Dreyer 2008). Elsewhere T is an eight-point Gauss-Legendre sum over
each cone; its integrand is smooth, since 1/Q vanishes at the mouth as s does. x' follows from T
by Newton's method (near a stall the sum runs over the logarithm of the distance to it, since the
time has no bound there). x' rises with P whatever the tube, which keeps the march's step convex.

Wetting (Young-Laplace in a cone of half-opening b): 2 gamma cos(theta - b) / r where the tube
narrows before the meniscus, 2 gamma cos(theta + b) / r where it widens; theta is the advancing
angle when that drives the liquid on, the receding one when that pulls it back, and between the
two the meniscus is pinned.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import STRAIGHT, wetted_flow
from poresim.tube.jit import kernel
from poresim.tube.straight import straight_advance, straight_time

#: What wets: 2 gamma cos and sin of the advancing and the receding angle, N/m; whether grains
#: are carried; the share of its drive below which the head along one tube counts as constant.
WETTING = np.dtype(
    [
        ("advance_cos", np.float64),
        ("advance_sin", np.float64),
        ("recede_cos", np.float64),
        ("recede_sin", np.float64),
        ("head_share", np.float64),
    ],
    align=True,
)

_MANY, _FEW = 8, 4  # points of the sum over a cone, and over a small rest of one
_NODES, _WEIGHTS = 0.5 * np.hstack(
    [np.polynomial.legendre.leggauss(_MANY), np.polynomial.legendre.leggauss(_FEW)]
)
_NODES += 0.5
_BEYOND = 3.0  # a predicted meniscus may overrun its tube, up to this many lengths
_INVERSIONS = 60


@kernel
def radius_at(tube, s):
    """Radius, m, at the distance s from either mouth; the end's radius beyond the tube."""
    if tube.waist > STRAIGHT:
        return tube.radius
    half = 0.5 * tube.length
    far = min(abs(s - half), half)
    return tube.radius * (tube.waist + (1.0 - tube.waist) * far / half)


@kernel
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


@kernel
def capillary(tube, cos_part, sin_part, widening, r):
    """Capillary pressure, Pa, where the radius is r; the parts are 2 gamma cos, sin theta."""
    if tube.waist > STRAIGHT:
        return cos_part / r
    lean = tube.radius * (1.0 - tube.waist) / (0.5 * tube.length)
    across = 1.0 / math.sqrt(1.0 + lean * lean)
    along = lean * across
    if widening:
        return (cos_part * across - sin_part * along) / r
    return (cos_part * across + sin_part * along) / r


@kernel
def _drive(tube, cos_part, sin_part, tilt, pressure, s, widening):
    r = radius_at(tube, s)
    return pressure + capillary(tube, cos_part, sin_part, widening, r) + tilt * s


@kernel
def drives(wetting, tube, tilt, pressure, x):
    """(advancing drive, receding drive), Pa, of a meniscus that stands at x."""
    half = 0.5 * tube.length
    ahead = _drive(tube, wetting.advance_cos, wetting.advance_sin, tilt, pressure, x, x >= half)
    behind = _drive(tube, wetting.recede_cos, wetting.recede_sin, tilt, pressure, x, x > half)
    return ahead, behind


@kernel
def advance(law, wetting, tube, tilt, x, place, pressure, time):
    """(x_new, d x_new / d pressure) after ``time`` with the mouth's pressure held.

    Where a tube narrows, up to its waist, the drive is taken at ``place``, where the meniscus is
    expected half-way through that time, and held: followed exactly it would grow on the way, and
    the volume taken would be almost a jump in the pressure. Beyond the waist it falls on the way,
    a meniscus may come to rest there, and it is followed exactly.

    x is measured from the mouth; ``tilt`` is the head gained per length, Pa/m. The new place may
    lie beyond the tube's end: that is how an arrival is noticed.
    """
    time *= tube.leak
    if time <= 0.0:
        return x, 0.0
    if tube.waist <= STRAIGHT:
        return _advance_waisted(law, wetting, tube, tilt, x, place, pressure, time)
    ahead, behind = drives(wetting, tube, tilt, pressure, x)
    if ahead > 0.0:
        if abs(tilt) * tube.length <= wetting.head_share * ahead:
            return straight_advance(law, x, ahead, tube.radius, time)
        if law.kind == 0:
            return _advance_tilted(law, ahead - tilt * x, tilt, x, tube.radius, time)
        return _go(law, tube, wetting.advance_cos, 0.0, tilt, x, pressure, time, 1.0, 0.0)
    if x > 0.0 and behind < 0.0:
        if abs(tilt) * tube.length <= -wetting.head_share * behind:
            return straight_advance(law, x, behind, tube.radius, time)
        return _go(law, tube, wetting.recede_cos, 0.0, tilt, x, pressure, time, -1.0, 0.0)
    return x, 0.0


@kernel
def _advance_waisted(law, wetting, tube, tilt, x, place, pressure, time):
    half = 0.5 * tube.length
    a = x
    change = 0.0
    if a < half:
        ahead, behind = drives(wetting, tube, tilt, pressure, place)
        if ahead <= 0.0:
            if a > 0.0 and behind < 0.0:
                return _go(law, tube, 0.0, 0.0, 0.0, a, behind, time, -1.0, 0.0)
            return a, 0.0
        part, lost = _panel(law, tube, 0.0, 0.0, 0.0, ahead, a, half, half, False)
        if part > time:
            return _go(law, tube, 0.0, 0.0, 0.0, a, ahead, time, 1.0, 0.0)
        time -= part
        change = lost
        a = half
    ahead, behind = drives(wetting, tube, tilt, pressure, a)
    if ahead > 0.0:
        return _go(
            law,
            tube,
            wetting.advance_cos,
            wetting.advance_sin,
            tilt,
            a,
            pressure,
            time,
            1.0,
            change,
        )
    if x < half or behind >= 0.0:
        return a, 0.0
    if x > half:
        part, lost, new = _back_to_waist(law, wetting, tube, tilt, x, pressure, time)
        if new > half:
            return new, lost
        time -= part
        change = lost
        _, behind = drives(wetting, tube, tilt, pressure, half)
        if behind >= 0.0:
            return half, 0.0
    return _go(law, tube, 0.0, 0.0, 0.0, half, behind, time, -1.0, change)


@kernel
def _back_to_waist(law, wetting, tube, tilt, x, pressure, time):
    """(time to the waist, -d time / d pressure, waist), or where a meniscus stands before it.

    In the second case the middle number is d place / d pressure.
    """
    half = 0.5 * tube.length
    c, s = wetting.recede_cos, wetting.recede_sin
    stop = _stall(tube, c, s, tilt, pressure, x, half, -1.0)
    if stop == half:
        part, lost = _panel(law, tube, c, s, tilt, pressure, x, half, half, False)
        if part <= time:
            return part, lost, half
    new, slope = _go(law, tube, c, s, tilt, x, pressure, time, -1.0, 0.0)
    return 0.0, slope, max(new, half * (1.0 + 1e-15))


@kernel
def travel_time(law, wetting, tube, tilt, start, end, place, pressure):
    """Time, s, from ``start`` to ``end`` > start as :func:`advance` goes; inf if it stops."""
    if end <= start:
        return 0.0
    if tube.waist <= STRAIGHT:
        return _time_waisted(law, wetting, tube, tilt, start, end, place, pressure)
    ahead, _ = drives(wetting, tube, tilt, pressure, start)
    if ahead <= 0.0:
        return math.inf
    if abs(tilt) * tube.length <= wetting.head_share * ahead:
        return straight_time(law, start, end, ahead, tube.radius) / tube.leak
    if law.kind == 0:
        whole = _time_tilted(law, ahead - tilt * start, tilt, start, end, tube.radius)
        return whole / tube.leak
    return _time_driven(
        law, tube, wetting.advance_cos, wetting.advance_sin, tilt, start, end, pressure
    )


@kernel
def _time_waisted(law, wetting, tube, tilt, start, end, place, pressure):
    half = 0.5 * tube.length
    total = 0.0
    if start < half:
        ahead, _ = drives(wetting, tube, tilt, pressure, place)
        if ahead <= 0.0:
            return math.inf
        total = _time_driven(law, tube, 0.0, 0.0, 0.0, start, min(end, half), ahead)
        if end <= half:
            return total
        start = half
    if _drive_past(tube, wetting.advance_cos, wetting.advance_sin, tilt, pressure, start) <= 0.0:
        return math.inf
    return total + _time_driven(
        law, tube, wetting.advance_cos, wetting.advance_sin, tilt, start, end, pressure
    )


@kernel
def _time_driven(law, tube, cos_part, sin_part, tilt, start, end, pressure):
    total = 0.0
    a = start
    while a < end:
        b = _panel_end(tube, a, 1.0)
        c = min(end, b)
        stop = _stall(tube, cos_part, sin_part, tilt, pressure, a, b, 1.0)
        if stop <= c and stop < b:
            return math.inf
        part, _ = _panel(law, tube, cos_part, sin_part, tilt, pressure, a, c, stop, stop < b)
        total += part
        a = c
        if a < end and _drive_past(tube, cos_part, sin_part, tilt, pressure, a) <= 0.0:
            return math.inf
    return total / tube.leak


@kernel
def _drive_past(tube, cos_part, sin_part, tilt, pressure, s):
    """Drive, Pa, just beyond s: at the waist it falls by a step."""
    return _drive(tube, cos_part, sin_part, tilt, pressure, s, s >= 0.5 * tube.length)


@kernel
def _time_tilted(law, level, tilt, start, end, radius):
    """Straight Newtonian tube, drive ``level + tilt s``: time from start to end (closed form)."""
    if level + tilt * start <= 0.0 or level + tilt * end <= 0.0:
        return math.inf
    speed = radius * radius / (8.0 * law.consistency)
    bend = tilt * (end - start) / (level + tilt * start)
    if abs(bend) < 1e-3:  # the closed form cancels here; its series in the bend does not
        u = level + tilt * start
        d = end - start
        first = start * d * (1.0 - bend * (0.5 - bend * (1.0 / 3.0 - 0.25 * bend)))
        second = d * d * (0.5 - bend * (1.0 / 3.0 - bend * (0.25 - 0.2 * bend)))
        return (first + second) / (speed * u)
    return ((end - start) - level / tilt * math.log1p(bend)) / (tilt * speed)


@kernel
def _advance_tilted(law, level, tilt, x, radius, time):
    speed = radius * radius / (8.0 * law.consistency)
    u = level + tilt * x
    low = x
    high = math.sqrt(x * x + 2.0 * speed * max(u, u + tilt * x) * time)
    if tilt < 0.0:
        high = min(high, -level / tilt)
    else:
        while _time_tilted(law, level, tilt, x, high, radius) < time:
            low = high
            high = 2.0 * high + 1e-12
    new = 0.5 * (low + high)
    for _ in range(_INVERSIONS):
        over = _time_tilted(law, level, tilt, x, new, radius) - time
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
    if abs(bend) < 1e-3:
        d = new - x
        lost = d * (x + 0.5 * d) / (u * u) * (1.0 - bend)
    else:
        lost = (math.log1p(bend) + level * (1.0 / end - 1.0 / u)) / (tilt * tilt)
    return new, lost * end / new


@kernel
def _panel_end(tube, a, way):
    """The next place, going ``way`` (+1, -1) from a, where the tube's shape changes."""
    half = 0.5 * tube.length
    if way > 0.0:
        if tube.waist <= STRAIGHT and a < half:
            return half
        return tube.length if a < tube.length else _BEYOND * tube.length
    if tube.waist <= STRAIGHT:
        if a > tube.length:
            return tube.length
        if a > half:
            return half
    return 0.0


@kernel
def _stall(tube, cos_part, sin_part, tilt, pressure, a, b, way):
    """Where the drive first vanishes between a and b, going ``way``; b if it does not.

    Along one cone the drive is c/r + P + tilt s with r linear in s: zeros of a quadratic in r.
    """
    half = 0.5 * tube.length
    widening = max(a, b) > half
    if tube.waist > STRAIGHT or max(a, b) > tube.length:
        level = _drive(tube, cos_part, sin_part, tilt, pressure, a, widening) - tilt * a
        if tilt != 0.0:
            s = -level / tilt
            if (a < s < b) or (b < s < a):
                return s
        return b
    grow = tube.radius * (1.0 - tube.waist) / half * (1.0 if widening else -1.0)
    ra = radius_at(tube, a)
    c = capillary(tube, cos_part, sin_part, widening, 1.0)
    # s = a + (r - ra)/grow:  (tilt/grow) r^2 + (P + tilt (a - ra/grow)) r + c = 0
    qa = tilt / grow
    qb = pressure + tilt * (a - ra / grow)
    best = b
    if qa == 0.0:
        if qb != 0.0:
            best = _nearer(a, b, a + (-c / qb - ra) / grow, best)
        return best
    disc = qb * qb - 4.0 * qa * c
    if disc < 0.0:
        return b
    q = -0.5 * (qb + math.copysign(math.sqrt(disc), qb))
    if q != 0.0:
        best = _nearer(a, b, a + (c / q - ra) / grow, best)
    return _nearer(a, b, a + (q / qa - ra) / grow, best)


@kernel
def _nearer(a, b, s, best):
    inside = (a < s < b) or (b < s < a)
    return s if inside and abs(s - a) < abs(best - a) else best


@kernel
def _slowness(law, tube, cos_part, sin_part, tilt, pressure, s, widening):
    """(A/|Q|, -d(A/|Q|)/dP sign(Q)) at s; inf where nothing flows."""
    r = radius_at(tube, s)
    u = pressure + capillary(tube, cos_part, sin_part, widening, r) + tilt * s
    rate, slope = wetted_flow(law, u, s, tube.radius, tube.length, tube.waist)
    rate = abs(rate)
    if rate <= 0.0:
        return math.inf, 0.0
    slow = math.pi * r * r / rate
    return slow, slow * slope / rate


@kernel
def _panel(law, tube, cos_part, sin_part, tilt, pressure, a, c, stop, stalls):
    """(time, -d time / d pressure) from a to c (either way), within one cone.

    ``stop`` is where the cone ends or, if ``stalls``, where the drive vanishes. The time grows
    without bound towards a stall; there the sum is taken over ln(stop - s), which tames it.
    """
    widening = max(a, stop) > 0.5 * tube.length
    grade = math.log((stop - a) / (stop - c)) if stalls else 0.0
    total = 0.0
    change = 0.0
    for k in range(_MANY):
        s = a + (c - a) * _NODES[k]
        share = abs(c - a) * _WEIGHTS[k]
        if stalls:
            s = stop - (stop - a) * math.exp(-grade * _NODES[k])
            share = abs(stop - s) * grade * _WEIGHTS[k]
        slow, slope = _slowness(law, tube, cos_part, sin_part, tilt, pressure, s, widening)
        total += share * slow
        change += share * slope
    return total, change


@kernel
def _go(law, tube, cos_part, sin_part, tilt, x, pressure, time, way, change):
    """Advance (way +1) or recede (-1) by quadrature; see the module's head.

    ``change`` is -d time / d pressure of the way to x.
    """
    left = time
    a = x
    while True:
        b = _panel_end(tube, a, way)
        if b == a:
            return a, 0.0
        widening = max(a, b) > 0.5 * tube.length
        if way * _drive(tube, cos_part, sin_part, tilt, pressure, a, widening) <= 0.0:
            return a, 0.0
        stop = _stall(tube, cos_part, sin_part, tilt, pressure, a, b, way)
        reachable = stop == b
        part = lost = 0.0
        if reachable:
            part, lost = _panel(law, tube, cos_part, sin_part, tilt, pressure, a, b, b, False)
            if law.kind > 1 and b > 0.0:  # a yield stress may hold just short of the end
                slow, _ = _slowness(law, tube, cos_part, sin_part, tilt, pressure, b, widening)
                reachable = slow < math.inf
        if not reachable or part > left:
            guess = math.sqrt(left / part) if 0.0 < part < math.inf else 0.5
            return _within(
                law,
                tube,
                cos_part,
                sin_part,
                tilt,
                pressure,
                a,
                stop,
                stop != b,
                left,
                guess,
                change,
            )
        left -= part
        change += lost
        a = b
        if a == 0.0 or a >= _BEYOND * tube.length:
            return a, 0.0


@kernel
def _within(law, tube, cos_part, sin_part, tilt, pressure, a, b, stalls, left, guess, change):
    """Where the time ``left`` runs out between a and b (which is never reached)."""
    widening = max(a, b) > 0.5 * tube.length
    way = 1.0 if b > a else -1.0
    if way < 0.0:
        guess *= guess
    new = a + (b - a) * min(max(guess, 1e-6), 0.999)
    if way > 0.0 and not stalls and a > 0.0:
        new = math.sqrt(a * a + (b * b - a * a) * min(guess * guess, 1.0))
    low, high = a, b  # low: not yet out of time
    part, lost = _panel(law, tube, cos_part, sin_part, tilt, pressure, a, new, b, stalls)
    slow = math.inf
    for _ in range(_INVERSIONS):
        over = part - left
        if over > 0.0:
            high = new
        else:
            low = new
        slow, _ = _slowness(law, tube, cos_part, sin_part, tilt, pressure, new, widening)
        if abs(over) <= 1e-12 * left or abs(high - low) <= 1e-14 * max(high, low):
            break
        step = way * over / slow if slow < math.inf else math.inf
        if abs(step) <= 1e-6 * abs(new - a) and min(low, high) < new - step < max(low, high):
            new -= step  # quadratic: what is left is below 1e-12
            break
        before = new
        new -= step
        if not (min(low, high) < new < max(low, high)):
            new = 0.5 * (low + high)
        if not stalls and abs(new - before) < 0.1 * abs(before - a):
            more, worse = _rest(
                law, tube, cos_part, sin_part, tilt, pressure, before, new, widening
            )
            part += way * more
            lost += way * worse
        else:
            part, lost = _panel(law, tube, cos_part, sin_part, tilt, pressure, a, new, b, stalls)
    if slow == math.inf or not lost < math.inf:
        return new, 0.0
    return new, (change + lost) / slow


@kernel
def _rest(law, tube, cos_part, sin_part, tilt, pressure, a, c, widening):
    """As :func:`_panel`, over a small part of a cone, signed as c - a."""
    total = 0.0
    change = 0.0
    for k in range(_MANY, _MANY + _FEW):
        s = a + (c - a) * _NODES[k]
        slow, slope = _slowness(law, tube, cos_part, sin_part, tilt, pressure, s, widening)
        total += (c - a) * _WEIGHTS[k] * slow
        change += (c - a) * _WEIGHTS[k] * slope
    return total, change
