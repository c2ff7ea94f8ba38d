"""Junctions and tubes of a lattice block, in whole steps first and in metres last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.solid.lattices import Lattice, Triple

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Block:
    """Junctions and tubes of a block before radii are drawn; lengths over the spacing.

    points : (n, 3). ends : (m, 2). span : (m, 3) displacement from end 0 to end 1.
    on_face : name -> (n,) which junctions lie on that face; only faces that exist.
    size : (3,) edge lengths of the block.
    """

    points: Floats
    ends: Ints
    span: Floats
    on_face: dict[str, NDArray[np.bool_]]
    size: Floats

    @property
    def inner(self) -> NDArray[np.bool_]:
        """(n,) junctions that lie on no face."""
        found = np.ones(len(self.points), dtype=bool)
        for on in self.on_face.values():
            found &= ~on
        return found


FACE_NAMES = (("left", "right"), ("front", "back"), ("bottom", "top"))


def lattice_block(
    lattice: Lattice, cells: Triple, wrapped: tuple[bool, bool, bool], thickness: float
) -> Block:
    """A block of ``cells`` cells; junctions are numbered by z, then y, then x.

    wrapped : the axes whose two sides are one and the same. thickness : y edge of a flat
    block, over the spacing; its junctions lie halfway.
    """
    top = np.array(cells) * np.array(lattice.parts)  # last step of each axis
    steps, site = _places(lattice, cells, wrapped)
    key = _key(steps, top)
    order = np.argsort(key, kind="stable")
    steps, site, key = steps[order], site[order], key[order]
    ends, along = _join(lattice, steps, site, key, top, wrapped)
    unit = np.array(lattice.edges) / np.array(lattice.parts)
    points = steps * unit
    size = top * unit
    if lattice.flat:
        points[:, 1] = thickness / 2
        size[1] = thickness
    on_face = {}
    for axis, names in enumerate(FACE_NAMES):
        if wrapped[axis] or (lattice.flat and axis == 1):
            continue
        depth = lattice.face_depth[axis]
        on_face[names[0]] = steps[:, axis] <= depth
        on_face[names[1]] = steps[:, axis] >= top[axis] - depth
    return Block(points, ends, along * unit, on_face, size)


def _places(lattice: Lattice, cells: Triple, wrapped: tuple[bool, bool, bool]) -> tuple[Ints, Ints]:
    """(n, 3) steps and (n,) site of every junction."""
    steps, sites = [], []
    for number, site in enumerate(lattice.sites):
        axes = []
        for axis, (at, parts) in enumerate(zip(site, lattice.parts, strict=True)):
            if lattice.flat and axis == 1:
                axes.append(np.zeros(1, dtype=np.int64))
                continue
            closing = at == 0 and not wrapped[axis]
            axes.append(at + parts * np.arange(cells[axis] + closing, dtype=np.int64))
        z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
        steps.append(np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1))
        sites.append(np.full(x.size, number))
    return np.concatenate(steps), np.concatenate(sites)


def _key(steps: Ints, top: Ints) -> Ints:
    """One whole number a place, rising with z, then y, then x."""
    return (steps[:, 2] * (top[1] + 1) + steps[:, 1]) * (top[0] + 1) + steps[:, 0]


def _join(
    lattice: Lattice,
    steps: Ints,
    site: Ints,
    key: Ints,
    top: Ints,
    wrapped: tuple[bool, bool, bool],
) -> tuple[Ints, Ints]:
    """(m, 2) ends and (m, 3) steps along each tube, sorted by ends, lower junction first."""
    all_ends, all_along = [], []
    for bond in lattice.bonds:
        start = np.flatnonzero(site == bond.start)
        target = steps[start] + np.array(bond.step)
        inside = np.ones(len(start), dtype=bool)
        for axis in range(3):
            if wrapped[axis]:
                target[:, axis] %= top[axis]
            elif not (lattice.flat and axis == 1):
                inside &= (target[:, axis] >= 0) & (target[:, axis] <= top[axis])
        start, target = start[inside], target[inside]
        end = np.searchsorted(key, _key(target, top))
        swapped = (end < start)[:, None]
        pair = np.stack([start, end], axis=1)
        all_ends.append(np.where(swapped, pair[:, ::-1], pair))
        all_along.append(np.where(swapped, -1, 1) * np.array(bond.step))
    ends, along = np.concatenate(all_ends), np.concatenate(all_along)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    return ends[order], along[order]
