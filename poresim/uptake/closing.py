"""The end of a step: every tube is brought to it, and what is still owed is spread.

A linear solve over all rows says how a small shift of the pressures would have changed the
volumes; they are moved so, through the full tubes and into the sheet. It is driven until little
is owed in all; then a shift of all pressures by the same amount brings the sum of what is owed to
none, so that what came in is what the tubes hold. The little that junctions still owe one another
is carried into the next step, whose solves find it.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner, kernel
from poresim.tube.shape import radius_at, volume_to
from poresim.uptake.linear import conjugate_gradients
from poresim.uptake.sheet import lay_out, rows_in_use
from poresim.uptake.state import TOP
from poresim.uptake.tree import fit_tree

_CLOSINGS = 6
_LINEAR_STEPS = np.int64(2000)


@kernel
def close_books(
    law, wetting, tubes, junctions, graph, log, sheet, system, tree, control, now, until, floor,
    liquid,
    intake,
):  # fmt: skip
    """Bring every tube to the step's end and spread what is owed: (liquid then, moved, left).

    ``intake`` is what menisci took in the step; ``moved`` the volume that they had to be shifted
    by, ``left`` what is owed in the end, by all junctions together: as much as what came in
    differs from what the tubes hold.
    """
    top = rows_in_use(junctions)
    slots = log.counts[TOP]
    for s in range(slots):
        if tubes[s].live:
            _weigh(tubes, junctions, log, s, now, until)
    lay_out(law, wetting, tubes, junctions, graph, log, sheet, top, until, until, 0.0, floor)
    for s in range(slots):
        if tubes[s].live:
            _end(tubes[s], graph)
    for m in range(sheet.start[top]):
        tube = tubes[sheet.slot[m]]
        sheet.give[m] = tube.s0 if sheet.end[m] == 0 else tube.s1
    span = until - now if wetting.linear else 1.0
    signed, total = 0.0, 0.0
    for i in range(top):
        sheet.owed[i] = sheet.base[i]
        signed += sheet.owed[i]
        total += abs(sheet.owed[i])
    goal = control.close_share * liquid
    enough = max(goal, control.rough_share * intake)
    moved = 0.0
    for _ in range(_CLOSINGS):
        if total > enough:
            fit_tree(tree, graph, sheet.used, top, control.events)
            conjugate_gradients(
                system, tree, graph, sheet, control, top, span, 0.0, 0.5 * enough, _LINEAR_STEPS
            )
        elif abs(signed) > goal:
            _lift_all(junctions, graph, sheet, system, top, span, signed)
        else:
            break
        moved += _shift(tubes, graph, sheet, system, top, span)
        signed, total = 0.0, 0.0
        for i in range(top):
            signed += sheet.owed[i]
            total += abs(sheet.owed[i])
    for i in range(top):
        if sheet.used[i]:
            junctions[i].owed = sheet.owed[i]
    return control.filled + _standing(tubes, slots), moved, abs(signed)


@inner
def _weigh(tubes, junctions, log, s, now, until):
    """Its slopes become those over the time that it had in the step."""
    tube = tubes[s]
    a, b = junctions[tube.a], junctions[tube.b]
    part = until - tube.start
    if part <= 0.0:
        tube.s0 = tube.s1 = 0.0
    elif tube.full:
        tube.s0 = tube.s1 = tube.s0 * (until - max(now, log.filled_at[tube.number])) / part
    else:
        tube.s0 = tube.s0 * (until - max(now, a.wetted)) / part if a.wet else 0.0
        tube.s1 = tube.s1 * (until - max(now, b.wetted)) / part if b.wet else 0.0


@inner
def _end(tube, graph):
    """Nothing is booked any more; its slope enters the matrix."""
    tube.v0 = tube.v1 = 0.0
    graph.flow[tube.at_a] = graph.flow[tube.at_b] = tube.s0 if tube.full else 0.0


@inner
def _standing(tubes, slots):
    """Liquid in the tubes that have slots and are not full."""
    held = 0.0
    for s in range(slots):
        tube = tubes[s]
        if tube.live and not tube.full:
            held += volume_to(tube, tube.x0) + volume_to(tube, tube.x1)
    return held


@inner
def _lift_all(junctions, graph, sheet, system, top, span, signed):
    """The same move for every row, such that all together owe nothing."""
    used, start, give = sheet.used, sheet.start, sheet.give
    first, far, flow = graph.first, graph.far, graph.flow
    weight = 0.0
    for i in range(top):
        if not used[i]:
            continue
        for m in range(start[i], start[i + 1]):
            weight += give[m]
        for k in range(first[i], first[i + 1]):
            if junctions[far[k]].inlet:
                weight += span * flow[k]
    for i in range(top):
        system.move[i] = signed / weight if used[i] and weight > 0.0 else 0.0


@inner
def _shift(tubes, graph, sheet, system, top, span):
    """Move liquid as the solve says; what menisci were moved by.

    A meniscus at its limit takes no further part.
    """
    move, used, start, owed = system.move, sheet.used, sheet.start, sheet.owed
    slot, side, give = sheet.slot, sheet.end, sheet.give
    first, far, flow = graph.first, graph.far, graph.flow
    moved = 0.0
    for i in range(top):
        if not used[i]:
            continue
        out = 0.0
        for k in range(first[i], first[i + 1]):
            if flow[k] != 0.0:
                out += flow[k] * (move[i] - move[far[k]])
        owed[i] -= span * out
        for m in range(start[i], start[i + 1]):
            asked = give[m] * move[i]
            if asked == 0.0:
                continue
            tube = tubes[slot[m]]
            old, other = (tube.x0, tube.x1) if side[m] == 0 else (tube.x1, tube.x0)
            new, free = _moved(tube, old, other, asked)
            if side[m] == 0:
                tube.x0 = new
            else:
                tube.x1 = new
            volume = volume_to(tube, new) - volume_to(tube, old)
            owed[i] -= volume
            moved += abs(volume)
            if not free:
                give[m] = 0.0
    return moved


@inner
def _moved(tube, x, other, volume):
    """Where a meniscus at x stands after a small volume more, and whether it was free to go."""
    r = radius_at(tube, x)
    new = x + volume / (math.pi * r * r)
    half = 0.5 * tube.length
    if tube.waist <= STRAIGHT:
        if (x - half) * (new - half) < 0.0:
            return half, False
        # one correction for the changing width
        rn = radius_at(tube, new)
        mean = (r * r + r * rn + rn * rn) / 3.0
        new = x + volume / (math.pi * mean)
    room = tube.length - other
    if new > x:
        most = x + 0.999 * (room - x)
        return min(new, most), new <= most
    return max(new, 0.001 * x), new >= 0.001 * x
