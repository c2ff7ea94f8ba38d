"""A meniscus in a straight tube under a constant drive, exactly.

Liquid stands from the mouth to x; the drive u (pressure at the mouth less that just behind the
meniscus, gravity included) is spent on the wetted length: tw = u R / (2 x), dx/dt = R s(tw).
Then time is a difference of one function of the liquid, whatever the tube::

    t = u/2 [E(tw1) - E(tw0)],     E(w) = integral of dw' / (w'^2 s(w')) from w to infinity

Newtonian: x1 = sqrt(x0^2 + R^2 u t / (4 eta)) (Lucas 1918; Washburn 1921). Power law:
x1^(1+1/n) = x0^(1+1/n) + (1+1/n) R n/(3n+1) (u R/(2K))^(1/n) t. With a yield stress the meniscus
creeps up to the stop length u R/(2 ty) and never passes it.
"""

from __future__ import annotations

import math

from poresim.tube.jit import inner, kernel
from poresim.tube.law import excess_at_imbibition, flow_above_yield, log_imbibition
from poresim.tube.plastic import FAR, plastic_place, plastic_time, slowing

# Shorter moves than this (as a share of E) are summed as a series in time, exact to rounding where
# a difference of two table values is not; with one term if the speed changes by less than the
# second.
_SHORT, _LINEAR = 1e-5, 1e-8
_MOST = 1e300  # numbers beyond are infinite


@kernel
def straight_advance(law, x, drive, radius, time):
    """(x_new, d x_new / d drive): where the meniscus stands after ``time``, and its exact slope.

    x >= 0, m; drive in Pa, negative when it recedes; radius > 0, m; time >= 0, s. A meniscus
    that recedes stops at the mouth (x_new = 0, slope 0). At x = 0 and drive = 0 the slope has
    no bound, and 0 is returned.
    """
    if time <= 0.0 or (x <= 0.0 and drive <= 0.0):
        return max(x, 0.0), 0.0
    if law.kind == 0:
        gain = radius * radius * time / (4.0 * law.consistency)
        square = x * x + gain * drive
        if square <= 0.0:
            return 0.0, 0.0
        new = math.sqrt(square)
        return new, 0.5 * gain / new
    if drive == 0.0:
        return x, 0.0
    if law.kind == 1:
        return _advance_power(law, x, drive, radius, time)
    return _advance_by_table(law, x, drive, radius, time)


@kernel
def plain_volume(x, gain, pull, back, area, pressure):
    """(volume, d volume / d pressure) that a level Newtonian meniscus takes, m3 and m3/Pa.

    From x, m; ``gain``: radius^2 time / (4 viscosity); ``pull`` and ``back``, Pa: what the
    meniscus adds to the ``pressure`` at the mouth, advancing and receding. Without branches, so
    that many are looked up at once.
    """
    ahead, behind = pressure + pull, pressure + back
    drive = ahead if ahead > 0.0 else (min(behind, 0.0) if x > 0.0 else 0.0)
    square = x * x + gain * drive
    new = math.sqrt(max(square, 0.0))
    volume = area * gain
    moves = drive != 0.0 and gain > 0.0
    free = moves and square > 0.0
    taken = volume * drive / (new + x) if free else (-area * x if moves else 0.0)
    slope = 0.5 * volume / new if free else 0.0
    return taken, slope


@inner
def _advance_power(law, x, drive, radius, time):
    n = law.index
    p = 1.0 / n
    push = abs(drive)
    rate = push * radius / (2.0 * law.consistency)
    gain = (1.0 + p) / (3.0 + p) * radius * time
    share = gain / x * (rate / x) ** p if x > 0.0 else math.inf  # x^(1+p) grows by this share
    if drive > 0.0 and share > _MOST:
        new = (gain * rate**p) ** (1.0 / (1.0 + p))
        return new, new / ((n + 1.0) * push)
    total = 1.0 + share if drive > 0.0 else 1.0 - share
    if total <= 0.0:
        return 0.0, 0.0
    new = x * total ** (1.0 / (1.0 + p))
    return new, new * (share / total) / ((n + 1.0) * push)


@inner
def _advance_by_table(law, x, drive, radius, time):
    """With dE/dw = -1 / (w^2 s) the slopes follow from those of ln E, and no flow is looked up."""
    push = abs(drive)
    ty = law.yield_stress
    if law.plastic_end > 0.0:
        stop = 0.5 * push * radius / ty
        phi = x / stop
        before = plastic_time(law, phi) if phi < FAR else math.inf
        change = 0.5 * ty * ty * time / (law.consistency * push)
        after = before + change if drive > 0.0 else before - change
        if after < law.plastic_end and change >= _SHORT * before:
            return _advance_plastic(law, push, drive > 0.0, stop, phi, before, change, after)
    gain = 2.0 * time / push * law.per_time
    if x <= 0.0:
        z, fall = excess_at_imbibition(law, math.log(gain))
        excess = law.unit_stress * math.exp(z)
        stress = ty + excess
        new = 0.5 * push * radius / stress
        return new, max(0.0, new / push * (1.0 + excess / (stress * fall)))
    stress0 = 0.5 * push * radius / x
    excess0 = stress0 - ty
    if excess0 <= 0.0:
        return x, 0.0
    sign = 1.0 if drive > 0.0 else -1.0
    level, fall0 = log_imbibition(law, math.log(excess0 / law.unit_stress))
    ratio = min(gain / math.exp(level), _MOST)  # E falls, or grows, by this share
    if ratio < _SHORT:
        return _advance_short(law, x, push, sign, stress0, excess0, radius, time)
    if sign < 0.0 and ratio >= 1.0:
        return 0.0, 0.0
    z, fall = excess_at_imbibition(law, level + math.log1p(sign * ratio))
    excess = law.unit_stress * math.exp(z)
    stress = ty + excess
    new = 0.5 * push * radius / stress
    before = sign * ratio - stress0 * fall0 / excess0
    left = 1.0 + excess / (stress * fall) * before / (1.0 + sign * ratio)
    return new, max(0.0, sign * new / push * left)


@inner
def _advance_plastic(law, push, ahead, stop, phi, before, change, after):
    """A Bingham liquid's, from phi on: T is ``before`` there, and ``after`` once it has moved."""
    if after <= 0.0:
        return 0.0, 0.0
    new = plastic_place(law, math.sqrt(2.0 * after))
    # d T / d u: the place it has come from, as a share, and the time in units that go as 1/u
    if phi > 0.0:
        change = (change if ahead else -change) + phi * phi / slowing(phi)
    left = new - slowing(new) / new * change
    return stop * new, max(0.0, (stop if ahead else -stop) / push * left)


@inner
def _advance_short(law, x, push, sign, stress0, excess0, radius, time):
    s0, slope0 = flow_above_yield(law, excess0)
    shift = radius * s0 * time
    slowing = stress0 * slope0 / s0 * shift / x  # by how much the speed changes, as a share
    new = x + shift * (sign - 0.5 * slowing)
    if slowing < _LINEAR:
        return new, radius * time * slope0 * 0.5 * radius / x
    stress = 0.5 * push * radius / new
    s, _ = flow_above_yield(law, stress - law.yield_stress)
    left = 1.0 - stress * s * (1.0 / (stress0 * s0) + sign * 2.0 * time / push)
    return new, max(0.0, sign * new / push * left)


@kernel
def straight_time(law, start, end, drive, radius):
    """Time, s, that a meniscus takes from ``start`` to ``end`` (m) under a constant drive, Pa.

    0 where end <= start; inf where the drive does not carry it there.
    """
    if end <= start:
        return 0.0
    if drive <= 0.0:
        return math.inf
    if law.kind == 0:
        return 4.0 * law.consistency * (end - start) * (end + start) / (radius * radius * drive)
    p = 1.0 / law.index
    if law.kind == 1:
        speed = (1.0 + p) / (3.0 + p) * radius * (drive * radius / (2.0 * law.consistency)) ** p
        if start <= 0.0:
            return end ** (1.0 + p) / speed
        growth = math.expm1((1.0 + p) * math.log1p((end - start) / start))
        return start ** (1.0 + p) * growth / speed
    return _time_by_table(law, start, end, drive, radius)


@inner
def _time_by_table(law, start, end, drive, radius):
    ty = law.yield_stress
    near = law.plastic_end > 0.0 and 2.0 * ty * end < FAR * drive * radius
    if near and end - start >= _LINEAR * end:
        stop = 0.5 * drive * radius / ty
        taken = plastic_time(law, end / stop) - plastic_time(law, start / stop)
        return 2.0 * law.consistency * drive / (ty * ty) * taken
    excess = 0.5 * drive * radius / end - ty
    if excess <= 0.0:
        return math.inf
    level, _ = log_imbibition(law, math.log(excess / law.unit_stress))
    whole = 0.5 * drive * math.exp(level + law.log_time)  # from the mouth
    if start <= 0.0:
        return whole
    if end - start < _LINEAR * end:
        return (end - start) / (radius * flow_above_yield(law, excess)[0])
    before, _ = log_imbibition(law, math.log((0.5 * drive * radius / start - ty) / law.unit_stress))
    return -whole * math.expm1(before - level)
