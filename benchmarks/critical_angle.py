"""The contact angle at which a lattice of waisted tubes stops wicking, against its waist.

Past the waist of a tube a meniscus is drawn on only while contact angle + half-opening of the walls
is below 90 degrees. Liquid offered at zero gauge pressure soaks through while tubes that pass join
the faces: an invasion by half-openings. The half-opening follows from the waist and from how wide
the mouths of the tubes are beside their length, so there is a line for each width. Beside them the
published angles: about 55 degrees for layers of grains of one size (Raux et al. 2013, PRE
88:022402), 50.73 for close-packed spheres (Ban et al. 1987; Shirtcliffe et al. 2006; from memory),
90 for straight tubes. A few points are soaked, a little below and above their critical angle.

    python benchmarks/critical_angle.py
"""

from __future__ import annotations

import math
from pathlib import Path
from statistics import NormalDist

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import poresim as ps
from poresim.curves.entry import half_openings
from poresim.curves.invasion import invade
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidError, SolidSpec

SPACING, LOG_SD = 100e-6, 0.2
MOUTHS = {
    0.3: "#0072b2",
    0.6: "#009e73",
    0.84: "#d55e00",
}  # median diameter over spacing; the last: as wide as a block may be
WAISTS = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
CELLS, SEEDS = 40, 3
SOAKED_CELLS, OFF_DEG = 10, 1.0
SOAKED = ((0.3, 0.5), (0.6, 0.3), (0.84, 0.1))  # mouth, waist
THRESHOLD = 0.24881185  # of the cubic lattice: Xu et al. 2014 Front Phys 9:113 (from memory)


def fits(mouth: float, waist: float) -> bool:
    """Whether the tubes leave any solid: wide and hardly waisted ones do not."""
    try:
        lattice(mouth, waist, CELLS, seed=0)
    except SolidError:
        return False
    return True


def lattice(mouth: float, waist: float, cells: int, seed: int) -> ps.Network:
    """A cubic block, periodic sides."""
    spec = SolidSpec(
        (cells * SPACING,) * 3,
        "cubic",
        Lognormal(0.5 * mouth * SPACING, LOG_SD),
        SPACING,
        waist=waist,
        sides="periodic",
    )
    return ps.build_solid(spec, seed=seed)


def critical_angle(solid: ps.Network) -> float:
    """Degrees: 90 less the half-opening that has to be passed on the easiest way through."""
    opening = half_openings(solid)
    bottom, top = solid.faces["bottom"], solid.faces["top"]
    found = invade(solid.ends, bottom, solid.junctions, tube_rank=opening, until=top)
    return 90.0 - math.degrees(found.junction_level[top].min())


def of_infinite_block(mouth: float, waist: float) -> float:
    """The same from the half-opening that a share p_c of the tubes does not exceed."""
    radius = 0.5 * mouth * math.exp(LOG_SD * NormalDist().inv_cdf(THRESHOLD))
    return 90.0 - math.degrees(math.atan(2 * radius * (1 - waist)))


def soaks_through(solid: ps.Network, angle_deg: float) -> bool:
    """Whether a soak at this angle, left to itself, comes to the top."""
    liquid = ps.Liquid(ps.Newtonian(1e-3), 0.072, angle_deg, 1000.0)
    soak = ps.soak(solid, liquid, solid.faces["bottom"], until_s=1e6, accuracy=0.05)
    assert not soak.ending.failed
    return bool(np.isfinite(soak.wetted_at_s[solid.faces["top"]]).any())


def cross_check() -> list[tuple[float, float, float]]:
    """(mouth, waist, critical angle) of the blocks soaked; each goes on below and stops above."""
    points = []
    for mouth, waist in SOAKED:
        solid = lattice(mouth, waist, SOAKED_CELLS, seed=0)
        angle = critical_angle(solid)
        below, above = (soaks_through(solid, angle + off) for off in (-OFF_DEG, OFF_DEG))
        print(
            f"soaked: mouth {mouth:g}, waist {waist:g}: critical {angle:.2f} degrees; "
            f"{OFF_DEG:g} below {'goes through' if below else 'STOPS'}, "
            f"{OFF_DEG:g} above {'GOES THROUGH' if above else 'stops'}"
        )
        assert below and not above
        points.append((mouth, waist, angle))
    return points


def main() -> None:
    """Measure, print, draw."""
    figure, axes = plt.subplots(figsize=(7, 4.6), layout="constrained")
    for mouth, colour in MOUTHS.items():
        waists = [waist for waist in WAISTS if fits(mouth, waist)]
        expected = [of_infinite_block(mouth, waist) for waist in waists]
        mean = []
        for waist, angle in zip(waists, expected, strict=True):
            found = [critical_angle(lattice(mouth, waist, CELLS, seed)) for seed in range(SEEDS)]
            mean.append(np.mean(found))
            print(
                f"mouth {mouth:g} of the spacing, waist {waist:g}: {mean[-1]:.2f} degrees "
                f"({min(found):.2f} to {max(found):.2f}; infinite block {angle:.2f})"
            )
        axes.plot(waists, expected, color=colour, lw=1)
        axes.plot(waists, mean, "o", color=colour, ms=5)
        axes.annotate(
            f"mouths {mouth:g} of the\nspacing wide",
            (waists[-1], expected[-1]),
            xytext=(9, -8),
            textcoords="offset points",
            color=colour,
        )
    for mouth, waist, angle in cross_check():
        axes.plot(waist, angle, "s", ms=10, mfc="none", color=MOUTHS[mouth])
    for angle, text in (
        (90.0, "straight tubes: 90"),
        (55.0, "layers of grains of one size: about 55 (Raux et al. 2013)"),
        (50.73, "close-packed spheres: 50.73"),
    ):
        axes.axhline(angle, color="0.55", ls="--", lw=1)
        axes.annotate(
            text,
            (0.985, angle),
            xytext=(0, 3),
            textcoords="offset points",
            color="0.35",
            fontsize=9,
        )
    axes.set(
        xlim=(1.0, -0.25),
        ylim=(45, 93),
        xlabel="waist: narrowest radius over radius",
        ylabel="critical contact angle, degrees",
    )
    axes.set_xticks([1.0, 0.8, 0.6, 0.4, 0.2, 0.0])
    axes.set_title(
        "circles: invasion, 40 cells an edge; lines: infinite block; squares: 10 cells, soaked too",
        fontsize=9,
    )
    figure.savefig(Path(__file__).with_suffix(".png"), dpi=130)


if __name__ == "__main__":
    main()
