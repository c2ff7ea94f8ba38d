"""Around one event: junctions are balanced one by one, outward, until little is owed.

Each balance is a rising function of that junction's own pressure, so a safeguarded Newton
iteration finds it from anywhere, kinks and all; and each lowers the energy of the whole.
"""

from __future__ import annotations

from poresim.tube.jit import kernel
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.ledger import outflow, predict_far, schedule, settle


@kernel
def balance(law, wetting, tubes, junctions, first, ring, i, now, until, floor, tol):
    """Choose junction i's pressure so that it owes nothing, its neighbours held."""
    node = junctions[i]
    start, stop = first[i], first[i + 1]
    for k in range(start, stop):
        e = ring[k]
        if tubes[e].start < now:
            settle(law, wetting, tubes, junctions, e, now, until, floor)
            predict_far(law, wetting, tubes, junctions, e, i, until, floor)
        _own(tubes[e], junctions, i, 1.0)
    time = until - now
    low, high = node.low, node.high
    old, weight = node.pressure, 0.0
    if wetting.linear:
        for k in range(start, stop):
            if tubes[ring[k]].full:
                weight += tubes[ring[k]].conduct
        weight *= time
    last = high - low
    for step in range(STEPS):
        over = weight * (node.pressure - old) - node.owed
        slope = weight
        for k in range(start, stop):
            tube = tubes[ring[k]]
            if tube.full and wetting.linear:
                continue
            end = 0 if tube.a == i else 1
            other = junctions[tube.b if end == 0 else tube.a].pressure
            v, s = outflow(law, wetting, tube, end, node.pressure, other, time, floor)
            over += v
            slope += s
            if end == 0:
                tube.v0, tube.s0 = v, s
            else:
                tube.v1, tube.s1 = v, s
            if tube.full:
                tube.v0, tube.v1, tube.s0, tube.s1 = (v, -v, s, s) if end == 0 else (-v, v, s, s)
        if abs(over) <= tol:
            break
        trial, low, high, last = narrow(node.pressure, over, slope, low, high, last)
        if step == STEPS - 1 or found(trial, node.pressure, low, high, wetting.kink):
            break
        node.pressure = trial
    for k in range(start, stop):
        tube = tubes[ring[k]]
        if tube.full and wetting.linear:
            volume = tube.conduct * time * (node.pressure - old)
            node.owed -= volume
            junctions[tube.b if tube.a == i else tube.a].owed += volume
        else:
            _own(tube, junctions, i, -1.0)


@kernel
def _own(tube, junctions, i, sign):
    """Take back (sign 1) or book (-1) what leaves junction i into a tube, at both ends of a full
    one."""
    own = tube.v0 if tube.a == i else tube.v1
    junctions[i].owed += sign * own
    if tube.full:
        other = tube.b if tube.a == i else tube.a
        junctions[other].owed -= sign * own


@kernel
def spread(
    law, wetting, tubes, junctions, first, ring, seeds, now, until, floor, tol, budget, line,
    times, queue, count,
):  # fmt: skip
    """Balance the seeds and, outward, whatever then owes more than ``tol``.

    At most ``budget`` balances. ``line`` is work space, one entry a junction. Returns
    (new event count, number of balances, whether the budget sufficed).
    """
    room = len(line)
    head, waiting, done = 0, 0, 0
    for i in seeds:
        if i >= 0 and not junctions[i].inlet and not junctions[i].queued:
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
        balance(law, wetting, tubes, junctions, first, ring, i, now, until, floor, 0.1 * tol)
        done += 1
        for k in range(first[i], first[i + 1]):
            e = ring[k]
            count = schedule(law, wetting, tubes, junctions, e, until, times, queue, count)
            if tubes[e].full:
                j = tubes[e].b if tubes[e].a == i else tubes[e].a
                idle = not junctions[j].queued and not junctions[j].inlet
                if idle and abs(junctions[j].owed) > tol:
                    junctions[j].queued = 1
                    line[(head + waiting) % room] = j
                    waiting += 1
    enough = waiting == 0
    while waiting > 0:
        junctions[line[head]].queued = 0
        head = (head + 1) % room
        waiting -= 1
    return count, done, enough
