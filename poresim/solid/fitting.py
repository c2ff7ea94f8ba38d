"""From what is asked to what will be built: cells, spacing, porosity, counts; nothing is drawn.

When tubes are too wide. A tube's flow law leaves out its two ends, which resist like a further
3 pi r / 8 of length (Sampson 1891; Weissberg 1962): about half as much again when a tube is as
wide as it is long. A tail of such tubes does no harm, since wide tubes resist least and the
narrow ones set the pace; a solid in which they are common is no lattice of tubes. So a block
is refused when more than ``WIDE_SHARE`` of its tubes would be wider than long (diameter at the
ends against length), or when the tubes would take more than ``MOST_POROSITY`` of the block.
Draws are never cut off: the radii follow their law, and the wide share is reported. The same
holds for the tubes of each layer, and for bodies that are wider than the tubes between them are
long.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from poresim.solid import scattered
from poresim.solid.contents import Contents, Meshes, contents, lattice_shares, scattered_shares
from poresim.solid.field import LEAST_PERIODS, field_bytes
from poresim.solid.lattices import KINDS, LATTICES, Lattice, Triple, count
from poresim.solid.spec import SolidError, SolidSpec

#: Most tubes, as a share of all, that may be wider than long.
WIDE_SHARE = 0.2
#: Most of a block that tubes may take.
MOST_POROSITY = 0.95

#: Most neighbours that thinning can leave to scattered junctions (they start from about 15).
SCATTERED_NEIGHBOURS = 14.0

#: Least correlation length over the spacing: radii that meet are then as good as independent.
SHORTEST = 0.25


@dataclass(frozen=True)
class Fit:
    """A block that answers a SolidSpec, as expected before the radii are drawn.

    cells : cells along x, y, z ((0, 0, 0) for scattered junctions). wrapped : axes without
    faces. spacing and size in m. kept_share : tubes left by thinning. wide_share : tubes
    expected to be wider than long. layers : what each holds. field_bytes : memory that the
    correlation of the radii takes while they are drawn.
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
    layers: tuple[Contents, ...]
    field_bytes: float


def fit(spec: SolidSpec) -> Fit:
    """The block that will be built.

    Raises
    ------
    SolidError
        When no such block exists; says which values would fit.
    """
    lattice = _lattice(spec)
    found = _fit(spec, lattice)
    _refuse_empty_layers(spec, found)
    if not _fits(found):
        raise _too_wide(spec, lattice, found)
    _refuse_too_small(spec, lattice, found.spacing)
    _refuse_too_thin(spec, lattice, found)
    _refuse_correlation(spec, found)
    return found


def _lattice(spec: SolidSpec) -> Lattice | None:
    """The lattice asked for; None for scattered junctions."""
    if spec.lattice not in KINDS:
        raise SolidError("lattice", f"got {spec.lattice!r}", f"one of {', '.join(KINDS)}")
    lattice = LATTICES.get(spec.lattice)
    most = SCATTERED_NEIGHBOURS if lattice is None else lattice.neighbours
    if spec.layers and spec.layer_axis == "y" and lattice is not None and lattice.flat:
        raise SolidError("layer_axis", "got 'y', but a flat lattice lies in x-z", "use 'x' or 'z'")
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
    flat = lattice is not None and lattice.flat
    power = 1.0 if flat else 0.5  # porosity of tubes ~ spacing^(-1/power)
    if spec.body_ratio:  # porosity of bodies ~ spacing^(-3), flat ~ spacing^(-2)
        power = 2 / 3 if flat else 0.4
    spacing = max(spec.size) / 10
    for _ in range(50):  # the number of cells follows the spacing, which follows it
        found = _describe(spec, lattice, spacing)
        better = spacing * (found.porosity / spec.porosity) ** power
        if abs(better / spacing - 1) < 1e-9:
            break
        spacing = better
    found = _describe(spec, lattice, spacing)
    for _ in range(20 if spec.body_ratio else 1):  # without bodies, once is exact
        spacing *= (found.porosity / spec.porosity) ** power
        found = _describe(spec, lattice, spacing, found.cells)
    return found


def _wrapped(spec: SolidSpec, lattice: Lattice | None) -> tuple[bool, bool, bool]:
    periodic = spec.sides == "periodic"
    return periodic, periodic and not (lattice is not None and lattice.flat), False


def _describe(
    spec: SolidSpec, lattice: Lattice | None, spacing: float, cells: Triple | None = None
) -> Fit:
    """What a spacing (and, if given, a number of cells) leads to."""
    assert spec.size is not None
    wrapped = _wrapped(spec, lattice)
    size = spec.size
    if lattice is None:
        cells = (0, 0, 0)
        edges = [e / spacing for e in size]
        bulk = scattered.expected(edges, wrapped)
        share = 1.0 if spec.neighbours is None else min(1.0, spec.neighbours / bulk.neighbours)
        junctions, tubes = bulk.junctions, max(1, round(share * bulk.tubes))
        meshes = Meshes(junctions, tubes, bulk.tubes, share, bulk.mean_length * spacing)
        parts = scattered_shares(spec, edges, wrapped)
    else:
        edges = [e * spacing for e in lattice.edges]
        cells = cells or _cells(size, edges, wrapped, lattice.flat)
        share = 1.0 if spec.neighbours is None else spec.neighbours / lattice.neighbours
        every = count(lattice, cells, wrapped)
        counts = every.thinned(share)
        junctions, tubes = counts.junctions, counts.tubes
        meshes = Meshes(junctions, tubes, every.tubes, share, spacing)
        y = size[1] if lattice.flat else cells[1] * edges[1]
        size = (cells[0] * edges[0], y, cells[2] * edges[2])
        parts = lattice_shares(spec, lattice, cells, wrapped)
    layers = contents(spec, meshes, parts, size)
    porosity = sum(layer.volume for layer in layers) / math.prod(size)
    wide = sum(part * layer.wide_share for part, layer in zip(parts, layers, strict=True))
    lengths = {one.correlation for one in spec.strata if one.correlation}
    memory = max((field_bytes(length, size, wrapped) for length in lengths), default=0.0)
    return Fit(
        cells, wrapped, spacing, size, junctions, tubes, share, porosity, wide, layers, memory
    )


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


def _refuse_empty_layers(spec: SolidSpec, found: Fit) -> None:
    for number, layer in enumerate(found.layers, start=1):
        if layer.tubes < 1:
            raise SolidError(
                "layers",
                f"layer {number} ({layer.thickness * 1e3:.4g} mm) would hold no tube at a spacing "
                f"of {found.spacing * 1e6:.4g} um",
                "make it thicker than the spacing, or the spacing finer",
            )


def _refuse_correlation(spec: SolidSpec, found: Fit) -> None:
    """Correlation lengths that are shorter than tubes, or longer than a periodic block has room."""
    room = min((e for e, w in zip(found.size, found.wrapped, strict=True) if w), default=math.inf)
    most, least = room / LEAST_PERIODS, SHORTEST * found.spacing
    for number, stratum in enumerate(spec.strata):
        length = stratum.correlation
        own = bool(spec.layers) and spec.layers[number].correlation is not None
        field, whose = ("layers", f"in layer {number + 1} ") if own else ("correlation", "")
        if 0 < length < least:
            raise SolidError(
                field,
                f"{whose}the radii are correlated over {length * 1e6:.4g} um, next to nothing "
                f"beside the spacing of {found.spacing * 1e6:.4g} um",
                f"make it {_up(least * 1e6)} um or more, or leave it out",
            )
        if length > most:
            raise SolidError(
                field,
                f"{whose}the radii are correlated over {length * 1e6:.4g} um, too far for sides "
                f"that repeat after {room * 1e6:.4g} um",
                f"make it {_down(most * 1e6)} um or less, or the block larger",
            )


def _fits(found: Fit) -> bool:
    return (
        all(max(one.wide_share, one.crowded_share) <= WIDE_SHARE for one in found.layers)
        and found.porosity <= MOST_POROSITY
    )


def _why_too_wide(found: Fit) -> str:
    for number, layer in enumerate(found.layers, start=1):
        place = f" in layer {number}" if len(found.layers) > 1 else ""
        at_most = (
            f"(spacing {found.spacing * 1e6:.4g} um), and at most {100 * WIDE_SHARE:.0f} % may be"
        )
        if layer.wide_share > WIDE_SHARE:
            share = f"{100 * layer.wide_share:.0f} %"
            return f"{share} of the tubes{place} would be wider than long {at_most}"
        if layer.crowded_share > WIDE_SHARE:
            share = f"{100 * layer.crowded_share:.0f} %"
            return f"{share} of the bodies{place} would be wider than a tube is long {at_most}"
    bodies = any(layer.crowded_share for layer in found.layers)
    return (
        f"the tubes{' and bodies' * bodies} would take {100 * found.porosity:.0f} % of the block, "
        f"and at most {100 * MOST_POROSITY:.0f} % can be"
    )


def _too_wide(spec: SolidSpec, lattice: Lattice | None, found: Fit) -> SolidError:
    """The fault, with the values that would fit."""
    wrong = _why_too_wide(found)

    def fits(changed: SolidSpec) -> bool:
        return _fits(_fit(changed, lattice))

    if spec.porosity is not None:
        most = _largest(lambda p: fits(replace(spec, porosity=p)), 1e-9, spec.porosity)
        right = f"a porosity of {_down(most)} or less would fit these radii"
        return SolidError("porosity", wrong, right)
    assert spec.spacing is not None
    factor = _largest(lambda k: fits(spec.scaled(k)), 1e-9, 1.0)
    right = f"multiply the radii by {_down(factor)} or less"
    spacing = _smallest(lambda s: fits(replace(spec, spacing=s)), spec.spacing)
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
