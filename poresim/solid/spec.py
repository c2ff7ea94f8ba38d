"""What a block of solid is asked to be. Plain data in SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from poresim.solid.error import SolidError as SolidError
from poresim.solid.layers import AXES, Layer, Stratum, ends_of
from poresim.solid.sizes import SizeLaw
from poresim.solid.swelling import Swelling
from poresim.solid.waists import WaistLaw, mean_waist

SIDES = ("open", "sealed", "periodic")


@dataclass(frozen=True)
class SolidSpec:
    """A block of tubes to be drawn, or a network to be read from a file.

    size : edge lengths x, y, z of the block, m; z is the depth. Flat lattices lie in x-z, and
        y is the thickness that volume and porosity use.
    lattice : a name of :data:`poresim.solid.lattices.LATTICES`, or "scattered".
    radii : law of the tube radii, by number of tubes.
    spacing : distance between neighbouring junctions, m (the tube length; for "scattered" the
        cube root of the volume a junction has to itself); or, instead,
    porosity : tube (and body) volume over block volume, from which the spacing follows.
    neighbours : mean number of tubes at a junction that is not on a face, reached by thinning
        at random; all the lattice has when None.
    waist : narrowest radius of a tube over its radius, in (0, 1], or a law of it.
    layers : instead of ``radii``: see :class:`poresim.solid.layers.Layer`; ``layer_axis`` is the
        axis along which they lie upon each other.
    correlation : distance at which the correlation of the radii's normal scores falls to 1/e, m
        (as exp(-(d / correlation)^2)); 0: radii are independent. The law of the radii stays.
    body_ratio : radius of a junction's body over that of the widest tube that meets there (at
        its end); see :mod:`poresim.solid.bodies`. 0: junctions hold no volume.
    swelling : how its walls swell as they soak; None: they do not.
    sides : "open", "sealed" (left, right, front and back take no liquid) or "periodic" (tubes
        leave on one side and come in on the other, in x and y; never in z).
    dry_density : mass of dry solid over block volume, kg/m3, or None.
    network : file to read instead; then nothing else but dry_density and swelling is used.
    """

    size: tuple[float, float, float] | None = None
    lattice: str = "cubic"
    radii: SizeLaw | None = None
    spacing: float | None = None
    porosity: float | None = None
    neighbours: float | None = None
    waist: float | WaistLaw = 1.0
    sides: str = "open"
    dry_density: float | None = None
    name: str = "solid"
    network: Path | None = None
    layers: tuple[Layer, ...] = ()
    layer_axis: str = "z"
    correlation: float = 0.0
    body_ratio: float = 0.0
    swelling: Swelling | None = None

    def __post_init__(self) -> None:
        if self.network is not None:
            return
        if self.radii is not None and self.layers:
            raise SolidError("layers", "radii are given, too", "give them in each layer alone")
        if self.size is None or not (self.radii or self.layers):
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
        if not (math.isfinite(self.body_ratio) and self.body_ratio >= 0):
            raise SolidError("body_ratio", f"got {self.body_ratio:g}", "give a ratio of 0 or more")
        self._check_layers()
        if self.sides not in SIDES:
            raise SolidError("sides", f"got {self.sides!r}", f"one of {', '.join(SIDES)}")

    def _check_layers(self) -> None:
        if self.layer_axis not in AXES:
            raise SolidError("layer_axis", f"got {self.layer_axis!r}", f"one of {', '.join(AXES)}")
        for stratum in self.strata:
            waist, correlation = stratum.waist, stratum.correlation
            if not isinstance(waist, WaistLaw) and not 0 < waist <= 1:
                raise SolidError("waist", f"got {waist:g}", "it lies above 0 and up to 1")
            if not (math.isfinite(correlation) and correlation >= 0):
                raise SolidError("correlation", f"got {correlation:g}", "give a length, in m")
        assert len(self.layer_ends) == len(self.strata)  # or it has said why not

    @cached_property
    def strata(self) -> tuple[Stratum, ...]:
        """The layers with nothing left open but a thickness; one where none are asked for."""
        if not self.layers:
            assert self.radii is not None
            return (Stratum(self.radii, self.waist, self.correlation),)
        return tuple(
            Stratum(
                layer.radii,
                self.waist if layer.waist is None else layer.waist,
                self.correlation if layer.correlation is None else layer.correlation,
            )
            for layer in self.layers
        )

    @property
    def axis(self) -> int:
        """Which axis the layers lie along."""
        return AXES.index(self.layer_axis)

    @cached_property
    def layer_ends(self) -> tuple[float, ...]:
        """Where each layer ends, as a share of the block's edge. Raises SolidError."""
        assert self.size is not None
        if not self.layers:
            return (1.0,)
        return ends_of(self.layers, self.size[self.axis])

    @property
    def mean_waist(self) -> float:
        """Of the layer where it is least; 1 for a network that is read from a file."""
        if self.network is not None:
            return 1.0
        return min(mean_waist(stratum.waist) for stratum in self.strata)

    @property
    def middle_throat(self) -> float:
        """Radius of a usual tube where it is narrowest, m: median radius times mean waist, of
        several layers their geometric mean. ValueError: a network that is read from a file."""
        if self.network is not None:
            raise ValueError("a network from a file has no law of radii")
        throats = [float(one.radii.quantile(0.5)) * mean_waist(one.waist) for one in self.strata]
        return math.exp(math.fsum(map(math.log, throats)) / len(throats))

    def half_opening(self, length: float) -> float:
        """Angle between wall and axis, radians, of a tube so long (m) that a quarter of the tubes
        are narrower than; of several layers the mean. Menisci pull by cos(angle + half-opening)
        where a tube widens. ValueError: a network that is read from a file."""
        if self.network is not None:
            raise ValueError("a network from a file has no law of radii")
        slopes = [
            2 * float(one.radii.quantile(0.25)) * (1 - mean_waist(one.waist)) / length
            for one in self.strata
        ]
        return math.fsum(map(math.atan, slopes)) / len(slopes)

    def scaled(self, factor: float) -> SolidSpec:
        """The same with every radius multiplied by ``factor``."""
        return replace(
            self,
            radii=self.radii and self.radii.scaled(factor),
            layers=tuple(replace(one, radii=one.radii.scaled(factor)) for one in self.layers),
        )
