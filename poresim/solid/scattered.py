"""Scattered junctions: random points joined to their Delaunay neighbours.

Lengths are in units of the spacing, the cube root of the volume that a junction has to itself.
Points are drawn evenly in the block made larger by half a spacing at each face, and those that
fall outside are moved straight back onto it: so every face holds junctions, about half as many
as the face of a cubic lattice. A point closer than ``LEAST_DISTANCE`` to another is drawn
again: two junctions that near are one pore.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.solid.grid import FACE_NAMES, Block

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Wrapped = tuple[bool, bool, bool]

#: Least distance between two junctions, over the spacing.
LEAST_DISTANCE = 0.5
_GHOST_DEPTH = 4.0  # spacings of the block repeated beyond a side; Delaunay edges are shorter
_MIRROR_DEPTH = 2.0  # mirror images have only to cover a face
#: Least edge of a block along an axis that wraps, in spacings.
LEAST_WRAPPED = 2 * _GHOST_DEPTH
_ROUNDS = 500


@dataclass(frozen=True)
class Expected:
    """What a block will hold: junctions exactly, the rest within about 2 %.

    neighbours, mean_length : of the inner junctions and of all tubes, before thinning.
    """

    junctions: int
    tubes: float
    neighbours: float
    mean_length: float


def expected(size: Sequence[float] | Floats, wrapped: Wrapped) -> Expected:
    """Counts of a block whose edges are ``size`` spacings, without drawing it.

    The constants were fitted to blocks of 2 000 to 70 000 junctions; faces thin the tubes out.
    """
    x, y, z = size
    pairs = zip((y * z, x * z, x * y), wrapped, strict=True)
    faces = sum(2 * area for area, wraps in pairs if not wraps) / (x * y * z)
    faces = min(faces, 1.0)  # beyond the blocks that were fitted
    return Expected(
        junctions=round(math.prod(e + (0 if w else 1) for e, w in zip(size, wrapped, strict=True))),
        tubes=x * y * z * (7.72 + 1.42 * faces),
        neighbours=15.42 - 2.15 * faces,
        mean_length=1.274 - 0.09 * faces,
    )


def scattered_block(size: Floats, wrapped: Wrapped, rng: np.random.Generator) -> Block:
    """A block of scattered junctions with every Delaunay edge; numbered by z, then y, then x."""
    points = _points(size, wrapped, rng)
    points = points[np.lexsort((points[:, 0], points[:, 1], points[:, 2]))]
    ends, span = _delaunay(points, size, wrapped)
    length = np.linalg.norm(span, axis=1)
    on_face = {}
    for axis, names in enumerate(FACE_NAMES):
        if not wrapped[axis]:
            on_face[names[0]] = points[:, axis] == 0
            on_face[names[1]] = points[:, axis] == size[axis]
    return Block(points, ends, length, span if any(wrapped) else None, on_face, np.array(size))


def _points(size: Floats, wrapped: Wrapped, rng: np.random.Generator) -> Floats:
    from scipy.spatial import cKDTree

    margin = np.where(wrapped, 0.0, 0.5)

    def draw(number: int) -> Floats:
        loose = rng.random((number, 3)) * (size + 2 * margin) - margin
        return np.clip(loose, 0.0, size)

    points = draw(expected(size, wrapped).junctions)
    box = np.where(wrapped, size, 0.0)  # 0: this axis does not wrap
    for _ in range(_ROUNDS):
        pairs = cKDTree(points % np.where(wrapped, size, np.inf), boxsize=box).query_pairs(
            LEAST_DISTANCE, output_type="ndarray"
        )
        if len(pairs) == 0:
            break
        again = np.unique(pairs.max(axis=1))
        points[again] = draw(len(again))
    for axis in range(3):
        if not wrapped[axis]:
            _hold_faces(points, axis, size[axis])
    return points


def _hold_faces(points: Floats, axis: int, top: float) -> None:
    """In a tiny block a face may be empty: move the nearest junction onto it."""
    along = points[:, axis]
    if not np.any(along == 0):
        along[np.argmin(along)] = 0.0
    if not np.any(along == top):
        along[np.argmax(along)] = top


def _with_ghosts(points: Floats, size: Floats, wrapped: Wrapped) -> tuple[Floats, Ints]:
    """The points, then copies beyond every side; and which junction each is (-1: none).

    Beyond a wrapped side stand the junctions of the other side. Beyond a face stand mirror
    images, whose edges are thrown away: they keep the hull of the set, along which Delaunay
    edges are long, away from the block.
    """
    origin = np.arange(len(points))
    for axis in range(3):
        along, top = points[:, axis], size[axis]
        depth = min(_GHOST_DEPTH if wrapped[axis] else _MIRROR_DEPTH, top)
        if wrapped[axis]:
            low, high = along < depth, along >= top - depth
            shifted = [points[low], points[high]]
            shifted[0][:, axis] += top
            shifted[1][:, axis] -= top
            ghosts = [origin[low], origin[high]]
        else:
            low, high = (along > 0) & (along < depth), (along < top) & (along > top - depth)
            shifted = [points[low], points[high]]
            shifted[0][:, axis] *= -1
            shifted[1][:, axis] = 2 * top - shifted[1][:, axis]
            ghosts = [np.full(low.sum(), -1), np.full(high.sum(), -1)]
        points = np.concatenate([points, *shifted])
        origin = np.concatenate([origin, *ghosts])
    return points, origin


def _delaunay(points: Floats, size: Floats, wrapped: Wrapped) -> tuple[NDArray[np.int32], Floats]:
    """(m, 2) ends, lower first and sorted, and (m, 3) spans of the Delaunay edges."""
    from scipy.spatial import Delaunay

    everywhere, origin = _with_ghosts(points, size, wrapped)
    simplices = Delaunay(everywhere).simplices
    sides = np.concatenate([simplices[:, [a, b]] for a in range(4) for b in range(a)])
    del simplices
    sides = sides[(sides < len(points)).any(axis=1) & (origin[sides] >= 0).all(axis=1)]
    ends = origin[sides]
    swapped = ends[:, 1] < ends[:, 0]
    ends[swapped], sides[swapped] = ends[swapped, ::-1], sides[swapped, ::-1]
    # Each edge is seen from several tetrahedra, and one through a side from both sides. Edges are
    # shorter than half of a wrapped block (fitting refuses less), so the ends tell them apart.
    _, first = np.unique(ends[:, 0] * len(points) + ends[:, 1], return_index=True)
    ends, sides = ends[first], sides[first]
    return ends.astype(np.int32), everywhere[sides[:, 1]] - everywhere[sides[:, 0]]
