"""From the keys of a scenario to plain specs in SI units, and from those to a Liquid."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.liquid import laws
from poresim.liquid.liquid import Liquid
from poresim.liquid.particles import Particles
from poresim.scenario import schema
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

Floats = NDArray[np.float64]

_UM = 1e-6
_MM = 1e-3
_CLASSES = 64
_FINE = 32  # steps of the sum inside each class
_TAIL = 1e-6  # share of the grains' volume left out at each end of a law
_HEADING = re.compile(r"[\w .()/%^-]{1,40}")
_LARGEST_TABLE = 20_000  # rows
_LARGEST_FILE = 5_000_000  # bytes


@dataclass(frozen=True)
class Grains:
    """What a liquid carries. ``sizes`` is the law of the diameters by volume."""

    volume_fraction: float
    sizes: SizeLaw
    density: float
    leak: float


@dataclass(frozen=True)
class LiquidSpec:
    """A liquid of a scenario, in SI units, with everything it took over from another.

    worked_out : whether some of its figures come from what it is made of.
    """

    name: str
    viscosity: laws.ViscosityLaw
    surface_tension: float
    contact_angle_deg: float
    density: float
    receding_angle_deg: float | None = None
    grains: Grains | None = None
    worked_out: bool = False


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
        particles = Particles(
            spec.grains.volume_fraction, diameter, share, spec.grains.density, spec.grains.leak
        )
    return Liquid(
        viscosity=spec.viscosity,
        surface_tension=spec.surface_tension,
        contact_angle_deg=spec.contact_angle_deg,
        density=spec.density,
        receding_angle_deg=spec.receding_angle_deg,
        particles=particles,
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
        grains = Grains(p.volume_fraction, sizes, p.density_kg_m3, p.leak)
    return LiquidSpec(
        name=keys.name,
        viscosity=_viscosity(keys.viscosity),
        surface_tension=keys.surface_tension_mN_m * 1e-3,
        contact_angle_deg=keys.contact_angle_deg,
        density=keys.density_kg_m3,
        receding_angle_deg=keys.receding_angle_deg,
        grains=grains,
    )


def solid_spec(keys: schema.Solid, folder: Path) -> SolidSpec:
    """The spec of a solid; files are looked up in ``folder``. ValueError: a bad file."""
    if keys.network is not None:
        return SolidSpec(
            name=keys.name,
            dry_density=keys.dry_density_kg_m3,
            network=folder / keys.network,
        )
    assert keys.size_mm is not None and keys.lattice is not None and keys.tubes is not None
    tubes: Any = keys.tubes
    x, y, z = (edge * _MM for edge in keys.size_mm)
    spacing = keys.lattice.spacing_um
    return SolidSpec(
        size=(x, y, z),
        lattice=keys.lattice.kind,
        radii=size_law(tubes, "radius", folder),
        spacing=None if spacing is None else spacing * _UM,
        porosity=keys.porosity,
        neighbours=keys.lattice.neighbours,
        waist=tubes.waist,
        sides=keys.sides,
        dry_density=keys.dry_density_kg_m3,
        name=keys.name,
    )


def _viscosity(keys: Any) -> laws.ViscosityLaw:
    if keys.law == "newtonian":
        return laws.Newtonian(keys.mPa_s * 1e-3)
    if keys.law == "power_law":
        return laws.PowerLaw(keys.consistency_Pa_sn, keys.index)
    if keys.law == "bingham":
        return laws.Bingham(keys.yield_Pa, keys.plastic_mPa_s * 1e-3)
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
    values, weights = read_table(folder / keys.file, f"{what}_um")
    return Table(values * _UM, weights)


def read_table(path: Path, column: str) -> tuple[Floats, Floats | None]:
    """A column of sizes and, if there is one, a column "weight" from a CSV file with a header.

    Radii are weighted by number of tubes; diameters by volume of grains, and their weights may
    be headed "volume_share". Raises ValueError (one line) when it is no such file.
    """
    try:
        if "\0" in str(path):
            raise ValueError(f"{path}: is no name of a file")
        if path.exists() and not path.is_file():
            raise ValueError(f"{path}: is not a file")
        if path.stat().st_size > _LARGEST_FILE:
            raise ValueError(f"{path}: is larger than {_LARGEST_FILE:,} bytes")
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(zip(range(_LARGEST_TABLE + 2), csv.reader(file), strict=False))
    except (OSError, UnicodeError, csv.Error) as fault:
        reason = "not UTF-8 text" if isinstance(fault, UnicodeError) else str(fault)
        reason = getattr(fault, "strerror", None) or reason
        raise ValueError(f"{path}: cannot be read ({reason})") from None
    filled = [(number + 1, row) for number, row in rows if any(cell.strip() for cell in row)]
    if not filled:
        raise ValueError(f"{path}: is empty; a header with {column} is expected")
    header = [cell.strip() for cell in filled[0][1]]
    if column not in header:
        # Whatever else the file may be, its text is not for showing.
        names = ", ".join(name for name in header if _HEADING.fullmatch(name))[:80]
        raise ValueError(f"{path}: has no column {column}{', only ' * bool(names)}{names}")
    if len(filled) < 2 or len(rows) > _LARGEST_TABLE + 1:
        raise ValueError(
            f"{path}: has {'no rows' if len(filled) < 2 else 'too many rows'}; "
            f"1 to {_LARGEST_TABLE} are expected below the header"
        )
    values = _numbers(path, filled[1:], header.index(column), column, least_open=True)
    for name in ("weight", "volume_share"):
        if name in header:
            weights = _numbers(path, filled[1:], header.index(name), name, least_open=False)
            if weights.sum() <= 0:
                raise ValueError(f"{path}: every {name} is 0; at least one must be above 0")
            return values, weights
    return values, None


def _numbers(
    path: Path, rows: list[tuple[int, list[str]]], place: int, name: str, *, least_open: bool
) -> Floats:
    found = []
    for line, row in rows:
        try:
            value = float(row[place])
        except (ValueError, IndexError):
            value = math.nan
        if not (0 < value < 1e9 or (value == 0 and not least_open)):
            given = row[place][:30] if place < len(row) else "nothing"
            raise ValueError(
                f"{path}, line {line}: {name} is {given!r}; a number "
                f"{'above' if least_open else 'of at least'} 0 is expected"
            )
        found.append(value)
    return np.array(found)
