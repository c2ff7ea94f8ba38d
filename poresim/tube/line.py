"""How fast a Newtonian meniscus moves at a place if its contact angle depends on its speed.

Cox-Voinov: t^3 = t0^3 + 9 Ca ln(L / l) with Ca = eta v / gamma > 0 when it advances, < 0 when it
recedes (Voinov 1976, Tanner 1979, Cox 1986); t0 is the static angle of that way, and t ends at 0
and at 180 degrees. With w(s) = 8 eta s / r^2 in a straight tube, the loss over the wet part per
speed, the speed at s is the one root v of::

    P + tilt s + 2 gamma cos(t(v) -+ b) / r = w(s) v

(b: half-opening; see :mod:`poresim.tube.wetting`), found for the change of the angle, so that
slow menisci keep their figures. Where a cone is steeper than the angle, or than what it lacks to
180 degrees, the pull would rise with the speed; there it stays as it is until it falls.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from poresim.tube.filled import STRAIGHT, straight_length
from poresim.tube.jit import inner
from poresim.tube.shape import opening, radius_at

_ROOTS = 60


class Line(NamedTuple):
    """How a line answers its speed along one piece of a tube."""

    way: float  # 1: it advances, -1: it recedes
    angle: float  # static, rad
    lean: float  # the angle to the axis at rest, rad: ``angle`` -+ the half-opening
    pull: float  # 2 gamma, N/m
    softness: float  # t^3 - t0^3 over the speed, s/m
    radius: float  # where the pull is taken, m; 0: at the meniscus
    fastest: float  # speed at which the angle ends, m/s
    spent: float  # by how much the pull has changed then, N/m


@inner
def line_of(law, wetting, tube, way, widening, radius):
    angle = wetting.advance_angle if way > 0.0 else wetting.recede_angle
    lean = 0.0
    if tube.waist <= STRAIGHT:
        lean = math.atan(opening(tube)) * (1.0 if widening else -1.0)
    # 9 eta ln / gamma; where grains leave a tube a share of its flow, time runs that much slower
    softness = 18.0 * law.consistency * wetting.line * tube.leak / wetting.pull
    lean += angle
    last = math.pi if way > 0.0 else 0.0
    part = min(abs(last - angle), max(way * (last - lean), 0.0))
    spent = 2.0 * max(math.sin(lean + 0.5 * way * part), 0.0) * math.sin(0.5 * part)
    fastest = way * (last**3 - angle**3) / softness
    return Line(way, angle, lean, wetting.pull, softness, radius, fastest, wetting.pull * spent)


@inner
def loss_per_speed(law, tube, s, r):
    """Pressure drop over the wet part per speed at s, where the radius is r, Pa s/m."""
    run = s if tube.waist > STRAIGHT else straight_length(1.0, s, tube.length, tube.waist)
    share = r / tube.radius
    return 8.0 * law.consistency * run * share * share / (tube.radius * tube.radius)


@inner
def speed_at_drive(line, drive, loss, at, change):
    """(speed, d speed / d drive, change of the angle, rad): all above 0 where it moves.

    ``drive`` > 0: what there is at rest, Pa, along the way; ``at``: the radius where the pull is
    taken, m; ``change``: a first guess of the change, or 0.
    """
    way, t0, lean = line.way, line.angle, line.lean
    top = math.pi - t0 if way > 0.0 else t0
    bent = max(math.pi - lean if way > 0.0 else lean, 0.0)  # the pull has its say up to there
    stiff = loss / line.softness  # Pa over t^3
    over = drive - line.spent / at
    if over >= loss * line.fastest:
        return (over / loss if loss > 0.0 else math.inf), 1.0 / loss, top
    steep = line.pull / at
    low, high = 0.0, top
    if not 0.0 < change < top:
        first = steep * max(math.sin(lean), 0.0) + 3.0 * stiff * t0 * t0
        second = max(0.5 * steep, 3.0 * stiff * t0)
        change = 2.0 * drive / (first + math.sqrt(first * first + 4.0 * second * drive))
        if stiff * change * change * change > drive:
            change = (drive / stiff) ** (1.0 / 3.0)
        change = min(change, 0.9 * top)
    grade = 0.0
    for _ in range(_ROOTS):
        spent, grade = _spent(way, t0, lean, steep, stiff, change, bent)
        over = spent - drive
        if over > 0.0:
            high = change
        else:
            low = change
        new = change - over / grade if grade > 0.0 else high
        if not low <= new <= high:
            new = 0.5 * (low + high)
        step = abs(new - change)
        change = new
        if step <= 1e-7 * change:  # squared by the last step
            break
    t = t0 + way * change
    grown = change * (3.0 * t0 * t0 + way * 3.0 * t0 * change + change * change)
    # d speed / d drive = (3 t^2 / softness) / (d spent / d change)
    rise = 3.0 * t * t / line.softness
    return grown / line.softness, rise / grade if grade > 0.0 else 1.0 / loss, change


@inner
def _spent(way, t0, lean, steep, stiff, change, bent):
    """(pressure that a change of the angle takes, its slope): by pull and by wet length, Pa."""
    part = min(change, bent)
    lost = max(math.sin(lean + 0.5 * way * part), 0.0)
    spent = 2.0 * steep * lost * math.sin(0.5 * part)
    grade = 0.0
    if lost > 0.0 and change <= bent:
        grade = steep * max(math.sin(lean + way * part), 0.0)
    t = t0 + way * change
    spent += stiff * change * (3.0 * t0 * t0 + way * 3.0 * t0 * change + change * change)
    return spent, grade + stiff * 3.0 * t * t


@inner
def slowness(line, law, tube, pull, tilt, pressure, s, change):
    """(1/speed, -d(1/speed)/d drive, change of the angle, length that the line is worth).

    Nothing moves: inf, 0, 0, 0.
    """
    r = radius_at(tube, s)
    drive = line.way * (pressure + pull / r + tilt * s)
    if drive <= 0.0:
        return math.inf, 0.0, 0.0, 0.0
    loss = loss_per_speed(law, tube, s, r)
    at = line.radius if line.radius > 0.0 else r
    speed, rise, change = speed_at_drive(line, drive, loss, at, change)
    if speed == math.inf:
        return 0.0, 0.0, change, 0.0
    if speed <= 0.0:
        return math.inf, 0.0, 0.0, 0.0
    slow = 1.0 / speed
    longer = max(min(drive * slow, 1.0 / rise) - loss, 0.0) * r * r / (8.0 * law.consistency)
    return slow, rise * slow * slow, change, longer


@inner
def beyond_end(line, law, tube, pull, tilt, pressure, s):
    """By how much the drive at s is above what brings the angle to its end, Pa."""
    r = radius_at(tube, s)
    at = line.radius if line.radius > 0.0 else r
    drive = line.way * (pressure + pull / r + tilt * s)
    return drive - line.spent / at - loss_per_speed(law, tube, s, r) * line.fastest


@inner
def longest_relaxation(line, law, tube, stop, r):
    """Drive over speed, Pa s/m, of a meniscus that comes to rest at ``stop``; the most there is."""
    at = line.radius if line.radius > 0.0 else r
    soft = line.pull / at * max(math.sin(line.lean), 0.0) * line.softness
    loss = loss_per_speed(law, tube, stop, r)
    if line.angle > 0.0:
        return loss + soft / (3.0 * line.angle * line.angle)
    return math.inf if line.lean >= 0.0 and line.way > 0.0 else loss
