"""From the keys of a scenario to plain specs in SI units, and from those to a Liquid."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.exposure.dip import Dip
from poresim.liquid import curves, laws
from poresim.liquid.cup import Cup, Stirred
from poresim.liquid.liquid import Liquid
from poresim.liquid.particles import Particles
from poresim.scenario import schema
from poresim.softening.asked import Bar, Walls
from poresim.solid.layers import Layer
from poresim.solid.sizes import (
    Gamma,
    Lognormal,
    Mixture,
    SizeLaw,
    Table,
    Uniform,
    Weibull,
    fixed,
)
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import BetaWaist, LognormalWaist, UniformWaist, WaistLaw
from poresim.tables.flow_curve import read_flow_curve
from poresim.tables.sizes import read_radii, read_sizes

Floats = NDArray[np.float64]

_UM = 1e-6
_MM = 1e-3
_CLASSES = 64
_FINE = 32  # steps of the sum inside each class
_ML = 1e-6
_KPA = 1e3
_CUP = 240 * _ML  # common practice
#: Keys of grains that have the name and the unit of the field.
_CAUGHT = (
    "bridging_ratio",
    "deposition_per_m",
    "bed_porosity",
    "max_fraction",
    "intrinsic_viscosity",
    "passing_ratio",
)
_TAIL = 1e-6  # share of the grains' volume left out at each end of a law


@dataclass(frozen=True)
class Grains:
    """What a liquid carries. ``sizes`` is the law of the diameters by volume.

    The rest as in Particles.
    """

    volume_fraction: float
    sizes: SizeLaw
    density: float
    leak: float
    bridging_ratio: float = 3.0
    deposition_per_m: float = 0.0
    bed_porosity: float = 0.4
    max_fraction: float = 0.64
    intrinsic_viscosity: float = 2.5
    passing_ratio: float = 7.0


@dataclass(frozen=True)
class LiquidSpec:
    """A liquid of a scenario, in SI units, with everything it took over from another.

    name, viscosity, surface_tension, contact_angle_deg, density, receding_angle_deg,
    log_length_ratio : as of :class:`poresim.Liquid`. grains : their size law, by volume.
    worked_out : whether some of its figures come from what it is made of. stood : s, for how long
    it has stood in its cup before the soak.
    """

    name: str
    viscosity: laws.ViscosityLaw
    surface_tension: float
    contact_angle_deg: float
    density: float
    receding_angle_deg: float | None = None
    grains: Grains | None = None
    log_length_ratio: float = 0.0
    worked_out: bool = False
    stood: float = 0.0


def build_liquid(spec: LiquidSpec) -> Liquid:
    """The Python liquid of a scenario's liquid.

    Grain sizes are a law by volume, as laser diffraction reports them. It becomes up to 64
    size classes, equal in ln(diameter), between the diameters that leave 1e-6 of the volume on
    either side. A class keeps both its share of the volume and its number of grains: its
    diameter is the cube root of volume over number (times 6 / pi). A table of at most 64 sizes
    stays as it is.
    """
    particles = None
    if spec.grains is not None:
        diameter, share = size_classes(spec.grains.sizes)
        others = {f.name: getattr(spec.grains, f.name) for f in fields(Grains) if f.name != "sizes"}
        particles = Particles(diameter=diameter, share=share, **others)
    return Liquid(
        viscosity=spec.viscosity,
        surface_tension=spec.surface_tension,
        contact_angle_deg=spec.contact_angle_deg,
        density=spec.density,
        receding_angle_deg=spec.receding_angle_deg,
        particles=particles,
        log_length_ratio=spec.log_length_ratio,
    )


def size_classes(law: SizeLaw, classes: int = _CLASSES) -> tuple[Floats, Floats]:
    """(k,) diameters (m) and (k,) shares of the volume, k <= classes, of a law by volume."""
    diameter, share = _fine_classes(law, classes * _FINE)
    if len(diameter) <= classes:
        return diameter, share
    # Members of one class share its place between the ends in ln(diameter).
    low, high = math.log(diameter.min()), math.log(diameter.max())
    place = (np.log(diameter) - low) / max(high - low, 1e-300)
    member = np.minimum((place * classes).astype(int), classes - 1)
    volume = np.bincount(member, weights=share, minlength=classes)
    number = np.bincount(member, weights=share / diameter**3, minlength=classes)
    used = volume > 0
    return np.cbrt(volume[used] / number[used]), volume[used] / volume.sum()


def most_size_classes(law: SizeLaw) -> int:
    """How many classes :func:`size_classes` makes of a law, at most."""
    return min(len(law.classes[0]), _CLASSES) if isinstance(law, Table) else _CLASSES


def _fine_classes(law: SizeLaw, number: int) -> tuple[Floats, Floats]:
    """Diameters in rising order and shares of many narrow classes."""
    if isinstance(law, Table):
        values, weights = law.classes
        kept, place = np.unique(values, return_inverse=True)
        return kept, np.bincount(place, weights=weights).astype(np.float64)
    if isinstance(law, Mixture):
        parts = [_fine_classes(part, number) for part in law.laws]
        diameter = np.concatenate([d for d, _ in parts])
        weight = np.concatenate([s * w for s, (_, w) in zip(law.shares, parts, strict=True)])
        order = np.argsort(diameter, kind="stable")
        return diameter[order], weight[order]
    low, high = (float(v) for v in law.quantile(np.array([_TAIL, 1 - _TAIL])))
    if high / low < 1 + 1e-9:
        return np.array([low]), np.ones(1)
    edges = np.geomspace(low, high, number + 1)
    share = -np.diff(law.share_above(edges))
    return np.sqrt(edges[1:] * edges[:-1]), share / share.sum()


def liquid_spec(keys: schema.Liquid, folder: Path) -> LiquidSpec:
    """The spec of one liquid; files are looked up in ``folder``. ValueError: a bad file."""
    grains = None
    if keys.particles is not None:
        p: Any = keys.particles
        sizes = size_law(p, "diameter", folder)
        caught = {key: getattr(p, key) for key in _CAUGHT}
        grains = Grains(p.volume_fraction, sizes, p.density_kg_m3, p.leak, **caught)
    return LiquidSpec(
        name=keys.name,
        viscosity=viscosity_law(keys.viscosity, folder),
        surface_tension=keys.surface_tension_mN_m * 1e-3,
        contact_angle_deg=keys.contact_angle_deg,
        density=keys.density_kg_m3,
        receding_angle_deg=keys.receding_angle_deg,
        grains=grains,
        log_length_ratio=0.0 if keys.dynamic_angle is None else keys.dynamic_angle.log_length_ratio,
        stood=keys.stood_s,
    )


def settles_in(keys: schema.Exposure) -> bool:
    """Whether grains settle in the cup of an exposure."""
    return keys.cup_mm is not None and not keys.stirred and keys.gravity


def build_cup(keys: schema.Exposure, stood: float = 0.0) -> Cup | Stirred:
    """The cup of a scenario's exposure, in SI units: ``build_cup(scenario.exposure)``.

    keys : of the table ``[exposure]``. stood : s, for how long a liquid has stood in it before the
    soak.

    Nothing settles without cup_mm, where it is stirred, or without gravity.
    """
    usual = _CUP if isinstance(keys, schema.Dipped) else None
    volume = usual if keys.cup_mL is None else keys.cup_mL * _ML
    if keys.cup_mm is None or not settles_in(keys):
        return Stirred(volume)
    held = keys.cup_mm / 2 if keys.held_mm is None else keys.held_mm
    return Cup(keys.cup_mm * _MM, held * _MM, volume, stood)


def build_dip(keys: schema.Dipped) -> Dip:
    """How a block is dipped, in SI units."""
    return Dip(
        depth=None if keys.depth_mm is None else keys.depth_mm * _MM,
        tilt=math.radians(keys.tilt_deg),
        held=keys.dip_s,
        times=keys.dips,
        rest=keys.rest_s,
        faces=tuple(keys.faces or ()),
        lift_speed=None if keys.lift_mm_s is None else keys.lift_mm_s * _MM,
    )


def build_softening(keys: schema.Softening, solid: SolidSpec) -> tuple[Walls, Bar]:
    """How walls soften and what they are to carry, in SI units, of a scenario's block."""
    assert solid.size is not None
    x, y, z = solid.size
    span = x if keys.span_mm is None else keys.span_mm * _MM
    mass = None if solid.dry_density is None else solid.dry_density * x * y * z
    overhang = None if keys.overhang_mm is None else keys.overhang_mm * _MM
    return build_walls(keys), Bar((x, y, z), span, mass, overhang)


def build_walls(keys: schema.Softening) -> Walls:
    """How walls soften, in SI units."""
    return Walls(
        keys.wall_s, keys.dry_strength_kPa * _KPA, keys.midpoint, keys.width, keys.saturated
    )


def solid_spec(keys: schema.Solid, folder: Path) -> SolidSpec:
    """The spec of a solid; files are looked up in ``folder``. ValueError: a bad file."""
    if keys.network is not None:
        return SolidSpec(
            name=keys.name,
            dry_density=keys.dry_density_kg_m3,
            network=folder / keys.network,
        )
    assert keys.size_mm is not None and keys.lattice is not None
    tubes: Any = keys.tubes
    x, y, z = (edge * _MM for edge in keys.size_mm)
    spacing = keys.lattice.spacing_um
    return SolidSpec(
        size=(x, y, z),
        lattice=keys.lattice.kind,
        radii=None if tubes is None else size_law(tubes, "radius", folder),
        spacing=None if spacing is None else spacing * _UM,
        porosity=keys.porosity,
        neighbours=keys.lattice.neighbours,
        waist=1.0 if tubes is None else waist_law(tubes.waist),
        sides=keys.sides,
        dry_density=keys.dry_density_kg_m3,
        name=keys.name,
        layers=tuple(_layer(layer, folder) for layer in keys.layers or ()),
        layer_axis=keys.layer_axis,
        correlation=(keys.correlation_um or 0.0) * _UM,
        body_ratio=keys.body_ratio,
    )


def _layer(keys: schema.Layer, folder: Path) -> Layer:
    tubes: Any = keys.tubes
    return Layer(
        size_law(tubes, "radius", folder),
        thickness=None if keys.thickness_mm is None else keys.thickness_mm * _MM,
        waist=waist_law(tubes.waist),
        correlation=None if keys.correlation_um is None else keys.correlation_um * _UM,
        name=keys.name,
    )


def waist_law(keys: Any) -> float | WaistLaw:
    """A waist, or the law of it. ValueError: keys that contradict each other."""
    if isinstance(keys, float | int):
        return float(keys)
    if keys.law == "fixed":
        return float(keys.waist)
    if keys.law == "uniform":
        return UniformWaist(keys.least, keys.greatest)
    if keys.law == "beta":
        return BetaWaist(keys.a, keys.b, keys.least, keys.greatest)
    return LognormalWaist(keys.median, keys.log_sd, keys.least, keys.greatest)


def viscosity_law(keys: Any, folder: Path) -> laws.ViscosityLaw:
    """The flow law from the keys of its table; a file is looked up in ``folder``.

    Raises ValueError: a bad file, or figures that together make no flow curve.
    """
    if keys.law == "newtonian":
        return laws.Newtonian(keys.mPa_s * 1e-3)
    if keys.law == "power_law":
        return laws.PowerLaw(keys.consistency_Pa_sn, keys.index)
    if keys.law == "bingham":
        return laws.Bingham(keys.yield_Pa, keys.plastic_mPa_s * 1e-3)
    if keys.law == "measured":
        rest = math.inf if keys.zero_mPa_s is None else keys.zero_mPa_s * 1e-3
        return read_flow_curve(folder / keys.file, keys.infinite_mPa_s * 1e-3, rest)
    if keys.law in ("cross", "carreau"):
        zero, infinite = keys.zero_mPa_s * 1e-3, keys.infinite_mPa_s * 1e-3
        if keys.law == "cross":
            return curves.Cross(zero, infinite, keys.time_s, keys.exponent)
        return curves.Carreau(zero, infinite, keys.time_s, keys.index)
    return laws.HerschelBulkley(keys.yield_Pa, keys.consistency_Pa_sn, keys.index)


def size_law(keys: Any, what: str, folder: Path) -> SizeLaw:
    """The law of a "radius" or a "diameter" from the keys of its table.

    Raises ValueError: a file that is no such table, or keys that contradict each other.
    """

    def um(name: str) -> float:
        return getattr(keys, f"{name}{what}_um") * _UM

    if keys.law == "lognormal":
        return Lognormal(um("median_"), keys.log_sd)
    if keys.law == "weibull":
        return Weibull(um("scale_"), keys.shape)
    if keys.law == "gamma":
        return Gamma(keys.shape, um("scale_"))
    if keys.law == "uniform":
        return Uniform(um("least_"), um("greatest_"))
    if keys.law == "fixed":
        return fixed(um(""))
    if keys.law == "mixture":
        parts = [size_law(part, what, folder) for part in keys.parts]
        return Mixture([part.share for part in keys.parts], parts)
    law: SizeLaw
    if what == "radius":
        law = read_radii(folder / keys.file)
    else:
        values, weights = read_sizes(folder / keys.file, f"{what}_um")
        law = Table(values * _UM, weights)
    return law if keys.scale == 1 else law.scaled(keys.scale)
