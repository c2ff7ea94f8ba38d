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
from poresim.uptake.bodies import feeds
from poresim.uptake.linear import APART, conjugate_gradients
from poresim.uptake.pockets import slacken
from poresim.uptake.sheet import lay_out
from poresim.uptake.state import TOP
from poresim.uptake.team import HELD, MOVED, SIGNED, TOTAL, WEIGHT, in_all, note, wait
from poresim.uptake.tree import fit_tree

_CLOSINGS = 6
ROUNDING = 1e-14  # of the liquid: nothing need be closer, where steps may be very short
_LINEAR_STEPS = np.int64(2000)
_RIMS, _OTHERS = np.bool_(True), np.bool_(False)  # typed: see poresim.uptake.state.END_0


@kernel
def close_books(
    law, wetting, tubes, junctions, graph, log, sheet, system, trees, control, team, now, until,
    liquid, intake,
):  # fmt: skip
    """Bring every tube to the step's end and spread what is owed: (liquid then, moved, left).

    ``intake`` is what menisci took in the step; ``moved`` the volume that they had to be shifted
    by, ``left`` what is owed in the end, by all junctions together: as much as what came in
    differs from what the tubes hold.
    """
    for p in range(team.first, team.last):
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            if tubes[s].live:
                _weigh(tubes, junctions, s, now, until)
    lay_out(law, wetting, tubes, junctions, graph, log, sheet, team, until, until, 0.0)
    for p in range(team.first, team.last):
        _set_out(tubes, log, sheet, p)
    slacken(graph, sheet)
    span = until - now
    signed, total = _left(sheet, team)
    goal = min(control.close_share * liquid, control.close_intake * intake + ROUNDING * liquid)
    enough = max(goal, control.rough_share * intake)
    moved = 0.0
    for _ in range(_CLOSINGS):
        if total > enough:
            for p in range(team.first, team.last):
                fit_tree(trees[p], graph, sheet.used, sheet.rows[p, 1], control.events)
            conjugate_gradients(
                system,
                trees,
                graph,
                sheet,
                control,
                team,
                span,
                0.0,
                0.5 * enough,
                _LINEAR_STEPS,
                APART,
            )
        elif abs(signed) > goal:
            _lift_all(junctions, graph, sheet, system, team, span, signed)
        else:
            break
        moved += _shift(tubes, junctions, graph, sheet, system, team, span)
        signed, total = _left(sheet, team)
    for p in range(team.first, team.last):
        for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
            if sheet.used[i]:
                junctions[i].owed = sheet.owed[i]
        note(team, p, HELD, _standing(tubes, log, p))
    wait(team)
    return control.filled + in_all(team, HELD), moved, abs(signed)


@inner
def _set_out(tubes, log, sheet, p):
    """Nothing is booked any more: the matrix, and what rows owe."""
    for s in range(log.begin[p, TOP], log.counts[p, TOP]):
        tubes[s].v0 = tubes[s].v1 = 0.0
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    for m in range(sheet.start[low + p], sheet.start[top + p]):
        tube = tubes[sheet.slot[m]]
        sheet.give[m] = tube.s0 if sheet.end[m] == 0 else tube.s1
    for i in range(low, top):
        sheet.owed[i] = sheet.base[i]


@inner
def _left(sheet, team):
    """What all rows owe: (in sum, without their signs)."""
    for p in range(team.first, team.last):
        signed, total = 0.0, 0.0
        for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
            signed += sheet.owed[i]
            total += abs(sheet.owed[i])
        note(team, p, SIGNED, signed)
        note(team, p, TOTAL, total)
    wait(team)
    return in_all(team, SIGNED), in_all(team, TOTAL)


@inner
def _weigh(tubes, junctions, s, now, until):
    """Its slopes become those over the time that it had in the step."""
    tube = tubes[s]
    a, b = junctions[tube.a], junctions[tube.b]
    part = until - tube.start
    if part <= 0.0:
        tube.s0 = tube.s1 = 0.0
    else:
        tube.s0 = tube.s0 * (until - max(now, a.wetted)) / part if feeds(a, tube) else 0.0
        tube.s1 = tube.s1 * (until - max(now, b.wetted)) / part if feeds(b, tube) else 0.0


@inner
def _standing(tubes, log, p):
    """Liquid in the tubes that have slots and are not full."""
    held = 0.0
    for s in range(log.begin[p, TOP], log.counts[p, TOP]):
        tube = tubes[s]
        if tube.live:
            held += volume_to(tube, tube.x0) + volume_to(tube, tube.x1)
    return held


@inner
def _lift_all(junctions, graph, sheet, system, team, span, signed):
    """The same move for every row, such that all together owe nothing."""
    used, give = sheet.used, sheet.give
    first, far, flow = graph.first, graph.far, graph.flow
    for p in range(team.first, team.last):
        weight, start = 0.0, sheet.start[p:]
        for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
            if not used[i]:
                continue
            for m in range(start[i], start[i + 1]):
                weight += give[m]
            for k in range(first[i], first[i + 1]):
                if junctions[far[k]].inlet:
                    weight += span * flow[k]
        note(team, p, WEIGHT, weight)
    wait(team)
    weight = in_all(team, WEIGHT)
    for p in range(team.first, team.last):
        for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
            system.move[i] = signed / weight if used[i] and weight > 0.0 else 0.0
    wait(team)


@inner
def _shift(tubes, junctions, graph, sheet, system, team, span):
    """Move liquid as the solve says; what menisci were moved by.

    A meniscus at its limit takes no further part. Tubes between the halves may have one in each:
    those wait for the others.
    """
    for p in range(team.first, team.last):
        note(team, p, MOVED, _shift_rows(tubes, junctions, graph, sheet, system, p, span, _OTHERS))
    wait(team)
    for p in range(len(sheet.rows)):
        if team.first == 0:
            more = _shift_rows(tubes, junctions, graph, sheet, system, p, span, _RIMS)
            note(team, p, MOVED, team.sums[p, MOVED] + more)
    wait(team)
    return in_all(team, MOVED)


@inner
def _shift_rows(tubes, junctions, graph, sheet, system, p, span, rims):
    """Of rows of a half: those at the other half (``rims``) or all others."""
    move, used, start, owed = system.move, sheet.used, sheet.start[p:], sheet.owed
    slot, side, give = sheet.slot, sheet.end, sheet.give
    first, far, flow = graph.first, graph.far, graph.flow
    moved = 0.0
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    for n in range(len(graph.rims) if rims else top - low):
        i = np.int64(graph.rims[n]) if rims else low + n
        if not low <= i < top or not used[i] or junctions[i].rim != rims:
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
