"""A rusk and two broths in Python, without a scenario file. All values are invented.

    python scenarios/in_python.py

Everything is in SI units, and arrays are numpy's. In a notebook, a result as the last line of a
cell shows itself as a small table, and ``result.plot()`` as a figure.
"""

from __future__ import annotations

from pathlib import Path

import poresim as ps


def main(
    out: Path = Path("results/in_python"), size_mm: tuple[float, ...] = (0.8, 0.8, 1.5)
) -> None:
    # A solid: a cubic lattice of tubes, as long as the spacing of its junctions, with waists.
    spec = ps.SolidSpec(
        name="rusk",
        size=tuple(1e-3 * edge for edge in size_mm),
        spacing=100e-6,
        neighbours=5.2,
        radii=ps.Lognormal(median=15e-6, log_sd=0.5),
        waist=0.5,
    )
    solid = ps.build_solid(spec, seed=11)
    print(solid)

    # Two liquids that differ in their flow alone: a thin one, and one whose gum thins as it flows.
    clear = ps.Liquid(ps.Newtonian(1.2e-3), 0.052, contact_angle_deg=48, density=1005)
    gum = ps.Liquid(ps.PowerLaw(0.6, index=0.5), 0.052, contact_angle_deg=48, density=1005)

    # Soaked from below. Any other list of junctions would do as the inlet.
    soaks = {
        name: ps.soak(solid, liquid, inlet=solid.faces["bottom"], until_s=1.0, accuracy=0.05)
        for name, liquid in {"clear broth": clear, "gum broth": gum}.items()
    }
    for name, soak in soaks.items():
        print(f"\n{name}\n{soak}")
        low, middle, high = soak.wall_shear_rate()
        print(f"  shear rates     {low:,.0f} to {high:,.0f} 1/s, {middle:,.0f} in the middle")

    # Saturated: what a pressure of 100 Pa from bottom to top drives through.
    pressure = dict.fromkeys(solid.faces["bottom"].tolist(), 100.0)
    pressure |= dict.fromkeys(solid.faces["top"].tolist(), 0.0)
    print(f"\n{ps.flow(solid, clear, pressure)}")

    # Figures are matplotlib's; the numbers that they draw come with them.
    figure = ps.plot(soaks)
    out.mkdir(parents=True, exist_ok=True)
    figure.savefig(out / "soaks.png", dpi=200)
    (out / "soaks.csv").write_text(figure.tables[""].text(), encoding="utf-8")
    solid.plot().savefig(out / "solid.png", dpi=200)
    print(f"\nfigures and numbers: {out}")


if __name__ == "__main__":
    main()
