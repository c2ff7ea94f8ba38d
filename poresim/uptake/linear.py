"""Linear solves over a set of junctions: a weighted graph Laplacian plus a positive diagonal."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel

_HELD = 1e300  # diagonal of a junction none of whose tubes gives way
_HELD_ROOT = 1e149

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


class System(NamedTuple):
    """Work space for n junctions and m tubes."""

    a: Ints  # (m,) pairs of joined places,
    b: Ints
    weight: Floats  # and minus the matrix' entries there, scaled in a solve
    diagonal: Floats  # (n,) of the matrix; its root after a solve
    move: Floats  # (n,) the solution
    residual: Floats  # (n,) the right side, then what is left
    way: Floats
    image: Floats
    before: Floats  # (n,) room for the caller


def make_system(junctions: int, tubes: int) -> System:
    """Work space for a network of that size."""
    n, m = junctions, tubes
    return System(
        a=np.zeros(m, np.int32),
        b=np.zeros(m, np.int32),
        weight=np.zeros(m),
        diagonal=np.zeros(n),
        move=np.zeros(n),
        residual=np.zeros(n),
        way=np.zeros(n),
        image=np.zeros(n),
        before=np.zeros(n),
    )


@kernel
def conjugate_gradients(system, n, pairs, share, least, most):
    """Solve for ``move``; stop when the sum of what is left is below share of its start + least.

    Preconditioned by the diagonal: rows and columns are divided by its root, so that it is 1
    (the weights are changed). Sums run in four strands, always the same. Returns the number of
    iterations.
    """
    x, r, p, q = system.move, system.residual, system.way, system.image
    a, b, weight, root = system.a, system.b, system.weight, system.diagonal
    start, rr = 0.0, 0.0
    for i in range(n):
        start += abs(r[i])
        root[i] = math.sqrt(root[i])
        x[i] = 0.0
        r[i] = r[i] / root[i] if root[i] < _HELD_ROOT else 0.0  # nothing moves where nothing yields
        p[i] = q[i] = r[i]
        rr += r[i] * r[i]
    goal = share * start + least
    if start <= goal or not rr > 0.0:
        return 0
    for k in range(pairs):
        weight[k] /= root[a[k]] * root[b[k]]
    done = most
    for it in range(1, most + 1):
        for k in range(pairs):
            i, j, w = a[k], b[k], weight[k]
            q[i] -= w * p[j]
            q[j] -= w * p[i]
        pq = _product(p, q, n)
        if not pq > 0.0:
            done = it
            break
        step = rr / pq
        for i in range(n):
            x[i] += step * p[i]
            r[i] -= step * q[i]
        new, left = _sizes(r, root, n)
        if left <= goal:
            done = it
            break
        turn = new / rr
        rr = new
        for i in range(n):
            p[i] = q[i] = r[i] + turn * p[i]
    for i in range(n):
        x[i] /= root[i]
    return done


@kernel
def _product(p, q, n):
    s0 = s1 = s2 = s3 = 0.0
    whole = n // 4 * 4
    for i in range(0, whole, 4):
        s0 += p[i] * q[i]
        s1 += p[i + 1] * q[i + 1]
        s2 += p[i + 2] * q[i + 2]
        s3 += p[i + 3] * q[i + 3]
    for i in range(whole, n):
        s0 += p[i] * q[i]
    return (s0 + s1) + (s2 + s3)


@kernel
def _sizes(r, root, n):
    """(sum of r squared, sum of |r| before it was scaled)."""
    s0 = s1 = s2 = s3 = 0.0
    t0 = t1 = t2 = t3 = 0.0
    whole = n // 4 * 4
    for i in range(0, whole, 4):
        s0 += r[i] * r[i]
        s1 += r[i + 1] * r[i + 1]
        s2 += r[i + 2] * r[i + 2]
        s3 += r[i + 3] * r[i + 3]
        t0 += abs(r[i]) * root[i]
        t1 += abs(r[i + 1]) * root[i + 1]
        t2 += abs(r[i + 2]) * root[i + 2]
        t3 += abs(r[i + 3]) * root[i + 3]
    for i in range(whole, n):
        s0 += r[i] * r[i]
        t0 += abs(r[i]) * root[i]
    return (s0 + s1) + (s2 + s3), (t0 + t1) + (t2 + t3)


@kernel
def assemble(places, links, menisci, system, n, count):
    """Matrix from the slopes, right side from what is owed; the number of pairs."""
    for p in range(n):
        d = 0.0
        for k in range(places[p].meniscus, places[p + 1].meniscus):
            d += menisci[k].give
        system.diagonal[p] = d
        system.residual[p] = places[p].owed
    pairs = 0
    for f in range(count):
        a, b, s = links[f].a, links[f].b, links[f].slope
        if a < n:
            system.diagonal[a] += s
        if b < n:
            system.diagonal[b] += s
        if a < n and b < n and s > 0.0:
            system.a[pairs], system.b[pairs], system.weight[pairs] = a, b, s
            pairs += 1
    for p in range(n):
        if not system.diagonal[p] > 0.0:
            system.diagonal[p] = _HELD
    return pairs
