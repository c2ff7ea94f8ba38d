"""Junctions numbered for the march: from the inlets outward, half by half.

Neighbours stand close in memory, and what is wet lies at the beginning of each half. A large
network is cut in two across the inlets, so that the halves soak alike and two threads have the same
to do; a small one is all in the first half.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poresim.solid.network import Network
from poresim.tube.jit import kernel

Places = NDArray[np.int32]
Counts = NDArray[np.uint32]


def numbered(
    solid: Network, ends: Places, inlet: Places, halves: bool
) -> tuple[Places, Places, Places, int]:
    """(the network's number of each junction, first, ring, how many are in the first half).

    ends : (m, 2) junctions of each tube. The rings are by the network's numbers: tubes around
    junction i from ``first[i]`` up to ``first[i + 1]``. Inlets come first, in the first half.
    """
    first, ring = rings(ends, solid.junctions)
    order = _outward(ends, first, ring, inlet)
    if not halves:
        return order, first, ring, solid.junctions
    beyond = _beyond(solid.points, inlet)[order]
    beyond[: len(inlet)] = False
    order = np.concatenate([order[~beyond], order[beyond]])
    return order, first, ring, int(np.count_nonzero(~beyond))


def _beyond(points: NDArray[np.float64], inlet: Places) -> NDArray[np.bool_]:
    """(n,) which junctions lie beyond the middle, along the inlets' longest way."""
    spread = np.ptp(points[inlet], axis=0)
    if not np.any(spread > 0.0):
        spread = np.ptp(points, axis=0)
    along = points[:, int(np.argmax(spread))]
    return np.asarray(along > np.median(along))


def rims_of(first: Counts, far: Counts, inlets: int, half: int) -> Places:
    """Junctions that tubes join to the other half, rising; what joins inlets is their own."""
    rows = np.repeat(np.arange(len(first) - 1), np.diff(first))
    across = (rows >= half) != (far >= half)
    across &= (rows >= inlets) & (far >= inlets)
    return np.unique(rows[across]).astype(np.int32)


@kernel
def rings(ends, n):
    """Tubes around each junction, by the network's numbers: (first, ring)."""
    m = len(ends)
    first = np.zeros(n + 1, np.int32)
    for e in range(m):
        first[ends[e, 0] + 1] += 1
        first[ends[e, 1] + 1] += 1
    for i in range(n):
        first[i + 1] += first[i]
    at = first[:n].copy()
    ring = np.empty(2 * m, np.int32)
    for e in range(m):
        for side in range(2):
            i = ends[e, side]
            ring[at[i]] = e
            at[i] += 1
    return first, ring


@kernel
def _outward(ends, first, ring, inlet):
    """Junctions level by level from the inlets; what is not joined to them comes last."""
    n = len(first) - 1
    order = np.empty(n, np.int32)
    seen = np.zeros(n, np.int8)
    count = 0
    for i in inlet:
        order[count] = i
        seen[i] = 1
        count += 1
    done = 0
    while done < count:
        i = order[done]
        done += 1
        for k in range(first[i], first[i + 1]):
            e = ring[k]
            j = ends[e, 1] if ends[e, 0] == i else ends[e, 0]
            if seen[j] == 0:
                seen[j] = 1
                order[count] = j
                count += 1
    for i in range(n):
        if seen[i] == 0:
            order[count] = i
            count += 1
    return order


@kernel
def lay_rings(ends, rank, order, first, ring, new_first, new_ring, far):
    for i in range(len(order)):
        j = order[i]
        at = np.int64(new_first[i])
        for k in range(first[j], first[j + 1]):
            e = ring[k]
            new_ring[at] = e
            far[at] = rank[ends[e, 1] if ends[e, 0] == j else ends[e, 0]]
            at += 1


@kernel
def lay_mates(ring, seen, tangent):
    """Where the tube at each place of the rings stands in the ring of its other end.

    seen : (m,) of -1, work space.
    """
    for k in range(len(ring)):
        other = seen[ring[k]]
        if other < 0:
            seen[ring[k]] = k
        else:
            tangent[k].mate, tangent[other].mate = other, k


@kernel
def lay_lifts(ends, order, first, ring, tilt, length, lift):
    for i in range(len(order)):
        for k in range(first[i], first[i + 1]):
            e = ring[k]
            gained = tilt[e] * length[e if len(length) > 1 else 0]
            lift[k] = gained if ends[e, 0] == order[i] else -gained
