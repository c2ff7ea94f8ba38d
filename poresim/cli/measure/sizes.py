"""``poresim measure sizes``: sizes of grains, and of throats by porosimetry."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.cli.measure.given import between
from poresim.cli.measure.telling import Told, tell, with_sd

if TYPE_CHECKING:
    from poresim.bench.combine import Combined
    from poresim.bench.sizes import LawFit, Sizing

NAME = "sizes"
ABOUT = "percentiles, mean sizes and laws of grains or throats"
MORE = """\
a file is told by its columns:
  opening_um, retained_g               sieves; the pan has opening 0, or none
  diameter_um, volume_share            classes as of laser diffraction: shares or percent, in each
                                       or cumulative (also named cumulative_volume_share); what adds
                                       up to 1 or 100 is in each, what rises to it is cumulative
  diameter_um                          particles one by one; with count, how many of each
  diameter_um, radius_um, pressure_MPa or pressure_kPa, with intruded_mL_g
                                       mercury porosimetry
several files of one kind are repeats.

percentiles are by volume, straight against ln(size) between known points (ISO 9276-1, from memory)

example (invented data):
  poresim measure sizes scenarios/bench/spice_sieves.csv --volume-fraction 0.015 --out sizes
"""
_UM = 1e6
_DIAMETERS = ("d10", "d50", "d90", "sauter", "de_brouckere")
_WORDS = {
    "d10": "d10, by volume",
    "d50": "d50, by volume",
    "d90": "d90, by volume",
    "sauter": "Sauter mean d32",
    "de_brouckere": "De Brouckere mean d43",
    "span": "span (d90 - d10) / d50",
    "number_d10": "d10, by number",
    "number_d50": "d50, by number",
    "number_d90": "d90, by number",
}
_TUBE_WORDS = _WORDS | {
    "sauter": "4 volume / wall area",
    "de_brouckere": "mean diameter, by volume",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("files", metavar="CSV", nargs="+", type=Path, help="table; more: repeats")
    parser.add_argument(
        "--volume-fraction",
        metavar="SHARE",
        type=between(0.0, 0.6, "a share of the liquid's volume"),
        help="of the grains in the liquid, for the block; sizes do not tell it",
    )
    parser.add_argument(
        "--class-diameter",
        choices=("middle", "upper", "lower"),
        default="middle",
        help="what the diameter of a class stands for (default: middle)",
    )
    parser.add_argument(
        "--weighing-sd-g",
        metavar="G",
        type=between(0.0, 1e3, "grams"),
        help="standard error of one mass on a sieve (default: from the last digit written, or the "
        "scatter about the better law where that is more)",
    )
    parser.add_argument(
        "--angle-deg",
        metavar="DEG",
        type=between(90.0, 180.0, "an angle in degrees"),
        help="of mercury, for pressures (default: 130; 140 is in use, too)",
    )
    parser.add_argument(
        "--tension-mN-m",
        metavar="MN_M",
        type=between(0.0, 2000.0, "a tension in mN/m"),
        help="of mercury, for pressures (default: 485)",
    )


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""

    def measure() -> Told:
        from poresim.bench.sizes import measure_sizes
        from poresim.tables.grain_sizes import read_size_table

        tension = None if asked.tension_mN_m is None else asked.tension_mN_m * 1e-3
        tables = [
            read_size_table(path, asked.class_diameter, asked.angle_deg, tension)
            for path in asked.files
        ]
        weighed = None if asked.weighing_sd_g is None else asked.weighing_sd_g * 1e-3
        return told_of(measure_sizes(tables, weighed), asked.volume_fraction)

    return tell(asked, NAME, asked.files[0], measure)


def told_of(sizing: Sizing, volume_fraction: float | None) -> Told:
    """Table, block, JSON and figure of measured sizes."""
    from poresim.cli.measure.size_blocks import block_of

    block, said = block_of(sizing, volume_fraction)

    def figure() -> Any:
        from poresim.show.measured_sizes import sizes_figure

        return sizes_figure(sizing)

    return Told(_rows(sizing), block, _values(sizing), [*sizing.said, *said], figure)


def _rows(sizing: Sizing) -> list[tuple[str, str]]:
    from poresim.bench.sizes import KIND_WORDS, tails

    words = _TUBE_WORDS if sizing.kind == "intrusion" else _WORDS
    files = sizing.files
    many = f", {len(files)} repeats" if len(files) > 1 else ""
    rows = [("read", KIND_WORDS[sizing.kind] + many)]
    for name, text in words.items():
        found = sizing.figures[name]
        size = name != "span"
        factor = _UM if size else 1.0
        rows.append((text, with_sd(found.value * factor, found.sd * factor, "um" if size else "")))
    for one in files:
        fine, coarse = tails(one)
        of = f" ({one.table.path.name})" if len(files) > 1 else ""
        rows.append((f"finest tenth{of}", fine))
        rows.append((f"coarsest tenth{of}", coarse))
    for place, fit in enumerate(sizing.fits):
        rows.append((f"{fit.kind} law, by {fit.told_by}", _law_words(fit, sizing)))
        rows.append(("", _residual_words(fit, place == 0 and len(sizing.fits) > 1)))
    if sizing.fits and sizing.fits[0].told_by == "number":
        for fit in sizing.volume_fits:
            rows.append((f"{fit.kind} law, by volume", _law_words(fit, sizing)))
    return rows


def _law_words(fit: LawFit, sizing: Sizing) -> str:
    what = "radius" if sizing.kind == "intrusion" else "diameter"
    factor = _UM * (0.5 if sizing.kind == "intrusion" else 1.0)
    first, second = (
        (f"median {what}", "log_sd") if fit.kind == "lognormal" else (f"scale {what}", "shape")
    )
    place, spread = fit.parts
    return (
        f"{first} {with_sd(place.value * factor, place.sd * factor, 'um')}, "
        f"{second} {with_sd(spread.value, spread.sd)}"
    )


def _residual_words(fit: LawFit, better: bool) -> str:
    words = (
        f"off the cumulative curve by {100 * fit.rms:.2g} % rms, {100 * fit.largest:.2g} % at most"
    )
    if better:
        words += "; the better of the two"
    return words + ("" if fit.close else "; does not describe the sizes")


def _values(sizing: Sizing) -> dict[str, Any]:
    tubes = sizing.kind == "intrusion"
    values: dict[str, Any] = {
        "kind": sizing.kind,
        "percentiles_by": "volume",
        "repeats": len(sizing.files),
    }
    for name in _DIAMETERS:
        values |= _with_interval(name, "_um", sizing.figures[name], _UM)
    values |= _with_interval("span", "", sizing.figures["span"], 1.0)
    by_number: dict[str, Any] = {}
    for name in ("d10", "d50", "d90"):
        by_number |= _with_interval(name, "_um", sizing.figures[f"number_{name}"], _UM)
    values["by_number"] = by_number
    told = sizing.fits[0].told_by if sizing.fits else "volume"
    # scenarios tell tubes by number and grains by volume
    in_scenario = sizing.fits if tubes else sizing.volume_fits
    values["fits"] = {fit.kind: _fit_values(fit, tubes) for fit in in_scenario}
    values["fits_told_by"] = "number" if tubes else "volume"
    if told == "number":
        other = sizing.volume_fits if tubes else sizing.fits
        values[f"fits_by_{'volume' if tubes else 'number'}"] = {
            fit.kind: _fit_values(fit, tubes) for fit in other
        }
    best = sizing.fits[0] if sizing.fits else None
    values["better_fit"] = None if best is None else best.kind
    values["fits_data"] = bool(best and best.close)
    if best is not None and tubes:
        values |= {"median_radius_um": _radius(sizing)}
    return values


def _radius(sizing: Sizing) -> float:
    """Median radius by number, of the tubes of a lattice."""
    return sizing.figures["number_d50"].value * 0.5 * _UM


def _with_interval(name: str, unit: str, found: Combined, factor: float) -> dict[str, float]:
    return {
        f"{name}{unit}": found.value * factor,
        f"{name}_sd{unit}": found.sd * factor,
        f"{name}_half_width_95{unit}": found.half_width() * factor,
    }


def _fit_values(fit: LawFit, tubes: bool) -> dict[str, Any]:
    from poresim.cli.measure.size_blocks import law_keys

    factor = 0.5 if tubes else 1.0
    keys = law_keys(fit, "radius" if tubes else "diameter", factor)
    names = [key for key in keys if key != "law"]
    scales = (factor * _UM, 1.0)
    return keys | {
        "told_by": fit.told_by,
        "sd": {n: p.sd * f for n, p, f in zip(names, fit.parts, scales, strict=True)},
        "interval_95": {
            n: [low * f, high * f]
            for n, (low, high), f in zip(names, fit.intervals, scales, strict=True)
        },
        "rms_residual": fit.rms,
        "largest_residual": fit.largest,
        "describes_sizes": fit.close,
    }
