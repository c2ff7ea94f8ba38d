"""Balance a whole set of junctions at once: damped Newton on the step's convex energy.

The matrix is a weighted graph Laplacian plus a positive diagonal. Kinks (a meniscus about to
start, with a slope without bound) are met in two ways: two sweeps of single balances before each
solve, and, where a full Newton step overshoots, the menisci's slopes are replaced by their chords
over the attempted step before solving again.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel
from poresim.tube.meniscus import advance, pressure_to
from poresim.uptake.ledger import outflow, predict, unbook
from poresim.uptake.local import balance

_CHORDS = 3
_HALVINGS = 12
_INVERSE = 40  # steps with menisci made linear at their marks, at most
_SHRINK = 0.03  # a line that leads out of the tube leads to this share of the place before
_LET_GO = 1e-9  # a meniscus this near its mouth, over the tube's length, is at it
_WORSE = 20  # of these in a row may fail to halve what is owed
_HELD = 1e300  # diagonal of a junction none of whose tubes gives way
_LINEAR_STEPS = 300
_STALE = 5  # steps without halving what is owed: a kink limits the arithmetic


class Work(NamedTuple):
    """Work space: n junctions, m tubes."""

    chosen: NDArray[np.int32]  # (n,) the set's junctions
    tubes: NDArray[np.int32]  # (m,) tubes that adjoin the set
    mark: NDArray[np.int8]  # (m,)
    link_a: NDArray[np.int32]  # (m,) places of a full tube's two junctions
    link_b: NDArray[np.int32]
    link: NDArray[np.float64]  # (m,) its slope
    reached: NDArray[np.float64]  # (m, 2) volumes after an attempted step
    diagonal: NDArray[np.float64]  # (n,)
    owed: NDArray[np.float64]
    move: NDArray[np.float64]
    residual: NDArray[np.float64]
    scaled: NDArray[np.float64]
    way: NDArray[np.float64]
    image: NDArray[np.float64]
    before: NDArray[np.float64]


def make_work(junctions: int, tubes: int) -> Work:
    """Work space for a network of that size."""
    return Work(
        np.zeros(junctions, np.int32),
        np.zeros(tubes, np.int32),
        np.zeros(tubes, np.int8),
        np.zeros(tubes, np.int32),
        np.zeros(tubes, np.int32),
        np.zeros(tubes),
        np.zeros((tubes, 2)),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
    )


@kernel
def adjoining(tubes, junctions, first, ring, work, chosen):
    """List the tubes that adjoin the first ``chosen`` junctions of the set; their number."""
    found = 0
    for p in range(chosen):
        i = work.chosen[p]
        for k in range(first[i], first[i + 1]):
            e = ring[k]
            if work.mark[e] == 0:
                work.mark[e] = 1
                work.tubes[found] = e
                found += 1
    for k in range(found):
        work.mark[work.tubes[k]] = 0
    return found


@kernel
def list_wet(tubes, junctions, work):
    """List all wet junctions but the inlets, and the tubes beside liquid: (their numbers)."""
    n = 0
    for i in range(len(junctions)):
        if junctions[i].wet and not junctions[i].inlet:
            work.chosen[n] = i
            n += 1
    count = 0
    for e in range(len(tubes)):
        if junctions[tubes[e].a].wet or junctions[tubes[e].b].wet:
            work.tubes[count] = e
            count += 1
    return n, count


@kernel
def conjugate_gradients(work, n, links, share, least, most):
    """Solve for ``work.move``; stop when the residual's sum is below share of its start + least.

    Preconditioned by the diagonal. Returns the number of iterations.
    """
    x, r, z = work.move, work.residual, work.scaled
    p, q, d = work.way, work.image, work.diagonal
    rz = 0.0
    start = 0.0
    for i in range(n):
        x[i] = 0.0
        r[i] = work.owed[i] if d[i] < _HELD else 0.0  # nothing can move where nothing yields
        z[i] = r[i] / d[i]
        p[i] = z[i]
        rz += r[i] * z[i]
        start += abs(r[i])
    goal = share * start + least
    if start <= goal or not rz > 0.0:
        return 0
    for it in range(1, most + 1):
        for i in range(n):
            q[i] = d[i] * p[i]
        for k in range(links):
            i, j, w = work.link_a[k], work.link_b[k], work.link[k]
            q[i] -= w * p[j]
            q[j] -= w * p[i]
        pq = 0.0
        for i in range(n):
            pq += p[i] * q[i]
        if not pq > 0.0:
            return it
        step = rz / pq
        new = 0.0
        left = 0.0
        for i in range(n):
            x[i] += step * p[i]
            r[i] -= step * q[i]
            z[i] = r[i] / d[i]
            new += r[i] * z[i]
            left += abs(r[i])
        if left <= goal:
            return it
        turn = new / rz
        rz = new
        for i in range(n):
            p[i] = z[i] + turn * p[i]
    return most


@kernel
def assemble(tubes, junctions, work, n, count):
    """Matrix and right side of the set from the tubes' slopes; the number of links."""
    for p in range(n):
        work.diagonal[p] = 0.0
        work.owed[p] = junctions[work.chosen[p]].owed
    links = 0
    for k in range(count):
        tube = tubes[work.tubes[k]]
        p, q = junctions[tube.a].place, junctions[tube.b].place
        if p >= 0:
            work.diagonal[p] += tube.s0
        if q >= 0:
            work.diagonal[q] += tube.s1
        if tube.full and p >= 0 and q >= 0 and tube.s0 > 0.0:
            work.link_a[links] = p
            work.link_b[links] = q
            work.link[links] = tube.s0
            links += 1
    for p in range(n):
        if not work.diagonal[p] > 0.0:
            work.diagonal[p] = _HELD
    return links


@kernel
def _try(law, wetting, tubes, junctions, work, n, count, until, floor, share):
    """Set the pressures to before + share * move; the energy's slope along the move after it."""
    for p in range(n):
        junctions[work.chosen[p]].pressure = work.before[p] + share * work.move[p]
    for k in range(count):
        e = work.tubes[k]
        unbook(tubes, junctions, e)
        predict(law, wetting, tubes, junctions, e, until, floor)
    slope = 0.0
    for p in range(n):
        slope += work.move[p] * junctions[work.chosen[p]].owed
    return slope


@kernel
def _bounded_move(junctions, work, n):
    """Keep the move within the pressures' bounds; the energy's slope along it."""
    slope = 0.0
    for p in range(n):
        node = junctions[work.chosen[p]]
        target = min(max(work.before[p] + work.move[p], node.low), node.high)
        work.move[p] = target - work.before[p]
        slope += work.move[p] * node.owed
    return slope


@kernel
def newton_step(law, wetting, tubes, junctions, work, n, count, until, floor, share, least):
    """One damped step for the set; (CG iterations, linear solves)."""
    for p in range(n):
        work.before[p] = junctions[work.chosen[p]].pressure
    iterations = 0
    for attempt in range(_CHORDS + 1):
        links = assemble(tubes, junctions, work, n, count)
        iterations += conjugate_gradients(work, n, links, share, least, _LINEAR_STEPS)
        before = _bounded_move(junctions, work, n)
        after = _try(law, wetting, tubes, junctions, work, n, count, until, floor, 1.0)
        if after >= -0.5 * before:
            return iterations, attempt + 1
        if attempt == _CHORDS:
            break
        for k in range(count):
            tube = tubes[work.tubes[k]]
            work.reached[k, 0], work.reached[k, 1] = tube.v0, tube.v1
        _try(law, wetting, tubes, junctions, work, n, count, until, floor, 0.0)
        _chords(tubes, junctions, work, count)
    size = 1.0
    for _ in range(_HALVINGS):
        size *= max(0.1, before / (before - after))
        after = _try(law, wetting, tubes, junctions, work, n, count, until, floor, size)
        if after >= -0.5 * before:
            break
    return iterations, _CHORDS + 1


@kernel
def _chords(tubes, junctions, work, count):
    """Raise the menisci's slopes to their chords over the attempted move."""
    for k in range(count):
        tube = tubes[work.tubes[k]]
        if tube.full:
            continue
        p, q = junctions[tube.a].place, junctions[tube.b].place
        if p >= 0 and work.move[p] != 0.0:
            tube.s0 = max(tube.s0, (work.reached[k, 0] - tube.v0) / work.move[p])
        if q >= 0 and work.move[q] != 0.0:
            tube.s1 = max(tube.s1, (work.reached[k, 1] - tube.v1) / work.move[q])


@kernel
def mark(law, wetting, tubes, junctions, work, count, until, first):
    """Choose the pressures at which menisci that set out or go on are made linear.

    The first time, where they are. Then where each would have gone as its line said in the last
    step: a flow that rises as a root has no slope to speak of at the pressures a line leads to,
    but its pressure is a smooth function of its flow (Newton's method on the inverse).
    """
    for k in range(count):
        tube = tubes[work.tubes[k]]
        if tube.full:
            continue
        for end in range(2):
            node = junctions[tube.a if end == 0 else tube.b]
            if not node.wet or node.place < 0:
                continue
            tilt = tube.tilt if end == 0 else -tube.tilt
            x, place = (tube.x0, tube.place0) if end == 0 else (tube.x1, tube.place1)
            at = node.pressure
            if not first:
                old = tube.mark0 if end == 0 else tube.mark1
                new, slope = advance(law, wetting, tube, tilt, x, place, old, until - tube.start)
                goal = max(new + slope * (node.pressure - old), _SHRINK * new)
                turns = (goal - x) * (new - x) < 0.0 and wetting.pinned > 0
                if new > _LET_GO * tube.length and slope > 0.0 and goal != x and not turns:
                    found = pressure_to(
                        law, wetting, tube, tilt, x, place, goal, until - tube.start
                    )
                    if not math.isnan(found):
                        at = min(max(found, node.low), node.high)
            if end == 0:
                tube.mark0 = at
            else:
                tube.mark1 = at


@kernel
def line_up(law, wetting, tubes, junctions, work, count, until, floor):
    """Slopes at the marks; adds to ``work.image`` what junctions owe more by the lines there."""
    for k in range(count):
        tube = tubes[work.tubes[k]]
        if tube.full:
            continue
        time = until - tube.start
        a, b = junctions[tube.a], junctions[tube.b]
        if a.wet and a.place >= 0:
            v, tube.s0 = outflow(law, wetting, tube, 0, tube.mark0, 0.0, time, floor)
            work.image[a.place] += tube.v0 - (v + tube.s0 * (a.pressure - tube.mark0))
        if b.wet and b.place >= 0:
            v, tube.s1 = outflow(law, wetting, tube, 1, tube.mark1, 0.0, time, floor)
            work.image[b.place] += tube.v1 - (v + tube.s1 * (b.pressure - tube.mark1))


@kernel
def inverse_steps(
    law, wetting, tubes, junctions, work, n, count, until, floor, share, goal, most
):  # fmt: skip
    """Newton's method with menisci made linear at their marks: (total owed, iterations, solves).

    Quick where it works, and it is left as soon as it does not: what it leaves is a pressure at
    every junction that owes least of those tried.
    """
    total, _ = total_owed(junctions, work, n)
    best = total
    for p in range(n):
        work.before[p] = junctions[work.chosen[p]].pressure
    iterations, solves, worse = 0, 0, 0
    for step in range(most):
        mark(law, wetting, tubes, junctions, work, count, until, step == 0)
        for p in range(n):
            work.image[p] = 0.0
        line_up(law, wetting, tubes, junctions, work, count, until, floor)
        links = assemble(tubes, junctions, work, n, count)
        for p in range(n):
            work.owed[p] += work.image[p]
        iterations += conjugate_gradients(work, n, links, share, 0.1 * goal, _LINEAR_STEPS)
        solves += 1
        for p in range(n):
            node = junctions[work.chosen[p]]
            node.pressure = min(max(node.pressure + work.move[p], node.low), node.high)
        for k in range(count):
            unbook(tubes, junctions, work.tubes[k])
            predict(law, wetting, tubes, junctions, work.tubes[k], until, floor)
        total, _ = total_owed(junctions, work, n)
        if total < best:
            worse = worse + 1 if total > 0.5 * best else 0
            best = total
            for p in range(n):
                work.before[p] = junctions[work.chosen[p]].pressure
        else:
            worse += 1
        if best <= goal or worse >= _WORSE:
            break
    if best < total:
        for p in range(n):
            junctions[work.chosen[p]].pressure = work.before[p]
        for k in range(count):
            unbook(tubes, junctions, work.tubes[k])
            predict(law, wetting, tubes, junctions, work.tubes[k], until, floor)
    return best, iterations, solves


@kernel
def total_owed(junctions, work, n):
    """(sum, largest) of |owed| over the set."""
    total, most = 0.0, 0.0
    for p in range(n):
        v = abs(junctions[work.chosen[p]].owed)
        total += v
        most = max(most, v)
    return total, most


@kernel
def taken(tubes, work, count):
    """(volume that the menisci of the listed tubes are booked to take or give, their number)."""
    intake = 0.0
    menisci = 0
    for k in range(count):
        tube = tubes[work.tubes[k]]
        volume = abs(tube.v0) + abs(tube.v1)
        if not tube.full and volume > 0.0:
            intake += volume
            menisci += 1
    return intake, menisci


@kernel
def solve_set(
    law, wetting, tubes, junctions, first, ring, work, n, count, now, until, floor,
    goal_share, goal_least, tol_share, tol_least, sweeps, inverse, share, most,
):  # fmt: skip
    """Balance the set's n junctions to a total owed of ``goal_share`` of what menisci take.

    Plus ``goal_least``. ``inverse`` says whether to try :func:`inverse_steps` first.
    ``tol_share`` of what one meniscus takes, plus ``tol_least``, is what a junction may owe
    before the sweeps look at it. What menisci take is looked up in every round: under the
    pressures of the last step a long step may seem to take many times as much. The adjoining
    tubes (``count`` of them) stand at ``now`` and are booked. Returns (total owed, CG
    iterations, linear solves, what menisci take, their number).
    """
    for p in range(n):
        junctions[work.chosen[p]].place = p
    iterations, solves = 0, 0
    total, _ = total_owed(junctions, work, n)
    best, stale = total, 0
    for _ in range(most):
        intake, menisci = taken(tubes, work, count)
        goal = goal_share * intake + goal_least
        tol = tol_share * intake / max(menisci, 1) + tol_least
        if total <= goal or stale >= _STALE:
            break
        for sweep in range(sweeps):
            for p in range(n):
                i = work.chosen[p if sweep % 2 == 0 else n - 1 - p]
                if abs(junctions[i].owed) > tol:
                    balance(
                        law, wetting, tubes, junctions, first, ring, i, now, until, floor,
                        0.1 * tol,
                    )  # fmt: skip
        total, _ = total_owed(junctions, work, n)
        if total <= goal:
            break
        if inverse:
            total, its, solved = inverse_steps(
                law, wetting, tubes, junctions, work, n, count, until, floor, share, goal, _INVERSE
            )
            iterations += its
            solves += solved
            if total <= goal:
                break
            inverse = total < 0.5 * best
        its, solved = newton_step(
            law, wetting, tubes, junctions, work, n, count, until, floor, share, 0.1 * goal
        )
        iterations += its
        solves += solved
        total, _ = total_owed(junctions, work, n)
        stale = 0 if total < 0.5 * best else stale + 1
        best = min(best, total)
    for p in range(n):
        junctions[work.chosen[p]].place = -1
    intake, menisci = taken(tubes, work, count)
    return total, iterations, solves, intake, menisci
