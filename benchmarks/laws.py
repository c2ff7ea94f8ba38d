"""What a step of the march costs with each flow law, over a Newtonian one. About three minutes.

    python benchmarks/laws.py [SIDE [REPEATS [WAISTED SIDE]]]

One core, cubic blocks, accuracy 0.01, to 80 % saturation: of SIDE^3 junctions (24) with straight
tubes, and of WAISTED SIDE^3 (15) whose tubes narrow to 0.4 half-way. The liquids are invented.

Each soak stands between two of the Newtonian liquid, and is held against their mean; the ratio is
the median of REPEATS (5) such, the lowest and the highest beside it. Times are those of the
processor, not of the clock. Still, other processes take their share of the caches.
"""

from __future__ import annotations

import statistics
import sys
import time

import poresim as ps
from poresim.solid.network import Network
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

LAWS = {
    "Newtonian": ps.Newtonian(1.2e-3),
    "power law 0.5": ps.PowerLaw(0.12, 0.5),
    "power law 0.8": ps.PowerLaw(0.02, 0.8),
    "Bingham": ps.Bingham(0.5, 0.005),
    "Herschel-Bulkley": ps.HerschelBulkley(0.02, 0.12, 0.5),
    "Cross": ps.Cross(0.5, 1e-3, 1.0, 0.7),
    "Carreau": ps.Carreau(0.5, 1e-3, 1.0, 0.4),
    "measured": ps.MeasuredFlow(
        [0.1, 1, 10, 100, 1e3, 1e4, 1e5, 1e6], [0.957, 0.42, 0.12, 0.035, 0.012, 5e-3, 2.5e-3, 2e-3]
    ),
}
WAIST = 0.4


def block(side: int, waist: float) -> Network:
    """A cube of side^3 junctions."""
    edge = side * 1e-4
    spec = SolidSpec(
        (edge,) * 3, radii=Lognormal(15e-6, 0.5), spacing=1e-4, neighbours=5.2, waist=waist
    )
    return ps.build_solid(spec, seed=1)


def step_of(solid: Network, name: str, until: float = 0.8) -> tuple[int, float]:
    """(steps of a soak, processor time of one, s)."""
    liquid = ps.Liquid(LAWS[name], 0.052, 48.0, 1005.0)
    start = time.process_time()
    soak = ps.soak(
        solid, liquid, solid.faces["bottom"], until_saturation=until, accuracy=0.01, cores=1
    )
    return soak.steps, (time.process_time() - start) / soak.steps


def compare(solid: Network, repeats: int) -> None:
    """Print a line a law."""
    for name in LAWS:
        step_of(solid, name, until=0.02)  # compiles
    print(f"{'law':18}{'steps':>7}{'ms a step':>11}{'over Newtonian':>16}")
    found: dict[str, list[tuple[int, float, float]]] = {name: [] for name in LAWS}
    _, before = step_of(solid, "Newtonian")
    for _ in range(repeats):
        for name in LAWS:
            steps, took = step_of(solid, name)
            _, after = step_of(solid, "Newtonian")
            found[name].append((steps, took, 2.0 * took / (before + after)))
            before = after
    for name, each in found.items():
        took = min(t for _, t, _ in each)
        ratios = [r for _, _, r in each]
        print(
            f"{name:18}{each[0][0]:7}{1e3 * took:11.2f}{statistics.median(ratios):9.2f}"
            f" ({min(ratios):.2f} to {max(ratios):.2f})",
            flush=True,
        )


def main(side: int, repeats: int, waisted: int) -> None:
    """Print both tables."""
    print(f"straight tubes, {side}^3")
    compare(block(side, 1.0), repeats)
    if waisted:
        print(f"\ntubes that narrow to {WAIST}, {waisted}^3")
        compare(block(waisted, WAIST), repeats)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:4]]
    main(*given, *(24, 5, 15)[len(given) :])
