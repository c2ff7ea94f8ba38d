"""The state of a soak, as compiled kernels see it.

Only tubes beside liquid have a record of their own, a *slot*: it is made when one of the tube's
junctions gets wet. A full tube of a liquid without grains gives its slot back and is from then on a
conductance between its junctions (:class:`Graph`), or a tangent to its flow law where the liquid is
not Newtonian (:mod:`poresim.uptake.passing`); with grains it keeps its slot. So a step touches what
lies near the front, and full tubes only as rows of a matrix.

Junctions are numbered anew (:mod:`poresim.uptake.numbering`); tubes keep their numbers. A large
network has two halves, each with its own junctions, slots and list of happenings, so that two
threads never write to the same place; tubes between the halves are met while both wait. (But for
what inlets owe and how many open tubes they have, which nobody reads.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner, kernel
from poresim.tube.law import NEWTONIAN, flow_law
from poresim.tube.waisted import with_waist
from poresim.tube.wetting import WETTING
from poresim.uptake.bodies import rise_of
from poresim.uptake.numbering import lay_lifts, lay_mates, lay_rings, numbered, rims_of
from poresim.uptake.passing import PIPE, TANGENT

NOTHING, FILLS, BLOCKS_0, BLOCKS_1 = 0, 1, 2, 3  # what happens to a tube next
# the ends of a tube; typed, for numba compiles a kernel anew for every literal
END_0, END_1 = np.int8(0), np.int8(1)
DRY, PASSING = -1, -2  # instead of a slot: no liquid beside it; full, and only a conductance

_UNKNOWN = -1.0  # a speed: of a body that begins to fill
_KINK = 1e-13  # of a pressure: how closely it is looked for
_COARSE = 5e-3  # accuracies from here on up do with fewer points

Floats = NDArray[np.float64]
Places = NDArray[np.int32]
Counts = NDArray[np.uint32]

#: A slot: a tube beside liquid. What is looked at most often comes first.
TUBE = np.dtype(
    [
        ("a", np.int32),  # junction at end 0
        ("b", np.int32),  # junction at end 1
        ("live", np.int8),  # 0: the slot is free
        ("full", np.int8),
        ("event", np.int8),
        ("blocked", np.int8),
        ("body", np.int8),  # 1: it stands for the hollow at its junction a
        ("tangent", np.int8),  # whether tangent_drop and the next two are set
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
        ("conduct", np.float64),  # full and Newtonian: flow over drop, leak included
        ("waist", np.float64),
        ("tilt", np.float64),  # head gained per length from end 0 to end 1, Pa/m
        ("place0", np.float64),  # where a waisted tube's drives are taken, m
        ("place1", np.float64),
        ("speed0", np.float64),  # of the menisci, lately, m/s
        ("speed1", np.float64),
        ("grain0", np.float64),  # volume still to pass the throat until a grain closes it
        ("grain1", np.float64),
        ("tangent_drop", np.float64),  # full, not Newtonian: where its flow was last worked out, Pa
        ("tangent_rate", np.float64),
        ("tangent_slope", np.float64),
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
        ("open", np.int32),  # slots around it that are not full
        ("wet", np.int8),
        ("feeds", np.int8),  # 1: liquid stands at the ends of its tubes; 0: dry, or its body fills
        ("hollow", np.int8),  # 1: it has a body that is not full
        ("inlet", np.int8),
        ("queued", np.int8),
        ("rim", np.int8),  # 1: a tube joins it to the other half
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
    tangent: NDArray[Any]  # (2 m,) of TANGENT; empty for a Newtonian liquid, and one with grains
    pipe: NDArray[Any]  # (m,) of PIPE, or empty
    slot: Places  # (m,) of each tube; DRY or PASSING where it has none
    half: NDArray[np.int64]  # (3,) the first junction of each half, and n
    rims: Places  # (r,) junctions that tubes join to the other half, rising


class Shapes(NamedTuple):
    """What a slot is made from. Arrays of one entry where all tubes are alike."""

    ends: Places  # (m, 2) junctions by the network's numbers
    rank: Places  # (n,) the numbers here
    radius: Floats
    length: Floats
    waist: Floats
    tilt: Floats
    grains: Floats  # (m, 2) or empty
    bodies: Places  # (1,) number of the first tube that stands for a body


class Log(NamedTuple):
    """What happened to tubes, by their numbers in the network."""

    filled_at: Floats  # (m,) s; nan = not yet
    met: NDArray[np.float32]  # (m,) of full tubes: the share that was filled from end 0
    blocked_at: Floats  # (m,) or empty where there are no grains
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
    def slots(self) -> NDArray[Any]:
        """Records of all tubes beside liquid (some of them free); a copy where there are halves."""
        first, second = self.slots_by_half
        return np.concatenate([first, second]) if len(second) else first

    @property
    def slots_by_half(self) -> list[NDArray[Any]]:
        """The same, as they lie in memory."""
        return [self.tubes[span] for span in spans(self.log, self.log.counts, TOP)]


def build_state(
    solid: Network,
    liquid: Liquid,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
    accuracy: float,
    seed: int,
    halves: bool = False,
    bodies: NDArray[np.int64] | None = None,
) -> State:
    """A dry network whose inlet has just been touched by the liquid.

    bodies : the junctions whose bodies the last tubes stand for (:mod:`poresim.uptake.bodies`).
    halves : whether two threads may work on it; only where full tubes have no books.
    """
    n, m = solid.junctions, solid.tubes
    bodies = np.zeros(0, np.int64) if bodies is None else bodies
    law = flow_law(liquid.viscosity)
    with_waist(law, solid.waist)
    law.coarse = int(law.kind > 0 and accuracy >= _COARSE)
    wetting = _wetting(liquid, accuracy)
    wetting["linear"] = int(liquid.particles is None)
    halves = halves and bool(wetting["linear"]) and len(bodies) == 0
    bent = law.kind != NEWTONIAN and bool(wetting["linear"])
    shapes, order, graph = _numbered(solid, liquid, inlet, gravity, seed, halves, bent, bodies)
    plain = law.kind == 0 and bool(np.all(solid.waist > STRAIGHT) and not np.any(shapes.tilt))
    plain = plain and len(bodies) == 0
    wetting["plain"] = int(plain)
    in_first = _in_first_half(graph, shapes)
    begin = np.array([[0, 0, 0], [2 * in_first, in_first, in_first]])
    junctions = np.zeros(n, JUNCTION)
    junctions["wetted"] = np.nan
    junctions["inlet"][: len(inlet)] = 1
    junctions["rim"][graph.rims] = 1
    junctions["hollow"][shapes.rank[bodies]] = 1
    _bound(junctions, solid, liquid, order, inlet, gravity)
    log = Log(
        filled_at=np.full(m, np.nan),
        met=np.zeros(m, np.float32),
        blocked_at=np.full(0 if liquid.particles is None else m, np.nan),
        recent=np.zeros(2 * m, np.int32),
        free=np.zeros(m, np.int32),
        begin=begin,
        counts=begin.copy(),
    )
    state = State(
        law=law,
        wetting=wetting,
        tubes=np.zeros(m, TUBE),  # memory is taken as slots are first used
        junctions=junctions,
        graph=graph,
        shapes=shapes,
        log=log,
        order=order,
        inlets=len(inlet),
        floor_drop=1e-4 * 2 * liquid.surface_tension / float(solid.throat_radius.max()),
        volume=float(solid.tube_volume.sum()),
        begun=_inlet_bodies(solid, bodies, inlet),
        exact=plain and not wetting["pinned"],
    )
    for i in range(len(inlet)):
        junctions["wet"][i], junctions["wetted"][i] = 1, 0.0
        junctions["feeds"][i], junctions["hollow"][i] = 1, 0
    _fill_inlets(graph, shapes, log, len(inlet))
    _open_inlets(law, state.tubes, junctions, graph, shapes, log, len(inlet))
    return state


def _wetting(liquid: Liquid, accuracy: float) -> Any:
    wetting = np.zeros(1, WETTING)[0]
    pull = 2 * liquid.surface_tension
    ahead, behind = np.radians([liquid.contact_angle_deg, liquid.receding_deg])
    wetting["advance_cos"], wetting["advance_sin"] = pull * np.cos(ahead), pull * np.sin(ahead)
    wetting["recede_cos"], wetting["recede_sin"] = pull * np.cos(behind), pull * np.sin(behind)
    wetting["pull"], wetting["rise"] = pull, rise_of(accuracy)
    wetting["pinned"] = int(ahead != behind)
    wetting["head_share"] = 1e-3 * accuracy
    wetting["kink"] = _KINK
    return wetting


def _numbered(
    solid: Network,
    liquid: Liquid,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
    seed: int,
    halves: bool,
    bent: bool,
    bodies: NDArray[np.int64],
) -> tuple[Shapes, Places, Graph]:
    """Number the junctions from the inlets outward, and lay the rings out in that order.

    bent : whether full tubes pass what tangents say.
    """
    n, m = solid.junctions, solid.tubes
    ends = _read_only(np.ascontiguousarray(solid.ends, dtype=np.int32))
    order, first, ring, in_first = numbered(solid, ends, inlet.astype(np.int32), halves)
    rank = np.empty(n, np.int32)
    rank[order] = np.arange(n, dtype=np.int32)
    lengths = np.diff(first)[order]
    new_first = np.zeros(n + 1, np.uint32)
    np.cumsum(lengths, out=new_first[1:])
    new_ring = np.empty(2 * m, np.int32)
    far = np.empty(2 * m, np.uint32)
    level = not np.any(gravity)
    tilt = np.zeros(1) if level else liquid.density * (solid.span @ gravity) / solid.length
    lift = np.zeros(0 if level and not bent else 2 * m)
    lay_rings(ends, rank, order, first, ring, new_first, new_ring, far)
    length = _alike(solid.length)
    if not level:
        lay_lifts(ends, order, new_first, new_ring, tilt, length, lift)
    tangent, pipe = np.zeros(0, TANGENT), np.zeros(0, PIPE)
    if bent:
        tangent, pipe = np.zeros(2 * m, TANGENT), np.zeros(m, PIPE)
        lay_mates(new_ring, np.full(m, -1, np.int64), tangent)
        tangent["head"] = lift
        lift[:] = 0.0
        pipe["radius"], pipe["length"], pipe["waist"] = solid.radius, solid.length, solid.waist
    rims = rims_of(new_first, far, len(inlet), in_first) if halves else np.zeros(0, np.int32)
    graph = Graph(
        new_first, new_ring, far, np.zeros(2 * m), lift, tangent, pipe, np.full(m, DRY, np.int32),
        np.array([0, in_first, n]), rims,
    )  # fmt: skip
    waist = np.where(solid.waist > STRAIGHT, 1.0, solid.waist)
    grains = np.zeros((0, 2))
    if liquid.particles is not None:
        density = liquid.particles.number_density(2 * solid.throat_radius)
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,)))
        grains = rng.exponential(size=(m, 2))
        with np.errstate(divide="ignore"):
            grains /= density[:, None]
    if len(bodies) > 0 and len(grains) > 0:
        grains[m - len(bodies) :] = np.inf
    shapes = Shapes(
        ends, rank, _alike(solid.radius), length, _alike(waist), _alike(tilt), grains,
        np.array([m - len(bodies)], np.int32),
    )  # fmt: skip
    return shapes, order, graph


def _in_first_half(graph: Graph, shapes: Shapes) -> int:
    """How many tubes have no end in the second half: their slots come first."""
    if graph.half[1] == graph.half[2]:
        return len(shapes.ends)
    return int(np.count_nonzero(shapes.rank[shapes.ends].max(axis=1) < graph.half[1]))


def _alike(values: NDArray[np.float64]) -> Floats:
    """One entry if all are the same."""
    if len(values) > 1 and np.all(values == values[0]):
        values = values[:1].copy()
    return _read_only(np.ascontiguousarray(values, dtype=np.float64))


def _read_only(values: NDArray[Any]) -> NDArray[Any]:
    """The same to read from: kernels are compiled for arrays of one kind, as networks hand out."""
    view = values.view()
    view.flags.writeable = False
    return view


@kernel
def _open_inlets(law, tubes, junctions, graph, shapes, log, inlets):
    for i in range(inlets):
        open_around(law, tubes, junctions, graph, shapes, log, i, 0.0)


def _inlet_bodies(solid: Network, bodies: NDArray[np.int64], inlet: NDArray[np.int64]) -> float:
    own = solid.tube_volume[solid.tubes - len(bodies) :]
    return float(own[np.isin(bodies, inlet)].sum())


def _fill_inlets(graph: Graph, shapes: Shapes, log: Log, inlets: int) -> None:
    """Bodies at inlets are full from the start."""
    bodies = np.arange(shapes.bodies[0], len(shapes.ends))
    full = bodies[shapes.rank[shapes.ends[bodies, 0]] < inlets]
    graph.slot[full] = PASSING
    log.filled_at[full] = 0.0
    log.met[full] = 1.0


@inner
def open_around(law, tubes, junctions, graph, shapes, log, i, time):
    """Make slots, from ``time`` on, for the tubes around junction i that have none yet.

    While it has a body that is not full, for that alone.
    """
    for k in range(graph.first[i], graph.first[i + 1]):
        e = graph.ring[k]
        if graph.slot[e] != DRY or (junctions[i].hollow and e < shapes.bodies[0]):
            continue
        p = 1 if max(np.int64(i), np.int64(graph.far[k])) >= graph.half[1] else 0
        if log.counts[p, FREE] > log.begin[p, FREE]:
            log.counts[p, FREE] -= 1
            s = log.free[log.counts[p, FREE]]
        else:
            s = np.int32(log.counts[p, TOP])
            log.counts[p, TOP] += 1
        graph.slot[e] = s
        _fit(law, tubes[s], graph, shapes, e)
        tubes[s].start = time
        junctions[tubes[s].a].open += 1
        junctions[tubes[s].b].open += 1


@inner
def _fit(law, tube, graph, shapes, e):
    """Make a dry tube's record."""
    tube.number = e
    tube.a, tube.b = shapes.rank[shapes.ends[e, 0]], shapes.rank[shapes.ends[e, 1]]
    tube.at_a, tube.at_b = _place_of(graph, tube.a, e), _place_of(graph, tube.b, e)
    tube.radius = shapes.radius[e if len(shapes.radius) > 1 else 0]
    tube.length = shapes.length[e if len(shapes.length) > 1 else 0]
    w = shapes.waist[e if len(shapes.waist) > 1 else 0]
    tube.waist = w
    tube.tilt = shapes.tilt[e if len(shapes.tilt) > 1 else 0]
    tube.leak = 1.0
    tube.conduct = 0.0
    if law.kind == 0:
        narrowing = (1.0 + w + w * w) / (3.0 * w**3)
        tube.conduct = np.pi * tube.radius**4 / (8.0 * law.consistency * tube.length * narrowing)
    tube.x0 = tube.x1 = tube.place0 = tube.place1 = tube.speed0 = tube.speed1 = 0.0
    tube.v0 = tube.v1 = tube.s0 = tube.s1 = 0.0
    tube.next = np.inf
    tube.grain0 = tube.grain1 = np.inf
    if len(shapes.grains) > 0:
        tube.grain0, tube.grain1 = shapes.grains[e, 0], shapes.grains[e, 1]
    tube.live = 1
    tube.body = e >= shapes.bodies[0]
    if tube.body:
        tube.speed0 = _UNKNOWN
    tube.event, tube.full, tube.blocked, tube.tangent = NOTHING, 0, 0, 0


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
def pass_on(tubes, graph, log, s):
    """A full tube gives its slot back and goes on as a conductance, or by its tangent."""
    tube = tubes[s]
    if len(graph.tangent) == 0:
        graph.flow[tube.at_a] = graph.flow[tube.at_b] = tube.conduct
    give_back(tubes, graph, log, s)


@inner
def give_back(tubes, graph, log, s):
    """A slot is free again."""
    tube = tubes[s]
    graph.slot[tube.number] = PASSING
    tube.live = 0
    tube.next = np.inf
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


def spans(log: Log, counts: NDArray[np.int64], what: int) -> list[slice]:
    """Where either half's recent entries, free slots or slots in use stand."""
    return [slice(int(a), int(b)) for a, b in zip(log.begin[:, what], counts[:, what], strict=True)]


def _bound(
    junctions: NDArray[Any],
    solid: Network,
    liquid: Liquid,
    order: Places,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
) -> None:
    """Lowest and highest pressure that reservoirs and menisci allow at each junction.

    Pressure less head obeys a maximum principle: it lies between the lowest -p_c and the
    highest reservoir (or -p_c, where the liquid does not wet).
    """
    head = liquid.density * (solid.points @ gravity)
    beta = np.arctan(solid.radius * (1 - solid.waist) / (0.5 * solid.length))
    angles = np.radians([liquid.contact_angle_deg, liquid.receding_deg])
    pull = 2 * liquid.surface_tension / solid.throat_radius
    most = (pull * np.cos(np.maximum(angles.min() - beta, 0.0))).max()
    least = (pull * np.cos(np.minimum(angles.max() + beta, np.pi))).min()
    low = -max(most, 0.0) - head.max()
    high = max(float((-head[inlet]).max()), -min(least, 0.0) - head.min() if least < 0 else -np.inf)
    junctions["low"] = low + head[order]
    junctions["high"] = high + head[order]
