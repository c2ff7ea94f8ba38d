"""What happens within a step, met in the order of time.

A tube fills, a junction is reached, a grain closes a throat: each changes the flows around it.
There the junctions are balanced anew over the rest of the step, outward until little is owed;
where that does not suffice, all wet junctions are.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner, kernel
from poresim.tube.shape import volume_to
from poresim.uptake.gates import close_gate, expect_grains, schedule_gate, schedule_gates
from poresim.uptake.heap import pop, push
from poresim.uptake.ledger import forget_stale, predict, schedule, settle
from poresim.uptake.local import NEAR, spread
from poresim.uptake.passing import begin_passing
from poresim.uptake.seal import seal
from poresim.uptake.state import FILLS, TOP, Graph, give_back, happened, open_around
from poresim.uptake.team import OWED, in_all, note, wait

_SLICES = 16  # of a step, between which halves meet
# typed, for numba compiles a kernel anew for every literal:
_FIRST, _BETWEEN = np.int64(0), np.int64(2)  # queues of the first half, and of what joins them
_RIMS, _NO_RIMS = np.bool_(True), np.bool_(False)
_NO_LOOK = np.int64(0)

#: What has happened so far, in one half or between them.
TALLY = np.dtype([("events", np.int64), ("balances", np.int64), ("filled", np.float64)], align=True)


class Agenda(NamedTuple):
    """What is to happen, of each half and of what joins them: work space, (3, ...) each."""

    times: NDArray[np.float64]  # queues of events
    queue: NDArray[np.int32]  # their slots
    near: NDArray[Any]  # slots around a junction, of NEAR
    waiting: NDArray[np.int32]  # junctions to be balanced
    seeds: NDArray[np.int32]
    aside: NDArray[np.int32]  # (2, ...) slots whose events the third is to meet
    counts: NDArray[np.int64]  # (3, 2) events in the queues, events set aside
    tally: NDArray[Any]  # (3,) what has happened in all

    @classmethod
    def of(cls, graph: Graph, tubes: int) -> Agenda:
        """Empty, for a network of that size."""
        room, most = 4 * tubes + 1024, int(np.diff(graph.first).max())
        rows = len(graph.first) - 1
        return cls(  # memory is taken as it is first used
            np.zeros((3, room)),
            np.zeros((3, room), np.int32),
            np.zeros((3, most), NEAR),
            np.zeros((3, rows + 2), np.int32),
            np.zeros((3, 2), np.int32),
            np.zeros((2, room), np.int32),
            np.zeros((3, 2), np.int64),
            np.zeros(3, TALLY),
        )


@kernel
def schedule_all(law, wetting, tubes, junctions, graph, log, team, begun, now, until, agenda):
    """Enter what happens from ``now`` to the end of the step that began at ``begun``."""
    for p in range(team.first, team.last):
        times, queue = agenda.times[p], agenda.queue[p]
        events = np.int64(0)
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            if tubes[s].live:
                tubes[s].next = math.inf
                events = schedule(law, wetting, tubes, junctions, s, until, times, queue, events)
        if len(log.gates) > 0:
            events = schedule_gates(junctions, graph, log, begun, now, until, times, queue, events)
        agenda.counts[p, 0] = events
        agenda.counts[2, 0] = 0
    wait(team)


@kernel
def meet_events(
    law, wetting, tubes, junctions, graph, shapes, log, cargo, control, team, now, since, until,
    floor, tol, drift, look, agenda,
):  # fmt: skip
    """Meet events in the order of time: (time of the last, whether to balance all).

    The step began at ``now``; up to ``since`` all are met. Comes back early when all wet junctions
    together owe more than ``drift``, looked at after every ``look`` events. Two halves go on side
    by side for a slice of the step; then it is the turn of the junctions that tubes join to the
    other half, and of the events around them.
    """
    if graph.half[1] == graph.half[2]:
        time, needed = until, False
        if team.first == 0:
            time, needed = _meet(
                law, wetting, tubes, junctions, graph, shapes, log, cargo, control, now, until,
                floor, tol, drift, look, agenda, _FIRST, until, _RIMS,
            )  # fmt: skip
        return time, needed
    slice_, seen = (until - now) / _SLICES, _met(agenda)
    wait(team)
    while since < until:
        to = since + slice_ if since + 1.5 * slice_ < until else until
        for p in range(team.first, team.last):
            _meet(
                law, wetting, tubes, junctions, graph, shapes, log, cargo, control, now, until,
                floor, tol, math.inf, _NO_LOOK, agenda, p, to, _NO_RIMS,
            )  # fmt: skip
        wait(team)
        if team.first == 0:
            _meet_between(
                law, wetting, tubes, junctions, graph, shapes, log, cargo, control, now, until,
                floor, tol, agenda, since, to,
            )  # fmt: skip
        wait(team)
        left = agenda.counts[0, 0] + agenda.counts[1, 0] + agenda.counts[2, 0]
        met = _met(agenda)
        wait(team)  # before the counts change again
        if left == 0:
            break
        since = to
        if met - seen < look:
            continue
        seen = met
        for p in range(team.first, team.last):
            note(team, p, OWED, _all_owed(junctions, graph, p))
        wait(team)
        if in_all(team, OWED) > drift:
            return to, True
    return until, False


@inner
def _met(agenda):
    return agenda.tally[0].events + agenda.tally[1].events + agenda.tally[2].events


@inner
def _meet_between(
    law, wetting, tubes, junctions, graph, shapes, log, cargo, control, now, until, floor, tol,
    agenda, from_, to,
):  # fmt: skip
    """Meet what the halves set aside, and balance junctions that tubes join to the other half."""
    times, queue, count = agenda.times[2], agenda.queue[2], agenda.counts[2, 0]
    for p in range(2):
        for n in range(agenda.counts[p, 1]):
            s = np.int64(agenda.aside[p, n])
            if tubes[s].next > to:  # something else has come in between
                continue
            if count == len(times):
                count = forget_stale(tubes, times, queue, count)
            count = push(times, queue, count, tubes[s].next, s)
        agenda.counts[p, 1] = 0
    agenda.counts[2, 0] = count
    _meet(
        law, wetting, tubes, junctions, graph, shapes, log, cargo, control, now, until, floor, tol,
        math.inf, _NO_LOOK, agenda, _BETWEEN, to, _RIMS,
    )  # fmt: skip
    count = agenda.counts[2, 0]
    for i in graph.rims:
        if junctions[i].wet and abs(junctions[i].owed) > tol:
            agenda.seeds[2, 0] = agenda.seeds[2, 1] = i
            since = max(from_, junctions[i].wetted)
            count, done = spread(
                law, wetting, tubes, junctions, graph, agenda.seeds[2], since, until, floor, tol,
                control.budget, agenda.near[2], agenda.waiting[2], times, queue, count, _RIMS,
            )  # fmt: skip
            agenda.tally[2].balances += done
    agenda.counts[2, 0] = count


@inner
def _meet(
    law, wetting, tubes, junctions, graph, shapes, log, cargo, control, now, until, floor, tol,
    drift, look, agenda, p, to, rims,
):  # fmt: skip
    """Meet the events of one queue up to ``to``; the time of the last if all are to be balanced.

    Without ``rims`` what touches a junction that a tube joins to the other half is set aside.
    """
    times, queue, seeds = agenda.times[p], agenda.queue[p], agenda.seeds[p]
    tally = agenda.tally[p]
    events, aside, met = agenda.counts[p, 0], agenda.counts[p, 1], 0
    # so close to the end nothing is balanced any more: what starts there waits for the next step
    short = max(1e-3 * (until - now), control.meet_share * until)
    while events > 0 and times[0] <= to and aside < len(times):  # there is as much room aside
        time, slot, events = pop(times, queue, events)
        s = np.int64(slot)
        if s < 0:
            if log.gates[-1 - s].next != time:
                continue
            seeds[0], seeds[1] = close_gate(
                junctions, graph, log, -1 - s, time, until, cargo.rule[0].leak
            )
            tally.events += 1
            events, met, to_all = _around(
                law, wetting, tubes, junctions, graph, control, seeds, time, until, floor, tol,
                drift, look, agenda, p, rims, short, events, met,
            )  # fmt: skip
            if to_all:
                agenda.counts[p, 0] = events
                return time, True
            continue
        tube = tubes[s]
        if tube.next != time:
            continue
        if not rims and (junctions[tube.a].rim or junctions[tube.b].rim):
            agenda.aside[p, aside] = s
            aside += 1
            continue
        tally.events += 1
        settle(law, wetting, tubes, junctions, s, time, until)
        tube.next = math.inf
        seeds[0], seeds[1] = tube.a, tube.b
        passing = False
        if tube.event == FILLS and tube.body:
            _fill_body(tubes, junctions, graph, log, s, time, tally)
            seeds[1] = tube.a
            passing = True
            events = _wet(
                law, wetting, tubes, junctions, graph, shapes, log, cargo, seeds[0], seeds[0], s,
                time, until, until - time < short, times, queue, events,
            )  # fmt: skip
        elif tube.event == FILLS:
            new, events = _fill(
                law, tubes, junctions, graph, log, s, time, until, floor, tally, times, queue,
                events,
            )  # fmt: skip
            passing = True
            if new >= 0:
                if new == tube.b:
                    seeds[0], seeds[1] = tube.b, tube.a
                events = _wet(
                    law, wetting, tubes, junctions, graph, shapes, log, cargo, new, seeds[1], s,
                    time, until, until - time < short, times, queue, events,
                )  # fmt: skip
        else:
            tube.blocked = 1
            tube.leak *= cargo.rule[0].leak
            log.gates[tube.number].closed = 1
            log.gates[tube.number].slower = 0.0
            log.blocked_at[tube.number] = time
            happened(log, s, np.int64(-1 - tube.number))
        if not passing:
            predict(law, wetting, tubes, junctions, s, until)
            events = schedule(law, wetting, tubes, junctions, s, until, times, queue, events)
        events, met, to_all = _around(
            law, wetting, tubes, junctions, graph, control, seeds, time, until, floor, tol, drift,
            look, agenda, p, rims, short, events, met,
        )  # fmt: skip
        if to_all:
            agenda.counts[p, 0] = events
            return time, True
    agenda.counts[p, 0], agenda.counts[p, 1] = events, aside
    return until, False


@inner
def _around(
    law, wetting, tubes, junctions, graph, control, seeds, time, until, floor, tol, drift, look,
    agenda, p, rims, short, events, met,
):  # fmt: skip
    """Balance the junctions around an event: (events, how many are met, whether to balance all)."""
    if until - time < short:
        return events, met, False
    times, queue = agenda.times[p], agenda.queue[p]
    events, done = spread(
        law, wetting, tubes, junctions, graph, seeds, time, until, floor, tol, control.budget,
        agenda.near[p], agenda.waiting[p], times, queue, events, rims,
    )  # fmt: skip
    agenda.tally[p].balances += done
    met += 1
    owing = look > 0 and (met % look == 0 or events == 0)
    return events, met, owing and _all_owed(junctions, graph, p) > drift


@inner
def _all_owed(junctions, graph, p):
    total = 0.0
    for i in range(graph.half[p], graph.half[p + 1]):
        if junctions[i].wet and not junctions[i].inlet:
            total += abs(junctions[i].owed)
    return total


@kernel
def _fill(law, tubes, junctions, graph, log, s, time, until, floor, tally, times, queue, events):
    """Tube s is full: (the junction that this wets, or -1, new event count)."""
    tube = tubes[s]
    a, b = junctions[tube.a], junctions[tube.b]
    # the ends meet to rounding: let them meet exactly, and book the difference
    if a.feeds and (not b.feeds or tube.x0 >= tube.x1):
        x = tube.length - tube.x1
        a.owed -= volume_to(tube, x) - volume_to(tube, tube.x0)
        tube.x0 = x
    else:
        x = tube.length - tube.x0
        b.owed -= volume_to(tube, x) - volume_to(tube, tube.x1)
        tube.x1 = x
    a.open -= 1
    b.open -= 1
    e = tube.number
    log.filled_at[e] = time
    log.met[e] = tube.x0 / tube.length
    happened(log, s, np.int64(e))
    tally.filled += volume_to(tube, tube.length)
    new = -1
    if not a.wet:
        new = tube.a
    elif not b.wet:
        new = tube.b
    if new >= 0:  # it takes the pressure beyond, so that a rate can be booked
        _join(junctions, new, tube.b if new == tube.a else tube.a)
    rate = begin_passing(law, graph, tube, a, b, floor)
    a.owed -= rate * (until - time)
    b.owed += rate * (until - time)
    give_back(tubes, graph, log, s)
    if len(log.gates) > 0 and not log.gates[e].closed:
        events = schedule_gate(log.gates[e], e, rate, time, until, times, queue, events)
    return new, events


@inner
def _fill_body(tubes, junctions, graph, log, s, time, tally):
    """The body that slot s stands for is full: its junction is one like any other."""
    tube = tubes[s]
    node = junctions[tube.a]
    node.owed -= math.pi * tube.radius * tube.radius * (tube.length - tube.x0)
    tube.x0 = tube.length
    node.open -= 1
    junctions[tube.b].open -= 1
    node.hollow = 0
    log.filled_at[tube.number] = time
    log.met[tube.number] = 1.0
    happened(log, s, np.int64(tube.number))
    tally.filled += volume_to(tube, tube.length)
    give_back(tubes, graph, log, s)


@inner
def _join(junctions, new, from_):
    node = junctions[new]
    node.pressure = min(max(junctions[from_].pressure, node.low), node.high)


@inner
def _wet(
    law, wetting, tubes, junctions, graph, shapes, log, cargo, new, from_, by, time, until, wait,
    times, queue, events,
):  # fmt: skip
    """Liquid reaches a junction through slot ``by``: its other tubes start, or ``wait``.

    If it has a body, that starts to fill; when that is full, the others start.
    """
    node = junctions[new]
    throat = 2.0 * tubes[by].radius * tubes[by].waist
    for k in range(graph.first[new], graph.first[new + 1]):
        s = np.int64(graph.slot[graph.ring[k]])
        if s < 0 or s == by or node.hollow:
            continue
        other = tubes[s].b if tubes[s].a == new else tubes[s].a
        if junctions[other].feeds:  # a meniscus is on its way from there: bring it up to date
            settle(law, wetting, tubes, junctions, s, time, until)
        tubes[s].start = until if wait else time
    open_around(law, tubes, junctions, graph, shapes, log, new, until if wait else time)
    if len(log.gates) > 0:
        expect_grains(tubes, junctions, graph, log, cargo, np.int64(new), np.int64(from_), throat)
    node.feeds = not node.hollow  # only now: what comes from elsewhere has been brought up to date
    if new != from_:
        node.wet = 1
        node.wetted = time
        _join(junctions, new, from_)
    for k in range(graph.first[new], graph.first[new + 1]):
        s = np.int64(graph.slot[graph.ring[k]])
        if s >= 0 and (node.feeds or tubes[s].body):
            if len(graph.pockets.rows) > 0 and junctions[graph.far[k]].wet:
                seal(law, wetting, tubes, junctions, graph, s, until)
            predict(law, wetting, tubes, junctions, s, until)
            events = schedule(law, wetting, tubes, junctions, s, until, times, queue, events)
    return events
