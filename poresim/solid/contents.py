"""What the layers of a block are expected to hold, before radii are drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from poresim.solid import scattered
from poresim.solid.bodies import SPHERE, Widest
from poresim.solid.lattices import Lattice, Triple, tubes_below
from poresim.solid.layers import Stratum
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import mean_tube_shape

Triplet = tuple[float, float, float]
Wrapped = tuple[bool, bool, bool]


@dataclass(frozen=True)
class Contents:
    """One layer. thickness in m, volumes in m3.

    tubes : number expected. volume : of tubes and bodies. wide_share : of its tubes that are
    wider than long. crowded_share : of its bodies that are wider than a tube is long.
    porosity : volume over that of the layer.
    """

    thickness: float
    tubes: float
    volume: float
    porosity: float
    wide_share: float
    crowded_share: float


@dataclass(frozen=True)
class Meshes:
    """Junctions and tubes of a block.

    before : tubes before thinning, of which ``kept_share`` stays. length : of a tube, m.
    """

    junctions: int
    tubes: int
    before: float
    kept_share: float
    length: float


def contents(
    spec: SolidSpec, meshes: Meshes, shares: Sequence[float], size: Triplet
) -> tuple[Contents, ...]:
    """Each layer of a block of that size (m); ``shares`` says how its tubes divide among them."""
    found = []
    ends = (0.0, *spec.layer_ends)
    for number, (stratum, share) in enumerate(zip(spec.strata, shares, strict=True)):
        depth = ends[number + 1] - ends[number]
        tubes = max(meshes.tubes, 1) * share
        shape = mean_tube_shape(stratum.waist)
        volume = tubes * math.pi * stratum.radii.mean_square * shape * meshes.length
        wide = float(stratum.radii.share_above(meshes.length / 2))
        crowded = 0.0
        if spec.body_ratio:
            bodies, crowded = _bodies(spec.body_ratio, stratum, meshes)
            volume += share * bodies
        thickness = depth * size[spec.axis]
        porosity = volume / (depth * math.prod(size))
        found.append(Contents(thickness, tubes, volume, porosity, wide, crowded))
    return tuple(found)


def _bodies(ratio: float, stratum: Stratum, meshes: Meshes) -> tuple[float, float]:
    """Volume of all bodies, if all tubes followed one layer, and how many would be too wide."""
    meeting = 2 * meshes.before / meshes.junctions
    widest = Widest(stratum, meeting, meshes.kept_share, meshes.length)
    volume = meshes.junctions * SPHERE * ratio**3 * widest.mean_cube()
    return volume, widest.share_above(meshes.length / 2 / ratio)


def lattice_shares(
    spec: SolidSpec, lattice: Lattice, cells: Triple, wrapped: Wrapped
) -> list[float]:
    """Share of the tubes in each layer: exact before thinning, which takes from all alike."""
    if len(spec.layer_ends) == 1:
        return [1.0]
    below = [tubes_below(lattice, cells, wrapped, spec.axis, e) for e in spec.layer_ends[:-1]]
    every = tubes_below(lattice, cells, wrapped, spec.axis, 2.0)
    upto = [0, *below, every]
    return [(upto[k + 1] - upto[k]) / every for k in range(len(spec.layer_ends))]


def scattered_shares(spec: SolidSpec, size: Sequence[float], wrapped: Wrapped) -> list[float]:
    """Share of the tubes in each layer, about; size in spacings. Faces hold tubes of their own."""
    ends = (0.0, *spec.layer_ends)
    if len(ends) == 2:
        return [1.0]
    every = scattered.expected(size, wrapped).tubes
    without = tuple(w or axis == spec.axis for axis, w in enumerate(wrapped))
    even = scattered.expected(size, (without[0], without[1], without[2])).tubes
    shares = [(ends[k + 1] - ends[k]) * even / every for k in range(len(ends) - 1)]
    shares[0] += (every - even) / every / 2
    shares[-1] += (every - even) / every / 2
    return shares
