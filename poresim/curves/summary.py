"""All curves of a solid at once, and what they cost."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.brief import Brief, Rows
from poresim.curves.capillary import (
    TRAPPING,
    InvasionCurve,
    intrusion_curve,
    invasion_curve,
    on_faces,
)
from poresim.curves.makeup import Makeup, makeup
from poresim.curves.transport import FACES, formation_factor, permeability, why_not
from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Of one core, cubic lattices of 46^3 and 100^3 junctions with waists: 8 s and 130 s; what 100^3
#: took in memory, the network included. One place for all.
SECONDS_PER_1E5_TUBES = 2.2
GROWTH = 1.2
BYTES_PER_TUBE = 450
_POINTS = 200  # of a curve in a summary


@dataclass(frozen=True, eq=False, repr=False)
class SolidCurves(Brief):
    """What a bench can measure of a dry solid, computed; SI units.

    permeability_m2, formation_factor : axis -> value, where the block has faces across it.
    uptake : liquid -> trapping ("none", "pockets", "tubes") -> curve.
    intrusion : of mercury from all faces; None when there are none.
    dry_density : kg/m3, or None. remarks : what cannot be computed, and why; a line each.
    """

    makeup: Makeup
    permeability_m2: dict[str, float]
    formation_factor: dict[str, float]
    uptake: dict[str, dict[str, InvasionCurve]]
    intrusion: InvasionCurve | None
    dry_density: float | None
    block_m3: float
    remarks: tuple[str, ...]

    def plot(self, title: str = "this solid") -> Figure:
        """Uptake at a suction, and mercury intrusion: a matplotlib figure, with ``tables``."""
        from poresim.show.solid import curves_figure

        figure: Figure = curves_figure(self, title)
        return figure

    def _told(self) -> tuple[str, Rows]:
        def axes(values: dict[str, float]) -> str:
            return ", ".join(f"{axis} {value:.3g}" for axis, value in values.items()) or "not known"

        return "Curves of a solid", [
            ("porosity", f"{100 * self.makeup.porosity:.3g} %"),
            ("permeability", f"{axes(self.permeability_m2)} m²"),
            ("formation factor", axes(self.formation_factor)),
            ("uptake curves", ", ".join(self.uptake) or "none"),
            ("intrusion", "none" if self.intrusion is None else "mercury, from all faces"),
        ]

    @property
    def per_mass(self) -> float:
        """1 over the dry mass of the block, 1/kg; NaN where it, or the block, is not known."""
        return math.nan if self.dry_density is None else 1 / (self.dry_density * self.block_m3)

    def ways(self) -> list[tuple[list[str], dict[str, InvasionCurve]]]:
        """Each way of wetting once: the names of its liquids, and its curves."""
        found: dict[int, tuple[list[str], dict[str, InvasionCurve]]] = {}
        for name, kinds in self.uptake.items():
            found.setdefault(id(kinds), ([], kinds))[0].append(name)
        return list(found.values())

    def as_dict(self) -> dict[str, Any]:
        """For JSON: None for what is not known or not finite."""
        return {
            **{name: _plain(value) for name, value in asdict(self.makeup).items()},
            "permeability_m2": {a: _plain(v) for a, v in self.permeability_m2.items()},
            "formation_factor": {a: _plain(v) for a, v in self.formation_factor.items()},
            "uptake": {
                name: {kind: _curve_dict(curve) for kind, curve in kinds.items()}
                for name, kinds in self.uptake.items()
            },
            "intrusion": None if self.intrusion is None else self._intrusion_dict(),
            "remarks": list(self.remarks),
        }

    def _intrusion_dict(self) -> dict[str, Any]:
        curve = self.intrusion
        assert curve is not None
        at = thinned(curve)
        mL_g = curve.volume_m3[at] * self.per_mass * 1e3
        return _curve_dict(curve) | {
            "equivalent_diameter_m": [_plain(v) for v in curve.equivalent_diameter_m[at]],
            "intruded_mL_g": [_plain(v) for v in mL_g] if np.isfinite(self.per_mass) else None,
        }


def solid_curves(
    solid: Network,
    liquids: Mapping[str, Liquid],
    inlet: ArrayLike,
    dry_density: float | None = None,
) -> SolidCurves:
    """Everything above for one solid.

    liquids : name -> liquid; those that wet alike share one computation. inlet : junctions where
    they enter. dry_density : kg of dry solid over the block's volume.

    Raises ValueError and NotConverged as the functions that it calls do.
    """
    remarks = [why_not(solid, axis) for axis in FACES]
    axes = [axis for axis, fault in zip(FACES, remarks, strict=True) if not fault]
    intrusion = None
    if len(on_faces(solid)):
        intrusion = intrusion_curve(solid)
    else:
        remarks.append("the network has no faces: no mercury curve")
    known: dict[tuple[float, float], dict[str, InvasionCurve]] = {}
    for liquid in liquids.values():
        wetting = liquid.surface_tension, liquid.contact_angle_deg
        if wetting not in known:
            known[wetting] = {
                kind: invasion_curve(solid, liquid, inlet, trapping=kind) for kind in TRAPPING
            }
    return SolidCurves(
        makeup(solid, dry_density),
        {axis: permeability(solid, axis) for axis in axes},
        {axis: formation_factor(solid, axis) for axis in axes},
        {n: known[q.surface_tension, q.contact_angle_deg] for n, q in liquids.items()},
        intrusion,
        dry_density,
        math.nan if solid.size is None else float(np.prod(solid.size)),
        tuple(dict.fromkeys(text for text in remarks if text)),
    )


def expected_seconds(tubes: int) -> float:
    """About how long :func:`solid_curves` takes on one core, without compiling."""
    return float(SECONDS_PER_1E5_TUBES * (tubes / 1e5) ** GROWTH)


def thinned(curve: InvasionCurve) -> np.ndarray:
    """Places on a curve, at most 200, evenly apart in volume; the first and the last are in it."""
    k = len(curve.volume_m3)
    if k <= _POINTS:
        return np.arange(k)
    wanted = np.linspace(curve.volume_m3[0], curve.volume_m3[-1], _POINTS)
    return np.unique(np.minimum(np.searchsorted(curve.volume_m3, wanted), k - 1))


def _curve_dict(curve: InvasionCurve) -> dict[str, Any]:
    at = thinned(curve)
    return {
        "pressure_Pa": [_plain(v) for v in curve.pressure_Pa[at]],
        "saturation": [_plain(v) for v in curve.saturation[at]],
        "saturation_at_no_pressure": _plain(curve.saturation_at(0.0)),
    }


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return float(value) if np.isfinite(value) else None
