"""Around one event: junctions are balanced one by one, outward, until little is owed.

Each balance is a rising function of that junction's own pressure, so a safeguarded Newton
iteration finds it from anywhere, kinks and all; and each lowers the energy of the whole.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner
from poresim.uptake.bodies import feeds
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.ledger import curved, outflow, predict_far, schedule, settle
from poresim.uptake.passing import lay_tangent, new_tangent, room_of, serves
from poresim.uptake.state import END_0, END_1
from poresim.uptake.touch import TOUCH, by_touch, lay_none, lay_touch

_MOST_LEFT = 0.8  # of a time: what was said of all of it says less of less

#: Work space of a balance: a slot beside the junction and what its meniscus takes; and what the
#: full tube passed before that stands at this place in the junction's ring, m3/s.
NEAR = np.dtype([("slot", np.int64), ("touch", TOUCH), ("past", np.float64)])


@inner
def balance(law, wetting, tubes, junctions, graph, i, now, until, floor, tol, near):
    """Choose junction i's pressure so that it owes nothing, its neighbours held.

    ``near`` is work space for as many slots as any junction has tubes. Returns how many it has.
    """
    node = junctions[i]
    ring, slot, flow, far = graph.ring, graph.slot, graph.flow, graph.far
    lift, tangent, bore = graph.lift, graph.tangent, graph.bore
    begin, end = graph.first[i], graph.first[i + 1]
    bent, touched = law.kind != 0, law.kind != 0 and law.grasp > 0.0
    count, passing, weight = 0, 0, 0.0
    room, close = math.inf, True  # up to where all tangents serve
    for k in range(begin, end):
        if flow[k] != 0.0:
            passing += 1
            weight += flow[k]
            if bent:
                rate = flow[k] * (node.pressure - junctions[far[k]].pressure + lift[k])
                near[k - begin].past = rate
                room = min(room, room_of(law, tangent[k], flow[k], rate))
            continue
        s = np.int64(slot[ring[k]])
        if s < 0 or not feeds(node, tubes[s]):  # below 0: it passes too little to count
            continue
        here = near[count]
        here.slot = s
        count += 1
        bends = touched and curved(law, tubes[s])
        if bends:
            x, volume, slope = _booked(tubes[s], i)
            left = (until - now) / (until - tubes[s].start) if tubes[s].start < now else 1.0
        if tubes[s].start < now:
            settle(law, wetting, tubes, junctions, s, now, until)
            predict_far(law, wetting, tubes, junctions, s, i, until)
        if bends:
            slope *= left if left >= _MOST_LEFT else 0.0
            _touch(law, wetting, tubes[s], here.touch, i, node.pressure, x, volume, slope)
        _own(tubes[s], junctions, i, 1.0)
    time = until - now
    weight *= time
    low, high = node.low, node.high
    old = node.pressure
    last = high - low
    for step in range(STEPS):
        over = weight * (node.pressure - old) - node.owed
        slope = weight
        close = close and abs(node.pressure - old) <= max(room, 0.0)
        if bent and passing > 0 and not close:
            over, slope = -node.owed, 0.0
            for k in range(begin, end):
                if flow[k] == 0.0:
                    continue
                drop = node.pressure - junctions[far[k]].pressure
                rate = flow[k] * (drop + lift[k])
                if not serves(law, tangent[k], flow[k], rate):
                    rate, s, wider = new_tangent(
                        law, tangent[k], bore[k], flow[k], lift[k], drop, floor
                    )
                    lay_tangent(flow, lift, tangent, k, drop, rate, s, wider, True)
                over += time * (rate - near[k - begin].past)
                slope += time * flow[k]
        for c in range(count):
            tube = tubes[near[c].slot]
            side = END_0 if tube.a == i else END_1
            if touched and curved(law, tube):
                v, s = by_touch(law, wetting, tube, side, near[c].touch, node.pressure, until)
            else:
                v, s = outflow(law, wetting, tube, side, node.pressure, time)
            over += v
            slope += s
            if side == 0:
                tube.v0, tube.s0 = v, s
            else:
                tube.v1, tube.s1 = v, s
        if abs(over) <= tol:
            break
        trial, low, high, last = narrow(node.pressure, over, slope, low, high, last)
        if step == STEPS - 1 or found(trial, node.pressure, low, high, wetting.kink):
            break
        node.pressure = trial
    for c in range(count):
        _own(tubes[near[c].slot], junctions, i, -1.0)
    if not close and passing > 0:
        for k in range(begin, end):
            if flow[k] == 0.0:
                continue
            other = junctions[far[k]]
            rate = flow[k] * (node.pressure - other.pressure + lift[k])
            more = time * (rate - near[k - begin].past)
            node.owed -= more
            other.owed += more
    elif weight > 0.0:
        change = time * (node.pressure - old)
        node.owed -= weight * (node.pressure - old)
        for k in range(begin, end):
            junctions[far[k]].owed += flow[k] * change
    return count


@inner
def _booked(tube, i):
    """(place of the meniscus that comes from junction i, what it is to take, slope of that)."""
    if tube.a == i:
        return tube.x0, tube.v0, tube.s0
    return tube.x1, tube.v1, tube.s1


@inner
def _touch(law, wetting, tube, touch, i, pressure, x, volume, slope):
    """What was booked when it stood at x holds for the rest, if anything was."""
    end, at = (END_0, tube.x0) if tube.a == i else (END_1, tube.x1)
    if slope > 0.0:
        volume -= math.pi * tube.radius * tube.radius * (at - x)
        lay_touch(law, wetting, tube, end, touch, pressure, volume, slope)
    else:
        lay_none(law, wetting, tube, end, touch, pressure)


@inner
def _own(tube, junctions, i, sign):
    """Take back (sign 1) or book (-1) what leaves junction i into a tube."""
    junctions[i].owed += sign * (tube.v0 if tube.a == i else tube.v1)


@inner
def spread(
    law, wetting, tubes, junctions, graph, seeds, now, until, floor, tol, budget, near, line,
    times, queue, count, rims,
):  # fmt: skip
    """Balance the seeds and, outward, whatever then owes more than ``tol``.

    At most ``budget`` balances; without ``rims`` none of a junction that a tube joins to the other
    half. ``line`` is work space, one entry a junction. Returns
    (new event count, number of balances).
    """
    first, far, flow = graph.first, graph.far, graph.flow
    room = len(line)
    head, waiting, done = 0, 0, 0
    for i in seeds:
        if junctions[i].wet and not junctions[i].inlet and not junctions[i].queued:
            junctions[i].queued = 1
            line[(head + waiting) % room] = i
            waiting += 1
    sure = waiting
    while waiting > 0 and done < budget:
        i = line[head]
        head = (head + 1) % room
        waiting -= 1
        junctions[i].queued = 0
        if abs(junctions[i].owed) <= tol and done >= sure:
            continue
        slots = balance(
            law, wetting, tubes, junctions, graph, i, now, until, floor, 0.1 * tol, near
        )
        done += 1
        for c in range(slots):
            s = near[c].slot
            count = schedule(law, wetting, tubes, junctions, s, until, times, queue, count)
        for k in range(first[i], first[i + 1]):
            j = far[k]
            if flow[k] == 0.0:
                continue
            if junctions[j].rim and not rims:
                continue
            idle = not junctions[j].queued and not junctions[j].inlet
            if idle and abs(junctions[j].owed) > tol:
                junctions[j].queued = 1
                line[(head + waiting) % room] = j
                waiting += 1
    while waiting > 0:
        junctions[line[head]].queued = 0
        head = (head + 1) % room
        waiting -= 1
    return count, done
