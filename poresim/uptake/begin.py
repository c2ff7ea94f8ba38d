"""The state at the start of a soak: a dry network whose inlet has just been touched."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.laws import ViscosityLaw
from poresim.liquid.liquid import Liquid
from poresim.liquid.particles import Particles
from poresim.solid.network import Network
from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import kernel
from poresim.tube.law import NEWTONIAN, flow_law
from poresim.tube.moved import moving_address
from poresim.tube.waisted import with_waist
from poresim.tube.wetting import WETTING
from poresim.uptake.bodies import rise_of
from poresim.uptake.cake import Roofs, lay_roofs, no_roofs, numbered_roofs
from poresim.uptake.cargo import harmless, make_cargo, no_cargo, thickening
from poresim.uptake.gates import expect_grains
from poresim.uptake.numbering import lay_lifts, lay_mates, lay_rings, numbered, rims_of
from poresim.uptake.passing import BORE, TANGENT
from poresim.uptake.pockets import FREE, make_pockets
from poresim.uptake.state import (
    DRY,
    GATE,
    JUNCTION,
    PASSING,
    TUBE,
    Floats,
    Graph,
    Log,
    Places,
    Shapes,
    State,
    open_around,
)

_KINK = 1e-13  # of a pressure: how closely it is looked for
_STICK = 1e-2  # times the accuracy: of 2 gamma / r, within which trapped air lets menisci rest
_COARSE = 5e-3  # accuracies from here on up do with fewer points


def build_state(
    solid: Network,
    liquid: Liquid,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
    accuracy: float,
    seed: int,
    halves: bool = False,
    bodies: NDArray[np.int64] | None = None,
    roofs: Roofs | None = None,
    offered: Floats | None = None,
    inlet_pressure: Floats | None = None,
    vents: NDArray[np.int64] | None = None,
    dry: NDArray[np.int64] | None = None,
) -> State:
    """A dry network whose inlet has just been touched by the liquid.

    bodies : the junctions whose bodies the last tubes stand for (:mod:`poresim.uptake.bodies`).
    roofs : the tubes before them that lead from inlets through cakes (:mod:`poresim.uptake.cake`).
    offered : (k,) share of each class that stands at the face, where grains settle: then they are
        followed even if nothing catches them.
    inlet_pressure : (k,) gauge pressure of the liquid at each inlet, Pa; 0 when left out.
    vents : junctions at which air is free while they are dry, where it can be trapped; all air is
        free when left out.
    dry : (j,) rows of ``inlet`` that liquid has not touched yet; only without roofs and bodies.
    halves : whether two threads may work on it; only without grains, bodies and trapped air.
    """
    n, m = solid.junctions, solid.tubes
    given = np.zeros(len(inlet)) if inlet_pressure is None else inlet_pressure
    bodies = np.zeros(0, np.int64) if bodies is None else bodies
    roofs = no_roofs() if roofs is None else roofs
    touched = np.concatenate([inlet, roofs.under])
    spans = (m - len(bodies) - len(roofs.under), m - len(bodies))
    own = np.ones(m, dtype=bool)
    own[slice(*roofs.tubes)] = False
    law = flow_law(carried_viscosity(liquid))
    with_waist(law, solid.waist[own], accuracy)
    law.coarse = int(law.kind > 0 and accuracy >= _COARSE)
    wetting = wetting_of(liquid, accuracy)
    grains = caught_grains(solid, liquid, spans[0], offered is not None)
    halves = halves and grains is None and len(bodies) == 0 and vents is None
    bent = law.kind != NEWTONIAN
    shapes, order, graph = _numbered(solid, liquid, inlet, gravity, halves, bent, spans)
    plain = law.kind == 0 and bool(np.all(solid.waist > STRAIGHT) and not np.any(shapes.tilt))
    plain = plain and len(bodies) == 0 and liquid.log_length_ratio == 0 and vents is None
    wetting["plain"] = int(plain)
    if vents is not None:
        _let_stick(wetting, _STICK * accuracy)
    in_first = _in_first_half(graph, shapes)
    begin = np.array([[0, 0, 0], [2 * in_first, in_first, in_first]])
    junctions = np.zeros(n, JUNCTION)
    junctions["wetted"] = np.nan
    junctions["inlet"][: len(inlet)] = 1
    junctions["rim"][graph.rims] = 1
    junctions["hollow"][shapes.rank[bodies]] = 1
    junctions["pocket"] = FREE
    if vents is not None:
        junctions["vent"][shapes.rank[vents]] = 1
        graph = graph._replace(pockets=make_pockets(n + m))
    _bound(junctions, solid, liquid, order, inlet, given, gravity, own, vents is not None)
    gates = _gates(m, seed) if grains is not None else np.zeros(0, GATE)
    log = Log(
        filled_at=np.full(m, np.nan),
        met=np.zeros(m, np.float32),
        blocked_at=np.full(len(gates), np.nan),
        gates=gates,
        soon=np.full(len(gates), np.inf),
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
        cargo=no_cargo()
        if grains is None
        else make_cargo(solid, grains, len(touched) > len(inlet), offered),
        order=order,
        inlets=len(inlet),
        roofs=numbered_roofs(roofs, order),
        floor_drop=1e-4 * 2 * liquid.surface_tension / float(solid.throat_radius[own].max()),
        volume=float(solid.tube_volume[own].sum()),
        begun=_full_bodies(solid, bodies, touched),
        exact=plain and not wetting["pinned"],
    )
    rows = np.arange(len(inlet))
    if dry is not None:
        junctions["inlet"][dry] = 0
        rows = np.setdiff1d(rows, dry)
    at = np.concatenate([rows, shapes.rank[roofs.under]])
    junctions["pressure"][shapes.rank[inlet]] = given
    junctions["wet"][at], junctions["wetted"][at] = 1, 0.0
    junctions["feeds"][at], junctions["hollow"][at] = 1, 0
    _fill_bodies(graph, shapes, log, at)
    lay_roofs(law, graph, log, state.cargo, state.roofs)
    _open_inlets(law, state.tubes, junctions, graph, shapes, log, state.cargo, at)
    return state


def wetting_of(liquid: Liquid, accuracy: float) -> Any:
    """The record of how a liquid wets, for soaks of that accuracy."""
    wetting = np.zeros(1, WETTING)[0]
    pull = 2 * liquid.surface_tension
    ahead, behind = np.radians([liquid.contact_angle_deg, liquid.receding_deg])
    wetting["advance_cos"], wetting["advance_sin"] = pull * np.cos(ahead), pull * np.sin(ahead)
    wetting["recede_cos"], wetting["recede_sin"] = pull * np.cos(behind), pull * np.sin(behind)
    wetting["advance_angle"], wetting["recede_angle"] = ahead, behind
    if liquid.log_length_ratio > 0:
        wetting["line"], wetting["moving"] = liquid.log_length_ratio, moving_address(TUBE)
    wetting["pull"], wetting["rise"] = pull, rise_of(accuracy)
    wetting["pinned"] = int(ahead != behind)
    wetting["head_share"] = 1e-3 * accuracy
    wetting["kink"] = _KINK
    return wetting


def _let_stick(wetting: Any, share: float) -> None:
    """Menisci rest while their drives lie within that share of 2 gamma / r, at least.

    A bubble between two menisci would go to and fro for next to nothing.
    """
    pull = float(wetting["pull"])
    ahead, behind = wetting["advance_cos"] / pull, wetting["recede_cos"] / pull
    if behind - ahead >= share:
        return
    behind = min(ahead + share, 1.0)
    ahead = behind - share
    for name, cos in (("advance", ahead), ("recede", behind)):
        wetting[f"{name}_cos"], wetting[f"{name}_sin"] = pull * cos, pull * np.sqrt(1 - cos**2)
        wetting[f"{name}_angle"] = np.arccos(cos)
    wetting["pinned"] = 1


def _numbered(
    solid: Network,
    liquid: Liquid,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
    halves: bool,
    bent: bool,
    spans: tuple[int, int],
) -> tuple[Shapes, Places, Graph]:
    """Number the junctions from the inlets outward, and lay the rings out in that order.

    bent : whether full tubes pass what tangents say. spans : where the tubes' numbers end, and the
    roofs'; the rest stand for bodies.
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
    tangent, bore = np.zeros(2 * m if bent else 0, TANGENT), np.zeros(2 * m if bent else 0, BORE)
    if bent:
        lay_mates(new_ring, np.full(m, -1, np.int64), tangent)
        bore["head"] = lift
        lift[:] = 0.0
        bore["share"] = 1.0
        for name in ("radius", "length", "waist"):
            bore[name] = getattr(solid, name)[new_ring]
    rims = rims_of(new_first, far, len(inlet), in_first) if halves else np.zeros(0, np.int32)
    graph = Graph(
        new_first, new_ring, far, np.zeros(2 * m), lift, tangent, bore, np.full(m, DRY, np.int32),
        np.array([0, in_first, n]), rims, make_pockets(0),
    )  # fmt: skip
    waist = np.where(solid.waist > STRAIGHT, 1.0, solid.waist)
    shapes = Shapes(
        ends, rank, _alike(solid.radius), length, _alike(waist), _alike(tilt),
        np.array(spans[1:], np.int32), np.array(spans[:1], np.int32),
    )  # fmt: skip
    return shapes, order, graph


def carried_viscosity(liquid: Liquid) -> ViscosityLaw:
    """The flow law of a liquid with all its grains afloat."""
    grains = liquid.particles
    return liquid.viscosity if grains is None else liquid.viscosity.thickened(thickening(grains))


def caught_grains(
    solid: Network, liquid: Liquid, tubes: int | None = None, settles: bool = False
) -> Particles | None:
    """The liquid's grains, unless there are none, or they go wherever the liquid goes.

    Only the first ``tubes`` have throats. Grains that settle are never as the liquid was at first.
    """
    grains = liquid.particles
    if grains is None or grains.volume_fraction == 0:
        return None
    return None if not settles and harmless(solid.throat_radius[:tubes], grains) else grains


def _gates(tubes: int, seed: int) -> NDArray[Any]:
    """(m,) of GATE: how many closings are to be expected until a grain closes each throat."""
    gates = np.zeros(tubes, GATE)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,)))
    gates["count"] = rng.exponential(size=tubes)
    gates["share"] = 1.0
    return gates


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
def _open_inlets(law, tubes, junctions, graph, shapes, log, cargo, touched):
    for i in touched:
        open_around(law, tubes, junctions, graph, shapes, log, i, 0.0)
    if len(log.gates) > 0:
        for i in touched:
            for c in range(len(cargo.diameter)):
                cargo.at[i, c] = cargo.offered[c]
            expect_grains(tubes, junctions, graph, log, cargo, i, i, np.inf)


def _full_bodies(solid: Network, bodies: NDArray[np.int64], touched: NDArray[np.int64]) -> float:
    own = solid.tube_volume[solid.tubes - len(bodies) :]
    return float(own[np.isin(bodies, touched)].sum())


def _fill_bodies(graph: Graph, shapes: Shapes, log: Log, touched: NDArray[np.int64]) -> None:
    """Bodies where liquid stands are full from the start."""
    bodies = np.arange(shapes.bodies[0], len(shapes.ends))
    full = bodies[np.isin(shapes.rank[shapes.ends[bodies, 0]], touched)]
    graph.slot[full] = PASSING
    log.filled_at[full] = 0.0
    log.met[full] = 1.0


def _bound(
    junctions: NDArray[Any],
    solid: Network,
    liquid: Liquid,
    order: Places,
    inlet: NDArray[np.int64],
    given: Floats,
    gravity: NDArray[np.float64],
    own: NDArray[np.bool_],
    trapped: bool,
) -> None:
    """Lowest and highest pressure that reservoirs and menisci allow at each junction.

    given : (k,) pressure at each inlet. own : (m,) tubes that can hold menisci. trapped : whether
    air can be: at the pressure of what compresses it, it presses on other menisci.

    Pressure less head obeys a maximum principle: it lies between the lowest -p_c and the
    highest reservoir (or -p_c, where the liquid does not wet).
    """
    head = liquid.density * (solid.points @ gravity)
    beta = np.arctan(solid.radius * (1 - solid.waist) / (0.5 * solid.length))[own]
    angles = np.radians([liquid.contact_angle_deg, liquid.receding_deg])
    pull = 2 * liquid.surface_tension / solid.throat_radius[own]
    most = (pull * np.cos(np.maximum(angles.min() - beta, 0.0))).max()
    least = (pull * np.cos(np.minimum(angles.max() + beta, np.pi))).min()
    reservoirs = given - head[inlet]
    low = min(-max(most, 0.0) - float(head.max()), float(reservoirs.min()))
    high = max(float(reservoirs.max()), -min(least, 0.0) - head.min() if least < 0 else -np.inf)
    if trapped:
        low, high = low - max(most, 0.0), high + 2.0 * max(most - least, most)
    junctions["low"] = low + head[order]
    junctions["high"] = high + head[order]
