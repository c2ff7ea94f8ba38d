"""The wetting front of a flat and of a solid lattice: how high, how wide, as time goes by.

Spontaneous imbibition: the mean height grows as the root of time, and where menisci are not
correlated the front's width does too, so that width over height tends to a constant (Gruener et
al. 2012, PNAS 109:10245; Lee, Sadjadi & Rieger 2014, arXiv:1404.0208). Draws ``front.png``.

    python benchmarks/front.py
"""

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

WATER = ps.Liquid(ps.Newtonian(1e-3), surface_tension=0.072, contact_angle_deg=40, density=998)
SPACING, MEDIAN, LOG_SD = 200e-6, 15e-6, 0.5
LATTICES = {
    "flat, 80 x 240": ("square", (80, 1, 240)),
    "solid, 16 x 16 x 80": ("cubic", (16, 16, 80)),
}
SEEDS = 2
FROM, TO = (
    0.3,
    0.8,
)  # of the block's height: beyond the first layers, which the liquid enters freely


def front(lattice: str, count: tuple[int, int, int], seed: int) -> tuple[np.ndarray, ...]:
    """(time, mean height, width) over the part that is judged."""
    size = tuple(max(n - 1, 1) * SPACING for n in count)
    spec = SolidSpec(
        size=size,
        lattice=lattice,
        radii=Lognormal(MEDIAN, LOG_SD),
        spacing=SPACING,
        sides="periodic",
    )
    solid = ps.build_solid(spec, seed=seed)
    z = solid.points[:, 2] - solid.points[:, 2].min()
    inlet = np.flatnonzero(z < 1e-3 * SPACING)
    result = ps.soak(solid, WATER, inlet, until_saturation=0.85, accuracy=0.01, depth_m=z)
    mean, width = result.front_mean_m, result.front_width_m
    judged = (mean > FROM * size[2]) & (mean < TO * size[2])
    return result.time_s[judged], mean[judged], width[judged]


def main() -> None:
    """Measure, print, draw."""
    figure, (left, right) = plt.subplots(1, 2, figsize=(9, 4), layout="constrained")
    for name, (lattice, count) in LATTICES.items():
        rows = [front(lattice, count, seed) for seed in range(SEEDS)]
        slopes = [np.polyfit(np.log(t), np.log(h), 1)[0] for t, h, _ in rows]
        widths = [np.polyfit(np.log(t), np.log(w), 1)[0] for t, _, w in rows]
        print(
            f"{name}: height grows as t^{np.mean(slopes):.3f} ({min(slopes):.3f} to "
            f"{max(slopes):.3f}), width as t^{np.mean(widths):.3f} ({min(widths):.3f} to "
            f"{max(widths):.3f}); width/height in the end "
            + ", ".join(f"{w[-1] / h[-1]:.3f}" for _, h, w in rows)
        )
        for k, (t, h, w) in enumerate(rows):
            colour = "#0072b2" if lattice == "square" else "#d55e00"
            style = ("-", "--", ":")[k]
            left.loglog(t, h * 1e3, style, color=colour, label=f"{name}" if k == 0 else None)
            right.plot(h * 1e3, w / h, style, color=colour)
    t = np.array(left.get_xlim())
    low = left.get_ylim()[0]
    left.plot(t, low * np.sqrt(t / t[0]), color="0.6", label="root of time")
    left.set_xlim(*t)
    left.set(xlabel="time, s", ylabel="mean height of the front, mm")
    left.legend(frameon=False)
    right.set(xlabel="mean height of the front, mm", ylabel="width / height", ylim=(0, None))
    right.set_title("width: standard deviation over the menisci", fontsize=9)
    figure.savefig(Path(__file__).with_suffix(".png"), dpi=130)


if __name__ == "__main__":
    main()
