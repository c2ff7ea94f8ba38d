"""What is said of weight logs: table, remarks, JSON, and the block for a scenario."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from typing import Any

from poresim.bench.combine import Combined
from poresim.bench.repeats import PART, Absorbed, interval, kind_of, mm_min05
from poresim.bench.uptake import Figure, Uptake
from poresim.bench.washburn import Angle
from poresim.cli.measure.telling import Told, with_sd
from poresim.outcome.spread import finite

_KINDS = {
    "A": "type A, straight until 0.9 of the plateau or the end (ISO 15148, from memory)",
    "B": "type B, not straight: the mass after 24 h over sqrt(86400 s) (ISO 15148, from memory)",
    PART: "of the straight part alone; type B needs a day",
}
_TRAP = (
    "a slope below 0.5 does not say why: shear thinning, plugging, gravity, converging pores and a "
    "film or jump at the start all give one"
)


def told(
    asked: argparse.Namespace,
    names: Sequence[str],
    found: Sequence[Uptake],
    whole: Absorbed,
    density: float,
) -> Told:
    """All of it, but for the figure and the angle."""
    values = _values(asked, names, found, whole, density)
    remarks = _remarks(asked, names, found, whole)
    values["remarks"] = remarks
    return Told(_rows(asked, found, whole, density), _block(asked, whole), values, remarks)


def add_angle(to: Told, angle: Angle, by_area: bool) -> None:
    """The angle's row, remarks and values."""
    low, high = angle.interval
    words = with_sd(angle.degrees, angle.degrees_sd, "degrees") if angle.cosine < 1 else "0 degrees"
    to.rows += [
        ("cosine", f"{with_sd(angle.cosine, angle.cosine_sd)} (95 %: {low:.3g} to {high:.3g})"),
        ("angle", f"{words} (95 %: {angle.low:.3g} to {angle.high:.3g})"),
    ]
    said = [
        "the angle holds if the second liquid wets fully and both are Newtonian; on a rough porous "
        "solid it is an apparent angle"
    ]
    if angle.beyond:
        said.append(
            "the cosine is above 1 by more than its uncertainty: there is no such angle. The "
            "second liquid does not wet fully, the pieces differ, or a tension or viscosity is off"
        )
    elif angle.cosine > 1:
        said.append(
            "the cosine is above 1, within its uncertainty: 0 degrees, and up to "
            f"{angle.high:.3g} at 95 %"
        )
    if not by_area:
        said.append("no --area-cm2: the faces of both liquids' pieces are taken as equal")
    to.remarks += said
    to.values["wetting"] = {
        "cosine": angle.cosine,
        "cosine_sd": angle.cosine_sd,
        "cosine_interval": [low, high],
        "angle_deg": angle.degrees,
        "sd_deg": finite(angle.degrees_sd),
        "angle_interval_deg": [angle.low, angle.high],
        "above_1": "beyond" if angle.beyond else "within" if angle.cosine > 1 else "no",
    }


def _rows(
    asked: argparse.Namespace, found: Sequence[Uptake], whole: Absorbed, density: float
) -> list[tuple[str, str]]:
    steps = sorted({1e3 * u.gain.step_kg for u in found})
    how = "as stated" if asked.balance_step_g else "as the readings show"
    step = " and ".join(f"{s:.3g}" for s in steps) + f" g, {how}"
    rows = [
        ("repeats", f"{len(found)}, {sum(len(u.gain.time_s) for u in found)} readings after 0 s"),
        ("balance step", step if steps != [0.0] else "none seen"),
    ]
    if whole.a_w is not None:
        rows += [("A_w", f"{_with(whole.a_w, 1, 'kg/m2/s^0.5')}; {_KINDS[whole.kind]}")]
    else:
        rows += [("A_w", "not known" + ("" if asked.area_cm2 else ": it needs --area-cm2"))]
    if whole.sorptivity is not None:
        said = "as stated" if asked.density_kg_m3 else "taken"
        s = _with(whole.sorptivity, mm_min05(1.0), "mm/min^0.5")
        rows.append(("S", f"{s}, of the straight part, density {density:g} kg/m3 {said}"))
    for name, rate, times in (
        ("initial", whole.initial, "1 min to 6 h"),
        ("secondary", whole.secondary, "1 to 7 days"),
    ):
        if rate is not None:
            fit = "rejected, R is below 0.98"
            if math.isfinite(rate):
                fit = f"{mm_min05(rate):.4g} mm/min^0.5"
            rows.append((f"S, {name}", f"{fit}, {times} (ASTM C1585, from memory)"))
    rows.append(("slope", _with(whole.slope, 1e3, "g/s^0.5") + _parts(found)))
    rows.append(("knee", _with(whole.knee_s, 1, "s", "no plateau seen")))
    rows.append(("plateau", _with(whole.plateau, 1e3, "g", "no plateau seen")))
    power = _with(whole.power, 1, "")
    rows.append(("log-log slope", f"{power}; capillary uptake has 0.5"))
    return rows


def _with(one: Combined | None, factor: float, unit: str, none: str = "not known") -> str:
    if one is None:
        return none
    low, high = (factor * end for end in interval(one))
    digits = max(2, 2 - math.floor(math.log10(max(high - low, 1e-12) / max(abs(high), 1e-12))))
    ends = f"{low:.{min(digits, 6)}g} to {high:.{min(digits, 6)}g}"
    return f"{with_sd(one.value * factor, one.sd * factor, unit)} (95 %: {ends})"


def _parts(found: Sequence[Uptake]) -> str:
    lines = [u.line for u in found if u.line is not None]
    if not lines:
        return ""
    begin, end = min(line.begin_s for line in lines), max(line.end_s for line in lines)
    return f", straight from {begin:.3g} to {end:.3g} s, R {min(line.r for line in lines):.4f}"


def _remarks(
    asked: argparse.Namespace, names: Sequence[str], found: Sequence[Uptake], whole: Absorbed
) -> list[str]:
    said: list[str] = []
    for name, one in zip(names, found, strict=True):
        said += [f"{name}: {text}" if len(found) > 1 else text for text in one.remarks]
    if asked.buoyancy:
        lift = asked.buoyancy[0] * asked.buoyancy[1] * 1e-4 * (
            asked.density_kg_m3.value if asked.density_kg_m3 else 1000.0
        )  # fmt: skip
        said.append(
            f"buoyancy of {lift:.3g} g is added after 0 s; the pull of the liquid's rim on the "
            "piece, up to tension x edge / g, is not known and not taken off"
        )
    if asked.film_g == "fit":
        said.append("a constant mass is fitted with the log-log slope, whose interval is wide then")
    elif asked.film_g:
        said.append(f"a film of {asked.film_g:g} g is taken off every reading after 0 s")
    if asked.area_cm2 is None:
        said.append("no --area-cm2: the slope is in g/s^0.5, and neither A_w nor S is given")
    if len({kind_of(u) for u in found}) > 1:
        said.append("the repeats are not of one type: A_w is of their straight parts")
    if len(found) == 1:
        said.append("one repeat: its sd says nothing of how pieces differ")
    if whole.power is not None and interval(whole.power)[1] < 0.5:
        said.append(_TRAP)
    return said


def _values(
    asked: argparse.Namespace,
    names: Sequence[str],
    found: Sequence[Uptake],
    whole: Absorbed,
    density: float,
) -> dict[str, Any]:
    values: dict[str, Any] = {"kind": whole.kind}
    for name, one, factor in (
        ("A_w_kg_m2_s05", whole.a_w, 1.0),
        ("S_mm_min05", whole.sorptivity, mm_min05(1.0)),
        ("slope_g_s05", whole.slope, 1e3),
        ("knee_s", whole.knee_s, 1.0),
        ("plateau_g", whole.plateau, 1e3),
        ("loglog_slope", whole.power, 1.0),
    ):
        sd = "sd" if one is whole.a_w and name.startswith("A_w") else f"{name}_sd"
        stem = name.removesuffix("_kg_m2_s05")
        values[name] = None if one is None else one.value * factor
        values[sd] = None if one is None else finite(one.sd * factor)
        ends = None if one is None else [finite(end * factor) for end in interval(one)]
        values["interval" if stem == "A_w" else f"{name}_interval"] = ends
    slope = whole.slope
    return values | {
        "between_g_s05": None if slope is None else finite(1e3 * slope.between),
        "A_w_24h_kg_m2_s05": whole.after_a_day,
        "S_initial_mm_min05": _rate(whole.initial),
        "S_secondary_mm_min05": _rate(whole.secondary),
        "area_cm2": asked.area_cm2,
        "density_kg_m3": density,
        "repeats": [_repeat(n, u) for n, u in zip(names, found, strict=True)],
    }


def _rate(rate: float | None) -> float | None:
    return None if rate is None else finite(mm_min05(rate))


def _repeat(name: str, one: Uptake) -> dict[str, Any]:
    line = one.line
    values: dict[str, Any] = {
        "name": name,
        "readings": len(one.gain.time_s),
        "balance_step_g": 1e3 * one.gain.step_kg,
        "dry_g": None if one.gain.dry_kg is None else 1e3 * one.gain.dry_kg,
        "kind": kind_of(one),
        "straight_s": None if line is None else [line.begin_s, line.end_s],
        "r": None if line is None else line.r,
    }
    for key, figure, factor in (
        ("slope_g_s05", one.slope, 1e3),
        ("intercept_g", one.intercept, 1e3),
        ("knee_s", one.knee, 1.0),
        ("plateau_g", one.plateau, 1e3),
        ("loglog_slope", one.power, 1.0),
    ):
        values |= _pair(key, figure, factor)
    return values


def _pair(key: str, one: Figure, factor: float) -> dict[str, Any]:
    return {key: finite(one.value * factor), f"{key}_sd": finite(one.sd * factor)}


def _block(asked: argparse.Namespace, whole: Absorbed) -> str:
    """A table a file: a scenario names logs, and compares its soaks with them itself."""
    lines = ["# the file's path is as seen from where this was measured"]
    if whole.a_w is not None:
        lines.append(f"# A_w {with_sd(whole.a_w.value, whole.a_w.sd)} kg/m2/s^0.5, {whole.kind}")
    elif whole.slope is not None:
        lines.append(f"# slope {with_sd(1e3 * whole.slope.value, 1e3 * whole.slope.sd)} g/s^0.5")
    if whole.plateau is not None and whole.knee_s is not None:
        plateau = with_sd(1e3 * whole.plateau.value, 1e3 * whole.plateau.sd)
        lines.append(f"# plateau {plateau} g from {whole.knee_s.value:.3g} s on")
    if whole.power is not None:
        lines.append(f"# log-log slope {with_sd(whole.power.value, whole.power.sd)}")
    liquid = asked.liquid or "NAME OF THE LIQUID"
    for path in asked.logs:
        lines += ["[[measured]]", f"liquid = {_quoted(liquid)}", f"uptake = {_quoted(path)}", ""]
    return "\n".join(lines)


def _quoted(text: object) -> str:
    """As TOML's basic string: JSON's escapes, and one more."""
    return json.dumps(str(text), ensure_ascii=False).replace("\x7f", "\\u007F")
