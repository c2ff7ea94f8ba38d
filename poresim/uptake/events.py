"""What happens within a step, met in the order of time.

A tube fills, a junction is reached, a grain closes a throat: each changes the flows around it.
There the junctions are balanced anew over the rest of the step, outward until little is owed;
where that does not suffice, a region around it, or all wet junctions.
"""

from __future__ import annotations

import math

from poresim.tube.jit import kernel
from poresim.tube.shape import volume_to
from poresim.uptake.heap import pop
from poresim.uptake.ledger import predict, schedule, settle
from poresim.uptake.local import spread
from poresim.uptake.solve import solve_set
from poresim.uptake.state import FILLS

NEWTON_ROUNDS = 25
NOTHING, REGION, ALL = 0, 1, 2
_REGION_ROUNDS = 12


@kernel
def list_wet(wetting, tubes, junctions, filled_at, chosen, beside):
    """List all wet junctions but the inlets, and the booked tubes: (their numbers).

    Those are the tubes beside liquid, without the full ones where these need no books.
    """
    n = 0
    for i in range(len(junctions)):
        if junctions[i].wet and not junctions[i].inlet:
            chosen[n] = i
            n += 1
    count = 0
    for e in range(len(tubes)):
        if wetting.linear and filled_at[e] >= 0.0:
            continue
        if junctions[tubes[e].a].wet or junctions[tubes[e].b].wet:
            beside[count] = e
            count += 1
    return n, count


@kernel
def schedule_all(law, wetting, tubes, junctions, beside, count, until, times, queue):
    """Enter what happens before the step's end to the first ``count`` adjoining tubes."""
    events = 0
    for k in range(count):
        e = beside[k]
        tubes[e].next = math.inf
        events = schedule(law, wetting, tubes, junctions, e, until, times, queue, events)
    return events


@kernel
def meet_events(
    law, wetting, tubes, junctions, first, ring, control, filled_at, blocked_at,
    now, until, floor, tol, drift, look, times, queue, events, line, seeds,
):  # fmt: skip
    """Meet events in the order of time: (events left, time of the last, what is needed).

    Comes back early when the balances around an event, outward from ``seeds``, did not suffice:
    REGION is needed; or when all wet junctions together owe more than ``drift``: ALL.
    """
    met = 0
    # so close to the end nothing is balanced any more: what starts there waits for the next step
    short = max(1e-3 * (until - now), control.meet_share * until)
    while events > 0:
        time, e, events = pop(times, queue, events)
        tube = tubes[e]
        if tube.next != time:
            continue
        control.events += 1
        settle(law, wetting, tubes, junctions, e, time, until, floor)
        tube.next = math.inf
        seeds[0], seeds[1] = tube.a, tube.b
        if tube.event == FILLS:
            new = _fill(tubes, junctions, e, time, filled_at, control)
            if new >= 0:
                if new == tube.b:
                    seeds[0], seeds[1] = tube.b, tube.a
                events = _wet(
                    law, wetting, tubes, junctions, first, ring, new, e, time, until,
                    until - time < short, floor, times, queue, events,
                )  # fmt: skip
        else:
            tube.blocked = 1
            tube.leak *= control.leak
            tube.conduct *= control.leak
            tube.grain0 = tube.grain1 = math.inf
            blocked_at[e] = time
        predict(law, wetting, tubes, junctions, e, until, floor)
        events = schedule(law, wetting, tubes, junctions, e, until, times, queue, events)
        if until - time < short:
            continue
        events, done, enough = spread(
            law, wetting, tubes, junctions, first, ring, seeds, time, until, floor, tol,
            control.budget, line, times, queue, events,
        )  # fmt: skip
        control.balances += done
        if not enough and control.regions > 0:
            return events, time, REGION
        met += 1
        if (met % look == 0 or events == 0) and _all_owed(junctions) > drift:
            return events, time, ALL
    return events, until, NOTHING


@kernel
def _all_owed(junctions):
    total = 0.0
    for i in range(len(junctions)):
        if junctions[i].wet and not junctions[i].inlet:
            total += abs(junctions[i].owed)
    return total


@kernel
def bring_up(law, wetting, tubes, junctions, beside, count, time, until, floor):
    """Move the listed tubes on to ``time`` and book what they will take from then on."""
    for k in range(count):
        e = beside[k]
        if tubes[e].start < time:
            settle(law, wetting, tubes, junctions, e, time, until, floor)
            predict(law, wetting, tubes, junctions, e, until, floor)


@kernel
def outside_intake(tubes, junctions, first, ring, inlets):
    """What the menisci that start from inlets are booked to take."""
    total = 0.0
    for i in inlets:
        for k in range(first[i], first[i + 1]):
            tube = tubes[ring[k]]
            if not tube.full:
                total += abs(tube.v0 if tube.a == i else tube.v1)
    return total


@kernel
def balance_all(
    law, wetting, tubes, junctions, first, ring, inlets, sheet, system, chosen, beside, control,
    filled_at, time, until, floor, least, times, queue,
):  # fmt: skip
    """Balance all wet junctions anew over the rest of a step; the number of events in it."""
    n, count = list_wet(wetting, tubes, junctions, filled_at, chosen, beside)
    bring_up(law, wetting, tubes, junctions, beside, count, time, until, floor)
    outside = outside_intake(tubes, junctions, first, ring, inlets)
    _, its, solves, _, _ = solve_set(
        law, wetting, tubes, junctions, first, ring, sheet, system, chosen, n, time, until, floor,
        outside, control.solve_share, least, control.sweeps, control.linear_share, NEWTON_ROUNDS,
    )  # fmt: skip
    control.iterations += its
    control.solves += solves
    control.again += 1
    return schedule_all(law, wetting, tubes, junctions, beside, count, until, times, queue)


@kernel
def _fill(tubes, junctions, e, time, filled_at, control):
    """Tube e is full; the junction that this wets, or -1."""
    tube = tubes[e]
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
    filled_at[e] = time
    control.filled += volume_to(tube, tube.length)
    if not a.wet:
        return tube.a
    if not b.wet:
        return tube.b
    return -1


@kernel
def _wet(
    law, wetting, tubes, junctions, first, ring, new, e, time, until, wait, floor,
    times, queue, events,
):  # fmt: skip
    """Liquid reaches a junction through tube e: its other tubes start, or ``wait`` till the end."""
    node = junctions[new]
    for k in range(first[new], first[new + 1]):
        g = ring[k]
        tube = tubes[g]
        if g == e:
            continue
        other = tube.b if tube.a == new else tube.a
        if junctions[other].wet:  # a meniscus is on its way from there: bring it up to date
            settle(law, wetting, tubes, junctions, g, time, until, floor)
        tube.start = until if wait else time
    node.wet = 1
    node.wetted = time
    from_ = tubes[e].a if tubes[e].b == new else tubes[e].b
    node.pressure = min(max(junctions[from_].pressure, node.low), node.high)
    for k in range(first[new], first[new + 1]):
        if ring[k] != e:
            predict(law, wetting, tubes, junctions, ring[k], until, floor)
            events = schedule(law, wetting, tubes, junctions, ring[k], until, times, queue, events)
    return events


@kernel
def _adjoining(tubes, first, ring, chosen, beside, mark, n):
    """List the tubes that adjoin the first n junctions of the set; their number."""
    found = 0
    for p in range(n):
        i = chosen[p]
        for k in range(first[i], first[i + 1]):
            e = ring[k]
            if mark[e] == 0:
                mark[e] = 1
                beside[found] = e
                found += 1
    for k in range(found):
        mark[beside[k]] = 0
    return found


@kernel
def balance_region(
    law, wetting, tubes, junctions, first, ring, sheet, system, chosen, beside, mark, control,
    seeds, time, until, floor, tol, times, queue, events,
):  # fmt: skip
    """Newton on a growing region around an event, until its rim owes little too."""
    n = 0
    for i in seeds:
        if not junctions[i].inlet and not junctions[i].queued:
            junctions[i].queued = 1
            chosen[n] = i
            n += 1
    inner = 0
    reach = 3
    for _ in range(control.regions):
        for _ in range(reach):
            outer = n
            for p in range(inner, outer):
                i = chosen[p]
                for k in range(first[i], first[i + 1]):
                    tube = tubes[ring[k]]
                    if tube.full:
                        j = tube.b if tube.a == i else tube.a
                        if not junctions[j].inlet and not junctions[j].queued:
                            junctions[j].queued = 1
                            chosen[n] = j
                            n += 1
            inner = outer
        count = _adjoining(tubes, first, ring, chosen, beside, mark, n)
        bring_up(law, wetting, tubes, junctions, beside, count, time, until, floor)
        _, its, solves, _, _ = solve_set(
            law, wetting, tubes, junctions, first, ring, sheet, system, chosen, n, time, until,
            floor, 0.0, 0.0, tol, control.sweeps, control.linear_share, _REGION_ROUNDS,
        )  # fmt: skip
        control.iterations += its
        rim = 0.0
        for k in range(count):
            tube = tubes[beside[k]]
            if tube.full:
                for j in (tube.a, tube.b):
                    if not junctions[j].inlet and not junctions[j].queued:
                        rim = max(rim, abs(junctions[j].owed))
        for k in range(count):
            events = schedule(
                law, wetting, tubes, junctions, beside[k], until, times, queue, events
            )
        if rim <= tol:
            break
        reach *= 2
    for p in range(n):
        junctions[chosen[p]].queued = 0
    return events
