"""How much a solid takes up, against the share of its throats that grains pass: where it plugs.

Grains of one size close every throat that is narrower than they are, with the first grain that
comes. Where many come with each tube's own volume, only what is joined to the wetted face through
wider throats fills: bond percolation. So a cubic lattice plugs at once where grains pass less than
0.2488 of its throats (Lorenz & Ziff 1998 Phys Rev E 57:230, from memory), the more sharply the
larger it is, whereas a bundle of tubes takes up what its wide tubes hold, and has no threshold.

Beside each soak stands what percolation makes of the same network: the volume of the tubes that are
joined to the face through throats wider than the grains (scipy.sparse.csgraph). Three things must
be so for a soak to show it: closed throats must not leak (their menisci go on as the root of leak x
time, and what has leaked through is clear, and runs on freely), tubes must be slender (so that many
grains come with their volume), and there must be time, as the ways through are long and few near
the threshold. All values are invented. Draws ``plugging.png``.

    python benchmarks/plugging.py
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

import poresim as ps
from poresim.show.captions import headline
from poresim.show.style import LIQUIDS, SOFT, readable, styled
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

SPACING = 5e-3  # m: 500 grains long, so that they come by the dozen with a tube's volume
WIDTHS = Lognormal(10e-6, 0.2)  # of the tubes, as radii, m
SIZES = {15: 5, 24: 2, 40: 1}  # cells along an edge, and how many blocks are averaged
TUBES = 2000  # in the bundle; as long as the largest lattice is high
FRACTION, LEAK = 0.3, 1e-12
TIMES = 1e4  # the time in which clear liquid fills 95 %
SOON = 10.0  # and an earlier look, likewise
ACCURACY = 0.05
LEAKY = ((1e-4, 0.35, 10.0), (0.02, 0.2, 3.0))  # leak, share of the throats, times, in 15^3
SHARES = (0.1, 0.2, 0.22, 0.24, 0.26, 0.28, 0.32, 0.4, 0.5, 0.65, 0.8, 0.9)
THRESHOLD = 0.2488  # of bonds, simple cubic


def lattice(cells: int, seed: int = 0) -> ps.Network:
    """A cubic block, periodic sides."""
    spec = SolidSpec((cells * SPACING,) * 3, "cubic", WIDTHS, SPACING, sides="periodic")
    return ps.build_solid(spec, seed=seed)


def bundle(tubes: int, length: float, seed: int = 0) -> ps.Network:
    """Tubes side by side, each from the bottom to the top."""
    x = SPACING * np.tile(np.arange(tubes), 2)
    z = np.repeat([0.0, length], tubes)
    points = np.column_stack([x, np.zeros_like(x), z])
    ends = np.arange(2 * tubes).reshape(2, tubes).T
    radius = WIDTHS.draw(np.random.default_rng(seed), tubes)
    faces = {"bottom": ends[:, 0], "top": ends[:, 1]}
    return ps.Network(points, ends, radius, faces=faces)


def liquid(grain: float | None = None, leak: float = LEAK) -> ps.Liquid:
    """It wets; grains of that diameter, m, only fit or do not, and do not thicken."""
    grains = None
    if grain is not None:
        grains = ps.Particles(
            FRACTION, grain, leak=leak, bridging_ratio=1, bed_porosity=0.4, intrinsic_viscosity=0
        )
    return ps.Liquid(ps.Newtonian(1e-3), 0.05, 0.0, 1000.0, particles=grains)


def grain_that_passes(solid: ps.Network, share: float) -> float:
    """Diameter, m, of grains that just that share of the throats lets through."""
    return float(np.quantile(2 * solid.throat_radius, 1 - share))


def joined(solid: ps.Network, grain: float) -> np.ndarray:
    """(m,) whether a tube is joined to the bottom through throats wider than the grains."""
    wide = 2 * solid.throat_radius > grain
    n, ends, face = solid.junctions, solid.ends[wide], solid.faces["bottom"]
    rows = np.concatenate([ends[:, 0], np.full(len(face), n)])  # n: the liquid outside
    columns = np.concatenate([ends[:, 1], face])
    graph = csr_array((np.ones(len(rows)), (rows, columns)), shape=(n + 1, n + 1))
    part = connected_components(graph, directed=False)[1]
    reached = part[:n] == part[n]
    return wide & reached[solid.ends].any(axis=1)


def percolation(solid: ps.Network, share: float) -> float:
    """Share of the tubes' volume that is joined to the face."""
    volume = solid.tube_volume
    return float(volume[joined(solid, grain_that_passes(solid, share))].sum() / volume.sum())


def own_threshold(solid: ps.Network) -> float:
    """The least share at which the faces are joined, by bisection over the tubes' ranks."""
    top = np.zeros(solid.junctions, bool)
    top[solid.faces["top"]] = True
    low, high = 0, solid.tubes
    while high - low > 1:
        middle = (low + high) // 2
        tubes = joined(solid, grain_that_passes(solid, middle / solid.tubes))
        through = top[solid.ends[tubes]].any()
        low, high = (low, middle) if through else (middle, high)
    return high / solid.tubes


def clear_time(solid: ps.Network) -> float:
    """In which liquid without grains fills 95 %, s."""
    face = solid.faces["bottom"]
    soak = ps.soak(solid, liquid(), face, until_saturation=0.95, accuracy=ACCURACY)
    return float(soak.time_s[-1])


def soaked(solid: ps.Network) -> np.ndarray:
    """(shares, 2) saturation of a soak with each grain, in the end and early."""
    face, time, found = solid.faces["bottom"], clear_time(solid), []
    for share in SHARES:
        grain = grain_that_passes(solid, share)
        soak = ps.soak(solid, liquid(grain), face, until_s=TIMES * time, accuracy=ACCURACY)
        assert not soak.ending.failed
        found.append(np.interp([TIMES * time, SOON * time], soak.time_s, soak.saturation))
    return np.array(found)


def report(found: np.ndarray, expected: np.ndarray) -> None:
    """Print what (blocks, shares) came of it, %."""
    for share, soak, joined_ in zip(
        SHARES, 100 * found.mean(axis=0), expected.mean(axis=0), strict=True
    ):
        print(
            f"  {share:.2f} of the throats: {soak[0]:5.1f} % in the end ({soak[1]:5.1f} % after "
            f"{SOON:g} times what clear liquid takes); percolation {100 * joined_:5.1f} %"
        )
    off = 100 * (found[:, :, 0] - expected)
    print(
        f"  soaks less percolation: {off.min():.2f} to {off.max():.2f} % of the pores", flush=True
    )


def leaking() -> None:
    """Print what throats that leak make of it."""
    solid = lattice(min(SIZES))
    for leak, share, times in LEAKY:
        offered, end = liquid(grain_that_passes(solid, share), leak), times * clear_time(solid)
        soak = ps.soak(solid, offered, solid.faces["bottom"], until_s=end, accuracy=ACCURACY)
        print(
            f"leak {leak:g}, {share:g} of the throats, {times:g} times what clear liquid takes: "
            f"{100 * soak.saturation[-1]:.1f} %; percolation "
            f"{100 * percolation(solid, share):.1f} %"
        )


def draw(axes: Any, solids: list[ps.Network], found: np.ndarray, kind: int) -> None:
    """Marks: soaks; line: percolation. Percent, means over the solids."""
    grid = np.unique(np.concatenate([np.linspace(0.01, 0.99, 99), np.linspace(0.2, 0.32, 121)]))
    expected = np.mean([[100 * percolation(s, share) for share in grid] for s in solids], axis=0)
    axes.plot(100 * grid, expected, color=LIQUIDS[kind], lw=1.8, zorder=2)
    mark(axes, 100 * np.array(SHARES), 100 * found, kind)


def mark(axes: Any, x: Any, y: Any, kind: int) -> None:
    """Marks of one kind, the smaller the later: where they agree, each is seen in the other."""
    axes.plot(
        x, y, "osD^"[kind], color=LIQUIDS[kind], ms=(12, 8.5, 5, 8)[kind], mec="white", mew=0.9,
        zorder=3 + kind,
    )  # fmt: skip


def main() -> None:
    """Measure, print, draw."""
    leaking()
    kinds = {
        f"lattices, {cells} cells an edge": [lattice(cells, seed) for seed in range(blocks)]
        for cells, blocks in SIZES.items()
    }
    kinds[f"bundle of {TUBES} tubes"] = [bundle(TUBES, max(SIZES) * SPACING)]
    width = 7.2
    with styled(width):
        figure = plt.figure(figsize=(width, 5.2))
        title = (
            "A lattice plugs where under a quarter of throats pass grains; "
            "a bundle has no threshold"
        )
        head = headline(figure, title, width)
        grids = figure.add_gridspec(
            1, 2, left=0.125, right=0.965, top=head - 0.075, bottom=0.265, wspace=0.14
        )
        left = figure.add_subplot(grids[0, 0])
        right = figure.add_subplot(grids[0, 1], sharey=left)
        for kind, (name, solids) in enumerate(kinds.items()):
            print(name)
            if kind < len(SIZES):
                own = ", ".join(f"{own_threshold(solid):.4f}" for solid in solids)
                print(f"  the faces are joined from {own} on")
            found = np.array([soaked(solid) for solid in solids])
            expected = [[percolation(solid, share) for share in SHARES] for solid in solids]
            report(found, np.array(expected))
            draw(left if kind < len(SIZES) else right, solids, found[:, :, 0].mean(axis=0), kind)
        left.axvline(100 * THRESHOLD, color=SOFT, ls=(0, (3, 1.5)), lw=1.2, zorder=1)
        left.text(100 * THRESHOLD + 3, 98, "threshold\n24.9 %", color=SOFT, va="top")
        for kind, cells in enumerate(SIZES):
            y = 8.0 + 11.0 * kind
            mark(left, 48, y, kind)
            left.text(53, y, f"{cells}\u00b3 cells", color=readable(LIQUIDS[kind]), va="center")
        left.set(ylabel="taken up, % of the pores", xlim=(0, 100), ylim=(0, 100))
        left.set_title("cubic lattice")
        right.set_xlim(0, 100)
        right.set_title("bundle of tubes")
        right.tick_params(labelleft=False)
        for axes in (left, right):
            axes.set_xticks([0, 25, 50, 75, 100])
        figure.text(0.545, 0.145, "throats that grains pass, % of all", ha="center")
        figure.text(
            0.02,
            0.015,
            "Marks: soaks; lines: pores joined to the wetted face through\n"
            "throats that grains pass, in the same network. Invented data.",
            color=SOFT,
            linespacing=1.15,
        )
        figure.savefig(Path(__file__).with_suffix(".png"), dpi=130)


if __name__ == "__main__":
    main()
