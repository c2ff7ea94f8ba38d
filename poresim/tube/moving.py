"""The way of a meniscus whose contact angle depends on its speed (:mod:`poresim.tube.line`).

The way from a to c takes T = integral of ds / v(s), a Gauss-Legendre sum by panels: v is finite
at the mouth, and varies over r ln(L/l) there. For slow menisci the term is as much wet length as
3 r ln(L / l) sin(t0) / (4 t0^2). What the march needs (which way, what is held) is as in
:mod:`poresim.tube.meniscus`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import carray

from poresim.tube.filled import STRAIGHT
from poresim.tube.follow import stall
from poresim.tube.jit import inner
from poresim.tube.line import (
    beyond_end,
    line_of,
    longest_relaxation,
    loss_per_speed,
    slowness,
    speed_at_drive,
)
from poresim.tube.shape import BEYOND, opening, radius_at, shape_ends
from poresim.tube.wetting import advancing_pull, drives, receding_pull

_POINTS = (3, 5, 8)  # of a sum over short, middling and long ways
_STARTS = np.cumsum((0, *_POINTS))
_NODES, _WEIGHTS = 0.5 * np.hstack([np.polynomial.legendre.leggauss(n) for n in _POINTS])
_NODES += 0.5
_SHORT, _MIDDLING = 0.05, 0.6  # ways below this share of a length over which speeds change
_PANEL = 2.0  # a longest panel, as a share of that length where it grows on the way
_THIN = 1e-4  # a line that matters over a smaller share of the way is met by one panel
_FIRST = 1e-3  # first panel, as a share of the way, where the line is at 180 degrees
_STEEPEST = 3.0  # of the logarithm of the distance to a stall, in one sum
_FAR = 4.0  # so many times the way off, a stall is not felt
_ROOTS, _INVERSIONS = 60, 60
_CLOSE = 3e-3  # a target this close, as a share of the way, is reached by one trapezium
_RESTED = 30.0  # after so many times its longest relaxation time a meniscus rests

#: What :func:`moving` is asked for.
ADVANCE, TIME, SPEED = 0, 1, 2


@inner
def _way_time(line, law, tube, pull, tilt, pressure, a, c, stop, change):
    """(time, -d time / d drive, change of the angle at the end) from a to c, one piece.

    ``stop``: where the drive vanishes ahead, or infinite.
    """
    turn = c
    if abs(stop - c) < 0.5 * abs(stop - a):
        turn = stop - line.way * 0.5 * abs(stop - a)
    kink = _kink(line, law, tube, pull, tilt, pressure, a, turn)
    total, lost = 0.0, 0.0
    p, whole = a, abs(turn - a)
    while p != turn:
        slow, _, change, longer = slowness(line, law, tube, pull, tilt, pressure, p, change)
        scale = p + longer
        if kink == turn and longer < _THIN * whole:
            scale = max(scale, whole)
        panel = _PANEL if line.way > 0.0 else _PANEL / (1.0 + _PANEL)
        room = scale * panel
        if tube.waist <= STRAIGHT and p <= tube.length:
            apex = radius_at(tube, p) / opening(tube)
            scale, room = min(scale, apex), min(room, 0.6 * apex)
        room = max(room, _FIRST * whole)
        q = turn if room >= 0.99 * abs(turn - p) else p + line.way * room
        if line.way * (kink - p) > 0.0 and line.way * (q - kink) > 0.0:
            q = kink
        wide = abs(q - p)
        rule = 0 if wide < _SHORT * scale else (1 if wide < _MIDDLING * scale else 2)
        for k in range(_STARTS[rule], _STARTS[rule + 1]):
            s = p + (q - p) * _NODES[k]
            slow, steep, change, _ = slowness(line, law, tube, pull, tilt, pressure, s, change)
            total += wide * _WEIGHTS[k] * slow
            lost += wide * _WEIGHTS[k] * steep
        p = q
    if turn != c:  # towards the stall the time has no bound: by the logarithm of the distance
        left = stop - turn
        grade = math.log(left / (stop - c))
        parts = int(grade / _STEEPEST) + 1
        shrink = math.exp(-grade / parts)
        for _ in range(parts):
            for k in range(_STARTS[2], _STARTS[3]):
                rest = left * math.exp(-grade / parts * _NODES[k])
                share = abs(rest) * grade / parts * _WEIGHTS[k]
                slow, steep, change, _ = slowness(
                    line, law, tube, pull, tilt, pressure, stop - rest, change
                )
                total += share * slow
                lost += share * steep
            left *= shrink
    return total, lost, change


@inner
def _kink(line, law, tube, pull, tilt, pressure, a, c):
    """Where, between a and c, the angle comes to its end, or leaves it; c if nowhere."""
    low, high = a, c
    f_low = beyond_end(line, law, tube, pull, tilt, pressure, low)
    f_high = beyond_end(line, law, tube, pull, tilt, pressure, high)
    if not f_low * f_high < 0.0:
        return c
    s = c
    for _ in range(_ROOTS):  # regula falsi, the kept end's value halved (Illinois)
        s = low - f_low * (high - low) / (f_high - f_low)
        f = beyond_end(line, law, tube, pull, tilt, pressure, s)
        if f * f_high < 0.0:
            low, f_low = high, f_high
        else:
            f_low *= 0.5
        high, f_high = s, f
        if f == 0.0 or abs(high - low) <= 1e-12 * abs(c - a):
            break
    return s


@inner
def _stall(tube, pull, tilt, pressure, a, b):
    """Where the drive at rest vanishes between a and b or not far beyond b; else infinite."""
    way = 1.0 if b > a else -1.0
    far = way * math.inf
    if pull == 0.0 and tilt == 0.0:
        return far
    place = stall(tube, pull, tilt, pressure, a, max(a, b) > 0.5 * tube.length, way)
    return place if way * (a + _FAR * (b - a) - place) > 0.0 else far


@inner
def _follow(line, law, tube, pull, tilt, pressure, a, b, time):
    """(place, time left, lost, slowness there): from a towards b, the piece's end.

    ``lost`` is -d time / d pressure of the way gone. Time is left only at b.
    """
    way = line.way
    stop = _stall(tube, pull, tilt, pressure, a, b)
    slow0, _, turned, _ = slowness(line, law, tube, pull, tilt, pressure, a, 0.0)
    if slow0 == math.inf:
        return a, 0.0, 0.0, math.inf
    reachable = way * (stop - b) > 0.0
    if not reachable:
        grade = abs(tilt)
        at = radius_at(tube, stop)
        if tube.waist <= STRAIGHT and stop <= tube.length and pull != 0.0:
            grow = opening(tube) * (1.0 if max(a, b) > 0.5 * tube.length else -1.0)
            grade = abs(tilt - pull * grow / (at * at))
        if longest_relaxation(line, law, tube, stop, at) * _RESTED < time * grade:
            return stop, 0.0, 1.0, grade
    low, high = a, b if reachable else stop
    new = _guess(line, law, tube, pull, tilt, pressure, a, high, stop, time, slow0, turned)
    change = turned
    asked = not reachable
    for _ in range(_INVERSIONS):
        if not asked and way * (new - b) > -0.01 * abs(b - a):
            new, asked = b, True
        elif not min(low, high) < new < max(low, high):
            new = 0.5 * (low + high)
            if new in (low, high):
                break
        part, lost, change = _way_time(line, law, tube, pull, tilt, pressure, a, new, stop, turned)
        slow, steep, change, _ = slowness(line, law, tube, pull, tilt, pressure, new, change)
        over = part - time
        if new == b and over <= 0.0:
            return b, -over, lost, 0.0
        if over > 0.0:
            high = new
        else:
            low = new
        if slow == math.inf or abs(high - low) <= 1e-14 * max(abs(high), abs(low)):
            return new, 0.0, lost, slow
        target = new - way * over / slow if slow > 0.0 else high
        if stop - stop == 0.0:  # it is felt: the time goes as the logarithm of the distance
            share = over / (slow * abs(stop - new))
            target = stop - (stop - new) * math.exp(min(share, 50.0))
        step = way * (target - new)
        if abs(step) <= _CLOSE * min(abs(new - a), abs(stop - new)) and way * (b - target) > 0.0:
            # one trapezium, whose error is the third power of the step
            slow2, steep2, _, _ = slowness(line, law, tube, pull, tilt, pressure, target, change)
            if slow2 == math.inf:
                return new, 0.0, lost, slow
            lost += 0.5 * step * (steep + steep2)
            new = target - way * (over + 0.5 * step * (slow + slow2)) / slow2
            return new if way * (b - new) > 0.0 else b, 0.0, lost, slow2
        if not min(low, high) < target < max(low, high) and not asked:
            target = b
        new = target
    return new, 0.0, 0.0, math.inf


@inner
def _guess(line, law, tube, pull, tilt, pressure, a, high, stop, time, slow0, turned):
    """Where the time may run out: the slowness as a straight line in the place."""
    way, room = line.way, abs(high - a)
    d = room
    if slow0 > 0.0:
        d = min(d, time / slow0)
    if stop - stop == 0.0:
        d = min(d, 0.7 * abs(stop - a))
    slow1, _, _, _ = slowness(line, law, tube, pull, tilt, pressure, a + way * d, turned)
    if not slow1 < math.inf:
        return a + way * 0.5 * d
    bend = (slow1 - slow0) / d
    inside = slow0 * slow0 + 2.0 * bend * time
    if inside <= 0.0:
        return high
    return a + way * 2.0 * time / (slow0 + math.sqrt(inside))


@inner
def _pieces(line, law, tube, pull, tilt, x, pressure, time, change):
    """Follow piece after piece; ``change`` is -d time / d pressure of the way to x."""
    a = x
    while True:
        b = shape_ends(tube, a, line.way)
        if b == a or line.way * (pressure + pull / radius_at(tube, a) + tilt * a) <= 0.0:
            return a, 0.0
        new, time, lost, slow = _follow(line, law, tube, pull, tilt, pressure, a, b, time)
        change += lost
        if time <= 0.0 or new != b:
            return new, change / slow if slow < math.inf and change < math.inf else 0.0
        a = b
        if a == 0.0 or a >= BEYOND * tube.length:
            return a, 0.0


@inner
def moving_advance(law, wetting, tube, tilt, x, place, pressure, time):
    """As :func:`poresim.tube.meniscus.advance`; ``time`` is above 0, and has the leak in it."""
    if tube.waist > STRAIGHT:
        held = tilt > 0.0 and not math.isnan(place)
        ahead, behind = drives(wetting, tube, tilt, pressure, place if held else x)
        drive = ahead if ahead > 0.0 else (min(behind, 0.0) if x > 0.0 else 0.0)
        if drive == 0.0:
            return x, 0.0
        line = line_of(law, wetting, tube, math.copysign(1.0, drive), True, tube.radius)
        level = drive if held else drive - tilt * x
        return _pieces(line, law, tube, 0.0, 0.0 if held else tilt, x, level, time, 0.0)
    half = 0.5 * tube.length
    lost = 0.0
    a = x
    if x < half:
        ahead, behind = drives(wetting, tube, tilt, pressure, place)
        drive = ahead if ahead > 0.0 else min(behind, 0.0)
        if drive == 0.0 or (x <= 0.0 and drive < 0.0):
            return x, 0.0
        new, slope, time, lost = _held(law, wetting, tube, drive, place, x, time, 0.0)
        if new < half or time <= 0.0:
            return new, slope
        a = half
    ahead, behind = drives(wetting, tube, tilt, pressure, a)
    if ahead > 0.0:
        line = line_of(law, wetting, tube, 1.0, True, 0.0)
        on = advancing_pull(wetting, tube, True)
        return _pieces(line, law, tube, on, tilt, a, pressure, time, lost)
    if x < half or behind >= 0.0:
        return a, 0.0
    if x > half:
        line = line_of(law, wetting, tube, -1.0, True, 0.0)
        back = receding_pull(wetting, tube, True)
        if x > tube.length:
            return _pieces(line, law, tube, back, tilt, x, pressure, time, 0.0)
        new, time, lost, slow = _follow(line, law, tube, back, tilt, pressure, x, half, time)
        if new > half or time <= 0.0:
            slope = lost / slow if slow < math.inf and lost < math.inf else 0.0
            return max(new, half * (1.0 + 1e-15)), slope
        _, behind = drives(wetting, tube, tilt, pressure, half)
        if behind >= 0.0:
            return half, 0.0
    new, slope, _, _ = _held(law, wetting, tube, behind, half, half, time, lost)
    return new, slope


@inner
def _held(law, wetting, tube, drive, place, x, time, lost):
    """(new, its slope, time left, ``lost`` with this way's): up to a waist, or back from there."""
    half = 0.5 * tube.length
    way = math.copysign(1.0, drive)
    widening = place >= half if way > 0.0 else place > half  # as :func:`drives` has it
    line = line_of(law, wetting, tube, way, widening, radius_at(tube, place))
    goal = half if way > 0.0 else 0.0
    new, left, more, slow = _follow(line, law, tube, 0.0, 0.0, drive, x, goal, time)
    lost += more
    slope = lost / slow if left <= 0.0 and 0.0 < slow < math.inf and lost < math.inf else 0.0
    return new, slope, left, lost


@inner
def moving_time(law, wetting, tube, tilt, start, end, place, pressure):
    """As :func:`poresim.tube.meniscus.travel_time`, but for the leak."""
    if tube.waist > STRAIGHT:
        held = tilt > 0.0 and not math.isnan(place)
        ahead, _ = drives(wetting, tube, tilt, pressure, place if held else start)
        line = line_of(law, wetting, tube, 1.0, True, tube.radius)
        level = ahead if held else ahead - tilt * start
        return _time(line, law, tube, 0.0, 0.0 if held else tilt, level, start, end)
    half = 0.5 * tube.length
    total = 0.0
    if start < half:
        ahead, _ = drives(wetting, tube, tilt, pressure, place)
        line = line_of(law, wetting, tube, 1.0, place >= half, radius_at(tube, place))
        total = _time(line, law, tube, 0.0, 0.0, ahead, start, min(end, half))
        start = half
    if end <= half or total == math.inf:
        return total
    line = line_of(law, wetting, tube, 1.0, True, 0.0)
    on = advancing_pull(wetting, tube, True)
    return total + _time(line, law, tube, on, tilt, pressure, start, end)


@inner
def _time(line, law, tube, pull, tilt, pressure, start, end):
    total = 0.0
    a = start
    while a < end:
        if pressure + pull / radius_at(tube, a) + tilt * a <= 0.0:
            return math.inf
        b = shape_ends(tube, a, 1.0)
        c = min(end, b)
        stop = _stall(tube, pull, tilt, pressure, a, b)
        if stop <= c:
            return math.inf
        part, _, _ = _way_time(line, law, tube, pull, tilt, pressure, a, c, stop, 0.0)
        total += part
        a = c
    return total


@inner
def moving_speed(law, wetting, tube, drive, s):
    """Speed, m/s, of a meniscus that advances at s under a drive > 0 at rest, Pa."""
    r = radius_at(tube, s)
    line = line_of(law, wetting, tube, 1.0, s >= 0.5 * tube.length, 0.0)
    speed, _, _ = speed_at_drive(line, drive, loss_per_speed(law, tube, s, r), r, 0.0)
    return tube.leak * speed


def moving(what, laws, wettings, tubes, tilt, a, b, place, pressure, slope):  # type: ignore[no-untyped-def]
    """Any of these three, for callers that have the address alone: see :mod:`poresim.tube.moved`.

    ADVANCE: from a in a time b, the slope entered in ``slope``; TIME: from a to b; SPEED: at a
    under a drive ``pressure``. Arguments before ``tilt`` point to records.
    """
    law, wetting, tube = carray(laws, 1)[0], carray(wettings, 1)[0], carray(tubes, 1)[0]
    if what == ADVANCE:
        new, rise = moving_advance(law, wetting, tube, tilt, a, place, pressure, b)
        carray(slope, 1)[0] = rise
        return new
    if what == TIME:
        return moving_time(law, wetting, tube, tilt, a, b, place, pressure)
    return moving_speed(law, wetting, tube, pressure, a)
