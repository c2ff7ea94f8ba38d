"""What ``poresim check --curves`` adds: the curves of the first solid, in words and as a figure."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.cli.terminal import plain, remark

if TYPE_CHECKING:
    from poresim.curves.summary import SolidCurves
    from poresim.scenario.plan import Plan
    from poresim.scenario.reading import Scenario

FIGURE = "curves.png"
_PARTS = ("", "mercury")
_COMPILING = "10 s"


def figure_path(scenario: Scenario, out: Path | None, force: bool) -> Path:
    """Where the figure goes. RecordError when one is there already and may not be replaced."""
    from poresim.record.files import make_folder, refuse_existing, safe_name
    from poresim.show.figures import paths_of

    folder = out if out is not None else Path("results") / safe_name(scenario.name)
    path = folder / FIGURE
    if not force:
        refuse_existing(paths_of(path, _PARTS))
    make_folder(folder)
    return path


def expect(found: Plan) -> None:
    """Say what is coming, before it starts."""
    from poresim.curves.summary import BYTES_PER_TUBE, expected_seconds
    from poresim.ensemble.warming import compiled_already
    from poresim.outcome.words import seconds
    from poresim.solid.memory import in_words

    tubes = found.solid.tubes
    compiling = "" if compiled_already() else f", and {_COMPILING} once for compiling"
    remark(
        f"curves:  about {seconds(max(expected_seconds(tubes), 1.0))} for one solid{compiling}, "
        f"{in_words(BYTES_PER_TUBE * tubes)} of memory"
    )


def compute(scenario: Scenario) -> SolidCurves:
    """Build the first repeat's solid, and its curves."""
    from poresim.curves.summary import solid_curves
    from poresim.ensemble.request import faces_of
    from poresim.outcome.faces import inlet_of
    from poresim.scenario.build import build_liquid
    from poresim.solid.build import build_solid, geometry_seed

    solid = build_solid(scenario.solid, geometry_seed(scenario.seed))
    return solid_curves(
        solid,
        {spec.name: build_liquid(spec) for spec in scenario.liquids},
        inlet_of(solid, faces_of(scenario)),
        scenario.solid.dry_density,
    )


def draw(found: SolidCurves, scenario: Scenario, path: Path) -> list[Path]:
    """Write the figure; its files."""
    from poresim.show.figures import write_figure
    from poresim.show.solid import curves_figure

    invented = "invented" in scenario.text.lower()
    return write_figure(curves_figure(found, scenario.solid.name, invented), path, _PARTS)


def lines(found: SolidCurves) -> list[str]:
    """The figures that a bench would give, a line a kind."""
    from poresim.outcome.words import percent

    made = found.makeup
    told = [
        f"pores:   radius {_three(made.radius_m)} um, throats {_three(made.throat_m)} um (10, 50 "
        "and 90 % of the tubes are no wider)"
    ]
    if math.isfinite(made.porosity):
        told[0] += f"; {percent(made.porosity)} of the block"
        walls = f"walls:   {made.surface_per_block_1_m:.3g} m2 per m3 of block"
        if math.isfinite(made.surface_per_solid_1_m):
            walls += f", {made.surface_per_solid_1_m:.3g} per m3 of solid"
        if math.isfinite(made.surface_per_mass_m2_kg):
            walls += f", {made.surface_per_mass_m2_kg:.3g} m2/kg"
        told.append(walls)
    if found.permeability_m2:
        told.append(
            "passes:  permeability "
            + ", ".join(f"{axis} {k:.3g}" for axis, k in found.permeability_m2.items())
            + " m2; formation factor "
            + ", ".join(f"{axis} {f:.3g}" for axis, f in found.formation_factor.items())
        )
    told += [f"remark:  {text}" for text in found.remarks]
    for names, kinds in found.ways():
        told.append(f"{plain(', '.join(names))}: {_uptake(kinds)}")
    if found.intrusion is not None:
        told.append(f"mercury: {_intruded(found)}")
    return told


def _uptake(kinds: dict[str, Any]) -> str:
    from poresim.outcome.words import percent

    end = {kind: percent(float(curve.saturation_at(0.0))) for kind, curve in kinds.items()}
    return (
        f"{_pressures(kinds['none'])} (10, 50, 90 % full); without suction {end['none']} fills, "
        f"{end['pockets']} if air that is cut off stays, {end['tubes']} if that of single tubes "
        "does too"
    )


def _pressures(curve: Any) -> str:
    """What a tenth, a half and nine tenths are filled against or by."""
    full = [curve.saturation >= share for share in (0.1, 0.5, 0.9)]
    suction = [-float(curve.pressure_Pa[at][0]) if at.any() else math.nan for at in full]
    pressed = max(suction) <= 0  # by a pressure
    words = ", ".join(f"{abs(v) if pressed else v:.3g}" for v in (p / 1e3 for p in suction))
    words = words.replace("nan", "-")
    if pressed:
        return f"pressed in at {words} kPa"
    below = " (below 0: by pressure)" if min(suction) < 0 else ""
    return f"drawn in against a suction of {words} kPa{below}"


def _intruded(found: SolidCurves) -> str:
    curve = found.intrusion
    assert curve is not None
    half = int((curve.saturation >= 0.5 * curve.saturation[-1]).argmax())
    text = (
        f"half is in at {curve.pressure_Pa[half] / 1e3:.3g} kPa, an equivalent diameter of "
        f"{curve.equivalent_diameter_m[half] * 1e6:.3g} um"
    )
    if math.isfinite(found.per_mass):
        text += f"; {curve.volume_m3[-1] * found.per_mass * 1e3:.3g} mL/g in all"
    return text


def _three(values: tuple[float, ...]) -> str:
    return " / ".join(f"{v * 1e6:.3g}" for v in values)
