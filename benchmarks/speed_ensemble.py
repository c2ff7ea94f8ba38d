"""Many soaks of small solids through the command's own way of running them, on all cores."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from speed_cases import ANGLE_DEG, DENSITY, LOG_SD, MEDIAN_RADIUS, SPACING, TENSION, VISCOSITY

import poresim as ps
from poresim.ensemble.warming import warm
from poresim.machine import cores

SIDE = 20
ALONE = 5  # soaks of the same kind, one after the other, to compare with
SCENARIO = f"""
title = "Invented solids, soaked to see how long it takes"
seed = 1
[solid]
name = "block"
size_mm = [{", ".join([f"{1e3 * (SIDE - 1) * SPACING:g}"] * 3)}]
lattice = {{ kind = "cubic", spacing_um = {1e6 * SPACING:g} }}
tubes = {{ law = "lognormal", median_radius_um = {1e6 * MEDIAN_RADIUS:g}, log_sd = {LOG_SD} }}
[[liquids]]
name = "water"
density_kg_m3 = {DENSITY}
surface_tension_mN_m = {1e3 * TENSION:g}
contact_angle_deg = {ANGLE_DEG}
viscosity = {{ law = "newtonian", mPa_s = {1e3 * VISCOSITY:g} }}
[exposure]
kind = "face"
faces = ["bottom"]
gravity = false
[run]
until_saturation = 0.8
accuracy = 0.01
"""


def soak_many(soaks: int) -> dict[str, Any]:
    """Wall time of ``soaks`` soaks by ``ps.run``, and of one alone in this process (median), s."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "many.toml"
        file.write_text(SCENARIO + f"repeats = {soaks}\n")
        scenario = ps.load_scenario(file)
        warm(print)
        liquid, alone = ps.build_liquid(scenario.liquids[0]), []
        for seed in range(ALONE + 1):  # the first one loads what is compiled
            began = time.perf_counter()
            solid = ps.build_solid(scenario.solid, seed=seed)
            ps.soak(solid, liquid, solid.faces["bottom"], until_saturation=0.8, accuracy=0.01)
            alone.append(time.perf_counter() - began)
        began = time.perf_counter()
        record = ps.run(scenario, out=folder)
        wall = time.perf_counter() - began
        return {
            "wall_s": wall,
            "alone_s": float(np.median(alone[1:])),
            "cores": cores(),
            "ending": "complete" if record.complete else "not complete",
        }
