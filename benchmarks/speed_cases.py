"""The networks and the liquid of the speed benchmark. Invented data."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

SPACING = 200e-6  # m
MEDIAN_RADIUS, LOG_SD = 15e-6, 0.5
TENSION, ANGLE_DEG, VISCOSITY, DENSITY = 0.072, 40.0, 1e-3, 998.0
WATER = ps.Liquid(ps.Newtonian(VISCOSITY), TENSION, ANGLE_DEG, DENSITY)

#: Grains in that liquid, eight classes of equal volume each: few, or most, fit no throat.
GRAINS = {
    "fine": ps.Particles(0.015, np.geomspace(2e-6, 20e-6, 8)),
    "coarse": ps.Particles(0.015, np.geomspace(6e-6, 60e-6, 8)),
}

WIDE_LOG_SD = 1.0
BLOCKED_SHARE, LEAK = 0.4, 0.02
THIN_NEIGHBOURS = 3.2

#: What the hard cases are, in the order of the table. "plain" is the one that they are held to.
CASES = {
    "plain": f"cubic, log-sd of the radii {LOG_SD}",
    "wide": f"cubic, log-sd of the radii {WIDE_LOG_SD:g}",
    "blocked": f"cubic, {BLOCKED_SHARE:.0%} of the tubes at random narrowed to {LEAK**0.25:.2f} of "
    f"their radius: conductance {LEAK:g} of it, suction {LEAK**-0.25:.1f} times, volume "
    f"{LEAK**0.5:.2f} of it",
    "thin": f"cubic, thinned at random to {THIN_NEIGHBOURS} neighbours",
    "scattered": "about as many junctions scattered at random",
}


def with_grains(name: str | None) -> ps.Liquid:
    """The liquid with grains of :data:`GRAINS`, or without."""
    return WATER if name is None else replace(WATER, particles=GRAINS[name])


class Given(NamedTuple):
    """A network to be soaked from some junctions, and what the rivals' march asks of the liquid."""

    solid: ps.Network
    inlet: np.ndarray
    tension_cos: float  # N/m
    viscosity: float  # Pa s
    exact: np.ndarray | None = None  # (4,) times at 20, 40, 60, 80 % saturation, where known, s


def given(case: str, side: int, seed: int) -> Given:
    """A case of :data:`CASES` with about ``side``^3 junctions, or "stored": a lattice of the tests.

    Stored (side 8 or 12): the exact event-by-event integrator of the tests has soaked it.
    """
    if case == "stored":
        return _stored(side)
    spec = SolidSpec(
        size=((side - (case != "scattered")) * SPACING,) * 3,
        lattice="scattered" if case == "scattered" else "cubic",
        radii=Lognormal(MEDIAN_RADIUS, WIDE_LOG_SD if case == "wide" else LOG_SD),
        spacing=SPACING,
        neighbours=THIN_NEIGHBOURS if case == "thin" else None,
    )
    solid = ps.build_solid(spec, seed=seed)
    if case == "blocked":
        chosen = np.random.default_rng(seed).random(solid.tubes) < BLOCKED_SHARE
        solid = ps.Network(
            solid.points,
            solid.ends,
            np.where(chosen, LEAK**0.25, 1.0) * solid.radius,
            solid.length,
            faces=solid.faces,
            size=solid.size,
        )
    tension_cos = TENSION * math.cos(math.radians(ANGLE_DEG))
    return Given(solid, solid.faces["bottom"], tension_cos, VISCOSITY)


def _stored(side: int) -> Given:
    """Invented solid and liquid of tests/oracle_data.py."""
    folder = Path(__file__).resolve().parents[1] / "tests" / "data"
    with np.load(folder / f"lattice_{side}.npz") as data:
        solid = ps.Network(data["points"], data["ends"], data["radius"])
        return Given(
            solid, data["inlet"], 0.052 * math.cos(math.radians(48.0)), 1.2e-3, data["time_at"]
        )
