"""Layers of a block: each has its own law of the radii, of the waists, its own correlation.

A tube belongs to the layer in which its midpoint lies; on the border of two, to the one further
along the axis. Layers are listed from the low side: from the bottom up, left to right, front to
back. A block is a whole number of cells near the size asked for, and its layers are stretched
with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.solid.error import SolidError
from poresim.solid.sizes import SizeLaw
from poresim.solid.waists import WaistLaw

Floats = NDArray[np.float64]

AXES = ("x", "y", "z")
_ON_BORDER = 1e-6  # spacings


@dataclass(frozen=True)
class Layer:
    """One layer as it is asked for; SI units.

    radii : law of the tube radii, by number of tubes.
    thickness : m; None in one layer, which takes what the others leave.
    waist : narrowest radius of a tube over its radius, in (0, 1], or a law of it; None: that of
        the solid.
    correlation : distance at which the correlation of the radii's normal scores falls to 1/e, m;
        None: that of the solid; 0: none.
    """

    radii: SizeLaw
    thickness: float | None = None
    waist: float | WaistLaw | None = None
    correlation: float | None = None
    name: str = ""


@dataclass(frozen=True)
class Stratum:
    """What the tubes of one layer, or of a whole block, follow: see Layer and SolidSpec."""

    radii: SizeLaw
    waist: float | WaistLaw
    correlation: float


def ends_of(layers: Sequence[Layer], extent: float) -> tuple[float, ...]:
    """Where each layer ends, as a share of the extent (m); the last is 1.

    Raises SolidError where the layers do not fill it.
    """
    given = [layer.thickness for layer in layers]
    for number, thickness in enumerate(given, start=1):
        if thickness is not None and not (math.isfinite(thickness) and thickness > 0):
            raise SolidError(
                "layers", f"layer {number} is {thickness:g} m thick", "give a thickness above 0"
            )
    known = math.fsum(thickness for thickness in given if thickness is not None)
    open_ended = given.count(None)
    have, want = f"{known * 1e3:.6g} mm", f"{extent * 1e3:.6g} mm"
    if open_ended > 1:
        raise SolidError(
            "layers",
            f"{open_ended} layers have no thickness",
            "one layer may leave it out and takes what the others leave",
        )
    if open_ended and known >= extent * (1 - 1e-6):
        raise SolidError(
            "layers",
            f"the layers with a thickness are {have} together and leave nothing of {want}",
            "make them thinner, or the block larger",
        )
    if not open_ended and abs(known / extent - 1) > 1e-6:
        raise SolidError(
            "layers",
            f"the layers are {have} together, but the block is {want} along that axis",
            _remedy(given, extent - known, have),
        )
    filled = [extent - known if thickness is None else thickness for thickness in given]
    return (*(math.fsum(filled[:k]) / extent for k in range(1, len(filled))), 1.0)


def _remedy(given: Sequence[float | None], lacking: float, have: str) -> str:
    last = (given[-1] or 0.0) + lacking
    fits = "leave out the last one's thickness, and it takes the rest"
    if last > 0:
        return f"make the last one {last * 1e3:.6g} mm, {fits}"
    return f"make them thinner, or the block {have}"


def layer_of(along: Floats, ends: Sequence[float], extent: float) -> NDArray[np.intp]:
    """(m,) the layer of each midpoint.

    along : (m,) places on the axis, and extent : the block's edge, both over the spacing.
    """
    borders = np.array(ends[:-1]) * extent - _ON_BORDER
    return np.searchsorted(borders, along, side="right")


def middles(
    points: Floats,
    ends: NDArray[np.signedinteger],  # type: ignore[type-arg]
    span: Floats | None,
    size: Floats,
    wrapped: tuple[bool, bool, bool],
) -> Floats:
    """(m, 3) midpoints of tubes; those of tubes that wrap are brought back into the block."""
    start = points[ends[:, 0]]
    if span is None:
        return 0.5 * (start + points[ends[:, 1]])
    found = start + 0.5 * span
    for axis in np.flatnonzero(wrapped):
        near = 1e-9 * size[axis]  # on the side itself, whatever rounding makes of it: at 0
        found[:, axis] = (found[:, axis] + near) % size[axis] - near
    return found
