"""``poresim measure flow``: a flow law from a rheometer's points, a cup or a falling sphere."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from poresim.bench.error import BenchError
from poresim.cli.measure import kitchen
from poresim.cli.measure.given import positive
from poresim.cli.measure.telling import Told, tell, with_sd

NAME = "flow"
ABOUT = "fit flow laws to a measured flow curve, or find a viscosity with a cup or a sphere"
MORE = """\
columns: two of shear_rate_1_s, shear_stress_Pa and viscosity_mPa_s; sds, if known, in
shear_stress_sd_Pa or viscosity_sd_mPa_s. Rates may repeat (up and down); several files are repeats.

examples (the data are invented):
  poresim measure flow scenarios/bench/gum_broth_flow.csv
  poresim measure flow --drain-s 128 130 127 --drain-tube-mm 1 20 --drain-heights-mm 100 50
      --drain-cup-radius-mm 30 --density-kg-m3 1010        (on one line)
  poresim measure flow --sphere-s 10.1 9.9 --sphere-diameter-mm 2 --sphere-density-kg-m3 2500
      --sphere-distance-mm 100 --sphere-tube-mm 30 --density-kg-m3 1010   (on one line)
"""
_LAWS = ("newtonian", "power_law", "bingham", "herschel_bulkley", "cross", "carreau")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("files", metavar="CSV", nargs="*", type=Path, help="flow curves, repeats")
    parser.add_argument("--law", choices=_LAWS, help="for the block (default: the best)")
    parser.add_argument(
        "--tension-mN-m",
        type=positive,
        metavar="X",
        help="surface tension: tells the rate in pores",
    )
    parser.add_argument(
        "--angle-deg", type=float, default=0.0, metavar="X", help="contact angle there (0)"
    )
    parser.add_argument(
        "--depth-mm", type=positive, default=10.0, metavar="X", help="how far it has soaked in (10)"
    )
    kitchen.arguments(parser)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    first = asked.files[0] if asked.files else Path("kitchen.csv")
    return tell(asked, NAME, first, lambda: _measure(asked))


def _measure(asked: argparse.Namespace) -> Told:
    singles = kitchen.measured(asked)
    if not asked.files and not singles:
        raise BenchError("give flow curves as CSV files, or --drain-s, or --sphere-s")
    fits = _fits(asked.files) if asked.files else None
    told = Told([], "", {"files": [str(path) for path in asked.files]})
    if fits is not None:
        _tell_fits(told, fits, asked)
    for one in singles:
        _tell_single(told, one, fits)
    if fits is None:
        _tell_newtonian(told, singles, asked)
    told.values["remarks"] = told.remarks

    def figure() -> Any:
        from poresim.show.measured_flow import flow_figure

        names = ", ".join(path.name for path in asked.files)
        points = [(one.word, one.shear_rate, one.viscosity, one.sd) for one in singles]
        return flow_figure(fits, points, names)

    told.figure = figure
    return told


def _fits(paths: list[Path]) -> Any:
    from poresim.bench.flow_fit import fit_flow
    from poresim.tables.flow_points import read_flow_points

    points = read_flow_points(paths)
    try:
        return fit_flow(points.rate, points.stress, points.sd, points.run)
    except BenchError as fault:
        raise BenchError(f"{', '.join(map(str, paths))}: {fault}") from None


def _tell_fits(told: Told, fits: Any, asked: argparse.Namespace) -> None:
    from poresim.cli.measure import flow_words

    told.rows += flow_words.rows(fits)
    told.values |= flow_words.as_json(fits)
    told.remarks += flow_words.remarks(fits)
    fit = flow_words.chosen(fits, asked.law or "")
    if fit is None:
        raise BenchError(f"--law {asked.law}: {_why_not(fits, asked.law)}")
    if fit is not fits.best and not asked.law:
        told.remarks.append(
            f"no scenario takes the best law as fitted ({fits.best.usable}); the block has "
            f"{fit.law.word}"
        )
    names = ", ".join(path.name for path in asked.files)
    told.block = flow_words.block(fit, f"fitted to {names}")
    if asked.tension_mN_m is not None:
        low, high = float(fits.points.rate.min()), float(fits.points.rate.max())
        _tell_wall(told, asked, lambda rate: float(fit.viscosity([rate])[0][0]), (low, high))


def _why_not(fits: Any, key: str) -> str:
    found = [fit.usable for fit in fits.fits if fit.law.key == key]
    return found[0] if found else "too few points or rates for it"


def _tell_wall(
    told: Told, asked: argparse.Namespace, viscosity: Any, span: tuple[float, float]
) -> None:
    """The rate at the walls of pores by the liquid's own tension."""
    from poresim.bench.pore_rates import wall_rate, wall_stress
    from poresim.cli.measure.flow_words import short
    from poresim.outcome.spread import finite

    stress = wall_stress(asked.tension_mN_m * 1e-3, asked.angle_deg, asked.depth_mm * 1e-3)
    rate = wall_rate(stress, viscosity)
    inside = span[0] <= rate <= span[1]
    where = f"at the wall of pores, {asked.depth_mm:g} mm deep"
    if rate == 0:
        said = f"none: the wall bears {stress:.3g} Pa, below the yield stress"
    else:
        said = f"{short(rate)} 1/s ({stress:.3g} Pa)" + (", outside the points" * (not inside))
    told.rows.append((where, said))
    told.values["wall"] = {
        "depth_mm": asked.depth_mm,
        "stress_Pa": stress,
        "shear_rate_1_s": finite(rate),
        "inside": inside,
    }


def _tell_single(told: Told, one: kitchen.OneRate, fits: Any) -> None:
    """A cup's or a sphere's viscosity, beside what the fitted law says there."""
    from poresim.cli.measure.flow_words import short

    low, high = one.rates
    rates = f"{short(one.shear_rate)} 1/s" + (
        f" ({short(low)} to {short(high)})" if low < high else ""
    )
    told.rows.append((f"by {one.word}", f"{with_sd(1e3 * one.viscosity, 1e3 * one.sd, 'mPa s')}"))
    told.rows.append((f"shear rate of the {one.word}", rates))
    told.rows += one.rows
    told.remarks += one.remarks
    told.values[one.word] = {
        "viscosity_mPa_s": 1e3 * one.viscosity,
        "sd_mPa_s": 1e3 * one.sd,
        "shear_rate_1_s": one.shear_rate,
        "shear_rates_1_s": list(one.rates),
        **one.told,
    }
    if fits is not None:
        expected = float(fits.best.viscosity([one.shear_rate])[0][0])
        told.remarks.append(
            f"{one.word}: the fitted {fits.best.law.word} has {1e3 * expected:.3g} mPa s at its "
            f"rate, {abs(one.viscosity - expected) / one.sd:.1f} sds away"
        )


def _tell_newtonian(told: Told, singles: list[kitchen.OneRate], asked: argparse.Namespace) -> None:
    """The block of one viscosity: that of the greatest rate, as pores are fast."""
    from poresim.bench.pore_rates import PORES, missing
    from poresim.cli.measure.flow_words import short

    if asked.law not in (None, "newtonian"):
        raise BenchError(f"--law {asked.law}: one rate gives a Newtonian viscosity only")
    best = max(singles, key=lambda one: one.shear_rate)
    value = 1e3 * best.viscosity
    rate = best.shear_rate
    told.block = (
        f"# by {best.word}, at {short(rate)} 1/s\n"
        f'viscosity = {{ law = "newtonian", mPa_s = {value:.4g} }}\n'
    )
    told.values["law"] = "newtonian"
    told.values["fits"] = {
        "newtonian": {
            "mPa_s": value, "sd": {"mPa_s": 1e3 * best.sd}, "weight": None, "rms": None,
            "shear_rate_1_s": rate,
        }
    }  # fmt: skip
    low, high = min(one.rates[0] for one in singles), max(one.rates[1] for one in singles)
    told.values["pores"] = {
        "shear_rate_1_s": list(PORES),
        "missing": [list(part) for part in missing(low, high)],
    }
    told.remarks.append(
        f"one rate ({short(rate)} 1/s) tells no law: pores shear a liquid at about {PORES[0]:g} to "
        f"{PORES[1]:g} 1/s, and a gum is thinner there than at lower rates"
    )
    if len(singles) > 1:
        one, other = singles
        apart = abs(one.viscosity - other.viscosity)
        if apart > 2 * (one.sd**2 + other.sd**2) ** 0.5:
            told.remarks.append(
                f"{one.word} and {other.word} differ by more than their sds: the liquid is not "
                "Newtonian, or one of them is off"
            )
    if asked.tension_mN_m is not None:
        _tell_wall(told, asked, lambda _: best.viscosity, (low, high))
