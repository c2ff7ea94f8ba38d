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

Floats = NDArray[np.float64]


class System(NamedTuple):
    """Work space for n junctions."""

    diagonal: Floats  # (n,)
    yielding: Floats  # (n,) its inverse; 0 where nothing moves
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
        np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n),
        np.zeros((parts, 2)),
    )


@kernel
def conjugate_gradients(system, graph, sheet, team, top, span, share, least, most):
    """Solve for ``move`` what the sheet owes, with the slopes that its menisci keep.

    Preconditioned by the diagonal. Stops when the sum of what is left is below ``share`` of its
    start + ``least``, or after ``most`` iterations; returns their number.
    """
    parts = parts_of(top, ROWS)
    sums = system.sums
    _begin(system, graph, sheet, team, top, span)
    start, rz = 0.0, 0.0
    for c in range(parts):
        start += sums[c, 0]
        rz += sums[c, 1]
    goal = share * start + least
    if start <= goal or not rz > 0.0:
        return 0
    turn = 0.0
    for it in range(1, most + 1):
        _turn(system, team, top, turn)
        _push(system, graph, sheet, team, top, span)
        pq = 0.0
        for c in range(parts):
            pq += sums[c, 0]
        if not pq > 0.0:
            return it
        _go(system, team, top, rz / pq)
        left, new = 0.0, 0.0
        for c in range(parts):
            left += sums[c, 0]
            new += sums[c, 1]
        if left <= goal:
            return it
        turn = new / rz
        rz = new
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
    diagonal, yielding = system.diagonal[lo:hi], system.yielding[lo:hi]
    left, rz = 0.0, 0.0
    k = np.uint64(first[0])
    for r in range(hi - lo):
        end = np.uint64(first[r + 1])
        move[r] = way[r] = 0.0
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
            diagonal[r] = yielding[r] = residual[r] = 0.0
            continue
        owed = owes[r]
        diagonal[r], yielding[r], residual[r] = d, 1.0 / d, owed
        left += abs(owed)
        rz += owed * owed / d
    system.sums[c, 0], system.sums[c, 1] = left, rz


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
    way, residual, yielding = system.way[lo:hi], system.residual[lo:hi], system.yielding[lo:hi]
    for r in range(hi - lo):
        way[r] = residual[r] * yielding[r] + turn * way[r]


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
    diagonal, yielding = system.diagonal[lo:hi], system.yielding[lo:hi]
    total = 0.0
    k = np.uint64(first[0])
    for r in range(hi - lo):
        end = np.uint64(first[r + 1])
        if yielding[r] == 0.0:
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
    """The sums run in four strands, always the same."""
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    n = hi - lo
    move, residual, yielding = system.move[lo:hi], system.residual[lo:hi], system.yielding[lo:hi]
    way, image = system.way[lo:hi], system.image[lo:hi]
    for r in range(n):
        move[r] += step * way[r]
        residual[r] -= step * image[r]
    left0 = left1 = left2 = left3 = rz0 = rz1 = rz2 = rz3 = 0.0
    whole = n // 4 * 4
    for r in range(0, whole, 4):
        left0 += abs(residual[r])
        left1 += abs(residual[r + 1])
        left2 += abs(residual[r + 2])
        left3 += abs(residual[r + 3])
        rz0 += residual[r] * residual[r] * yielding[r]
        rz1 += residual[r + 1] * residual[r + 1] * yielding[r + 1]
        rz2 += residual[r + 2] * residual[r + 2] * yielding[r + 2]
        rz3 += residual[r + 3] * residual[r + 3] * yielding[r + 3]
    for r in range(whole, n):
        left0 += abs(residual[r])
        rz0 += residual[r] * residual[r] * yielding[r]
    system.sums[c, 0] = (left0 + left1) + (left2 + left3)
    system.sums[c, 1] = (rz0 + rz1) + (rz2 + rz3)
