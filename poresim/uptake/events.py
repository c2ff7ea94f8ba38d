"""What happens within a step, met in the order of time.

A tube fills, a junction is reached, a grain closes a throat: each changes the flows around it.
There the junctions are balanced anew over the rest of the step, outward until little is owed;
where that does not suffice, all wet junctions are.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner, kernel
from poresim.tube.shape import volume_to
from poresim.uptake.heap import pop
from poresim.uptake.ledger import predict, schedule, settle
from poresim.uptake.local import spread
from poresim.uptake.state import FILLS, RECENT, TOP, open_around, pass_on


@kernel
def schedule_all(law, wetting, tubes, junctions, log, until, times, queue):
    """Enter what happens to the tubes beside liquid before the step's end; the number of events."""
    events = np.int64(0)
    for s in range(log.counts[TOP]):
        if tubes[s].live:
            tubes[s].next = math.inf
            events = schedule(law, wetting, tubes, junctions, s, until, times, queue, events)
    return events


@kernel
def meet_events(
    law, wetting, tubes, junctions, graph, shapes, log, control,
    now, until, floor, tol, drift, look, times, queue, events, near, line, seeds,
):  # fmt: skip
    """Meet events in the order of time: (events left, time of the last, whether to balance all).

    Comes back early when all wet junctions together owe more than ``drift``.
    """
    met = 0
    # so close to the end nothing is balanced any more: what starts there waits for the next step
    short = max(1e-3 * (until - now), control.meet_share * until)
    while events > 0:
        time, slot, events = pop(times, queue, events)
        s = np.int64(slot)
        tube = tubes[s]
        if tube.next != time:
            continue
        control.events += 1
        settle(law, wetting, tubes, junctions, s, time, until, floor)
        tube.next = math.inf
        seeds[0], seeds[1] = tube.a, tube.b
        passing = False
        if tube.event == FILLS:
            new = _fill(wetting, tubes, junctions, graph, log, s, time, until, control)
            passing = tube.live == 0
            if new >= 0:
                if new == tube.b:
                    seeds[0], seeds[1] = tube.b, tube.a
                events = _wet(
                    law, wetting, tubes, junctions, graph, shapes, log, new, seeds[1], s, time,
                    until, until - time < short, floor, times, queue, events,
                )  # fmt: skip
        else:
            tube.blocked = 1
            tube.leak *= control.leak
            tube.conduct *= control.leak
            tube.grain0 = tube.grain1 = math.inf
            log.blocked_at[tube.number] = time
            log.recent[log.counts[RECENT]] = -1 - tube.number
            log.counts[RECENT] += 1
        if not passing:
            predict(law, wetting, tubes, junctions, s, until, floor)
            events = schedule(law, wetting, tubes, junctions, s, until, times, queue, events)
        if until - time < short:
            continue
        events, done = spread(
            law, wetting, tubes, junctions, graph, seeds, time, until, floor, tol,
            control.budget, near, line, times, queue, events,
        )  # fmt: skip
        control.balances += done
        met += 1
        if (met % look == 0 or events == 0) and _all_owed(junctions) > drift:
            return events, time, True
    return events, until, False


@inner
def _all_owed(junctions):
    total = 0.0
    for i in range(len(junctions)):
        if junctions[i].wet and not junctions[i].inlet:
            total += abs(junctions[i].owed)
    return total


@kernel
def _fill(wetting, tubes, junctions, graph, log, s, time, until, control):
    """Tube s is full; the junction that this wets, or -1."""
    tube = tubes[s]
    a, b = junctions[tube.a], junctions[tube.b]
    # the ends meet to rounding: let them meet exactly, and book the difference
    if a.wet and (not b.wet or tube.x0 >= tube.x1):
        x = tube.length - tube.x1
        a.owed -= volume_to(tube, x) - volume_to(tube, tube.x0)
        tube.x0 = x
    else:
        x = tube.length - tube.x0
        b.owed -= volume_to(tube, x) - volume_to(tube, tube.x1)
        tube.x1 = x
    tube.full = 1
    a.open -= 1
    b.open -= 1
    e = tube.number
    log.filled_at[e] = time
    log.met[e] = tube.x0 / tube.length
    log.recent[log.counts[RECENT]] = e
    log.counts[RECENT] += 1
    control.filled += volume_to(tube, tube.length)
    new = -1
    if not a.wet:
        new = tube.a
    elif not b.wet:
        new = tube.b
    if wetting.linear:
        if new >= 0:  # it takes the pressure beyond, so that a rate can be booked
            _join(junctions, new, tube.b if new == tube.a else tube.a)
        volume = tube.conduct * (until - time)
        volume *= a.pressure - b.pressure + tube.tilt * tube.length
        a.owed -= volume
        b.owed += volume
        pass_on(tubes, graph, log, s)
    return new


@inner
def _join(junctions, new, from_):
    node = junctions[new]
    node.pressure = min(max(junctions[from_].pressure, node.low), node.high)


@inner
def _wet(
    law, wetting, tubes, junctions, graph, shapes, log, new, from_, by, time, until, wait, floor,
    times, queue, events,
):  # fmt: skip
    """Liquid reaches a junction through slot ``by``: its other tubes start, or ``wait``."""
    node = junctions[new]
    for k in range(graph.first[new], graph.first[new + 1]):
        s = np.int64(graph.slot[graph.ring[k]])
        if s < 0 or s == by:
            continue
        other = tubes[s].b if tubes[s].a == new else tubes[s].a
        if junctions[other].wet:  # a meniscus is on its way from there: bring it up to date
            settle(law, wetting, tubes, junctions, s, time, until, floor)
        tubes[s].start = until if wait else time
    open_around(law, tubes, junctions, graph, shapes, log, new, until if wait else time)
    node.wet = 1
    node.wetted = time
    _join(junctions, new, from_)
    for k in range(graph.first[new], graph.first[new + 1]):
        s = np.int64(graph.slot[graph.ring[k]])
        if s >= 0 and (s != by or wetting.linear):
            predict(law, wetting, tubes, junctions, s, until, floor)
            events = schedule(law, wetting, tubes, junctions, s, until, times, queue, events)
    return events
