"""Linear solves over a set of junctions: a weighted graph Laplacian plus a positive diagonal."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel

HELD = 1e300  # diagonal of a junction none of whose tubes gives way

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


class System(NamedTuple):
    """Work space for n junctions and m tubes."""

    a: Ints  # (m,) pairs of joined places,
    b: Ints
    weight: Floats  # and minus the matrix' entries there
    diagonal: Floats  # (n,)
    move: Floats  # (n,) the solution
    residual: Floats  # (n,) the right side, then what is left
    way: Floats
    image: Floats
    before: Floats  # (n,) room for the caller


def make_system(junctions: int, tubes: int) -> System:
    """Work space for a network of that size."""
    ints = [np.zeros(tubes, np.int32) for _ in range(2)]
    return System(*ints, np.zeros(tubes), *(np.zeros(junctions) for _ in range(6)))


@kernel
def conjugate_gradients(system, n, pairs, share, least, most):
    """Solve for ``move``; stop when the sum of what is left is below share of its start + least.

    Preconditioned by the diagonal. Returns the number of iterations.
    """
    x, r, p, q, d = system.move, system.residual, system.way, system.image, system.diagonal
    a, b, weight = system.a, system.b, system.weight
    rz = 0.0
    start = 0.0
    for i in range(n):
        x[i] = 0.0
        if d[i] >= HELD:  # nothing can move where nothing yields
            r[i] = 0.0
        p[i] = r[i] / d[i]
        rz += r[i] * p[i]
        start += abs(r[i])
    goal = share * start + least
    if start <= goal or not rz > 0.0:
        return 0
    for it in range(1, most + 1):
        for i in range(n):
            q[i] = d[i] * p[i]
        for k in range(pairs):
            i, j, w = a[k], b[k], weight[k]
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
            new += r[i] * r[i] / d[i]
            left += abs(r[i])
        if left <= goal:
            return it
        turn = new / rz
        rz = new
        for i in range(n):
            p[i] = r[i] / d[i] + turn * p[i]
    return most


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
            system.diagonal[p] = HELD
    return pairs
