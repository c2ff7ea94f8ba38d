"""What a step of the march costs with each flow law, over a Newtonian one. About half a minute.

    python benchmarks/laws.py [SIDE]

One core, a cubic block of SIDE^3 junctions (24), straight tubes, accuracy 0.01, to 80 % saturation.
The liquids are invented. Run it on a quiet machine: the ratio suffers when the caches are shared.
"""

from __future__ import annotations

import sys
import time

import poresim as ps
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


def main(side: int) -> None:
    """Print a line a law."""
    edge = side * 1e-4
    spec = SolidSpec((edge,) * 3, radii=Lognormal(15e-6, 0.5), spacing=1e-4, neighbours=5.2)
    solid = ps.build_solid(spec, seed=1)
    plain = 0.0
    print(f"{'law':18}{'s':>7}{'steps':>7}{'ms a step':>11}{'over Newtonian':>16}")
    for name, law in LAWS.items():
        liquid = ps.Liquid(law, 0.052, 48.0, 1005.0)
        inlet = solid.faces["bottom"]
        ps.soak(solid, liquid, inlet, until_saturation=0.02, accuracy=0.01, cores=1)  # compiles
        start = time.perf_counter()
        soak = ps.soak(solid, liquid, inlet, until_saturation=0.8, accuracy=0.01, cores=1)
        took = time.perf_counter() - start
        step = took / soak.steps
        plain = plain or step
        print(f"{name:18}{took:7.2f}{soak.steps:7}{1e3 * step:11.2f}{step / plain:16.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 24)
