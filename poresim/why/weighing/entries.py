"""What a soak is made of, as numbers: the inputs of the response surfaces.

A surface is learnt for each class of liquid (flow law, with grains or without), over what numbers
its liquid has (logarithms where they are above 0) and over the solid's unknowns. Liquids of one
class share it, whichever explanation they come from.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.liquid import Liquid
from poresim.liquid.particles import Particles
from poresim.scenario.build import LiquidSpec, build_liquid

Floats = NDArray[np.float64]


def entries_of(spec: LiquidSpec) -> dict[str, dict[str, float]]:
    """The numbers of one liquid, by mechanism."""
    from poresim.uptake.cargo import thickening

    liquid = build_liquid(spec)
    grains = liquid.particles
    return {
        "wetting": {
            "ln_tension": math.log(liquid.surface_tension),
            "angle": liquid.contact_angle_deg,
            "receding": liquid.receding_deg,
        },
        "thickening": _flow(liquid)
        | {"ln_grains": math.log(thickening(grains)) if grains else 0.0},
        "plugging": _grains(grains),
        "gravity": {"ln_density": math.log(liquid.density)},
    }


def class_of(thickening: LiquidSpec, plugging: LiquidSpec) -> tuple[str, bool]:
    """The class of a liquid: name of its flow law, whether it carries grains."""
    return type(thickening.viscosity).__name__, plugging.grains is not None


def _flow(liquid: Liquid) -> dict[str, float]:
    law = liquid.viscosity
    found = {}
    for field in dataclasses.fields(law):  # type: ignore[arg-type]
        value = getattr(law, field.name)
        if field.init and isinstance(value, float | int):
            name = field.name
            shape = name in ("index", "exponent") or value <= 0
            found[name] = float(value) if shape else math.log(value)
    return found


def _grains(grains: Particles | None) -> dict[str, float]:
    if grains is None:
        return {}
    log = np.log(grains.diameter)
    middle = float(grains.share @ log)
    return {
        "ln_fraction": math.log(max(grains.volume_fraction, 1e-9)),
        "ln_diameter": middle,
        "spread": math.sqrt(max(float(grains.share @ (log - middle) ** 2), 0.0)),
    }
