"""Viscosity without a rheometer: options of a draining cup and of a falling sphere."""

from __future__ import annotations

import argparse
import math
from typing import Any, NamedTuple

from poresim.bench.error import BenchError
from poresim.cli.measure.given import option, positive

_REACTION_S = 0.1  # of a hand with a stopwatch, at the least
_MM, _ML = 1e-3, 1e-6
_DRAIN = ("drain_tube_mm", "drain_heights_mm", "density_kg_m3")
_SPHERE = (
    "sphere_diameter_mm", "sphere_density_kg_m3", "sphere_distance_mm", "sphere_tube_mm",
    "density_kg_m3",
)  # fmt: skip


class OneRate(NamedTuple):
    """A viscosity at one rate. word : what measured it. rates : from and to, 1/s. told : for JSON.
    rows, remarks : in words."""

    word: str
    viscosity: float
    sd: float
    shear_rate: float
    rates: tuple[float, float]
    told: dict[str, Any]
    rows: list[tuple[str, str]]
    remarks: list[str]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    number: dict[str, Any] = {"type": positive, "metavar": "X"}
    parser.add_argument(
        "--density-kg-m3", **number, help="of the liquid, for a drain time or a sphere"
    )
    cup = parser.add_argument_group(
        "a draining cup", "upright walls, a round tube below; a Newtonian liquid"
    )
    cup.add_argument(
        "--drain-s", type=positive, nargs="+", metavar="T", help="times of one run or of several"
    )
    cup.add_argument(
        "--drain-tube-mm", type=positive, nargs=2, metavar=("RADIUS", "LENGTH"), help="of the tube"
    )
    cup.add_argument(
        "--drain-heights-mm",
        type=positive,
        nargs=2,
        metavar=("FROM", "TO"),
        help="surface above the tube's lower end when the clock starts and stops",
    )
    size = cup.add_mutually_exclusive_group()
    size.add_argument("--drain-cup-radius-mm", **number, help="inner radius of the cup, or")
    size.add_argument("--drain-volume-mL", **number, help="what runs out meanwhile")
    cup.add_argument(
        "--drain-radius-sd-mm", **number, help="sd of the tube's radius (default: 1 %% of it)"
    )
    cup.add_argument(
        "--drain-water-s",
        type=positive,
        nargs="+",
        metavar="T",
        help="times with water: calibrates",
    )
    cup.add_argument(
        "--drain-water-C", type=float, default=20.0, metavar="X", help="its temperature (20)"
    )
    ball = parser.add_argument_group("a falling sphere", "on the axis of a round tube")
    ball.add_argument(
        "--sphere-s", type=positive, nargs="+", metavar="T", help="times of one fall or of several"
    )
    ball.add_argument("--sphere-diameter-mm", **number, help="of the sphere")
    ball.add_argument("--sphere-density-kg-m3", **number, help="of the sphere")
    ball.add_argument("--sphere-distance-mm", **number, help="between the two marks")
    ball.add_argument("--sphere-tube-mm", **number, help="inner diameter of the tube")


def measured(asked: argparse.Namespace) -> list[OneRate]:
    """What cup and sphere say; none where neither is asked for. Raises BenchError."""
    found = []
    if _wanted(asked, "drain", _DRAIN):
        found.append(_drained(asked))
    if _wanted(asked, "sphere", _SPHERE):
        found.append(_fallen(asked))
    return found


def _wanted(asked: argparse.Namespace, kind: str, needed: tuple[str, ...]) -> bool:
    """Whether it is asked for; BenchError where an option is missing, or stands alone."""
    if getattr(asked, f"{kind}_s") is None:
        alone = [n for n in vars(asked) if n.startswith(f"{kind}_") and n != "drain_water_C"]
        given = [n for n in alone if getattr(asked, n) is not None]
        if given:
            raise BenchError(f"{option(given[0])} is given, and no {option(kind + '_s')}")
        return False
    lacking = [option(n) for n in needed if getattr(asked, n) is None]
    if kind == "drain" and asked.drain_cup_radius_mm is None and asked.drain_volume_mL is None:
        lacking.append("--drain-cup-radius-mm or --drain-volume-mL")
    if lacking:
        raise BenchError(f"{option(kind + '_s')} needs {', '.join(lacking)} as well")
    return True


def _time(times: list[float]) -> tuple[float, float]:
    """Mean and its sd; never better than a hand."""
    from poresim.bench.combine import combine

    found = combine(times, [_REACTION_S] * len(times))
    half = found.half_width(0.6827) if found.repeats > 1 else found.sd
    return found.value, half


def _drained(asked: argparse.Namespace) -> OneRate:
    from poresim.bench.drain import LAMINAR, Cup, Water, drained
    from poresim.liquid.water import water

    radius, length = (v * _MM for v in asked.drain_tube_mm)
    high, low = (v * _MM for v in asked.drain_heights_mm)
    if asked.drain_volume_mL is not None:
        area = asked.drain_volume_mL * _ML / abs(high - low) if high != low else math.nan
    else:
        area = math.pi * (asked.drain_cup_radius_mm * _MM) ** 2
    if not math.isfinite(area):
        raise BenchError("--drain-heights-mm must be two different heights")
    cup = Cup(radius, length, area, high, low)
    tension = 0.05 if asked.tension_mN_m is None else asked.tension_mN_m * 1e-3
    calibrated = None
    if asked.drain_water_s is not None:
        try:
            pure = water(asked.drain_water_C)
        except ValueError as fault:
            raise BenchError(f"--drain-water-C: {fault}") from None
        time = _time(asked.drain_water_s)
        calibrated = Water(*time, pure.density, pure.viscosity, pure.surface_tension)
    sd_radius = asked.drain_radius_sd_mm
    sds = {
        "radius": 0.01 * radius if sd_radius is None else sd_radius * _MM,
        "length": min(0.1 * _MM, 0.05 * length),
        "area": 0.01 * area,
        "high": 0.5 * _MM,
        "low": 0.5 * _MM,
    }
    got = drained(cup, asked.density_kg_m3, *_time(asked.drain_s), tension, calibrated, sds)
    most = max(got.parts, key=lambda name: got.parts[name])
    remarks = [
        "drain time: sds taken for the cup: radius of the tube "
        + ("1 %" if sd_radius is None else f"{sd_radius:g} mm")
        + ", its length 0.1 mm, heights 0.5 mm, area 1 %; inlet loss "
        + (f"{got.inlet:.2f} from water" if calibrated else "0.2 ± 0.2 (a time with water tells)")
        + f"; most of the uncertainty stems from {_STEMS[most]}"
    ]
    if got.kinetic > 0.5:
        remarks.append(
            f"drain time: {100 * got.kinetic:.0f} % of the head goes into speed, not friction; a "
            "narrower or longer tube tells the viscosity better"
        )
    told = {
        "reynolds": got.reynolds, "kinetic_share": got.kinetic, "inlet_loss": got.inlet,
        "sd_ln_viscosity": got.parts,
    }  # fmt: skip
    rows = [("Reynolds number in the tube", f"{got.reynolds:.3g} (laminar up to {LAMINAR:g})")]
    rates = (got.last, got.first)
    return OneRate("drain", got.viscosity, got.sd, got.shear_rate, rates, told, rows, remarks)


_STEMS = {
    "radius": "the tube's radius", "length": "the tube's length", "area": "the cup's area",
    "high": "the first height", "low": "the last height", "time": "the time",
    "inlet": "the loss at the inlet", "jet": "surface tension at the outlet",
    "water": "the time with water", "diameter": "the sphere's diameter",
    "distance": "the marks' distance", "tube": "the tube's width",
    "solid": "the sphere's density", "liquid": "the liquid's density",
    "wall": "the wall's drag", "inertia": "inertia",
}  # fmt: skip


def _fallen(asked: argparse.Namespace) -> OneRate:
    from poresim.bench.sphere import FASTEST, Fall, fallen

    time, time_sd = _time(asked.sphere_s)
    diameter, distance, tube = (
        v * _MM for v in (asked.sphere_diameter_mm, asked.sphere_distance_mm, asked.sphere_tube_mm)
    )
    fall = Fall(diameter, distance, tube, time, asked.sphere_density_kg_m3, asked.density_kg_m3)
    sds = {
        "time": time_sd, "diameter": 0.005 * diameter, "distance": 0.5 * _MM, "tube": 0.01 * tube,
        "solid": 0.005 * fall.solid, "liquid": 0.002 * fall.liquid,
    }  # fmt: skip
    got = fallen(fall, sds)
    most = max(got.parts, key=lambda name: got.parts[name])
    remarks = [
        "sphere: sds taken: its diameter 0.5 %, distance 0.5 mm, tube 1 %, densities 0.5 % and "
        f"0.2 %; most of the uncertainty stems from {_STEMS[most]}; the upper mark must lie "
        f"{max(1e3 * got.start, 2e3 * diameter):.2g} mm or more below where it is let go"
    ]
    told = {"reynolds": got.reynolds, "wall_factor": got.wall, "sd_ln_viscosity": got.parts}
    rows = [
        ("Reynolds number of the sphere", f"{got.reynolds:.3g} (formula up to {FASTEST:g})"),
        ("drag of the wall", f"{got.wall:.3f} times that far from it"),
    ]
    rates = (got.shear_rate, got.shear_rate)
    return OneRate("sphere", got.viscosity, got.sd, got.shear_rate, rates, told, rows, remarks)
