"""A block dipped into liquid: which junctions lie under the surface, and how deep.

The block is lowered until its lowest corner lies ``depth`` below the surface, tilted about y
towards its left side, held, and lifted out; then again, if asked. Liquid enters at all junctions of
its faces that lie below the surface, each under the head above it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.drop.film import Film, film_on
from poresim.liquid.laws import ViscosityLaw
from poresim.liquid.suspension import GRAVITY
from poresim.outcome.faces import AXES, inlet_of, wetted_area
from poresim.solid.network import Network

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Dip:
    """How a block is dipped. SI units.

    depth : of its lowest corner below the surface, m; None: whole ``faces`` just touch it.
    tilt : rad. held : s, how long each time. times : how often. rest : s between two dips.
    lift_speed : m/s, at which it is lifted out, with a film on what was below; None: without.
    """

    depth: float | None
    tilt: float = 0.0
    held: float = 30.0
    times: int = 1
    rest: float = 60.0
    faces: tuple[str, ...] = ()
    lift_speed: float | None = None

    @property
    def lifts(self) -> tuple[float, ...]:
        """When it is lifted out and put back, in turn, s from the first touch."""
        turns = []
        for k in range(self.times):
            begin = k * (self.held + self.rest)
            turns += [begin, begin + self.held]
        return tuple(turns[1:])

    @property
    def up(self) -> Floats:
        """(3,) the direction against gravity, in the block's axes."""
        return np.array([math.sin(self.tilt), 0.0, math.cos(self.tilt)])


class Immersed(NamedTuple):
    """Where liquid enters: k junctions on the faces."""

    junctions: Ints  # (k,)
    below: Floats  # (k,) depth below the surface, m
    area: float  # of what touches the liquid, m2; NaN where it is not known


def immersed(network: Network, dip: Dip) -> Immersed:
    """Where a block touches the liquid.

    Raises ValueError for a depth without a block, and where no junction touches it.
    """
    if dip.depth is None:
        at = inlet_of(network, dip.faces)
        return Immersed(at, np.zeros(len(at)), wetted_area(network, dip.faces))
    if network.size is None:
        raise ValueError("exposure.depth_mm: is for blocks, and this network has no size")
    on = [np.asarray(on, dtype=np.int64) for on in network.faces.values() if len(on)]
    at = np.unique(np.concatenate(on)) if on else np.zeros(0, np.int64)
    below = _surface(network.size, dip) - network.points[at] @ dip.up
    wet = below >= 0.0
    if not wet.any():
        raise ValueError(
            f"exposure.depth_mm: no junction of a face lies up to {1e3 * dip.depth:g} mm deep; "
            "dip deeper"
        )
    faces = [face for face, on in network.faces.items() if len(on)]
    return Immersed(at[wet], below[wet], area_below(network.size, faces, dip))


def faces_below(size: Floats, present: Sequence[str], dip: Dip) -> tuple[str, ...]:
    """Those of the faces that are ``present`` of which a part lies below the surface."""
    if dip.depth is None:
        return dip.faces
    return tuple(face for face in present if _part_below(size, face, dip) > 0.0)


def area_below(size: Floats, present: Sequence[str], dip: Dip) -> float:
    """Area of what lies below the surface of these faces, m2."""
    return sum(_part_below(size, face, dip) for face in present if face in AXES)


def _surface(size: Floats, dip: Dip) -> float:
    """How high the surface stands along ``dip.up`` from the block's corner of no coordinates."""
    assert dip.depth is not None
    return float((_corners(size) @ dip.up).min()) + dip.depth


def _corners(size: Floats) -> Floats:
    return np.array(np.meshgrid(*[[0.0, edge] for edge in size])).reshape(3, -1).T


def film_of(
    network: Network, dip: Dip, area: float, law: ViscosityLaw, tension: float, density: float
) -> Film | None:
    """The film on a block that is lifted out; it runs down all that was below the surface.

    area : m2, of that. law : of the flow of the liquid with its grains; tension : N/m; density :
    kg/m3. None where no speed is given.
    """
    if dip.lift_speed is None or dip.depth is None or network.size is None:
        return None
    tops = _corners(network.size) @ dip.up
    height = min(dip.depth, float(tops.max() - tops.min()))
    return film_on(law, dip.lift_speed, tension, density, area, height)


def heads(below: Floats, density: float) -> Floats:
    """(k,) gauge pressure, Pa, at those depths below the surface of a liquid at rest."""
    return density * GRAVITY * below


def _part_below(size: Floats, face: str, dip: Dip) -> float:
    """Area of a face's part below the surface, m2: a rectangle cut by a straight line."""
    across, up, surface = AXES[face], dip.up, _surface(size, dip)
    level = 0.0 if face in ("left", "front", "bottom") else float(size[across])
    one, other = (axis for axis in range(3) if axis != across)
    corners = [(0.0, 0.0), (size[one], 0.0), (size[one], size[other]), (0.0, size[other])]
    kept: list[tuple[float, float]] = []
    for k, here in enumerate(corners):
        before = corners[k - 1]
        a, b = (
            surface - float(up[across] * level + up[one] * x + up[other] * y)
            for x, y in (before, here)
        )
        if (a < 0.0) != (b < 0.0):
            share = a / (a - b)
            x, y = (p + share * (q - p) for p, q in zip(before, here, strict=True))
            kept.append((x, y))
        if b >= 0.0:
            kept.append(here)
    if not kept:
        return 0.0
    x, y = np.array(kept).T
    return float(0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))
