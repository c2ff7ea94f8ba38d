"""Within a step: liquid has come to both ends of a tube, and cuts its gas off."""

from __future__ import annotations

from poresim.tube.jit import inner
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.ledger import outflow
from poresim.uptake.pockets import (
    CUT_OFF,
    FREE,
    HIGHEST,
    OUTSIDE,
    begin_pocket,
    closed,
    gas_in,
    keep_apart,
)
from poresim.uptake.state import END_0, END_1


@inner
def seal(law, wetting, tubes, junctions, graph, s, until):
    """The gas of slot s is a pocket of its own from now on.

    Until the step's end its menisci go against the pressure that it has then.
    """
    pockets, tube = graph.pockets, tubes[s]
    if closed(tube):
        return
    g = pockets.many[0]
    pockets.many[0] = g + 1
    gas = pockets.rows[g]
    begin_pocket(gas)
    gas.room = gas_in(tube)
    gas.moles = (OUTSIDE + tube.gas) * gas.room
    if tube.pocket == FREE:
        pockets.books[CUT_OFF] += gas.moles
    else:
        other = pockets.rows[tube.pocket]
        gas.moles = min(gas.moles, other.moles)
        other.moles -= gas.moles
    tube.pocket = g
    keep_apart(tube)
    a, b, time = junctions[tube.a], junctions[tube.b], until - tube.start
    low, high = -OUTSIDE, HIGHEST * OUTSIDE
    at, last = tube.gas, high - low
    for _ in range(STEPS):
        tube.gas = at
        v0, s0 = outflow(law, wetting, tube, END_0, a.pressure, time)
        v1, s1 = outflow(law, wetting, tube, END_1, b.pressure, time)
        volume = gas.moles / (OUTSIDE + at)
        over = gas.room - v0 - v1 - volume
        slope = s0 + s1 + volume / (OUTSIDE + at)
        trial, low, high, last = narrow(at, over, slope, low, high, last)
        if found(trial, at, low, high, wetting.kink):
            break
        at = trial
    gas.pressure = gas.laid = tube.gas = at


__all__ = ["seal"]
