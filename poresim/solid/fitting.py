"""From what is asked to what will be built: cells, spacing, porosity, counts; nothing is drawn.

When tubes are too wide. A tube's flow law leaves out its two ends, which resist like a further
3 pi r / 8 of length (Sampson 1891; Weissberg 1962): about half as much again when a tube is as
wide as it is long. A tail of such tubes does no harm, since wide tubes resist least and the
narrow ones set the pace; a solid in which they are common is no lattice of tubes. So a block
is refused when more than ``WIDE_SHARE`` of its tubes would be wider than long (diameter at the
ends against length), or when the tubes would take more than ``MOST_POROSITY`` of the block.
Draws are never cut off: the radii follow their law, and the wide share is reported.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from poresim.solid import scattered
from poresim.solid.lattices import KINDS, LATTICES, Lattice, Triple, count
from poresim.solid.spec import SolidError, SolidSpec

#: Most tubes, as a share of all, that may be wider than long.
WIDE_SHARE = 0.2
#: Most of a block that tubes may take.
MOST_POROSITY = 0.95

#: Most neighbours that thinning can leave to scattered junctions (they start from about 15).
SCATTERED_NEIGHBOURS = 14.0


@dataclass(frozen=True)
class Fit:
    """A block that answers a SolidSpec, as expected before the radii are drawn.

    cells : cells along x, y, z ((0, 0, 0) for scattered junctions). wrapped : axes without
    faces. spacing and size in m. kept_share : tubes left by thinning. wide_share : tubes
    expected to be wider than long.
    """

    cells: Triple
    wrapped: tuple[bool, bool, bool]
    spacing: float
    size: tuple[float, float, float]
    junctions: int
    tubes: int
    kept_share: float
    porosity: float
    wide_share: float


def fit(spec: SolidSpec) -> Fit:
    """The block that will be built.

    Raises
    ------
    SolidError
        When no such block exists; says which values would fit.
    """
    lattice = _lattice(spec)
    found = _fit(spec, lattice)
    if not _fits(found):
        raise _too_wide(spec, lattice, found)
    _refuse_too_small(spec, lattice, found.spacing)
    _refuse_too_thin(spec, lattice, found)
    return found


def tube_shape(waist: float) -> float:
    """Volume of a waisted tube over that of a straight one."""
    return (1 + waist + waist * waist) / 3


def _lattice(spec: SolidSpec) -> Lattice | None:
    """The lattice asked for; None for scattered junctions."""
    if spec.lattice not in KINDS:
        raise SolidError("lattice", f"got {spec.lattice!r}", f"one of {', '.join(KINDS)}")
    lattice = LATTICES.get(spec.lattice)
    most = SCATTERED_NEIGHBOURS if lattice is None else lattice.neighbours
    if spec.neighbours is not None and not 0 < spec.neighbours <= most:
        raise SolidError(
            "neighbours",
            f"got {spec.neighbours:g}, and thinning only takes tubes out",
            f"a {spec.lattice} solid can have up to {most:g}",
        )
    return lattice


def _fit(spec: SolidSpec, lattice: Lattice | None) -> Fit:
    """The block, whether or not it can be."""
    if spec.spacing is not None:
        return _describe(spec, lattice, spec.spacing)
    assert spec.porosity is not None and spec.size is not None
    power = 1.0 if lattice is not None and lattice.flat else 0.5  # porosity ~ spacing^(-1/power)
    spacing = max(spec.size) / 10
    for _ in range(50):  # the number of cells follows the spacing, which follows it
        found = _describe(spec, lattice, spacing)
        better = spacing * (found.porosity / spec.porosity) ** power
        if abs(better / spacing - 1) < 1e-9:
            break
        spacing = better
    found = _describe(spec, lattice, spacing)
    exact = spacing * (found.porosity / spec.porosity) ** power
    return _describe(spec, lattice, exact, found.cells)


def _wrapped(spec: SolidSpec, lattice: Lattice | None) -> tuple[bool, bool, bool]:
    periodic = spec.sides == "periodic"
    return periodic, periodic and not (lattice is not None and lattice.flat), False


def _describe(
    spec: SolidSpec, lattice: Lattice | None, spacing: float, cells: Triple | None = None
) -> Fit:
    """What a spacing (and, if given, a number of cells) leads to."""
    assert spec.size is not None and spec.radii is not None
    wrapped = _wrapped(spec, lattice)
    size = spec.size
    if lattice is None:
        cells = (0, 0, 0)
        bulk = scattered.expected([e / spacing for e in size], wrapped)
        share = 1.0 if spec.neighbours is None else min(1.0, spec.neighbours / bulk.neighbours)
        junctions, tubes = bulk.junctions, max(1, round(share * bulk.tubes))
        length = bulk.mean_length * spacing
    else:
        edges = [e * spacing for e in lattice.edges]
        cells = cells or _cells(size, edges, wrapped, lattice.flat)
        share = 1.0 if spec.neighbours is None else spec.neighbours / lattice.neighbours
        counts = count(lattice, cells, wrapped).thinned(share)
        junctions, tubes, length = counts.junctions, counts.tubes, spacing
        y = size[1] if lattice.flat else cells[1] * edges[1]
        size = (cells[0] * edges[0], y, cells[2] * edges[2])
    volume = max(tubes, 1) * math.pi * spec.radii.mean_square * tube_shape(spec.waist) * length
    wide = float(spec.radii.share_above(length / 2))
    porosity = volume / math.prod(size)
    return Fit(cells, wrapped, spacing, size, junctions, tubes, share, porosity, wide)


def _cells(
    size: tuple[float, float, float],
    edges: list[float],
    wrapped: tuple[bool, bool, bool],
    flat: bool,
) -> Triple:
    """Whole numbers of cells nearest to the size; at least 2 where a tube must not meet itself."""
    x, y, z = (
        max(2 if wraps else 1, round(asked / edge))
        for asked, edge, wraps in zip(size, edges, wrapped, strict=True)
    )
    return x, 1 if flat else y, z


def _refuse_too_small(spec: SolidSpec, lattice: Lattice | None, spacing: float) -> None:
    assert spec.size is not None
    wrapped = _wrapped(spec, lattice)
    for axis, name in enumerate("xyz"):
        if lattice is None:
            least = (scattered.LEAST_WRAPPED if wrapped[axis] else 1.0) * spacing
        elif lattice.flat and axis == 1:
            continue
        else:
            least = (1.5 if wrapped[axis] else 0.5) * lattice.edges[axis] * spacing
        if spec.size[axis] < least:
            raise SolidError(
                "size",
                f"the {name} edge of {spec.size[axis] * 1e3:.4g} mm is too short for a "
                f"{spec.lattice} solid with a spacing of {spacing * 1e6:.4g} um",
                f"make it at least {_up(least * 1e3)} mm, or the tubes finer",
            )


def _refuse_too_thin(spec: SolidSpec, lattice: Lattice | None, found: Fit) -> None:
    """Neighbours that thinning cannot reach: none left, or more than scattered points have."""
    if spec.neighbours is None:
        return
    if found.tubes == 0:
        raise SolidError(
            "neighbours", f"got {spec.neighbours:g}, which leaves no tube", "ask for more"
        )
    if lattice is None:
        edges = [edge / found.spacing for edge in found.size]
        there = scattered.expected(edges, found.wrapped).neighbours
        if spec.neighbours > there:
            raise SolidError(
                "neighbours",
                f"got {spec.neighbours:g}, but scattered junctions in a block of this size have "
                f"about {there:.3g}, and thinning only takes tubes out",
                "ask for fewer, or make the block larger",
            )


def _fits(found: Fit) -> bool:
    return found.wide_share <= WIDE_SHARE and found.porosity <= MOST_POROSITY


def _too_wide(spec: SolidSpec, lattice: Lattice | None, found: Fit) -> SolidError:
    """The fault, with the values that would fit."""
    assert spec.radii is not None
    radii = spec.radii
    if found.wide_share > WIDE_SHARE:
        wrong = (
            f"{100 * found.wide_share:.0f} % of the tubes would be wider than long "
            f"(spacing {found.spacing * 1e6:.4g} um), and at most {100 * WIDE_SHARE:.0f} % may be"
        )
    else:
        wrong = (
            f"the tubes would take {100 * found.porosity:.0f} % of the block, and at most "
            f"{100 * MOST_POROSITY:.0f} % can be"
        )

    def fits(**changes: Any) -> bool:
        return _fits(_fit(replace(spec, **changes), lattice))

    if spec.porosity is not None:
        most = _largest(lambda p: fits(porosity=p), 1e-9, spec.porosity)
        right = f"a porosity of {_down(most)} or less would fit these radii"
        return SolidError("porosity", wrong, right)
    assert spec.spacing is not None
    factor = _largest(lambda k: fits(radii=radii.scaled(k)), 1e-9, 1.0)
    right = f"multiply the radii by {_down(factor)} or less"
    spacing = _smallest(lambda s: fits(spacing=s), spec.spacing)
    try:
        _refuse_too_small(spec, lattice, spacing)
    except SolidError:  # the block does not hold one cell of that spacing
        return SolidError("spacing", wrong, right)
    return SolidError(
        "spacing", wrong, f"make the spacing {_up(spacing * 1e6)} um or more, or {right}"
    )


def _largest(fits: Callable[[float], bool], low: float, high: float) -> float:
    """The largest value between low (fits) and high (does not) that fits, to 0.1 %."""
    while high / low > 1.001:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _smallest(fits: Callable[[float], bool], low: float) -> float:
    """The smallest value above low that fits, to 0.1 %."""
    high = 2 * low
    for _ in range(60):
        if fits(high):
            break
        high *= 2
    while high / low > 1.001:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high


def _up(value: float) -> str:
    """Three figures, rounded up."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 2)
    return f"{math.ceil(value / unit - 1e-9) * unit:.3g}"


def _down(value: float) -> str:
    """Three figures, rounded down."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 2)
    return f"{math.floor(value / unit + 1e-9) * unit:.3g}"
