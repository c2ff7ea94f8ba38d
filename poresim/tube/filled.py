"""Flow through the wet part of a tube: straight, or two cones meeting at a waist.

The radius falls linearly from ``radius`` at both ends to ``waist * radius`` at the middle. Flow is
locally that of a straight tube (small slope), so the pressure drop is the integral of 2 tw / r:

- Newtonian and power law: a cone from r to r (1-d) of length l resists as a straight tube of
  radius r and length l g, g = ((1-d)^(-3n) - 1) / (3 n d), in closed form.
- yield stress, or any other curve: the drop at a given flow is in closed form (M of
  :mod:`poresim.tube.law`), and the flow at a given drop is found by Newton's method on its
  logarithm, or looked up where the law holds the table of its waist (:mod:`poresim.tube.lookup`).
"""

from __future__ import annotations

import math

from poresim.tube.jit import inner, kernel
from poresim.tube.law import cone_excess, flow_above_yield, reduced_flow
from poresim.tube.lookup import log_flow, run_and_hold

STRAIGHT = 1.0 - 1e-9  # a waist above this is a straight tube
_SHORT = 0.02  # cones over which ln s changes by less are summed by quadrature, not by difference
_NEWTON_STEPS = 50


@kernel
def wetted_flow(law, drop, x, radius, length, waist):
    """(rate, d rate / d drop): flow, m3/s, through the liquid that stands from end 0 to x.

    drop in Pa, from end 0 to x, any sign (the rate is odd in it); 0 < x <= length, and
    x = length is a full tube; radius at the ends and length in m; waist in (0, 1].
    The slope is 0 below the yield stress.
    """
    push = abs(drop)
    volume = math.pi * radius**3
    straight = waist > STRAIGHT
    if straight or law.kind <= 1:
        if straight:
            run = x
        elif x >= length and law.waist == waist:
            run = law.full_run * length
        else:
            run = straight_length(law.index, x, length, waist)
        per_drop = 0.5 * radius / run
        s, slope = reduced_flow(law, push * per_drop)
        rate = volume * s
        slope *= volume * per_drop
    else:
        rate, slope = _flow_past_waist(law, push, x, radius, length, waist)
    return (rate if drop >= 0.0 else -rate), slope


@kernel
def yield_drop(law, x, radius, length, waist):
    """Pressure drop, Pa, between end 0 and x below which nothing flows; 0 without a yield."""
    if law.yield_stress == 0.0:
        return 0.0
    run = x
    if waist <= STRAIGHT and x >= length and law.waist == waist:
        run = law.full_hold * length
    elif waist <= STRAIGHT:
        half = 0.5 * length
        if x <= half:
            run = x * _log_share((1.0 - waist) * x / half)
        else:
            over = min(x, length) - half
            wide = waist + (1.0 - waist) * over / half
            narrowing = 1.0 - waist / wide
            run = half * _log_share(1.0 - waist) + over / wide * _log_share(narrowing)
    return 2.0 * law.yield_stress * run / radius


@inner
def _log_share(d):
    return -math.log1p(-d) / d if d > 0.0 else 1.0


@inner
def _cone_share(index, d):
    """g: how much more a cone resists than a straight tube of its wide end's radius."""
    if d <= 0.0:
        return 1.0
    if index == 1.0:
        q = 1.0 - d
        return (1.0 + q + q * q) / (3.0 * q * q * q)
    k = 3.0 * index
    return math.expm1(-k * math.log1p(-d)) / (k * d)


@kernel
def straight_length(index, x, length, waist):
    """Length of a straight tube of the end's radius that resists as the wet part does."""
    half = 0.5 * length
    if x <= half:
        return x * _cone_share(index, (1.0 - waist) * x / half)
    first = half * _cone_share(index, 1.0 - waist)
    if x >= length:
        return 2.0 * first
    over = x - half
    wide = waist + (1.0 - waist) * over / half
    power = wide**-4 if index == 1.0 else wide ** (-3.0 * index - 1.0)
    return first + over * _cone_share(index, 1.0 - waist / wide) * power


@inner
def _flow_past_waist(law, push, x, radius, length, waist):
    if law.waist == waist:
        return _looked_up(law, push, x, radius, length, waist)
    excess = push - yield_drop(law, x, radius, length, waist)
    return exact_flow_past_waist(law, excess, x, radius, length, waist)


@inner
def _looked_up(law, push, x, radius, length, waist):
    run, hold, second, stretch = run_and_hold(law, x, length, waist)
    excess = push - 2.0 * law.yield_stress * hold / radius
    if excess <= 0.0:
        return 0.0, 0.0
    z = math.log(0.5 * excess * radius / (run * law.unit_stress))
    level, rise = log_flow(law, second, z, stretch)
    rate = math.pi * radius**3 * math.exp(level)
    if rate < 1e-290:
        return 0.0, 0.0
    return rate, rate * rise / excess


@inner
def exact_flow_past_waist(law, excess, x, radius, length, waist):
    """(rate, slope) of a yielding liquid by solving for the drop; ``excess`` over the yield's."""
    if excess <= 0.0:
        return 0.0, 0.0
    run = straight_length(law.index, x, length, waist)
    guess, _ = flow_above_yield(law, 0.5 * excess * radius / run)
    if guess < 1e-290:
        return 0.0, 0.0
    half = 0.5 * length
    first = min(x, half)
    over = min(x, length) - half
    wide = waist + (1.0 - waist) * over / half  # radius at x over the end's, past the waist
    shift = 3.0 * math.log(wide) if over > 0.0 else 0.0
    y = math.log(guess)  # ln of the reduced flow at the ends' radius
    slope = 1.0
    low, high = -math.inf, math.inf  # where a curve bends both ways, Newton might swing
    for _ in range(_NEWTON_STEPS):
        drop, slope = _cone_drop(law, y, (1.0 - waist) * first / half, radius, first)
        if over >= half:
            drop *= 2.0
            slope *= 2.0
        elif over > 0.0:
            more, steeper = _cone_drop(law, y - shift, 1.0 - waist / wide, radius * wide, over)
            drop += more
            slope += steeper
        step = math.log(excess / drop) * drop / slope
        if abs(step) < 1e-6:  # quadratic: what is left is below 1e-12
            y += step
            slope *= 1.0 + step * slope / drop  # slope at the moved y, to first order
            break
        low, high = (y, high) if step > 0.0 else (low, y)
        y = y + step if low < y + step < high else 0.5 * (low + high)
    rate = math.pi * radius**3 * math.exp(y)
    return rate, rate / slope


@inner
def _cone_drop(law, y, d, wide, length):
    """(drop, d drop / dy) beyond the yield drop, over a cone from ``wide`` to ``wide (1-d)``.

    y is ln s at the wide end.
    """
    dy = -3.0 * math.log1p(-d)
    scale = 2.0 * length / (3.0 * wide * d)
    if dy > _SHORT:
        m0, x0 = cone_excess(law, y)
        m1, x1 = cone_excess(law, y + dy)
        return scale * (m1 - m0), scale * (x1 - x0)
    scale *= 0.5 * dy  # two-point Gauss-Legendre
    _, x0 = cone_excess(law, y + 0.21132486540518713 * dy)
    _, x1 = cone_excess(law, y + 0.78867513459481287 * dy)
    s0, slope0 = flow_above_yield(law, x0)
    s1, slope1 = flow_above_yield(law, x1)
    return scale * (x0 + x1), scale * (s0 / slope0 + s1 / slope1)
