"""Large networks: the error of waisted rusks against much finer marches, and the time they take.

No exact answer is known at this size. A rusk of 2535 junctions with narrow waists, drawn from the
scenario's law, is soaked by three of its broths at several accuracies, and each is held against a
march with steps and tolerances a tenth as long. Then straight lattices are timed.

    python benchmarks/large.py
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np

import poresim as ps
from poresim.ensemble.warming import warm
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.uptake.march import march
from poresim.uptake.pace import Pace

SCENARIO = Path(__file__).resolve().parents[1] / "scenarios" / "rusk_in_broth.toml"
BLOCK = (1.2e-3, 1.2e-3, 1.4e-3)  # m
ACCURACIES = (0.05, 0.02, 0.01)
FINEST = 5e-3
UNTIL_S = 2.0
LEVELS = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
WATER = ps.Liquid(ps.Newtonian(1e-3), surface_tension=0.072, contact_angle_deg=40, density=998)
SIDES, SPACING = (24, 46), 200e-6


def soaked(solid: ps.Network, liquid: ps.Liquid, accuracy: float, pace: Pace | None = None):
    """The finished soak."""
    *_, course = march(
        solid, liquid, solid.faces["bottom"], UNTIL_S, accuracy=accuracy, seed=11, pace=pace
    )
    return course.result()


def finest(liquid: ps.Liquid) -> Pace:
    """Steps and tolerances of the reference."""
    pace = Pace.of(FINEST, True, getattr(liquid.viscosity, "index", 1.0), many=True)
    return replace(pace, arrivals=0.02, growth=0.01, owed=0.03, solve=0.003, drift=0.03)


def main() -> None:
    """Measure and print."""
    warm(print)
    scenario = ps.load_scenario(SCENARIO)
    solid = ps.build_solid(replace(scenario.solid, size=BLOCK), seed=5)
    print(
        f"waisted rusk, {solid.junctions} junctions: error of the time at 10, 20 ... % saturation"
    )
    for spec in scenario.liquids[:3]:
        liquid = ps.build_liquid(spec)
        right = soaked(solid, liquid, FINEST, finest(liquid))
        for accuracy in ACCURACIES:
            one = soaked(solid, liquid, accuracy)
            end = min(one.saturation[-1], right.saturation[-1])
            at = LEVELS[end >= LEVELS]
            a, b = (np.interp(at, s.saturation, s.time_s) for s in (one, right))
            errors = " ".join(f"{100 * e:+.1f}" for e in a / b - 1)
            print(
                f"{spec.name}, {accuracy:g}: {errors} %; in the end {one.saturation[-1]:.3f} "
                f"against {right.saturation[-1]:.3f}; {one.steps} steps ({right.steps})"
            )
    for side in SIDES:
        block = SolidSpec(
            size=((side - 1) * SPACING,) * 3,
            lattice="cubic",
            radii=Lognormal(15e-6, 0.5),
            spacing=SPACING,
        )
        solid = ps.build_solid(block, seed=1)
        began = time.perf_counter()
        one = ps.soak(
            solid, WATER, solid.faces["bottom"], until_saturation=0.8, accuracy=0.01
        )  # fmt: skip
        took = time.perf_counter() - began
        print(f"straight {side}^3: {took:.1f} s, {one.steps} steps, {one.solves} solves")


if __name__ == "__main__":
    main()
