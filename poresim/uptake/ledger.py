"""What each tube takes from its two junctions, and the books that are kept of it.

A step runs to ``until``. With the pressures held, every tube adjoining a wet junction has a
predicted volume for each end; a junction's ``owed`` is what flowed in less what flows out until
the step's end, predictions included. Balance means that nothing is owed. Tubes are visited only
when something near them changes: ``settle`` books what happened up to now under the old
pressures, ``predict`` books what will happen under the new ones.

Full tubes have no slot and no books: when a pressure changes by d, they pass d times their
conductance (or a tangent's slope) times the rest of the step more, whatever they passed before, and
their junctions' ``owed`` has it all.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner
from poresim.tube.meniscus import advance, travel_time
from poresim.tube.shape import radius_at, volume_to
from poresim.tube.straight import plain_volume
from poresim.uptake.bodies import body_takes, feeds
from poresim.uptake.heap import push
from poresim.uptake.lag import lead_of
from poresim.uptake.state import BLOCKS, END_0, END_1, FILLS, NOTHING

_MEETING_STEPS = 100
_MOST_LEFT = 0.5  # of a time: what was said of all of it says little of less
_THERE = 1e-12  # a tube but for this share of it is full: the rest is rounding
_ROUNDING = 1e-15  # of the length: a meniscus this close to its mouth is there
_SHUT = -1e12  # Pa, of a pressure's lead: no liquid comes in where gas goes out
_MEETING = 1e-7  # of the length: menisci this close have met


@inner
def outflow(law, wetting, tube, end, pressure, time):
    """(volume, d volume / d pressure) that a meniscus takes from its junction in ``time``."""
    tilt = tube.tilt if end == 0 else -tube.tilt
    if tube.body:
        return body_takes(wetting, tube, pressure)
    x = tube.x0 if end == 0 else tube.x1
    if wetting.plain:
        return _plain_outflow(law, wetting, tube, x, pressure, time)
    place = tube.place0 if end == 0 else tube.place1
    pressure += (tube.lead0 if end == 0 else tube.lead1) - tube.gas
    new, slope = advance(law, wetting, tube, tilt, x, place, pressure, time)
    if tube.waist > STRAIGHT:
        area = math.pi * tube.radius * tube.radius
        return area * (new - x), area * slope
    r = radius_at(tube, new)
    return volume_to(tube, new) - volume_to(tube, x), math.pi * r * r * slope


@inner
def _plain_outflow(law, wetting, tube, x, pressure, time):
    square = tube.radius * tube.radius
    return plain_volume(
        x,
        square * max(time, 0.0) * tube.leak / (4.0 * law.consistency),
        wetting.advance_cos / tube.radius,
        wetting.recede_cos / tube.radius,
        math.pi * square,
        pressure,
    )


@inner
def predict(law, wetting, tubes, junctions, e, until):
    """Book what tube e will take until the step's end under the pressures as they stand."""
    tube = tubes[e]
    a, b = junctions[tube.a], junctions[tube.b]
    time = until - tube.start
    tube.v0 = tube.v1 = tube.s0 = tube.s1 = 0.0
    if feeds(a, tube):
        tube.v0, tube.s0 = outflow(law, wetting, tube, END_0, a.pressure, time)
    if feeds(b, tube):
        tube.v1, tube.s1 = outflow(law, wetting, tube, END_1, b.pressure, time)
    a.owed -= tube.v0
    b.owed -= tube.v1


@inner
def predict_far(law, wetting, tubes, junctions, e, i, until):
    """As :func:`predict`, but for what leaves junction i, which is left at none."""
    tube = tubes[e]
    tube.v0 = tube.v1 = tube.s0 = tube.s1 = 0.0
    end = END_1 if tube.a == i else END_0
    far = junctions[tube.b if end == 1 else tube.a]
    if not feeds(far, tube):
        return
    v, s = outflow(law, wetting, tube, end, far.pressure, until - tube.start)
    if end == 0:
        tube.v0, tube.s0 = v, s
    else:
        tube.v1, tube.s1 = v, s
    far.owed -= v


@inner
def settle(law, wetting, tubes, junctions, e, now, until):
    """Move tube e on to ``now`` under the pressures it had; what is to come is not booked."""
    tube = tubes[e]
    a, b = junctions[tube.a], junctions[tube.b]
    a.owed += tube.v0
    b.owed += tube.v1
    moved0, moved1 = _move(law, wetting, tube, a, b, now, until)
    tube.v0 = tube.v1 = 0.0
    a.owed -= moved0
    b.owed -= moved1


@inner
def curved(law, tube):
    """Whether touches to its law bend, and what is left to take falls with the time left.

    (So it does in a straight level tube: the drive depends on the mouth's pressure alone.)
    """
    return law.kind != 0 and tube.waist > STRAIGHT and tube.tilt == 0.0 and not tube.body


@inner
def bring(law, wetting, tubes, junctions, e, now, until):
    """Move tube e on to ``now``; v0, v1 become what is booked from then on, for the lay-out.

    Writes to no junction. What leaves an inlet, whose pressure is given, is looked up anew. Slopes
    are those of what is left (:func:`curved`), or none where too little of it is.
    """
    tube = tubes[e]
    a, b = junctions[tube.a], junctions[tube.b]
    if tube.start < now:
        left = (until - now) / (until - tube.start)
        moved0, moved1 = _move(law, wetting, tube, a, b, now, until)
        tube.v0 -= moved0
        tube.v1 -= moved1
        if now < until and law.grasp > 0.0 and curved(law, tube):
            keep = left if left >= _MOST_LEFT else 0.0
            tube.s0 *= keep
            tube.s1 *= keep
    time = max(until - tube.start, 0.0)
    if a.inlet:
        tube.v0, tube.s0 = outflow(law, wetting, tube, END_0, a.pressure, time)
    if b.inlet:
        tube.v1, tube.s1 = outflow(law, wetting, tube, END_1, b.pressure, time)


@inner
def _move(law, wetting, tube, a, b, now, until):
    """Move a tube between junctions a and b on to ``now``; what has left them into it, m3."""
    time = now - tube.start
    if time <= 0.0:
        return 0.0, 0.0
    whole = until - tube.start
    moved0 = moved1 = 0.0
    if tube.body:
        moved0 = tube.v0 * (time / whole)
        way = moved0 / (math.pi * tube.radius * tube.radius)
        tube.x0 = max(tube.x0 + way, 0.0)
        tube.speed0 = way / time
    elif wetting.plain:
        area = math.pi * tube.radius * tube.radius
        if a.feeds:
            moved0, _ = _plain_outflow(law, wetting, tube, tube.x0, a.pressure, time)
            tube.x0 = _stands(tube, tube.x0 + moved0 / area)
            tube.count -= tube.risk0 * max(moved0, 0.0)
        if b.feeds:
            moved1, _ = _plain_outflow(law, wetting, tube, tube.x1, b.pressure, time)
            tube.x1 = _stands(tube, tube.x1 + moved1 / area)
            tube.count -= tube.risk1 * max(moved1, 0.0)
    else:
        # what is booked to the step's end was said by the law, or by a touch to it
        known = now == until and curved(law, tube)
        area = math.pi * tube.radius * tube.radius
        if a.feeds:
            if known:
                new = _stands(tube, tube.x0 + tube.v0 / area)
            else:
                at = a.pressure + tube.lead0 - tube.gas
                new, _ = advance(law, wetting, tube, tube.tilt, tube.x0, tube.place0, at, time)
                new = _stands(tube, new)
            moved0 = _volume_between(tube, tube.x0, new)
            tube.speed0 = (new - tube.x0) / time
            passed = max(past_throat(tube, new) - past_throat(tube, tube.x0), 0.0)
            tube.count -= tube.risk0 * passed
            tube.x0 = new
        if b.feeds:
            if known:
                new = _stands(tube, tube.x1 + tube.v1 / area)
            else:
                at = b.pressure + tube.lead1 - tube.gas
                new, _ = advance(law, wetting, tube, -tube.tilt, tube.x1, tube.place1, at, time)
                new = _stands(tube, new)
            moved1 = _volume_between(tube, tube.x1, new)
            tube.speed1 = (new - tube.x1) / time
            passed = max(past_throat(tube, new) - past_throat(tube, tube.x1), 0.0)
            tube.count -= tube.risk1 * passed
            tube.x1 = new
        if tube.apart > 0.0:
            back0, back1 = _hold_apart(tube, moved0, moved1)
            moved0 -= back0
            moved1 -= back1
        expect(wetting, tube, a, b, until - now, whole)
    tube.start = now
    return moved0, moved1


@inner
def _hold_apart(tube, moved0, moved1):
    """Menisci that air keeps apart do not meet: what goes back from either end, m3."""
    over = tube.x0 + tube.x1 + tube.apart - tube.length
    if over <= 0.0:
        return 0.0, 0.0
    if moved0 > moved1:
        new = max(tube.x0 - over, 0.0)
        back = _volume_between(tube, new, tube.x0)
        tube.x0 = new
        return back, 0.0
    new = max(tube.x1 - over, 0.0)
    back = _volume_between(tube, new, tube.x1)
    tube.x1 = new
    return 0.0, back


@inner
def _stands(tube, x):
    """At its mouth if but for rounding."""
    return x if x > _ROUNDING * tube.length else 0.0


@inner
def expect(wetting, tube, a, b, time, lately):
    """Where menisci should stand half-way through ``time`` at their late speed, and their lead.

    a and b are the tube's junctions; its slopes are of ``lately``, s.
    """
    tube.place0 = _expected(tube, a, tube.x0, tube.speed0, time)
    tube.place1 = _expected(tube, b, tube.x1, tube.speed1, time)
    tube.lead0 = lead_of(wetting, tube, a, tube.x0, tube.speed0, tube.s0, time, lately)
    tube.lead1 = lead_of(wetting, tube, b, tube.x1, tube.speed1, tube.s1, time, lately)
    if tube.door == 1:
        tube.lead0 = _SHUT
    elif tube.door == 2:
        tube.lead1 = _SHUT


@inner
def _expected(tube, mouth, x, speed, time):
    """nan where nothing need be held: in a straight tube whose mouth's pressure is given.

    In a waisted tube only the way to the waist matters: :func:`poresim.tube.meniscus.advance`.
    """
    end = 0.5 * tube.length
    if tube.waist > STRAIGHT:
        if mouth.inlet:
            return math.nan
        end = tube.length
    if x >= end:
        return end
    return min(max(x + 0.5 * speed * time, 0.0), 0.5 * (x + end))


@inner
def _volume_between(tube, x, new):
    if tube.waist > STRAIGHT:
        return math.pi * tube.radius * tube.radius * (new - x)
    return volume_to(tube, new) - volume_to(tube, x)


@inner
def schedule(law, wetting, tubes, junctions, e, until, times, queue, count):
    """Find what happens next to tube e before the step's end, and enter it in the queue."""
    tube = tubes[e]
    before = tube.next
    tube.next = math.inf
    tube.event = NOTHING
    _schedule_open(law, wetting, tube, junctions, until)
    if tube.next < until and tube.next != before:
        if count == len(times):
            count = forget_stale(tubes, times, queue, count)
        count = push(times, queue, count, tube.next, e)
    return count


@inner
def forget_stale(tubes, times, queue, count):
    """Enter the events of slots anew that still hold, and those of gates."""
    kept = np.int64(0)
    for k in range(count):
        if queue[k] < 0 or tubes[queue[k]].next == times[k]:  # below 0: a gate
            kept = push(times, queue, kept, times[k], queue[k])
    return kept


@inner
def _schedule_open(law, wetting, tube, junctions, until):
    a, b = junctions[tube.a], junctions[tube.b]
    time = until - tube.start
    if tube.body:
        room = math.pi * tube.radius * tube.radius * (tube.length - tube.x0)
        if tube.v0 > 0.0 and tube.v0 >= room * (1.0 - _THERE):
            tube.event = FILLS
            tube.next = tube.start + min(room / tube.v0, 1.0) * time
        return
    grains = not tube.blocked and tube.risk0 + tube.risk1 > 0.0
    moved = 0.0
    if a.feeds:
        moved += tube.v0
    if b.feeds:
        moved += tube.v1
    # liquid already there + what comes: can it fill?
    held = volume_to(tube, tube.x0) + volume_to(tube, tube.x1)
    if tube.apart == 0.0 and held + moved >= volume_to(tube, tube.length) * (1.0 - _THERE):
        wait = _fill_time(law, wetting, tube, a, b, time)
        if wait <= time:
            tube.event = FILLS
            tube.next = tube.start + wait
    if grains:
        for end in range(2):
            mouth = a if end == 0 else b
            if not mouth.feeds:
                continue
            x = tube.x0 if end == 0 else tube.x1
            risk = tube.risk0 if end == 0 else tube.risk1
            left = tube.count / risk if risk > 0.0 else math.inf
            place = _closing_place(tube, past_throat(tube, x) + max(left, 0.0))
            if place <= tube.length and volume_to(tube, x) + (
                tube.v0 if end == 0 else tube.v1
            ) >= volume_to(tube, place):
                tilt = tube.tilt if end == 0 else -tube.tilt
                held = tube.place0 if end == 0 else tube.place1
                at = mouth.pressure + (tube.lead0 if end == 0 else tube.lead1) - tube.gas
                wait = travel_time(law, wetting, tube, tilt, x, place, held, at)
                if tube.start + wait < min(tube.next, until):
                    tube.event = BLOCKS
                    tube.next = tube.start + wait


@inner
def _closing_place(tube, volume):
    """Where the meniscus stands when ``volume`` has passed the throat; inf beyond the tube."""
    if tube.waist > STRAIGHT:
        x = volume / (math.pi * tube.radius * tube.radius)
        return x if x <= tube.length else math.inf
    half = 0.5 * tube.length
    grow = tube.radius * (1.0 - tube.waist) / half
    narrow = tube.radius * tube.waist
    r = (narrow**3 + 3.0 * grow * volume / math.pi) ** (1.0 / 3.0)
    return half + (r - narrow) / grow if r <= tube.radius else math.inf


@inner
def past_throat(tube, x):
    """Volume that has passed the throat when the meniscus stands at x."""
    if tube.waist > STRAIGHT:
        return math.pi * tube.radius * tube.radius * x
    return max(0.0, volume_to(tube, x) - volume_to(tube, 0.5 * tube.length))


@inner
def _fill_time(law, wetting, tube, a, b, time):
    """How long until the two menisci meet, or the one reaches the far end."""
    if tube.x0 + tube.x1 >= tube.length * (1.0 - _THERE):
        return 0.0
    at0 = a.pressure + tube.lead0 - tube.gas
    at1 = b.pressure + tube.lead1 - tube.gas
    if a.feeds and not b.feeds:
        return travel_time(
            law, wetting, tube, tube.tilt, tube.x0, tube.length - tube.x1, tube.place0, at0
        )
    if b.feeds and not a.feeds:
        return travel_time(
            law, wetting, tube, -tube.tilt, tube.x1, tube.length - tube.x0, tube.place1, at1
        )
    return _meeting_time(law, wetting, tube, at0, at1, time)


@inner
def _meeting_time(law, wetting, tube, at0, at1, time):
    """When two menisci meet under these pressures at their mouths; inf if not within ``time``.

    Sought by the parabola, of the time over how far they have come, through three points: two
    menisci that go with the root of time have met it at once.
    """
    length = tube.length
    low, f_low = 0.0, tube.x0 + tube.x1 - length
    high, f_high = time, _overlap(law, wetting, tube, at0, at1, time)
    if f_high < 0.0:
        return math.inf
    # as if the square of how far they have come grew with time
    t = time * f_low * (2.0 * length + f_low) / ((f_low - f_high) * (2.0 * length + f_low + f_high))
    for k in range(_MEETING_STEPS):
        if not low < t < high or k % 4 == 3:
            t = 0.5 * (low + high)
        f = _overlap(law, wetting, tube, at0, at1, t)
        if abs(f) <= _MEETING * length or high - low <= 1e-15 * time:
            return t
        if f > 0.0:
            old, f_old, high, f_high = high, f_high, t, f
        else:
            old, f_old, low, f_low = low, f_low, t, f
        a, b, c = f_low - f_high, f_high - f_old, f_old - f_low
        if b == 0.0 or c == 0.0:
            t = 0.5 * (low + high)
        else:
            t = -(low * f_high * f_old * b + high * f_old * f_low * c + old * f_low * f_high * a)
            t /= a * b * c
    return high


@inner
def _overlap(law, wetting, tube, at0, at1, time):
    """How much farther than the tube is long two menisci have come together, m; below 0: less."""
    x0, _ = advance(law, wetting, tube, tube.tilt, tube.x0, tube.place0, at0, time)
    x1, _ = advance(law, wetting, tube, -tube.tilt, tube.x1, tube.place1, at1, time)
    return x0 + x1 - tube.length
