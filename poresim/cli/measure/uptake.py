"""``poresim measure uptake``: from weight logs to A_w, sorptivity, knee, plateau, slope."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.cli.measure.given import Given, figure, mass, option, positive
from poresim.cli.measure.telling import Told, tell

if TYPE_CHECKING:
    from poresim.bench.repeats import Absorbed
    from poresim.bench.uptake import Uptake
    from poresim.bench.washburn import Angle

NAME = "uptake"
ABOUT = "a weight log: absorption coefficient, sorptivity, knee, plateau, log-log slope"
MORE = """\
A log has the columns time_s (or time_min, time_h) and mass_g (or mass_kg), and for several pieces
in one file a column repeat; several files are repeats, too. Time counts from when the face meets
the liquid. The row at time 0 is the dry mass; without it give --dry-g, or masses that are gains.
Nothing is corrected that is not stated.

an example, with invented data:
  poresim measure uptake scenarios/bench/clear_broth_uptake.csv --area-cm2 24 --liquid "clear broth"
and an angle, by a liquid that wets fully in equal pieces:
  poresim measure uptake scenarios/bench/clear_broth_uptake.csv --area-cm2 24 \\
    --tension-mN-m 52+-1 --viscosity-mPa-s 1.05+-0.02 --density-kg-m3 1004 \\
    --reference scenarios/bench/spirit_uptake.csv --reference-tension-mN-m 23.8+-0.3 \\
    --reference-viscosity-mPa-s 1.68+-0.05 --reference-density-kg-m3 843
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("logs", metavar="CSV", nargs="+", type=Path, help="weight logs, as repeats")
    add = parser.add_argument
    add("--area-cm2", metavar="CM2", type=positive, help="of the face in the liquid")
    add("--density-kg-m3", metavar="KG_M3", type=figure, help="of the liquid (default: 1000)")
    add("--liquid", metavar="NAME", default="", help="its name in a scenario")
    weighed = parser.add_argument_group("how it was weighed")
    add = weighed.add_argument
    add("--dry-g", metavar="G", type=mass, action="append",
        help="dry mass; again for every repeat, or once for all")  # fmt: skip
    add("--film-g", metavar="G", type=_film,
        help="liquid outside that is weighed along; 'fit': a constant mass is fitted")  # fmt: skip
    add("--buoyancy", metavar=("CM2", "MM"), nargs=2, type=positive,
        help="the piece hangs from the balance: its cross-section, how deep")  # fmt: skip
    add("--cup", action="store_true", help="the cup is on the balance: what it loses is taken up")
    add("--balance-step-g", metavar="G", type=positive, help="default: as the readings show it")
    angle = parser.add_argument_group(
        "contact angle", "by a second liquid that wets the solid fully, in equal pieces"
    )
    add = angle.add_argument
    add("--tension-mN-m", metavar="X", type=figure, help="of the liquid; 52 or 52+-1")
    add("--viscosity-mPa-s", metavar="X", type=figure, help="of the liquid")
    add("--reference", metavar="CSV", nargs="+", type=Path, help="logs of the second liquid")
    add("--reference-tension-mN-m", metavar="X", type=figure)
    add("--reference-viscosity-mPa-s", metavar="X", type=figure)
    add("--reference-density-kg-m3", metavar="KG_M3", type=figure)
    add("--reference-area-cm2", metavar="CM2", type=positive, help="default: that of the first")
    add("--reference-dry-g", metavar="G", type=mass, action="append")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    _refuse(asked)
    return tell(asked, NAME, asked.logs[0], lambda: _measure(asked))


def _film(text: str) -> float | str:
    return text if text == "fit" else mass(text)


_ANGLE = ("tension_mN_m", "viscosity_mPa_s", "density_kg_m3")


def _refuse(asked: argparse.Namespace) -> None:
    """Options that go together, and are not there together."""
    from poresim.bench.error import BenchError

    second = [f"reference_{name}" for name in _ANGLE]
    if asked.reference:
        missing = [n for n in (*_ANGLE, *second) if getattr(asked, n) is None]
        if missing:
            raise BenchError(f"--reference needs {', '.join(map(option, missing))} as well")
        return
    loose = [n for n in (*second, "reference_area_cm2", "reference_dry_g")
             if getattr(asked, n) is not None]  # fmt: skip
    if loose:
        raise BenchError(f"{option(loose[0])} is for an angle: give --reference CSV with it")


def _measure(asked: argparse.Namespace) -> Told:
    from poresim.bench.repeats import absorbed
    from poresim.cli.measure import uptake_words as words

    density = asked.density_kg_m3 or Given(1000.0, 0.0)
    area = None if asked.area_cm2 is None else 1e-4 * asked.area_cm2
    names, found = _logs(asked, asked.logs, asked.dry_g, density.value)
    whole = absorbed(found, area, density.value)
    told = words.told(asked, names, found, whole, density.value)
    if asked.reference:
        angle = _angle(asked, whole, found, area, density)
        words.add_angle(told, angle, area is not None)

    def draw() -> Any:
        from poresim.show.measured_uptake import uptake_figure

        return uptake_figure(names, found, whole, asked.liquid, _invented(asked.logs))

    told.figure = draw
    return told


def _logs(
    asked: argparse.Namespace, paths: list[Path], dry: list[float] | None, density: float
) -> tuple[list[str], list[Uptake]]:
    """Names and numbers of all repeats in some files. Faults name the file."""
    from poresim.bench.error import BenchError
    from poresim.bench.uptake import uptake_of
    from poresim.bench.weighing import Weighing, gain_of
    from poresim.tables.weights import read_weights

    logs = [log for path in paths for log in read_weights(path)]
    if dry is not None and len(dry) not in (1, len(logs)):
        raise BenchError(
            f"--dry-g is given {len(dry)} times for {len(logs)} repeats: once for all, or for each"
        )
    names, found = [], []
    for i, log in enumerate(logs):
        fit = asked.film_g == "fit"
        dipped = asked.buoyancy
        how = Weighing(
            dry_kg=None if dry is None else 1e-3 * dry[i % len(dry)],
            film_kg=0.0 if fit or asked.film_g is None else 1e-3 * asked.film_g,
            free_offset=fit,
            buoyancy_kg=1e-7 * dipped[0] * dipped[1] * density if dipped else 0.0,
            cup=asked.cup,
            step_kg=None if asked.balance_step_g is None else 1e-3 * asked.balance_step_g,
        )
        try:
            found.append(uptake_of(gain_of(log.time_s, log.mass_kg, how), free_offset=fit))
        except BenchError as fault:
            raise BenchError(f"{log.label}: {fault}") from None
        names.append(log.name if log.name and len(paths) == 1 else
                     f"{log.path.stem} {log.name}".strip())  # fmt: skip
    return names, found


def _angle(
    asked: argparse.Namespace,
    first: Absorbed,
    found: list[Uptake],
    area: float | None,
    density: Given,
) -> Angle:
    from poresim.bench.error import BenchError
    from poresim.bench.repeats import absorbed
    from poresim.bench.washburn import Wetted, angle_of

    second_density = asked.reference_density_kg_m3
    _, others = _logs(asked, asked.reference, asked.reference_dry_g, second_density.value)
    own = asked.reference_area_cm2
    if own is not None and area is None:
        raise BenchError("--reference-area-cm2 needs --area-cm2 as well")
    other_area = area if own is None else 1e-4 * own
    second = absorbed(others, other_area, second_density.value)
    wetted = []
    for one, on, rho, tension, viscosity, which in (
        (first, area, density, asked.tension_mN_m, asked.viscosity_mPa_s, asked.logs[0]),
        (second, other_area, second_density, asked.reference_tension_mN_m,
         asked.reference_viscosity_mPa_s, asked.reference[0]),
    ):  # fmt: skip
        if one.slope is None:
            raise BenchError(f"{which}: has no straight part, so there is no angle from it")
        per = 1.0 if on is None else 1.0 / on
        wetted.append(
            Wetted(
                one.slope.value * per, one.slope.sd * per, one.slope.freedom,
                tension.times(1e-3), viscosity.times(1e-3), rho.times(1.0),
            )
        )  # fmt: skip
    return angle_of(*wetted)


def _invented(paths: list[Path]) -> bool:
    """Whether a file says that its data are invented."""
    heads = (path.open("rb") for path in paths)
    found = False
    for file in heads:
        with file:
            found = found or b"invented" in file.read(2000).lower()
    return found
