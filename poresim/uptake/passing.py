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
from poresim.tube.law import wall_stress

#: Of the k-th place in the rings: the flow at which its tangent was laid, m3/s, and where the tube
#: stands in the ring of its other end. ``wider``: by how much farther than ``law.reach`` it serves;
#: or, below 0, the drop up to which a tube that passes next to nothing is taken as linear, Pa.
#: (Small, for it is looked at far more often than laid.)
TANGENT = np.dtype([("rate", np.float64), ("mate", np.uint32), ("wider", np.float32)], align=True)

#: What tangents are laid by: the head gained on the way, Pa, the tube's measures, m, and the share
#: of its flow that grains leave it.
BORE = np.dtype([(name, np.float64) for name in ("head", "radius", "length", "waist", "share")])

_WIDEST = 3.0
_FADING = 4.0  # times the trickle of now: what passed for one when the tube was taken as linear
_LEAST = 1e-300  # a full tube's slope is never none: that is how it is known


@inner
def full_flow(law, radius, length, waist, drop, floor):
    """(rate, slope) through a full tube, m3/s and m3/s/Pa; the rate is odd in the drop.

    The slope is kept above that at the drop ``floor`` beyond its yield, so that a shear-thinning or
    yielding liquid at rest still has one; the rate itself is exact.
    """
    rate, slope = wetted_flow(law, drop, length, radius, length, waist)
    hold = floor + yield_drop(law, length, radius, length, waist)
    if abs(drop) < hold:
        _, firm = wetted_flow(law, hold, length, radius, length, waist)
        slope = max(slope, firm)
    return rate, max(slope, _LEAST)


@inner
def serves(law, tangent, slope, rate):
    """Whether its tangent, of that slope, may say that a tube passes ``rate``."""
    if tangent.wider < 0.0:
        most = -tangent.wider * slope
        return abs(rate) <= most <= _FADING * law.trickle
    return abs(rate - tangent.rate) <= law.reach * (1.0 + tangent.wider) * abs(tangent.rate)


@inner
def room_of(law, tangent, slope, rate):
    """How far the drop of pressure may change until the tangent serves no longer, Pa."""
    if tangent.wider < 0.0:
        most = -tangent.wider * slope
        return (most - abs(rate)) / slope if most <= _FADING * law.trickle else 0.0
    most = law.reach * (1.0 + tangent.wider) * abs(tangent.rate)
    return (most - abs(rate - tangent.rate)) / slope


@inner
def new_tangent(law, tangent, bore, slope, lift, drop, floor):
    """(rate, slope, wider) of a full tube with that drop of pressure; before: ``slope``, ``lift``.

    A tube that passes less than a ``law.trickle`` is taken as linear, so that none there is laid
    again and again as pressures that move nothing stir. Elsewhere, where the tangent before was off
    by less than that of a power law of index 1/2, the next is to serve the farther: what it is off
    by grows as the square of the way.
    """
    push = drop + bore.head
    rate, steep = full_flow(law, bore.radius, bore.length, bore.waist, push, floor)
    rate *= bore.share
    steep *= bore.share
    if abs(rate) <= law.trickle and law.trickle > 0.0:
        calm = _drop_at(law, bore.radius, bore.length, law.trickle / bore.share)
        if calm > abs(push):
            return law.trickle / calm * push, law.trickle / calm, -calm
    wider = float(tangent.wider)
    if slope > 0.0:
        told = slope * (drop + lift)
        off = max(abs((told - rate) * rate), _LEAST)
        most = min(2.0 * wider + 1.0, _WIDEST)
        wider = min(0.5 * abs(told - tangent.rate) / math.sqrt(off) - 1.0, most)
    return rate, steep, max(wider, 0.0)


@inner
def lay_tangent(flow, lift, tangent, k, drop, rate, slope, wider, both):
    """The tube at place k, with that pressure over it (without head), passes ``rate``.

    both : whether its other end's place is to say the same.
    (Arrays one by one: to hand the graph over would take longer than the work.)
    """
    here = tangent[k]
    gain = rate / slope - drop
    flow[k], lift[k], here.rate, here.wider = slope, gain, rate, wider
    if both:
        m = here.mate
        mate = tangent[m]
        flow[m], lift[m], mate.rate, mate.wider = slope, -gain, -rate, wider


@inner
def _drop_at(law, radius, length, rate):
    """The drop at which a straight tube passes that; one with a waist passes less."""
    stress = wall_stress(law, math.log(rate / (math.pi * radius**3)))
    return 2.0 * length * stress / radius


@inner
def pass_by_law(law, graph, sheet, owed, p, time, floor):
    """Take from ``owed`` what leaves each row of a half in ``time`` through full tubes.

    Tangents that do not reach are laid anew; where a tube joins the halves, each lays its own end's
    (both alike).
    """
    first, far, flow, lift = graph.first, graph.far, graph.flow, graph.lift
    tangents, pressure, used = graph.tangent, sheet.pressure, sheet.used
    bore = graph.bore
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
            if not serves(law, tangents[k], slope, rate):
                rate, slope, wider = new_tangent(
                    law, tangents[k], bore[k], slope, lift[k], drop, floor
                )
                lay_tangent(flow, lift, tangents, k, drop, rate, slope, wider, ours)
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
        conduct = tube.leak * tube.conduct
        graph.flow[k] = graph.flow[tube.at_b] = conduct
        return conduct * (drop + tube.tilt * tube.length)
    graph.bore[k].share = graph.bore[tube.at_b].share = tube.leak
    rate, slope, wider = new_tangent(law, graph.tangent[k], graph.bore[k], 0.0, 0.0, drop, floor)
    lay_tangent(graph.flow, graph.lift, graph.tangent, k, drop, rate, slope, wider, True)
    return rate
