"""Linear solves over the rows of a sheet: a weighted graph Laplacian plus a positive diagonal.

Row i reads ``diagonal[i] x[i] - span * sum(flow[k] x[far[k]])`` over the ring of junction i; what
is given, or dry, is 0. Each half is preconditioned by a tree of its own; what joins the halves is
left to the iteration.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner
from poresim.uptake.pockets import begin_gas, go_gas, push_gas, solve_gas, turn_gas
from poresim.uptake.state import ONE
from poresim.uptake.team import LEFT, PUSHED, WEIGHT, in_all, note, wait
from poresim.uptake.tree import factor, solve_tree

Floats = NDArray[np.float64]
# typed, for numba compiles a kernel anew for every literal
COUPLED, APART = np.bool_(True), np.bool_(False)


class System(NamedTuple):
    """Work space for n junctions."""

    diagonal: Floats  # (n,) 0 where nothing moves
    move: Floats  # (n,) the solution
    residual: Floats  # (n,) the right side, then what is left
    way: Floats  # (n,)
    image: Floats  # (n,)


def make_system(junctions: int) -> System:
    """Work space for a network of that size."""
    return System(*(np.zeros(junctions) for _ in System._fields))


@inner
def conjugate_gradients(
    system, trees, graph, sheet, control, team, span, share, least, most, coupled
):  # fmt: skip
    """Solve for ``move`` what the sheet owes, with the slopes that its menisci keep.

    ``coupled``: pockets of trapped air are rows, too, beside the junctions that menisci join them
    to. Preconditioned by the trees of the firmest tubes, which must fit the rows. Stops when the
    sum of what is left is below ``share`` of its start + ``least``, or after ``most`` iterations;
    counts itself in ``control``.
    """
    gas = coupled and graph.pockets.many[0] > 0
    for p in range(team.first, team.last):
        if p == 0:
            control.solves += 1
        left = _begin(system, graph, sheet, p, span, 1.0 + control.soft)
        if gas and p == 0:
            left += begin_gas(graph, sheet)
        note(team, p, LEFT, left)
    wait(team)
    left = in_all(team, LEFT)
    goal = share * left + least
    if left <= goal:
        return
    for p in range(team.first, team.last):
        factor(trees[p], system.diagonal, graph.flow, span)
    before = 0.0
    for _ in range(most):
        for p in range(team.first, team.last):
            solve_tree(trees[p], system.residual, system.image)
            more = solve_gas(graph) if gas and p == 0 else 0.0
            note(team, p, WEIGHT, product(system.residual, system.image, sheet.rows[p]) + more)
        wait(team)
        weight = in_all(team, WEIGHT)
        if not weight > 0.0:
            return
        turn = weight / before if before > 0.0 else 0.0
        before = weight
        for p in range(team.first, team.last):
            _turn(system, sheet.rows[p], turn)
            if p == 0:
                control.iterations += 1
                if gas:
                    turn_gas(graph, turn)
        wait(team)
        for p in range(team.first, team.last):
            _push(system, graph, sheet.rows[p], span)
            pushed = product(system.way, system.image, sheet.rows[p])
            if gas and p == 0:
                pushed += push_gas(system, graph, sheet)
            note(team, p, PUSHED, pushed)
        wait(team)
        pushed = in_all(team, PUSHED)
        if not pushed > 0.0:
            return
        for p in range(team.first, team.last):
            more = go_gas(graph, weight / pushed) if gas and p == 0 else 0.0
            note(team, p, LEFT, _go(system, sheet.rows[p], weight / pushed) + more)
        wait(team)
        if in_all(team, LEFT) <= goal:
            return


@inner
def _turn(system, rows, turn):
    way, image = system.way[rows[0] : rows[1]], system.image[rows[0] : rows[1]]
    for i in range(len(way)):
        way[i] = image[i] + turn * way[i]


@inner
def _begin(system, graph, sheet, p, span, stiff):
    """Matrix from the slopes, right side from what is owed; the sum of that.

    ``stiff``: times what full tubes add to the diagonal. A little above 1 where liquid may stand
    without a meniscus that yields: there the matrix has no inverse, and what such junctions owe in
    sum stays with them.
    """
    first, flow, start = graph.first, graph.flow, sheet.start[p:]
    used, owed, give = sheet.used, sheet.owed, sheet.give
    move, way, residual = system.move, system.way, system.residual
    diagonal, image = system.diagonal, system.image
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    left = 0.0
    k = np.uint64(first[low])
    for i in range(low, top):
        end = np.uint64(first[i + 1])
        move[i] = way[i] = image[i] = 0.0
        d = 0.0
        if used[i]:
            while k < end:
                d += flow[k]
                k += ONE
            d *= span * stiff
            for m in range(start[i], start[i + 1]):
                d += give[m]
        k = end
        if not d > 0.0:  # nothing moves where nothing yields
            diagonal[i] = residual[i] = 0.0
            continue
        diagonal[i], residual[i] = d, owed[i]
        left += abs(owed[i])
    return left


@inner
def _push(system, graph, rows, span):
    """The image of the way."""
    first, far, flow = graph.first, graph.far, graph.flow
    way, image, diagonal = system.way, system.image, system.diagonal
    k = np.uint64(first[rows[0]])
    for i in range(rows[0], rows[1]):
        end = np.uint64(first[i + 1])
        if diagonal[i] == 0.0:
            image[i] = 0.0
            k = end
            continue
        pushed = 0.0
        while k < end:
            pushed += flow[k] * way[far[k]]
            k += ONE
        image[i] = diagonal[i] * way[i] - span * pushed


@inner
def product(a, b, rows):
    """Of some rows, in four strands: several times as quick as one after the other."""
    a, b = a[rows[0] : rows[1]], b[rows[0] : rows[1]]
    s0 = s1 = s2 = s3 = 0.0
    whole = len(a) // 4 * 4
    for i in range(0, whole, 4):
        s0 += a[i] * b[i]
        s1 += a[i + 1] * b[i + 1]
        s2 += a[i + 2] * b[i + 2]
        s3 += a[i + 3] * b[i + 3]
    for i in range(whole, len(a)):
        s0 += a[i] * b[i]
    return (s0 + s1) + (s2 + s3)


@inner
def _go(system, rows, step):
    """Move on by ``step``; the sum of what is left, in four strands."""
    move, residual = system.move[rows[0] : rows[1]], system.residual[rows[0] : rows[1]]
    way, image = system.way[rows[0] : rows[1]], system.image[rows[0] : rows[1]]
    top = len(move)
    for i in range(top):
        move[i] += step * way[i]
        residual[i] -= step * image[i]
    s0 = s1 = s2 = s3 = 0.0
    whole = top // 4 * 4
    for i in range(0, whole, 4):
        s0 += abs(residual[i])
        s1 += abs(residual[i + 1])
        s2 += abs(residual[i + 2])
        s3 += abs(residual[i + 3])
    for i in range(whole, top):
        s0 += abs(residual[i])
    return (s0 + s1) + (s2 + s3)
