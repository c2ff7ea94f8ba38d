"""The state of a soak, as compiled kernels see it.

Only tubes that hold menisci have a record of their own, a *slot*: it is made when one of the tube's
junctions gets wet. A full tube gives its slot back and is from then on a conductance between its
junctions (:class:`Graph`), or a tangent to its flow law where the liquid is not Newtonian
(:mod:`poresim.uptake.passing`); what grains make of it stands in its *gate*. So a step touches what
lies near the front, and full tubes only as rows of a matrix.

Junctions are numbered anew (:mod:`poresim.uptake.numbering`); tubes keep their numbers. A large
network has two halves, each with its own junctions, slots and list of happenings, so that two
threads never write to the same place; tubes between the halves are met while both wait. (But for
what inlets owe and how many open tubes they have, which nobody reads.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner
from poresim.tube.shape import volume_to
from poresim.uptake.cargo import Cargo
from poresim.uptake.pockets import Pockets

if TYPE_CHECKING:
    from poresim.uptake.cake import Roofs

NOTHING, FILLS, BLOCKS = 0, 1, 2  # what happens to a tube next
# the ends of a tube; typed, for numba compiles a kernel anew for every literal
END_0, END_1 = np.int8(0), np.int8(1)
DRY, PASSING = -1, -2  # instead of a slot: no liquid beside it; full, and only a conductance

_UNKNOWN = -1.0  # a speed: of a body that begins to fill

Floats = NDArray[np.float64]
Places = NDArray[np.int32]
Counts = NDArray[np.uint32]

#: A slot: a tube beside liquid. What is looked at most often comes first.
TUBE = np.dtype(
    [
        ("a", np.int32),  # junction at end 0
        ("b", np.int32),  # junction at end 1
        ("live", np.int8),  # 0: the slot is free
        ("event", np.int8),
        ("blocked", np.int8),  # 1: a grain has closed it
        ("door", np.int8),  # 1, 2: at end 0, end 1 its gas goes out, and no liquid comes in; else 0
        ("body", np.int8),  # 1: it stands for the hollow at its junction a
        ("pocket", np.int32),  # of air that is before its menisci; -1: that air is free
        ("number", np.int32),  # of the tube in the network
        ("at_a", np.int32),  # where it stands in the rings of a and b
        ("at_b", np.int32),
        ("radius", np.float64),
        ("length", np.float64),
        ("x0", np.float64),  # meniscus from end 0 and from end 1, m
        ("x1", np.float64),
        ("start", np.float64),  # time of x0, x1
        ("v0", np.float64),  # volume that leaves junction a, b into it until the step's end
        ("v1", np.float64),
        ("s0", np.float64),  # their slopes, d volume / d pressure
        ("s1", np.float64),
        ("next", np.float64),  # when something happens to it
        ("leak", np.float64),  # share of its flow that grains leave it
        ("conduct", np.float64),  # full and Newtonian: flow over drop, of a clean tube
        ("waist", np.float64),
        ("tilt", np.float64),  # head gained per length from end 0 to end 1, Pa/m
        ("place0", np.float64),  # where a waisted tube's drives are taken, m
        ("place1", np.float64),
        ("speed0", np.float64),  # of the menisci, lately, m/s
        ("speed1", np.float64),
        ("lead0", np.float64),  # by how much the pressure that counts leads its mean, Pa
        ("lead1", np.float64),
        ("gas", np.float64),  # pressure of the air before its menisci, Pa
        ("apart", np.float64),  # where it alone holds a pocket of air that finds no way out: so far
        # apart its menisci stay in a step, m; else 0
        ("count", np.float64),  # closings that are still to be expected until one closes it
        ("risk0", np.float64),  # and how many a volume that passes the throat, 1/m3, from end 0
        ("risk1", np.float64),
    ],
    align=True,
)

JUNCTION = np.dtype(
    [
        ("pressure", np.float64),
        ("owed", np.float64),  # volume in less volume out until the step's end: the residual
        ("low", np.float64),  # bounds on the pressure (maximum principle)
        ("high", np.float64),
        ("wetted", np.float64),  # when liquid came
        ("change", np.float64),  # of the mean pressure from step to step, over the time, Pa/s,
        ("slew", np.float64),  # and what of it goes on; 0 where not looked at
        ("open", np.int32),  # slots around it that are not full
        ("wet", np.int8),
        ("feeds", np.int8),  # 1: liquid stands at the ends of its tubes; 0: dry, or its body fills
        ("hollow", np.int8),  # 1: it has a body that is not full
        ("inlet", np.int8),
        ("queued", np.int8),
        ("rim", np.int8),  # 1: a tube joins it to the other half
        ("vent", np.int8),  # 1: while it is dry the air there is that of the outside
        ("pocket", np.int32),  # of air that is there, while it is dry; -1: that air is free
    ],
    align=True,
)


#: What grains make of a tube.
GATE = np.dtype(
    [
        ("count", np.float64),  # closings to be expected until one closes it, as the step began
        ("risk0", np.float64),  # and how many a volume that passes its throat, 1/m3, from end 0
        ("risk1", np.float64),
        ("share", np.float64),  # of its flow that grains leave it
        ("slower", np.float64),  # by how much they slow it, when last looked at; 0: not yet
        ("first", np.float64),  # of a full tube: volume that filled it from end 0, m3,
        ("left", np.float64),  # the count, but for what has come
        ("rate", np.float64),  # and what it passes from end 0, m3/s,
        ("since", np.float64),  # since that time, s
        ("next", np.float64),  # when it is closed, if it is in this step
        ("before", np.float64),  # its flow over its drop before it was closed in this step
        ("past0", np.float64),  # volume that has passed the waist from end 0 and end 1, m3
        ("past1", np.float64),
        ("at_a", np.uint32),  # where the tube stands in the rings of its junctions
        ("at_b", np.uint32),
        ("closed", np.int8),  # 1: a grain has closed it
    ],
    align=True,
)


class Graph(NamedTuple):
    """Who is joined to whom: tubes in the order of the junctions that they leave.

    The ring of junction i stands from ``first[i]`` up to ``first[i + 1]``.
    """

    first: Counts  # (n + 1,)
    ring: Places  # (2 m,) tubes
    far: Counts  # (2 m,) junctions at their other ends
    flow: Floats  # (2 m,) of full tubes: flow over drop; or a slope, volume over drop
    lift: Floats  # (2 m,) what a full tube's drop gains on the way there, Pa: the head, or by its
    # tangent; empty where all is level and Newtonian
    tangent: NDArray[Any]  # (2 m,) of TANGENT; empty for a Newtonian liquid
    bore: NDArray[Any]  # (2 m,) of BORE, likewise
    slot: Places  # (m,) of each tube; DRY or PASSING where it has none
    half: NDArray[np.int64]  # (3,) the first junction of each half, and n
    rims: Places  # (r,) junctions that tubes join to the other half, rising
    pockets: Pockets  # of trapped air


class Shapes(NamedTuple):
    """What a slot is made from. Arrays of one entry where all tubes are alike."""

    ends: Places  # (m, 2) junctions by the network's numbers
    rank: Places  # (n,) the numbers here
    radius: Floats
    length: Floats
    waist: Floats
    tilt: Floats
    bodies: Places  # (1,) number of the first tube that stands for a body
    own: Places  # (1,) and of the first that is no tube of the network: a roof or a body


class Log(NamedTuple):
    """What happened to tubes, by their numbers in the network."""

    filled_at: Floats  # (m,) s; nan = not yet
    met: NDArray[np.float32]  # (m,) of full tubes: the share that was filled from end 0
    blocked_at: Floats  # (m,) or empty where there are no grains
    gates: NDArray[Any]  # (m,) of GATE, likewise
    soon: Floats  # (m,) likewise: of full tubes, in what time grains would close them, s
    recent: Places  # (2 m,) tubes filled (number) or blocked (-1 - number) in this step
    free: Places  # (m,) slots to be used again, the last first
    # of either half: where its recent entries, free slots and slots in use or used before
    begin: NDArray[np.int64]  # (2, 3) begin
    counts: NDArray[np.int64]  # (2, 3) and end


RECENT, FREE, TOP = 0, 1, 2  # places in Log.begin and Log.counts
ONE = np.uint64(1)  # places in rings cannot be negative: that saves a look at every use


@dataclass(frozen=True, eq=False)
class State:
    """Everything a step works on. ``order``: the network's number of each junction."""

    law: Any
    wetting: Any
    tubes: NDArray[Any]
    junctions: NDArray[Any]
    graph: Graph
    shapes: Shapes
    log: Log
    cargo: Cargo
    roofs: Roofs
    order: Places
    inlets: int  # they come first
    floor_drop: float
    volume: float
    begun: float  # liquid at the start: in the bodies of inlets, m3
    exact: bool  # straight, level, Newtonian, no hysteresis: only pressures' integrals matter

    @property
    def halved(self) -> bool:
        """Whether it has two halves."""
        return int(self.graph.half[1]) < int(self.graph.half[2])

    @property
    def traps(self) -> bool:
        """Whether air can be trapped."""
        return len(self.graph.pockets.rows) > 0

    @property
    def slots(self) -> NDArray[Any]:
        """Records of all tubes beside liquid (some of them free); a copy where there are halves."""
        first, second = self.slots_by_half
        return np.concatenate([first, second]) if len(second) else first

    @property
    def slots_by_half(self) -> list[NDArray[Any]]:
        """The same, as they lie in memory."""
        return [self.tubes[span] for span in spans(self.log, self.log.counts, TOP)]


@inner
def open_around(law, tubes, junctions, graph, shapes, log, i, time):
    """Make slots, from ``time`` on, for the tubes around junction i that have none yet.

    While it has a body that is not full, for that alone.
    """
    for k in range(graph.first[i], graph.first[i + 1]):
        e = graph.ring[k]
        if graph.slot[e] != DRY or (junctions[i].hollow and e < shapes.bodies[0]):
            continue
        make_slot(law, tubes, junctions, graph, shapes, log, e, time)


@inner
def make_slot(law, tubes, junctions, graph, shapes, log, e, time):
    """Give tube e a slot, empty from ``time`` on; returns it."""
    a, b = shapes.rank[shapes.ends[e, 0]], shapes.rank[shapes.ends[e, 1]]
    p = 1 if max(a, b) >= graph.half[1] else 0
    if log.counts[p, FREE] > log.begin[p, FREE]:
        log.counts[p, FREE] -= 1
        s = log.free[log.counts[p, FREE]]
    else:
        s = np.int32(log.counts[p, TOP])
        log.counts[p, TOP] += 1
    graph.slot[e] = s
    _fit(law, tubes[s], graph, shapes, log, e)
    tubes[s].pocket = junctions[a].pocket  # and of b, for it was dry
    tubes[s].gas = graph.pockets.rows[tubes[s].pocket].pressure if tubes[s].pocket >= 0 else 0.0
    tubes[s].start = time
    junctions[a].open += 1
    junctions[b].open += 1
    return np.int64(s)


@inner
def shape_of(shapes, e):
    """(radius, length, waist, tilt) of tube e."""
    return (
        shapes.radius[e if len(shapes.radius) > 1 else 0],
        shapes.length[e if len(shapes.length) > 1 else 0],
        shapes.waist[e if len(shapes.waist) > 1 else 0],
        shapes.tilt[e if len(shapes.tilt) > 1 else 0],
    )


@inner
def _fit(law, tube, graph, shapes, log, e):
    """Make a dry tube's record."""
    tube.number = e
    tube.a, tube.b = shapes.rank[shapes.ends[e, 0]], shapes.rank[shapes.ends[e, 1]]
    tube.at_a, tube.at_b = _place_of(graph, tube.a, e), _place_of(graph, tube.b, e)
    tube.radius, tube.length, tube.waist, tube.tilt = shape_of(shapes, e)
    w = tube.waist
    tube.leak = 1.0
    tube.conduct = 0.0
    if law.kind == 0:
        narrowing = (1.0 + w + w * w) / (3.0 * w**3)
        tube.conduct = np.pi * tube.radius**4 / (8.0 * law.consistency * tube.length * narrowing)
    tube.x0 = tube.x1 = tube.place0 = tube.place1 = tube.speed0 = tube.speed1 = 0.0
    tube.lead0 = tube.lead1 = 0.0
    tube.v0 = tube.v1 = tube.s0 = tube.s1 = 0.0
    tube.next = np.inf
    tube.count, tube.risk0, tube.risk1 = np.inf, 0.0, 0.0
    if len(log.gates) > 0:
        gate = log.gates[e]
        gate.at_a, gate.at_b = tube.at_a, tube.at_b
        gate.risk0 = gate.risk1 = gate.past0 = gate.past1 = 0.0
        gate.share, gate.slower = 1.0, 0.0
        tube.count = gate.count
        log.soon[e] = np.inf
    tube.live = 1
    tube.body = e >= shapes.bodies[0]
    if tube.body:
        tube.speed0 = _UNKNOWN
    tube.event, tube.blocked, tube.door, tube.apart = NOTHING, 0, 0, 0.0


def firmness(shapes: Shapes, tubes: int) -> Floats:
    """(m,) how much each tube of a network would pass when full, in no unit."""
    w = shapes.waist
    narrowing = (1.0 + w + w * w) / (3.0 * w**3)
    return np.broadcast_to(shapes.radius**4 / (shapes.length * narrowing), (tubes,))


@inner
def _place_of(graph, i, e):
    for k in range(graph.first[i], graph.first[i + 1]):
        if graph.ring[k] == e:
            return np.int64(k)
    return -1


@inner
def give_back(tubes, graph, log, s):
    """A full tube's slot is free again: it passes without books, or holds what it holds."""
    tube = tubes[s]
    graph.slot[tube.number] = PASSING
    if len(log.gates) > 0:
        gate = log.gates[tube.number]
        gate.first, gate.share = volume_to(tube, tube.x0), tube.leak
        gate.left, gate.next = tube.count, np.inf
        log.soon[tube.number] = 0.0
    release(tubes, log, s)


@inner
def release(tubes, log, s):
    """A slot may be used again."""
    tubes[s].live = 0
    tubes[s].next = np.inf
    p = half_of(log, s)
    log.free[log.counts[p, FREE]] = s
    log.counts[p, FREE] += 1


@inner
def half_of(log, s):
    """The half that slot s belongs to."""
    return 1 if s >= log.begin[1, TOP] else 0


@inner
def happened(log, s, what):
    """Note what happened to slot s in this step."""
    p = half_of(log, s)
    log.recent[log.counts[p, RECENT]] = what
    log.counts[p, RECENT] += 1


@inner
def happened_to(log, e):
    """Note that a grain has closed the full tube e, in a network of one half."""
    log.recent[log.counts[0, RECENT]] = -1 - e
    log.counts[0, RECENT] += 1


def spans(log: Log, counts: NDArray[np.int64], what: int) -> list[slice]:
    """Where either half's recent entries, free slots or slots in use stand."""
    return [slice(int(a), int(b)) for a, b in zip(log.begin[:, what], counts[:, what], strict=True)]
