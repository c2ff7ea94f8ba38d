"""Linear solves over the rows of a sheet: a weighted graph Laplacian plus a positive diagonal.

Row i reads ``diagonal[i] x[i] - span * sum(flow[k] x[far[k]])`` over the ring of junction i; what
is given, or dry, is 0.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from poresim.tube.jit import kernel, team_kernel
from poresim.uptake.rows import ONE, ROWS, parts_of
from poresim.uptake.tree import factor, fit_tree, solve_tree

Floats = NDArray[np.float64]


class System(NamedTuple):
    """Work space for n junctions."""

    diagonal: Floats  # (n,) 0 where nothing moves
    move: Floats  # (n,) the solution
    residual: Floats  # (n,) the right side, then what is left
    way: Floats  # (n,)
    image: Floats  # (n,)
    sums: Floats  # (parts, 2)


def make_system(junctions: int) -> System:
    """Work space for a network of that size."""
    n = junctions
    parts = parts_of(max(n, 1), ROWS)
    return System(
        np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros((parts, 2))
    )


@kernel
def conjugate_gradients(
    system, tree, graph, sheet, team, events, top, span, share, least, most
):  # fmt: skip
    """Solve for ``move`` what the sheet owes, with the slopes that its menisci keep.

    Preconditioned by the tree of the firmest tubes. Stops when the sum of what is left is below
    ``share`` of its start + ``least``, or after ``most`` iterations; returns their number.
    """
    parts = parts_of(top, ROWS)
    sums = system.sums
    _begin(system, graph, sheet, team, top, span)
    left = 0.0
    for c in range(parts):
        left += sums[c, 0]
    goal = share * left + least
    if left <= goal:
        return 0
    fit_tree(tree, graph, sheet.used, top, events)
    factor(tree, system.diagonal, graph.flow, span)
    rz, turn = 1.0, 0.0
    for it in range(1, most + 1):
        solve_tree(tree, system.residual, system.image)
        _weigh(system, team, top)
        new = 0.0
        for c in range(parts):
            new += sums[c, 0]
        if not new > 0.0:
            return it - 1
        turn = new / rz if it > 1 else 0.0
        rz = new
        _turn(system, team, top, turn)
        _push(system, graph, sheet, team, top, span)
        pq = 0.0
        for c in range(parts):
            pq += sums[c, 0]
        if not pq > 0.0:
            return it
        _go(system, team, top, rz / pq)
        left = 0.0
        for c in range(parts):
            left += sums[c, 0]
        if left <= goal:
            return it
    return most


@kernel
def _begin(system, graph, sheet, team, top, span):
    if team == 1:
        for c in range(parts_of(top, ROWS)):
            _begin_part(system, graph, sheet, top, c, span)
    else:
        _begin_team(system, graph, sheet, team, top, span)


@team_kernel
def _begin_team(system, graph, sheet, team, top, span):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _begin_part(system, graph, sheet, top, c, span)


@kernel
def _begin_part(system, graph, sheet, top, c, span):
    """Matrix from the slopes, right side from what is owed."""
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    first, flow, start = graph.first[lo : hi + 1], graph.flow, sheet.start[lo : hi + 1]
    used, owes, give = sheet.used[lo:hi], sheet.owed[lo:hi], sheet.give
    move, way, residual = system.move[lo:hi], system.way[lo:hi], system.residual[lo:hi]
    diagonal, image = system.diagonal[lo:hi], system.image[lo:hi]
    left = 0.0
    k = np.uint64(first[0])
    for r in range(hi - lo):
        end = np.uint64(first[r + 1])
        move[r] = way[r] = image[r] = 0.0
        d = 0.0
        if used[r]:
            while k < end:
                d += flow[k]
                k += ONE
            d *= span
            for m in range(start[r], start[r + 1]):
                d += give[m]
        k = end
        if not d > 0.0:  # nothing moves where nothing yields
            diagonal[r] = residual[r] = 0.0
            continue
        diagonal[r], residual[r] = d, owes[r]
        left += abs(owes[r])
    system.sums[c, 0] = left


@kernel
def _weigh(system, team, top):
    if team == 1:
        for c in range(parts_of(top, ROWS)):
            _weigh_part(system, top, c)
    else:
        _weigh_team(system, team, top)


@team_kernel
def _weigh_team(system, team, top):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _weigh_part(system, top, c)


@kernel
def _weigh_part(system, top, c):
    """Residual times what the preconditioner makes of it, which stands in the image's place."""
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    residual, image = system.residual[lo:hi], system.image[lo:hi]
    s0 = s1 = s2 = s3 = 0.0
    whole = (hi - lo) // 4 * 4
    for r in range(0, whole, 4):
        s0 += residual[r] * image[r]
        s1 += residual[r + 1] * image[r + 1]
        s2 += residual[r + 2] * image[r + 2]
        s3 += residual[r + 3] * image[r + 3]
    for r in range(whole, hi - lo):
        s0 += residual[r] * image[r]
    system.sums[c, 0] = (s0 + s1) + (s2 + s3)


@kernel
def _turn(system, team, top, turn):
    if team == 1:
        for c in range(parts_of(top, ROWS)):
            _turn_part(system, top, c, turn)
    else:
        _turn_team(system, team, top, turn)


@team_kernel
def _turn_team(system, team, top, turn):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _turn_part(system, top, c, turn)


@kernel
def _turn_part(system, top, c, turn):
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    way, image = system.way[lo:hi], system.image[lo:hi]
    for r in range(hi - lo):
        way[r] = image[r] + turn * way[r]


@kernel
def _push(system, graph, sheet, team, top, span):
    if team == 1:
        for c in range(parts_of(top, ROWS)):
            _push_part(system, graph, sheet, top, c, span)
    else:
        _push_team(system, graph, sheet, team, top, span)


@team_kernel
def _push_team(system, graph, sheet, team, top, span):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _push_part(system, graph, sheet, top, c, span)


@kernel
def _push_part(system, graph, sheet, top, c, span):
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    first, far, flow, way = graph.first[lo : hi + 1], graph.far, graph.flow, system.way
    here, image = way[lo:hi], system.image[lo:hi]
    diagonal = system.diagonal[lo:hi]
    total = 0.0
    k = np.uint64(first[0])
    for r in range(hi - lo):
        end = np.uint64(first[r + 1])
        if diagonal[r] == 0.0:
            image[r] = 0.0
            k = end
            continue
        pushed = 0.0
        while k < end:
            pushed += flow[k] * way[far[k]]
            k += ONE
        image[r] = diagonal[r] * here[r] - span * pushed
        total += here[r] * image[r]
    system.sums[c, 0] = total


@kernel
def _go(system, team, top, step):
    if team == 1:
        for c in range(parts_of(top, ROWS)):
            _go_part(system, top, c, step)
    else:
        _go_team(system, team, top, step)


@team_kernel
def _go_team(system, team, top, step):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _go_part(system, top, c, step)


@kernel
def _go_part(system, top, c, step):
    """The sum runs in four strands, always the same."""
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    move, residual = system.move[lo:hi], system.residual[lo:hi]
    way, image = system.way[lo:hi], system.image[lo:hi]
    for r in range(hi - lo):
        move[r] += step * way[r]
        residual[r] -= step * image[r]
    s0 = s1 = s2 = s3 = 0.0
    whole = (hi - lo) // 4 * 4
    for r in range(0, whole, 4):
        s0 += abs(residual[r])
        s1 += abs(residual[r + 1])
        s2 += abs(residual[r + 2])
        s3 += abs(residual[r + 3])
    for r in range(whole, hi - lo):
        s0 += abs(residual[r])
    system.sums[c, 0] = (s0 + s1) + (s2 + s3)
