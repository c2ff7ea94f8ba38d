"""Lifted out: air comes in where liquid is drawn away, and junctions run dry.

Without a reservoir wide tubes empty into narrow ones. Menisci recede within their tubes as they
always do; what is new is that full tubes open again and junctions lose their liquid. Both happen
between steps.

Air stands at a wet junction that lies on the outside, or whose liquid has gone back to the mouth
of one of its tubes. A full tube that leads away from there opens when the suction at the junction
overcomes what a receding meniscus at its mouth holds, 2 gamma cos(theta) / r (Young-Laplace), the
liquid in it would follow, and none would come after (as it does into one that narrows). At the
threshold of a straight tube the flow is the same before and after, for the meniscus sets out with
what the tube passed. A tube that feeds the junction stays full.

Liquid that is pressed out at the outside drips off: such a junction stays at the pressure of the
air for as long as liquid leaves there. Not while a drop lies on the solid: what that presses is far
less than what mouths hold.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.filled import STRAIGHT, yield_drop
from poresim.tube.jit import inner, kernel
from poresim.tube.shape import volume_to
from poresim.tube.wetting import drives
from poresim.uptake.gates import passing_rate
from poresim.uptake.passing import begin_passing
from poresim.uptake.state import (
    DRY,
    PASSING,
    State,
    give_back,
    make_slot,
    open_around,
    release,
    shape_of,
)

_AJAR = 4e-12  # of its length: so far back a meniscus sets out, or it would count as filling up
_BACK = 1e-9  # of its length: one that has not gone so far has not set out
_STILL = 1e-6  # of what holds a tube full: drops of pressure below are roundings
_SOON = 1e-3  # of the time in the air: tubes that close again sooner have opened in vain
_DRIPS = 1e-2  # times the floor of drops: pressures below are none


class Air(NamedTuple):
    """What is known of the air, by the state's junctions and the network's tubes."""

    outside: NDArray[np.int8]  # (n,) 1: on the outside
    seeps: NDArray[np.int8]  # (n,) 1: liquid drips off
    excess: NDArray[np.float64]  # (n,) work space: by how much the suction is too strong, Pa,
    tube: NDArray[np.int32]  # (n,) and the tube that it would open
    since: NDArray[np.float64]  # (m,) of tubes: when it opened, or when it may open again, s
    pause: NDArray[np.float64]  # (m,) how long it stayed closed the last time it opened in vain, s
    filled: NDArray[np.float64]  # (m,) when a tube that has opened filled first, s; nan: it has not
    wetted: NDArray[np.float64]  # (n,) likewise, of a junction that has run dry
    turned: NDArray[np.float64]  # (1,) when it was lifted out or put back last, s
    drips: NDArray[np.int8]  # (1,) 1: what is pressed out does
    lost: NDArray[np.float64]  # (1,) m3 owed by junctions that have run dry beside none that could


def make_air(state: State, outside: NDArray[np.int64]) -> Air:
    """outside : junctions, by the network's numbers."""
    n, m = len(state.junctions), len(state.tubes)
    at = np.zeros(n, np.int8)
    at[state.shapes.rank[outside]] = 1
    return Air(
        outside=at,
        seeps=np.zeros(n, np.int8),
        excess=np.zeros(n),
        tube=np.zeros(n, np.int32),
        since=np.zeros(m),
        pause=np.zeros(m),
        filled=np.full(m, np.nan),
        wetted=np.full(n, np.nan),
        turned=np.zeros(1),
        drips=np.ones(1, np.int8),
        lost=np.zeros(1),
    )


def lift_out(state: State, which: NDArray[np.int64] | None = None) -> None:
    """No liquid stands at the inlets any more: they are junctions like others.

    which : of them, by the state's numbers; all when left out. Where it drips it goes on dripping.
    """
    at = np.flatnonzero(state.junctions["inlet"][: state.inlets]) if which is None else which
    _let_go_all(state.junctions, state.graph, at)


@kernel
def _let_go_all(junctions, graph, at):
    for i in at:
        _let_go(junctions, graph, i)


@inner
def _let_go(junctions, graph, i):
    """An inlet becomes a junction like others: what they owe and have around them is known."""
    node = junctions[i]
    node.inlet, node.owed, node.open = 0, 0.0, 0
    for k in range(graph.first[i], graph.first[i + 1]):
        node.open += graph.slot[graph.ring[k]] >= 0


def stop_grains(state: State) -> None:
    """Grains go no farther, and close no more throats: what has come in stays where it is."""
    for rows in (state.log.gates, state.tubes):
        rows["count"] = np.inf
        rows["risk0"] = rows["risk1"] = 0.0
    if len(state.log.gates):
        state.log.gates["left"] = state.log.gates["next"] = np.inf
        state.log.soon[:] = np.inf


def put_back(state: State, air: Air, given: NDArray[np.float64], time: float) -> None:
    """Liquid stands at the inlets again, at the pressures ``given``, (k,) Pa."""
    junctions, k = state.junctions, state.inlets
    _let_go_all(junctions, state.graph, np.flatnonzero(air.seeps))
    air.seeps[:] = 0
    dry = np.flatnonzero(junctions["wet"][:k] == 0)
    air.wetted[dry] = np.where(np.isnan(air.wetted[dry]), junctions["wetted"][dry], air.wetted[dry])
    junctions["wetted"][dry] = time
    junctions["inlet"][:k], junctions["wet"][:k], junctions["feeds"][:k] = 1, 1, 1
    junctions["pressure"][:k], junctions["owed"][:k] = given, 0.0
    _open_all(state.law, state.tubes, junctions, state.graph, state.shapes, state.log, dry, time)


def cover(state: State, air: Air | None, at: NDArray[np.int64], time: float) -> None:
    """A drop lies on those of the inlets, by the state's numbers; others stay as they are."""
    junctions = state.junctions
    dry = at[junctions["wet"][at] == 0]
    if air is not None:
        lift_out(state, np.flatnonzero(air.seeps))
        air.seeps[:], air.drips[0] = 0, 0
        air.wetted[dry] = np.fmin(air.wetted[dry], junctions["wetted"][dry])
    junctions["wetted"][dry] = time
    junctions["inlet"][at], junctions["wet"][at], junctions["feeds"][at] = 1, 1, 1
    junctions["owed"][at] = 0.0
    _open_all(state.law, state.tubes, junctions, state.graph, state.shapes, state.log, dry, time)


@kernel
def _open_all(law, tubes, junctions, graph, shapes, log, at, time):
    for i in at:
        open_around(law, tubes, junctions, graph, shapes, log, i, time)


@kernel
def let_air_in(law, wetting, tubes, junctions, graph, shapes, log, air, tally, floor, now, single):
    """Between steps: tubes open or close again, junctions drip or run dry.

    Of junctions beside one another the one opens a tube whose suction is the most too strong; with
    ``single`` the one of all. What others do then, the next step shows.
    Returns by how much that changes what tubes hold, m3: all but nothing, and it is owed.
    """
    more = 0.0
    for i in range(len(junctions)):
        air.tube[i], air.excess[i] = -1, 0.0
        node = junctions[i]
        if air.seeps[i]:
            if _drawn(tubes, junctions, graph, i) > 0.0:
                air.seeps[i] = 0
                _let_go(junctions, graph, i)
                tally.events += 1
        elif node.wet and not node.inlet:
            if air.drips[0] and air.outside[i] and node.pressure > _DRIPS * floor:
                air.seeps[i] = node.inlet = 1
                node.pressure = 0.0
                tally.events += 1
            else:
                stands, closed = _air_stands(
                    law, wetting, tubes, junctions, graph, log, air, tally, floor, i, now
                )
                more += closed
                if stands:
                    _choose(law, wetting, junctions, graph, shapes, log, air, i, now)
    first = np.int64(np.argmax(air.excess))
    for i in range(len(junctions)):
        e = np.int64(air.tube[i])
        if e < 0 or graph.slot[e] != PASSING:
            continue
        if i == first or (not single and _strongest(graph, air, i)):
            more -= _open(law, tubes, junctions, graph, shapes, log, air, tally, e, i, now)
    for i in range(len(junctions)):
        if junctions[i].wet and not junctions[i].inlet:
            _dry(tubes, junctions, graph, shapes, log, air, tally, i)
    return more


@inner
def _drawn(tubes, junctions, graph, i):
    """What a junction at a given pressure gives to the tubes around it, m3/s; below 0: gets."""
    total = 0.0
    for k in range(graph.first[i], graph.first[i + 1]):
        if graph.flow[k] != 0.0:
            drop = junctions[i].pressure - junctions[graph.far[k]].pressure
            total += passing_rate(graph, k, drop)
            continue
        s = graph.slot[graph.ring[k]]
        if s >= 0:
            tube = tubes[s]
            speed = tube.speed0 if tube.a == i else tube.speed1
            total += math.pi * tube.radius * tube.radius * speed
    return total


@inner
def _air_stands(law, wetting, tubes, junctions, graph, log, air, tally, floor, i, now):
    """Whether air stands at junction i; closes tubes there that have opened for nothing.

    And what it takes to fill those, m3.
    """
    closed = 0.0
    stands = air.outside[i] == 1
    for k in range(graph.first[i], graph.first[i + 1]):
        s = np.int64(graph.slot[graph.ring[k]])
        if s < 0 or tubes[s].body or tubes[s].pocket >= 0:
            continue
        tube = tubes[s]
        x, y = (tube.x0, tube.x1) if tube.a == i else (tube.x1, tube.x0)
        if x > 0.0:
            continue
        far = junctions[graph.far[k]]
        gone = y < (1.0 - _BACK) * tube.length or not far.wet
        if gone or _recedes(law, wetting, tube, tube.a == i, far.pressure):
            stands = True
        else:
            closed += _close(law, tubes, junctions, graph, log, air, tally, s, floor, now)
    return stands, closed


@inner
def _recedes(law, wetting, tube, to_end_1, pressure):
    """Whether the liquid of a tube that is all but full goes back to an end with that pressure."""
    tilt = -tube.tilt if to_end_1 else tube.tilt
    _, behind = drives(wetting, tube, tilt, pressure, tube.length)
    return behind < -yield_drop(law, tube.length, tube.radius, tube.length, tube.waist)


@inner
def _choose(law, wetting, junctions, graph, shapes, log, air, i, now):
    """Find the tube that the suction at junction i opens first, if any."""
    at = junctions[i].pressure
    for k in range(graph.first[i], graph.first[i + 1]):
        e = np.int64(graph.ring[k])
        if graph.slot[e] != PASSING or e >= shapes.own[0]:
            continue
        if log.filled_at[e] > air.since[e] > 0.0:
            _wait(air, e, log.filled_at[e], now)
        if now < air.since[e]:
            continue
        far = junctions[graph.far[k]].pressure
        radius, length, waist, tilt = shape_of(shapes, e)
        head = -tilt * length if shapes.rank[shapes.ends[e, 0]] == i else tilt * length
        holds, draws = _mouth_pulls(wetting, radius, length, waist)
        if passing_rate(graph, k, at - far) < -_STILL * abs(holds) * graph.flow[k]:
            continue  # it feeds the junction
        excess = -(at + max(holds, draws))
        if far + head + holds >= -yield_drop(law, length, radius, length, waist):
            continue
        if excess > air.excess[i]:
            air.excess[i], air.tube[i] = excess, e


@inner
def _mouth_pulls(wetting, radius, length, waist):
    """Capillary pressures, Pa, of a meniscus that recedes from a mouth, and of one that enters it.

    A tube that narrows draws liquid in by more than it holds it by.
    """
    if waist > STRAIGHT:
        return wetting.recede_cos / radius, wetting.advance_cos / radius
    lean = radius * (1.0 - waist) / (0.5 * length)
    across = 1.0 / math.sqrt(1.0 + lean * lean)
    holds = (wetting.recede_cos - wetting.recede_sin * lean) * across / radius
    draws = (wetting.advance_cos + wetting.advance_sin * lean) * across / radius
    return holds, draws


@inner
def _strongest(graph, air, i):
    """Whether no junction beside it has a tube that is to open sooner."""
    for k in range(graph.first[i], graph.first[i + 1]):
        j = np.int64(graph.far[k])
        if air.excess[j] > air.excess[i] or (air.excess[j] == air.excess[i] and j < i):
            return False
    return True


@inner
def _open(law, tubes, junctions, graph, shapes, log, air, tally, e, i, now):
    """Air enters the full tube e at junction i; the little that leaves it, m3."""
    share = log.gates[e].share if len(log.gates) > 0 else 1.0
    s = make_slot(law, tubes, junctions, graph, shapes, log, e, now)
    tube = tubes[s]
    tube.leak = share
    graph.flow[tube.at_a] = graph.flow[tube.at_b] = 0.0
    if len(log.gates) > 0:
        tube.blocked, tube.count = log.gates[e].closed, np.inf
    x = tube.length * (1.0 - _AJAR)
    if tube.a == i:
        tube.x1, far = x, tube.b
    else:
        tube.x0, far = x, tube.a
    whole = volume_to(tube, tube.length)
    out = whole - volume_to(tube, x)
    junctions[far].owed += out
    air.since[e] = now
    tally.filled -= whole
    tally.events += 1
    if math.isnan(air.filled[e]):
        air.filled[e] = log.filled_at[e]
    log.filled_at[e] = np.nan
    return out


@inner
def _wait(air, e, closed, now):
    """Tube e has closed soon after it opened: it may not open again at once.

    Between two tubes that each close what the other opens, that could go on for ever, in no time:
    each time it has to wait twice as long.
    """
    gone = closed - air.since[e]
    if gone < _SOON * (now - air.turned[0]):
        air.pause[e] = max(2.0 * air.pause[e], gone)
        air.since[e] = closed + air.pause[e]


@inner
def _close(law, tubes, junctions, graph, log, air, tally, s, floor, now):
    """The liquid in slot s is still at its mouth and joins what is there: what that takes, m3.

    It opened in vain.
    """
    tube = tubes[s]
    e = tube.number
    _wait(air, e, now, now)
    a, b = junctions[tube.a], junctions[tube.b]
    whole = volume_to(tube, tube.length)
    missing = whole - volume_to(tube, tube.x0) - volume_to(tube, tube.x1)
    if tube.x0 > tube.x1:
        tube.x0 = tube.length
        a.owed -= missing
    else:
        tube.x1 = tube.length
        b.owed -= missing
    a.open -= 1
    b.open -= 1
    log.filled_at[e] = now
    tally.filled += whole
    tally.events += 1
    begin_passing(law, graph, tube, a, b, floor)
    give_back(tubes, graph, log, s)
    return missing


@inner
def _dry(tubes, junctions, graph, shapes, log, air, tally, i):
    """Junction i runs dry if no tube holds liquid there."""
    heir = np.int64(-1)
    for k in range(graph.first[i], graph.first[i + 1]):
        s = np.int64(graph.slot[graph.ring[k]])
        if s == PASSING:
            return
        if s == DRY:
            continue
        tube = tubes[s]
        if (tube.x0 if tube.a == i else tube.x1) > 0.0:
            return
        if junctions[graph.far[k]].wet:
            heir = np.int64(graph.far[k])
    node = junctions[i]
    node.wet = node.feeds = 0
    if heir >= 0:
        junctions[heir].owed += node.owed
    else:
        air.lost[0] += node.owed
    node.owed = 0.0
    if math.isnan(air.wetted[i]):
        air.wetted[i] = node.wetted
    tally.events += 1
    for k in range(graph.first[i], graph.first[i + 1]):
        e = graph.ring[k]
        s = np.int64(graph.slot[e])
        if s < 0 or junctions[graph.far[k]].wet:
            continue
        junctions[tubes[s].a].open -= 1
        junctions[tubes[s].b].open -= 1
        release(tubes, log, s)
        graph.slot[e] = DRY
