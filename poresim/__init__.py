"""poresim: why one liquid soaks a porous solid and another does not.

The folders are the nouns of the job, in the order in which a question is answered::

    scenario  ->  solid + liquid  ->  tube, uptake, curves  ->  record  ->  outcome, show

Public names are loaded when first used, so that ``import poresim`` stays light.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "Network": "poresim.solid.network",
    "build_solid": "poresim.solid.build",
    "SolidSpec": "poresim.solid.spec",
    "Lognormal": "poresim.solid.sizes",
    "Swelling": "poresim.solid.swelling",
    "save_network": "poresim.solid.files",
    "load_network": "poresim.solid.files",
    "Liquid": "poresim.liquid.liquid",
    "Particles": "poresim.liquid.particles",
    "Newtonian": "poresim.liquid.laws",
    "PowerLaw": "poresim.liquid.laws",
    "Bingham": "poresim.liquid.laws",
    "HerschelBulkley": "poresim.liquid.laws",
    "Cross": "poresim.liquid.curves",
    "Carreau": "poresim.liquid.curves",
    "MeasuredFlow": "poresim.liquid.curves",
    "measure_angle": "poresim.photo.angle",
    "drop_profile": "poresim.drop.profile",
    "Properties": "poresim.liquid.properties",
    "water": "poresim.liquid.water",
    "sucrose_solution": "poresim.liquid.sucrose",
    "ethanol_solution": "poresim.liquid.ethanol",
    "wenzel": "poresim.liquid.wetting",
    "cassie_baxter": "poresim.liquid.wetting",
    "cox_voinov": "poresim.liquid.wetting",
    "jiang": "poresim.liquid.wetting",
    "krieger_dougherty": "poresim.liquid.suspension",
    "maron_pierce": "poresim.liquid.suspension",
    "carman_kozeny": "poresim.liquid.suspension",
    "cake_resistance": "poresim.liquid.suspension",
    "sauter_diameter": "poresim.liquid.suspension",
    "stokes_velocity": "poresim.liquid.suspension",
    "hindered": "poresim.liquid.suspension",
    "holding_stress": "poresim.liquid.suspension",
    "settling_velocity": "poresim.liquid.suspension",
    "bridging_chance": "poresim.liquid.suspension",
    "iso_15148": "poresim.absorption.norms",
    "astm_c1585": "poresim.absorption.norms",
    "en_1015_18": "poresim.absorption.norms",
    "straight_part": "poresim.absorption.line",
    "sharp_front": "poresim.absorption.formulas",
    "tube_bundle": "poresim.absorption.formulas",
    "Cup": "poresim.liquid.cup",
    "Stirred": "poresim.liquid.cup",
    "build_liquid": "poresim.scenario.build",
    "build_cup": "poresim.scenario.build",
    "load_scenario": "poresim.scenario.reading",
    "ScenarioError": "poresim.scenario.faults",
    "flow": "poresim.uptake.flow",
    "soak": "poresim.uptake.march",
    "Soak": "poresim.uptake.result",
    "permeability": "poresim.curves.transport",
    "formation_factor": "poresim.curves.transport",
    "makeup": "poresim.curves.makeup",
    "invasion_curve": "poresim.curves.capillary",
    "intrusion_curve": "poresim.curves.capillary",
    "solid_curves": "poresim.curves.summary",
    "run": "poresim.ensemble.run",
    "load_record": "poresim.record.reading",
    "explain": "poresim.why.explain",
    "sweep": "poresim.why.sweep",
    "judge": "poresim.why.judge",
    "plan": "poresim.why.plan",
    "plot": "poresim.show.plot",
}

__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'poresim' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
