"""Junctions and tubes of a lattice block, in whole steps first and in metres last."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from poresim.solid.lattices import Lattice, Triple

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Steps = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Block:
    """Junctions and tubes of a block before radii are drawn; lengths over the spacing.

    points : (n, 3). ends : (m, 2). length : (m,), or one number for all tubes.
    span : (m, 3) displacement from end 0 to end 1, where tubes wrap; None: it is the difference
    of the points. on_face : name -> (n,) which junctions lie on that face; only faces that exist.
    size : (3,) edge lengths of the block.
    """

    points: Floats
    ends: Steps
    length: Floats | float
    span: Floats | None
    on_face: dict[str, NDArray[np.bool_]]
    size: Floats

    @property
    def inner(self) -> NDArray[np.bool_]:
        """(n,) junctions that lie on no face."""
        found = np.ones(len(self.points), dtype=bool)
        for on in self.on_face.values():
            found &= ~on
        return found

    def thinned(self, kept: Ints) -> Block:
        """The block with those tubes alone."""
        return replace(
            self,
            ends=self.ends[kept],
            length=self.length if isinstance(self.length, float) else self.length[kept],
            span=None if self.span is None else self.span[kept],
        )


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
    del order
    ends, bond = _join(lattice, steps, site, key, top, wrapped)
    del site, key
    unit = np.array(lattice.edges) / np.array(lattice.parts)
    points = steps * unit
    size = top * unit
    if lattice.flat:
        points[:, 1] = thickness / 2
        size[1] = thickness
    span = None
    if any(wrapped):
        along = np.array([b.step for b in lattice.bonds]) * unit
        span = np.concatenate([along, -along])[bond]
    on_face = {}
    for axis, names in enumerate(FACE_NAMES):
        if wrapped[axis] or (lattice.flat and axis == 1):
            continue
        depth = lattice.face_depth[axis]
        on_face[names[0]] = steps[:, axis] <= depth
        on_face[names[1]] = steps[:, axis] >= top[axis] - depth
    return Block(points, ends, 1.0, span, on_face, size)


def _places(
    lattice: Lattice, cells: Triple, wrapped: tuple[bool, bool, bool]
) -> tuple[Steps, NDArray[np.int8]]:
    """(n, 3) steps and (n,) site of every junction."""
    steps, sites = [], []
    for number, site in enumerate(lattice.sites):
        axes = []
        for axis, (at, parts) in enumerate(zip(site, lattice.parts, strict=True)):
            if lattice.flat and axis == 1:
                axes.append(np.zeros(1, dtype=np.int32))
                continue
            closing = at == 0 and not wrapped[axis]
            axes.append(at + parts * np.arange(cells[axis] + closing, dtype=np.int32))
        place = np.empty((len(axes[2]), len(axes[1]), len(axes[0]), 3), dtype=np.int32)
        place[..., 0], place[..., 1] = axes[0], axes[1][:, None]
        place[..., 2] = axes[2][:, None, None]
        steps.append(place.reshape(-1, 3))
        sites.append(np.full(len(steps[-1]), number, dtype=np.int8))
    return np.concatenate(steps), np.concatenate(sites)


def _key(steps: Steps, top: Ints) -> Ints:
    """One whole number a place, rising with z, then y, then x."""
    key = steps[:, 2].astype(np.int64)
    for axis in (1, 0):
        key *= top[axis] + 1
        key += steps[:, axis]
    return key


def _join(
    lattice: Lattice,
    steps: Steps,
    site: NDArray[np.int8],
    key: Ints,
    top: Ints,
    wrapped: tuple[bool, bool, bool],
) -> tuple[Steps, NDArray[np.int8]]:
    """(m, 2) ends, lower junction first and sorted, and (m,) the bond of each tube.

    The bond is counted on from the last where the tube leads back along it.
    """
    found, bonds = [], []
    for number, bond in enumerate(lattice.bonds):
        start = np.flatnonzero(site == bond.start)
        target = steps[start] + np.array(bond.step, dtype=np.int32)
        inside = np.ones(len(start), dtype=bool)
        for axis in range(3):
            if wrapped[axis]:
                target[:, axis] %= top[axis]
            elif not (lattice.flat and axis == 1):
                inside &= (target[:, axis] >= 0) & (target[:, axis] <= top[axis])
        pair = np.empty((np.count_nonzero(inside), 2), dtype=np.int32)
        pair[:, 0] = start[inside]
        pair[:, 1] = np.searchsorted(key, _key(target[inside], top))
        back = pair[:, 1] < pair[:, 0]
        pair[back] = pair[back, ::-1]
        found.append(pair)
        bonds.append(np.where(back, number + len(lattice.bonds), number).astype(np.int8))
    ends = np.concatenate(found)
    found.clear()
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    return ends[order], np.concatenate(bonds)[order]
