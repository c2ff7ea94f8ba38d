"""What a step that holds its pressures at their means makes of menisci that hurry or dawdle.

A step holds every pressure, and on the way to a waist the drive at the place where the meniscus was
expected half-way. Both are right to second order in the step where menisci take long beside it.

Past a waist a meniscus is drawn towards the place where it would rest, the faster the less the
liquid resists. In a step much longer than that takes, it ends where the last pressure leaves it,
not the mean one: the pressure that counts for it leads the mean. With a pressure that changes
steadily by D within the step and z, the step over the time in which the distance to rest falls by a
factor e, it leads by D/2 (coth(z/2) - 2/z): the answer of a linear relaxation (elementary).

When a meniscus jumps through its waist, none of this serves: the step is to be shorter.
"""

from __future__ import annotations

import math

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner, kernel
from poresim.tube.meniscus import travel_time
from poresim.tube.shape import opening, radius_at, volume_to
from poresim.tube.wetting import advancing_pull, drives, receding_pull
from poresim.uptake.bodies import feeds
from poresim.uptake.state import TOP

_ALL_BUT_AT_REST = 1e-12  # what is left of the distance to rest
_SMALL = 0.1  # z below which its series serves
_THERE = 1e-9  # a meniscus but for this share of the way stands at its waist
_SURE = 2  # steps after an event until changes of pressures mean something


@inner
def settling(wetting, tube, x, ahead, slope):
    """How often within its time a meniscus past a waist could settle: z of the module's head.

    ``slope``, m3/Pa: of what it took in that time; where the liquid resists nothing, that is what
    keeps it at rest, and no more.
    """
    r = radius_at(tube, x)
    pull = advancing_pull(wetting, tube, True) if ahead else receding_pull(wetting, tube, True)
    gone = pull * opening(tube) * slope / (math.pi * r * r * r * r)
    return -math.log(min(max(1.0 - gone, _ALL_BUT_AT_REST), 1.0))


@inner
def leading(z):
    """Share of half the change of a pressure by which that which counts leads the mean."""
    return z / 6.0 if z < _SMALL else 1.0 / math.tanh(0.5 * z) - 2.0 / z


@inner
def lead_of(wetting, tube, mouth, x, speed, slope, time, lately):
    """By how much the pressure that counts for a meniscus leads its mean in ``time``, Pa.

    Its slope is of ``lately``, s. 0 but past a waist.
    """
    if mouth.slew == 0.0 or tube.waist > STRAIGHT or x <= 0.5 * tube.length or lately <= 0.0:
        return 0.0
    z = settling(wetting, tube, x, speed >= 0.0, slope) * time / lately
    return 0.5 * mouth.slew * time * leading(z)


@kernel
def find_slews(junctions, before, steps, last, previous):
    """How fast pressures change, from the means of the last two steps (``before``: of the first).

    ``steps``: how many there have been since something happened.
    """
    for i in range(len(junctions)):
        node = junctions[i]
        if not node.wet or node.inlet or steps < _SURE:
            node.slew = node.change = 0.0
            continue
        new, old = (node.pressure - before[i].pressure) / (0.5 * (last + previous)), node.change
        node.slew = 0.0
        if new * old > 0.0:  # the lesser of two changes of one sign: else it would ring
            node.slew = new if abs(new) < abs(old) else old
        node.change = new


@kernel
def lateness(wetting, law, tubes, junctions, graph, log, before, until, last):
    """The longest time, s, by which a meniscus may be late, or early, for what the step holds.

    before : junctions as they were when the step began, with the means of the step before, which
    took ``last``, s; 0 if those say nothing, for something has happened since. In a network of
    one half.
    """
    most = 0.0
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if not tube.live or tube.body:
            continue
        time = until - tube.start
        if time <= 0.0:
            continue
        for end in range(2):
            i = tube.a if end == 0 else tube.b
            v, give = (tube.v0, tube.s0) if end == 0 else (tube.v1, tube.s1)
            if v == 0.0 or not feeds(junctions[i], tube):
                continue
            swing = 0.0
            if last > 0.0:
                swing = junctions[i].pressure - before[i].pressure
                swing *= time / (0.5 * (time + last))
            at = junctions[i].pressure - tube.gas
            off = _held_off(wetting, law, tube, end, at, v, give, swing)
            if off > 0.0 and not junctions[i].inlet:
                rest = max(_yielding(tubes, graph, i, time) - give, 0.0)
                give *= rest / (rest + give)
            most = max(most, off * give / abs(v) * time)
    return most


@kernel
def first_crossing(wetting, law, tubes, junctions, log, until):
    """When a meniscus will first come to its waist, or go back through it; inf if none does.

    There its drive, which has grown, begins to fall, or holds it. In a network of one half.
    """
    first = math.inf
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if not tube.live or tube.body or tube.waist > STRAIGHT:
            continue
        for end in range(2):
            mouth = junctions[tube.a if end == 0 else tube.b]
            if mouth.feeds:
                first = min(first, tube.start + _crossing(wetting, law, tube, end, mouth, until))
    return first


@inner
def _crossing(wetting, law, tube, end, mouth, until):
    """How long until that meniscus goes through the waist."""
    half, time = 0.5 * tube.length, until - tube.start
    x, place, tilt, v = tube.x0, tube.place0, tube.tilt, tube.v0
    if end == 1:
        x, place, tilt, v = tube.x1, tube.place1, -tube.tilt, tube.v1
    whole = volume_to(tube, half)
    room = whole - volume_to(tube, x)
    if room > _THERE * whole and v >= room * (1.0 - _THERE):
        return travel_time(law, wetting, tube, tilt, x, half, place, mouth.pressure - tube.gas)
    if room < 0.0 and v < room:
        return time * room / v
    return math.inf


@inner
def _held_off(wetting, law, tube, end, pressure, v, give, swing):
    """By how much, Pa, the drive that a meniscus was given may be off."""
    x, place, tilt, lead = tube.x0, tube.place0, tube.tilt, tube.lead0
    if end == 1:
        x, place, tilt, lead = tube.x1, tube.place1, -tube.tilt, tube.lead1
    half = 0.5 * tube.length
    ahead, behind = drives(wetting, tube, tilt, pressure, x)
    drive = max(ahead, -behind)
    off = 0.0
    if tube.waist <= STRAIGHT and x < half:
        r = radius_at(tube, x)
        middle = min(max(x + 0.5 * v / (math.pi * r * r), 0.0), half)
        there, _ = drives(wetting, tube, tilt, pressure, middle)
        held, _ = drives(wetting, tube, tilt, pressure, place)
        off, drive = abs(there - held), abs(held)
    elif tube.waist <= STRAIGHT and give > 0.0:
        off = abs(0.5 * swing * leading(settling(wetting, tube, x, v > 0.0, give)) - lead)
    bend = abs(1.0 / law.index - 1.0)
    if bend > 0.0 and drive > 0.0:  # the mean of a power of the drive is not that of its mean
        off += abs(swing) * min(bend * abs(swing) / (24.0 * drive), 0.5)
    return off


@inner
def _yielding(tubes, graph, i, time):
    """How much more all that leaves junction i takes a pressure, m3/Pa."""
    total = 0.0
    for k in range(graph.first[i], graph.first[i + 1]):
        s = graph.slot[graph.ring[k]]
        if s < 0:
            total += graph.flow[k] * time
        else:
            total += tubes[s].s0 if tubes[s].a == i else tubes[s].s1
    return total
