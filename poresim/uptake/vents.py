"""Between steps: which air hangs together, what is cut off, and where bubbles leave.

Air that reaches a dry vent is free. Liquid cuts the rest off from it, pocket by pocket; a pocket
that is cut in two shares its moles by volume, for both parts have its pressure.

A bubble leaves where a pocket's meniscus is back at its mouth and its gas overcomes the suction of
a way through full tubes to the outside: into a reservoir, or into free air. Of all ways the one
lets go first whose narrowest place is the widest; a tube of radius r, with P the higher of the
pressures at its ends, lets gas through from P + 2 gamma cos(receding) / r on (the bubble-point test
of filters: ASTM F316). The bubble is gone at once and its way is full again. While bubbles leave,
the pocket stays at that pressure; when it would have to take gas back, it is closed again.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner, kernel
from poresim.tube.wetting import receding_pull
from poresim.uptake.heap import pop, push
from poresim.uptake.pockets import (
    BUBBLED,
    CUT_OFF,
    FREE,
    GAS,
    OUTSIDE,
    begin_pocket,
    closed,
    gas_in,
    keep_apart,
)
from poresim.uptake.state import DRY, PASSING, TOP, shape_of

_AT_MOUTH = 1e-9  # of its length: a meniscus this close to its mouth lets gas out
_TAKES_BACK = 1e-6  # of the moles: with that much again, a step is taken anew, and none leaves
_COMES_BACK = 1e-9  # of the moles: more than that again, and no bubble leaves any more


class Sorting(NamedTuple):
    """Work space of :func:`sort_air`, for n junctions and m tubes."""

    root: NDArray[np.int64]  # (n,) one of the dry junctions that air joins to it
    pocket: NDArray[np.int64]  # (n,) of a root
    rows: NDArray[Any]  # (n + m,) of GAS
    way: NDArray[np.float64]  # (n,) the pressure at which gas gets from there to the outside, Pa
    times: NDArray[np.float64]  # (2 m + n,) a heap
    queue: NDArray[np.int32]  # (2 m + n,)


def make_sorting(junctions: int, tubes: int) -> Sorting:
    """Work space for a network of that size."""
    return Sorting(
        np.zeros(junctions, np.int64),
        np.zeros(junctions, np.int64),
        np.zeros(junctions + tubes, GAS),
        np.zeros(junctions),
        np.zeros(2 * tubes + junctions),
        np.zeros(2 * tubes + junctions, np.int32),
    )


@kernel
def sort_air(wetting, tubes, junctions, graph, shapes, log, sorting, lifted):
    """Find all pockets anew, with the pressures that they have now, and where they let bubbles go.

    lifted : out of the liquid, and back in it, air that was free stays so.
    """
    _weigh(tubes, junctions, graph, shapes, log)
    count = _join(junctions, graph, shapes, sorting, lifted)
    _share_out(tubes, junctions, graph, shapes, log, sorting, lifted, count)
    if graph.pockets.many[0] > 0:
        _find_ways(wetting, tubes, junctions, graph, shapes, log, sorting)
    _tell_tubes(tubes, graph, log)


@kernel
def close_doors(tubes, junctions, graph, shapes, log, kept):
    """Pockets that took gas back in a step, as it has gone, are to be closed in ``kept``.

    kept : rows of pockets as the step began. Returns how many.
    """
    _measure(tubes, junctions, graph, shapes, log)
    rows, count = graph.pockets.rows, 0
    for g in range(len(kept)):
        gas = rows[g]
        most = (OUTSIDE + gas.pressure) * gas.volume
        if kept[g].vents and kept[g].door >= 0 and most > gas.moles * (1.0 + _TAKES_BACK):
            kept[g].vents = 0
            count += 1
    return count


@inner
def _measure(tubes, junctions, graph, shapes, log):
    """What room the gas of each pocket has now."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        rows[g].volume = 0.0
    if graph.pockets.many[0] == 0:
        return
    for e in range(shapes.own[0]):
        if graph.slot[e] == DRY:
            g = junctions[shapes.rank[shapes.ends[e, 0]]].pocket
            if g >= 0:
                rows[g].volume += _whole(shapes, e)
    for s in range(log.counts[0, TOP]):
        if tubes[s].live and tubes[s].pocket >= 0:
            rows[tubes[s].pocket].volume += gas_in(tubes[s])


@inner
def _weigh(tubes, junctions, graph, shapes, log):
    """What gas each pocket has now; of those that let bubbles go, what is left."""
    _measure(tubes, junctions, graph, shapes, log)
    rows, books = graph.pockets.rows, graph.pockets.books
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        if not gas.vents and gas.volume > 0.0:
            continue
        most = (OUTSIDE + gas.pressure) * gas.volume
        if most > gas.moles * (1.0 + _COMES_BACK):
            gas.vents = 0
        elif most < gas.moles:
            books[BUBBLED] += gas.moles - most
            gas.moles = most


@inner
def _join(junctions, graph, shapes, sorting, lifted):
    """Find which dry junctions air joins, and number their pockets; how many there are."""
    root, pocket = sorting.root, sorting.pocket
    for i in range(len(junctions)):
        root[i], pocket[i] = i, 0
    for e in range(shapes.own[0]):
        if graph.slot[e] == DRY:
            a = _find(root, np.int64(shapes.rank[shapes.ends[e, 0]]))
            b = _find(root, np.int64(shapes.rank[shapes.ends[e, 1]]))
            root[max(a, b)] = min(a, b)
    for i in range(len(junctions)):
        node = junctions[i]
        if not node.wet and (node.vent or (lifted and node.pocket == FREE)):
            pocket[_find(root, i)] = FREE
    count = 0
    for i in range(len(junctions)):
        if not junctions[i].wet and root[i] == i and pocket[i] != FREE:
            pocket[i] = count
            count += 1
    return count


@inner
def _find(root, i):
    while root[i] != i:
        root[i] = root[root[i]]
        i = root[i]
    return i


@inner
def _whole(shapes, e):
    radius, length, waist, _ = shape_of(shapes, e)
    return math.pi * radius * radius * length * (1.0 + waist + waist * waist) / 3.0


@inner
def _share_out(tubes, junctions, graph, shapes, log, sorting, lifted, count):
    """Every pocket gets its moles, ``count`` are of dry junctions."""
    rows, fresh, books = graph.pockets.rows, sorting.rows, graph.pockets.books
    root, pocket = sorting.root, sorting.pocket
    for g in range(count):
        begin_pocket(fresh[g])
    for e in range(shapes.own[0]):
        if graph.slot[e] == DRY:
            i = np.int64(shapes.rank[shapes.ends[e, 0]])
            g, volume = pocket[_find(root, i)], _whole(shapes, e)
            _enter(rows, fresh, books, np.int64(junctions[i].pocket), g, volume)
            if g >= 0:
                fresh[g].dry += volume
                fresh[g].parts += 1
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if not tube.live:
            continue
        g = np.int64(FREE)
        if not junctions[tube.a].wet or not junctions[tube.b].wet:
            i = np.int64(tube.b if junctions[tube.a].wet else tube.a)
            g = pocket[_find(root, i)]
        elif (not lifted or tube.pocket != FREE) and not closed(tube):
            g = count
            begin_pocket(fresh[g])
            count += 1
        _enter(rows, fresh, books, np.int64(tube.pocket), g, gas_in(tube))
        tube.pocket = g
        if g >= 0:
            fresh[g].parts += 1
    for i in range(len(junctions)):
        junctions[i].pocket = FREE if junctions[i].wet else pocket[_find(root, i)]
    for g in range(count):
        rows[g] = fresh[g]
        gas = rows[g]
        gas.pressure = gas.moles / gas.volume - OUTSIDE if gas.volume > 0.0 else 0.0
        gas.laid = gas.pressure
    graph.pockets.many[0] = count


@inner
def _enter(rows, fresh, books, old, new, volume):
    """Gas of that volume, of pocket ``old``, belongs to ``new``."""
    moles = volume * OUTSIDE
    if old != FREE:
        gas = rows[old]
        moles = gas.moles * (volume / gas.volume) if gas.volume > 0.0 else 0.0
        if new == FREE:
            books[BUBBLED] += moles
    elif new != FREE:
        books[CUT_OFF] += moles
    if new != FREE:
        fresh[new].moles += moles
        fresh[new].volume += volume
        if old != FREE and rows[old].vents:
            fresh[new].vents = 1


@inner
def _tell_tubes(tubes, graph, log):
    """Against what pressure menisci go, and which tubes cannot fill up."""
    rows = graph.pockets.rows
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if not tube.live:
            continue
        tube.door = 0
        tube.gas = tube.apart = 0.0
        if tube.pocket >= 0:
            gas = rows[tube.pocket]
            tube.gas = gas.pressure
            if not gas.vents and gas.parts == 1:
                keep_apart(tube)
    show_doors(tubes, graph.pockets)


@kernel
def show_doors(tubes, pockets):
    """Mark where gas goes out."""
    for g in range(pockets.many[0]):
        gas = pockets.rows[g]
        if gas.door >= 0:
            tubes[gas.tube].door = gas.mouth + 1 if gas.vents else 0


@inner
def _find_ways(wetting, tubes, junctions, graph, shapes, log, sorting):
    """At what pressure each pocket lets bubbles go; those that reach it do."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        rows[g].lets_go = math.inf
    _open_ways(wetting, tubes, junctions, graph, shapes, log, sorting)
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if not tube.live or tube.pocket < 0:
            continue
        gas = rows[tube.pocket]
        near = _AT_MOUTH * tube.length
        for end in range(2):
            i, x = (tube.a, tube.x0) if end == 0 else (tube.b, tube.x1)
            node = junctions[i]
            if node.wet and node.feeds and x <= near:
                hold = receding_pull(wetting, tube, False) / tube.radius
                out = max(node.pressure + hold, sorting.way[i])
                if out < gas.lets_go:
                    gas.lets_go, gas.door, gas.hold, gas.beyond = out, i, hold, sorting.way[i]
                    gas.tube, gas.mouth = s, end
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        if gas.vents and gas.lets_go == math.inf:
            gas.vents = 0
        elif gas.vents or gas.pressure > gas.lets_go:
            gas.vents = 1
            gas.pressure = gas.laid = gas.lets_go


@inner
def _open_ways(wetting, tubes, junctions, graph, shapes, log, sorting):
    """At what pressure gas gets out from each wet junction, by the way that lets it go first."""
    way, times, queue = sorting.way, sorting.times, sorting.queue
    for i in range(len(junctions)):
        way[i] = math.inf
        if junctions[i].wet and junctions[i].inlet:
            way[i] = junctions[i].pressure
        elif junctions[i].wet and junctions[i].vent:
            way[i] = 0.0  # nothing goes out into air of a higher pressure
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if tube.live and tube.pocket == FREE:
            for i in (tube.a, tube.b):
                if junctions[i].wet:
                    way[i] = min(way[i], 0.0)
    count = 0
    for i in range(len(junctions)):
        if way[i] < math.inf:
            count = push(times, queue, count, way[i], i)
    while count > 0:
        reach, j, count = pop(times, queue, count)
        if reach > way[j]:
            continue
        for k in range(graph.first[j], graph.first[j + 1]):
            e, i = np.int64(graph.ring[k]), np.int64(graph.far[k])
            if graph.slot[e] != PASSING or junctions[i].inlet:
                continue
            hold = 0.0
            if e < shapes.own[0]:
                radius, _, waist, _ = shape_of(shapes, e)
                hold = wetting.recede_cos / (radius * waist)
            out = max(reach, max(junctions[i].pressure, junctions[j].pressure) + hold)
            if out < way[i]:
                way[i] = out
                count = push(times, queue, count, out, i)
