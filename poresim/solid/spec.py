"""What a block of solid is asked to be. Plain data in SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from poresim.solid.sizes import SizeLaw

SIDES = ("open", "sealed", "periodic")


class SolidError(ValueError):
    """A solid that cannot be built.

    field : the attribute of SolidSpec that is at fault.
    wrong, right : what is wrong, and what would fit.
    """

    def __init__(self, field: str, wrong: str, right: str) -> None:
        super().__init__(f"{field}: {wrong}; {right}")
        self.field = field
        self.wrong = wrong
        self.right = right


@dataclass(frozen=True)
class SolidSpec:
    """A block of tubes to be drawn, or a network to be read from a file.

    size : edge lengths x, y, z of the block, m; z is the depth. Flat lattices lie in x-z, and
        y is the thickness that volume and porosity use.
    lattice : a name of :data:`poresim.solid.lattices.LATTICES`, or "scattered".
    radii : law of the tube radii, by number of tubes.
    spacing : distance between neighbouring junctions, m (the tube length; for "scattered" the
        cube root of the volume a junction has to itself); or, instead,
    porosity : tube volume over block volume, from which the spacing follows.
    neighbours : mean number of tubes at a junction that is not on a face, reached by thinning
        at random; all the lattice has when None.
    waist : narrowest radius of a tube over its radius, in (0, 1].
    sides : "open", "sealed" (left, right, front and back take no liquid) or "periodic" (tubes
        leave on one side and come in on the other, in x and y; never in z).
    dry_density : mass of dry solid over block volume, kg/m3, or None.
    network : file to read instead; then nothing above but dry_density is used.
    """

    size: tuple[float, float, float] | None = None
    lattice: str = "cubic"
    radii: SizeLaw | None = None
    spacing: float | None = None
    porosity: float | None = None
    neighbours: float | None = None
    waist: float = 1.0
    sides: str = "open"
    dry_density: float | None = None
    name: str = "solid"
    network: Path | None = None

    def __post_init__(self) -> None:
        if self.network is not None:
            return
        if self.size is None or self.radii is None:
            raise SolidError("size", "no block size or no radii given", "give both, or a network")
        if len(self.size) != 3 or not all(math.isfinite(v) and v > 0 for v in self.size):
            raise SolidError("size", f"got {self.size}", "give three lengths above 0, in m")
        if (self.spacing is None) == (self.porosity is None):
            raise SolidError(
                "spacing",
                "spacing and porosity are both given"
                if self.spacing is not None
                else "neither spacing nor porosity is given",
                "give one of the two; the other follows from it",
            )
        if self.spacing is not None and not (math.isfinite(self.spacing) and self.spacing > 0):
            raise SolidError("spacing", f"got {self.spacing:g}", "give a length above 0, in m")
        if self.porosity is not None and not 0 < self.porosity < 1:
            raise SolidError("porosity", f"got {self.porosity:g}", "it lies between 0 and 1")
        if not 0 < self.waist <= 1:
            raise SolidError("waist", f"got {self.waist:g}", "it lies above 0 and up to 1")
        if self.sides not in SIDES:
            raise SolidError("sides", f"got {self.sides!r}", f"one of {', '.join(SIDES)}")
