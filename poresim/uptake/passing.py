"""What full tubes pass without books, when the liquid is not Newtonian.

A full tube stands in the graph by a tangent to its flow law: flow = ``graph.flow`` times (drop of
pressure + ``graph.lift``). Between changes of pressure everything goes by tangents, as if the
liquid were Newtonian; where the drop has moved out of a tangent's reach, another is laid. A
Newtonian liquid's tangents are its law itself, and stay.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import wetted_flow, yield_drop
from poresim.tube.jit import inner

#: A tube as its flow law needs it, one a tube.
PIPE = np.dtype([("radius", np.float64), ("length", np.float64), ("waist", np.float64)])

#: Of the k-th place in the rings: the flow at which its tangent was laid, m3/s, the head gained on
#: the way, Pa, where the tube stands in the ring of its other end, and by how much farther than
#: ``law.reach`` its tangents serve.
TANGENT = np.dtype(
    [("rate", np.float64), ("head", np.float64), ("mate", np.uint32), ("wider", np.float32)],
    align=True,
)

_WIDEST = 3.0

_LEAST = 1e-300  # a full tube's slope is never none: that is how it is known


@inner
def full_flow(law, pipe, drop, floor):
    """(rate, slope) through a full tube, m3/s and m3/s/Pa; the rate is odd in the drop.

    pipe : a record with the tube's radius, length and waist.
    The slope is kept above that at the drop ``floor`` beyond its yield, so that a shear-thinning or
    yielding liquid at rest still has one; the rate itself is exact.
    """
    r, length, waist = pipe.radius, pipe.length, pipe.waist
    rate, slope = wetted_flow(law, drop, length, r, length, waist)
    hold = floor + yield_drop(law, length, r, length, waist)
    if abs(drop) < hold:
        _, firm = wetted_flow(law, hold, length, r, length, waist)
        slope = max(slope, firm)
    return rate, max(slope, _LEAST)


@inner
def serves(law, tangent, rate):
    """Whether its tangent may say that a tube passes ``rate``."""
    return abs(rate - tangent.rate) <= law.reach * (1.0 + tangent.wider) * abs(tangent.rate)


@inner
def lay_tangent(flow, lift, tangent, k, drop, rate, slope, both):
    """The tube at place k, with that pressure over it (without head), passes ``rate``.

    both : whether its other end's place is to say the same.
    Where the tangent before was off by less than that of a power law of index 1/2, the next is to
    serve the farther: what it is off by grows as the square of the way.
    """
    here = tangent[k]
    if flow[k] > 0.0:
        told = flow[k] * (drop + lift[k])
        off = max(abs((told - rate) * rate), _LEAST)
        wider = 0.5 * abs(told - here.rate) / math.sqrt(off) - 1.0
        here.wider = min(max(wider, 0.0), 2.0 * here.wider + 1.0, _WIDEST)
    gain = rate / slope - drop
    flow[k], lift[k], here.rate = slope, gain, rate
    if both:
        m = here.mate
        flow[m], lift[m], tangent[m].rate, tangent[m].wider = slope, -gain, -rate, here.wider


@inner
def pass_by_law(law, graph, sheet, owed, p, time, floor):
    """Take from ``owed`` what leaves each row of a half in ``time`` through full tubes.

    Tangents that do not reach are laid anew; where a tube joins the halves, each lays its own end's
    (both alike).
    """
    first, far, flow, lift = graph.first, graph.far, graph.flow, graph.lift
    ring, tangents, pipe = graph.ring, graph.tangent, graph.pipe
    pressure, used, reach = sheet.pressure, sheet.used, law.reach
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    begin, end = graph.half[p], graph.half[p + 1]
    for i in range(low, top):
        if not used[i]:
            continue
        out = 0.0
        for k in range(first[i], first[i + 1]):
            slope = flow[k]
            if slope == 0.0:
                continue
            j = np.int64(far[k])
            ours = begin <= j < end
            shared = ours and used[j]
            if shared and j < i:
                continue
            drop = pressure[i] - pressure[j]
            rate = slope * (drop + lift[k])
            tangent = tangents[k]
            if abs(rate - tangent.rate) > reach * (1.0 + tangent.wider) * abs(tangent.rate):
                rate, slope = full_flow(law, pipe[ring[k]], drop + tangent.head, floor)
                lay_tangent(flow, lift, tangents, k, drop, rate, slope, ours)
            out += rate
            if shared:
                owed[j] += time * rate
        owed[i] -= time * out


@inner
def begin_passing(law, graph, tube, a, b, floor):
    """A tube has just filled: it enters the graph; its rate from junction a to b."""
    k = np.int64(tube.at_a)
    drop = a.pressure - b.pressure
    if len(graph.tangent) == 0:
        graph.flow[k] = graph.flow[tube.at_b] = tube.conduct
        return tube.conduct * (drop + tube.tilt * tube.length)
    rate, slope = full_flow(law, graph.pipe[tube.number], drop + graph.tangent[k].head, floor)
    lay_tangent(graph.flow, graph.lift, graph.tangent, k, drop, rate, slope, True)
    return rate
