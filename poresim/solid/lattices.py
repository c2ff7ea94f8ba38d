"""The lattices: where junctions stand in a cell, which of them are joined, and how many.

A cell is a box whose edges are cut into ``parts`` equal steps; sites stand on whole steps, so
that which junction lies on a face is a question of whole numbers. Lengths are in units of the
distance between neighbours. Sources: the crystal structures of any solid-state text.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from math import ceil, prod, sqrt

Triple = tuple[int, int, int]

_ON_BORDER = 1e-6  # steps


@dataclass(frozen=True)
class Bond:
    """A tube from site ``start`` of a cell along ``step`` (whole steps of the cell's parts)."""

    start: int
    step: Triple


@dataclass(frozen=True)
class Lattice:
    """One cell of a lattice.

    edges : edge lengths of the cell over the distance between neighbours (x, y, z).
    parts : steps into which each edge is cut.
    sites : positions of the junctions of a cell, in steps.
    neighbours : tubes that meet at a junction inside.
    flat : the lattice lies in the x-z plane, one junction thick.
    face_depth : junctions up to so many steps from a side lie on that face. It is 0 but for
        the zigzag sides of the triangular lattice, where the tubes of the inner junctions of
        the zigzag would lead out of the block, too.
    """

    name: str
    edges: tuple[float, float, float]
    parts: Triple
    sites: tuple[Triple, ...]
    neighbours: int
    flat: bool = False
    face_depth: Triple = (0, 0, 0)

    @cached_property
    def bonds(self) -> tuple[Bond, ...]:
        """Every tube that starts in one cell, each once: the pairs of sites at distance 1."""
        found = []
        for (i, a), b in itertools.product(enumerate(self.sites), self.sites):
            for cell in itertools.product((-1, 0, 1), repeat=3):
                step = tuple(
                    q - p + n * c for p, q, n, c in zip(a, b, self.parts, cell, strict=True)
                )
                square = sum(
                    (s * e / n) ** 2 for s, e, n in zip(step, self.edges, self.parts, strict=True)
                )
                forward = step[::-1] > (0, 0, 0) and not (self.flat and step[1])
                if forward and abs(square - 1) < 1e-9:
                    found.append(Bond(i, (step[0], step[1], step[2])))
        return tuple(found)


_R3 = sqrt(3)
_FCC = ((0, 0, 0), (2, 2, 0), (2, 0, 2), (0, 2, 2))
_FLAT = 1.0  # of no account: a flat lattice has one plane of junctions in y

LATTICES = {
    lattice.name: lattice
    for lattice in (
        Lattice("cubic", (1, 1, 1), (1, 1, 1), ((0, 0, 0),), 6),
        Lattice("bcc", (2 / _R3,) * 3, (2, 2, 2), ((0, 0, 0), (1, 1, 1)), 8),
        Lattice("fcc", (sqrt(2),) * 3, (4, 4, 4), _FCC, 12),
        Lattice(
            "diamond",
            (4 / _R3,) * 3,
            (4, 4, 4),
            (*_FCC, *((x + 1, y + 1, z + 1) for x, y, z in _FCC)),
            4,
        ),
        Lattice("square", (1, _FLAT, 1), (1, 1, 1), ((0, 0, 0),), 4, flat=True),
        Lattice(
            "triangular",
            (1, _FLAT, _R3),
            (2, 1, 2),
            ((0, 0, 0), (1, 0, 1)),
            6,
            flat=True,
            face_depth=(1, 0, 0),
        ),
        Lattice(
            "honeycomb",
            (_R3, _FLAT, 3),
            (2, 1, 6),
            ((0, 0, 0), (1, 0, 1), (1, 0, 3), (0, 0, 4)),
            3,
            flat=True,
        ),
    )
}

#: Every kind of lattice a scenario may name.
KINDS = (*LATTICES, "scattered")


@dataclass(frozen=True)
class Counts:
    """How much a block holds. Inner junctions are those that lie on no face.

    inner_tubes, outer_tubes : tubes with both ends inner, and with none; the others, with one
        inner end, are mixed_tubes.
    """

    junctions: int
    inner_junctions: int
    inner_tubes: int
    mixed_tubes: int
    outer_tubes: int

    @property
    def tubes(self) -> int:
        """All tubes."""
        return self.inner_tubes + self.mixed_tubes + self.outer_tubes

    def thinned(self, kept_share: float) -> Counts:
        """What stays when a share of each class of tubes is kept."""
        inner, mixed, outer = (
            round(kept_share * n) for n in (self.inner_tubes, self.mixed_tubes, self.outer_tubes)
        )
        return Counts(self.junctions, self.inner_junctions, inner, mixed, outer)


def count(lattice: Lattice, cells: Triple, wrapped: tuple[bool, bool, bool]) -> Counts:
    """Exact counts of a block of ``cells`` cells, without building it.

    A block holds every site from step 0 to step ``cells * parts`` (both included) of an axis
    that is not wrapped, and the flat axis holds one plane.
    """
    axes = _axes(lattice, cells, wrapped)
    here = (0, 0, 0)
    junctions = sum(_pairs(axes, site, here, False, False) for site in lattice.sites)
    inner = sum(_pairs(axes, site, here, True, True) for site in lattice.sites)
    both = one = every = 0
    for bond in lattice.bonds:
        site = lattice.sites[bond.start]
        every += _pairs(axes, site, bond.step, False, False)
        both += _pairs(axes, site, bond.step, True, True)
        one += _pairs(axes, site, bond.step, True, False)
        one += _pairs(axes, site, bond.step, False, True)
    mixed = one - 2 * both
    return Counts(junctions, inner, both, mixed, every - both - mixed)


def tubes_below(
    lattice: Lattice, cells: Triple, wrapped: tuple[bool, bool, bool], axis: int, share: float
) -> int:
    """How many tubes have their midpoint in the lower ``share`` of the block's edge.

    A midpoint on the border itself does not count.
    """
    axes = _axes(lattice, cells, wrapped)
    beside = [n for n in range(3) if n != axis]
    border = share * axes[axis].cells * axes[axis].parts - _ON_BORDER
    found = 0
    for bond in lattice.bonds:
        site = lattice.sites[bond.start]
        rows = prod(axes[n].pairs(site[n], bond.step[n], False, False) for n in beside)
        found += rows * axes[axis].pairs_below(site[axis], bond.step[axis], border)
    return found


@dataclass(frozen=True)
class _Axis:
    """One axis of a block: an axis without faces is wrapped, or is the flat one."""

    cells: int
    parts: int
    face_depth: int
    faceless: bool

    def pairs(self, at: int, along: int, inner: bool, inner_end: bool) -> int:
        """Places of a site from which the place ``along`` further lies in the block, too.

        inner, inner_end : the place, and the other place, must not lie on a face.
        """
        if self.faceless:
            return self.cells
        start, end = inner * (self.face_depth + 1), inner_end * (self.face_depth + 1)
        top = self.cells * self.parts
        low = max(start, end - along) - at
        high = min(top - start, top - end - along) - at
        return max(0, high // self.parts - -(-low // self.parts) + 1)

    def pairs_below(self, at: int, along: int, border: float) -> int:
        """Those of all pairs whose middle lies below a border, both in steps."""
        if self.faceless:
            middle = (at + along / 2) % self.parts
            return min(self.cells, max(0, ceil((border - middle) / self.parts)))
        first = -(-(max(0, -along) - at) // self.parts)
        middle = at + along / 2 + first * self.parts
        below = max(0, ceil((border - middle) / self.parts))
        return min(self.pairs(at, along, False, False), below)


def _axes(lattice: Lattice, cells: Triple, wrapped: tuple[bool, bool, bool]) -> list[_Axis]:
    return [
        _Axis(1, 1, 0, True)
        if lattice.flat and axis == 1
        else _Axis(cells[axis], parts, lattice.face_depth[axis], wrapped[axis])
        for axis, parts in enumerate(lattice.parts)
    ]


def _pairs(axes: list[_Axis], site: Triple, step: Triple, inner: bool, inner_end: bool) -> int:
    """Number of cells in which ``site`` and the place ``step`` away both lie in the block."""
    return prod(
        axis.pairs(at, along, inner, inner_end)
        for axis, at, along in zip(axes, site, step, strict=True)
    )
