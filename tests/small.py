"""Small scenarios for tests that run the real thing. All values are invented."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from poresim.ensemble.run import run
from poresim.record.model import Record
from poresim.scenario.reading import Scenario


def run_here(scenario: Scenario, out: Path) -> Record:
    """A run in this process: to start others takes longer than a small soak."""
    with ThreadPoolExecutor(1) as thread:
        return run(scenario, out, executor=thread)


TWO_BROTHS = """\
title = "A small rusk in two broths"
seed = 0

[solid]
size_mm = [0.2, 0.2, 0.3]
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.3, waist = 0.7 }

[[liquids]]
name = "clear broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48
viscosity = { law = "newtonian", mPa_s = 1.2 }

[[liquids]]
name = "spiced broth"
based_on = "clear broth"
particles = { volume_fraction = 0.05, law = "lognormal", median_diameter_um = 12, log_sd = 0.5 }

[exposure]
kind = "face"
faces = ["bottom"]

[run]
until_s = 0.2
accuracy = 0.1
repeats = 3
snapshots = 6
"""
