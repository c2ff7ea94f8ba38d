"""Throats that grains may close: when that happens to full tubes, and what is left of their flow.

A full tube has no slot; what grains make of it stands in its gate (:mod:`poresim.uptake.state`).
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner
from poresim.uptake.capture import hazard, relative_viscosity
from poresim.uptake.heap import push
from poresim.uptake.state import PASSING, happened_to

_MUCH_SOONER = 4.0  # flows do not grow by more from step to step


@inner
def expect_grains(tubes, junctions, graph, log, cargo, i, from_, throat):
    """Liquid reaches junction i from junction ``from_`` through a throat of that width, m.

    Grains narrower than that come before the tubes around it: an estimate, until the step's end.
    """
    classes = len(cargo.diameter)
    fraction = 0.0
    for c in range(classes):
        if junctions[i].inlet:
            cargo.at[i, c] = cargo.offered[c]
        elif cargo.diameter[c] < throat:
            cargo.at[i, c] = cargo.at[from_, c]
        else:
            cargo.at[i, c] = 0.0
        fraction += cargo.at[i, c]
    log_fraction = math.log(fraction) if fraction > 0.0 else -math.inf
    thin = 1.0 / relative_viscosity(cargo.rule[0], fraction)
    for k in range(graph.first[i], graph.first[i + 1]):
        s = graph.slot[graph.ring[k]]
        if s < 0 or tubes[s].body:
            continue
        tube, gate = tubes[s], log.gates[tubes[s].number]
        risk = 0.0
        if fraction > 0.0:
            risk = hazard(
                cargo.rule[0], cargo.chances, cargo.diameter, cargo.grain, cargo.at[i],
                2.0 * tube.radius * tube.waist, log_fraction,
            )  # fmt: skip
        if tube.a == i:
            tube.risk0 = gate.risk0 = risk
        else:
            tube.risk1 = gate.risk1 = risk
        if tube.x0 == 0.0 and tube.x1 == 0.0 and not tube.blocked:
            tube.leak = gate.share = thin


@inner
def passing_rate(graph, k, drop):
    """What the full tube at place k of the rings passes with that drop of pressure, m3/s."""
    return graph.flow[k] * (drop + (graph.lift[k] if len(graph.lift) > 0 else 0.0))


@inner
def schedule_gates(junctions, graph, log, begun, now, until, times, queue, count):
    """Enter in the queue which full tubes grains will close before the end of a step.

    That began at ``begun``; pressures have been found anew at ``now``.
    """
    gates, soon, time = log.gates, log.soon, _MUCH_SOONER * (until - now)
    for e in range(len(soon)):
        if soon[e] > time:
            continue
        gate = gates[e]
        gate.next = math.inf
        if graph.slot[e] != PASSING or gate.closed:
            continue
        if now == begun:
            gate.left = gate.count
        else:
            risk = gate.risk0 if gate.rate > 0.0 else gate.risk1
            gate.left -= risk * abs(gate.rate) * (now - gate.since)
        k = np.int64(gate.at_a)
        a, b = junctions[graph.far[gate.at_b]], junctions[graph.far[k]]
        rate = passing_rate(graph, k, a.pressure - b.pressure)
        count = schedule_gate(gate, e, rate, now, until, times, queue, count)
    return count


@inner
def schedule_gate(gate, e, rate, now, until, times, queue, count):
    """Enter when a grain closes tube e, that passes ``rate`` from end 0 from ``now`` on."""
    gate.rate, gate.since = rate, now
    come = (gate.risk0 if rate > 0.0 else gate.risk1) * abs(rate)
    if not (come > 0.0 and gate.left < come * (until - now)):
        return count
    gate.next = now + max(gate.left, 0.0) / come
    return push(times, queue, count, gate.next, np.int32(-1 - e))


@inner
def close_gate(junctions, graph, log, e, time, until, leak):
    """A grain closes full tube e: its junctions owe one another what it will not pass."""
    gate = log.gates[e]
    k, m = np.int64(gate.at_a), np.int64(gate.at_b)
    a, b = np.int64(graph.far[m]), np.int64(graph.far[k])
    rate = passing_rate(graph, k, junctions[a].pressure - junctions[b].pressure)
    less = (1.0 - leak) * rate * (until - time)
    junctions[a].owed += less
    junctions[b].owed -= less
    gate.before = graph.flow[k]
    graph.flow[k] *= leak
    graph.flow[m] = graph.flow[k]
    if len(graph.tangent) > 0:
        for at in (k, m):
            graph.tangent[at].rate *= leak
            graph.bore[at].share *= leak
    gate.share *= leak
    gate.closed, gate.slower, gate.next = 1, 0.0, math.inf
    log.blocked_at[e] = time
    happened_to(log, e)
    return a, b
