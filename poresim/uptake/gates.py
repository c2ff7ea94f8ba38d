"""Full tubes whose throats grains may close: when that happens, and what is left of their flow.

A full tube has no slot; what grains make of it stands in its gate (:mod:`poresim.uptake.state`).
The volume that passes is told by the pressures that a step's solve found and by those at its end,
half each: flows change by little in a step.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner, kernel
from poresim.uptake.heap import push
from poresim.uptake.state import PASSING, happened_to


@inner
def passing_rate(junctions, graph, k, i):
    """What the full tube at place k, in the ring of junction i, passes from there, m3/s."""
    drop = junctions[i].pressure - junctions[graph.far[k]].pressure
    return graph.flow[k] * (drop + (graph.lift[k] if len(graph.lift) > 0 else 0.0))


@inner
def schedule_gates(junctions, graph, log, now, until, times, queue, count):
    """Enter in the queue which full tubes grains will close before the step's end."""
    gates = log.gates
    for e in range(len(gates)):
        gate = gates[e]
        gate.next = math.inf
        if graph.slot[e] != PASSING or gate.closed:
            continue
        k = np.int64(gate.at_a)
        rate = passing_rate(junctions, graph, k, np.int64(graph.far[gate.at_b]))
        gate.booked = rate * (until - now)
        count = schedule_gate(gate, e, rate, now, until, times, queue, count)
    return count


@inner
def schedule_gate(gate, e, rate, now, until, times, queue, count):
    """Enter when a grain closes tube e, that passes ``rate`` from end 0 from ``now`` on."""
    left = gate.grain0 if rate > 0.0 else gate.grain1
    if rate == 0.0 or not left < abs(rate) * (until - now):
        return count
    gate.next = now + max(left, 0.0) / abs(rate)
    return push(times, queue, count, gate.next, np.int32(-1 - e))


@inner
def close_gate(junctions, graph, log, e, time, until, leak):
    """A grain closes full tube e: its junctions owe one another what it will not pass."""
    gate = log.gates[e]
    k, m = np.int64(gate.at_a), np.int64(gate.at_b)
    a, b = np.int64(graph.far[m]), np.int64(graph.far[k])
    less = (1.0 - leak) * passing_rate(junctions, graph, k, a) * (until - time)
    junctions[a].owed += less
    junctions[b].owed -= less
    gate.before = graph.flow[k]
    graph.flow[k] *= leak
    graph.flow[m] = graph.flow[k]
    if len(graph.tangent) > 0:
        for at in (k, m):
            graph.tangent[at].rate *= leak
            graph.bore[at].share *= leak
    gate.closed, gate.next = 1, math.inf
    log.blocked_at[e] = time
    happened_to(log, e)
    return a, b


@kernel
def pass_gates(junctions, graph, log, now, until):
    """A step has ended: what has passed each full tube is taken from what its grains leave it."""
    gates = log.gates
    for e in range(len(gates)):
        gate = gates[e]
        if graph.slot[e] != PASSING or gate.closed:
            continue
        since = max(now, log.filled_at[e])
        rate = passing_rate(junctions, graph, np.int64(gate.at_a), np.int64(graph.far[gate.at_b]))
        passed = 0.5 * (gate.booked + rate * (until - since))
        gate.grain0 -= max(passed, 0.0)
        gate.grain1 -= max(-passed, 0.0)
