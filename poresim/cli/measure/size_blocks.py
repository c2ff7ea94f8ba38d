"""Blocks for a scenario from measured sizes."""

from __future__ import annotations

import os
from typing import Any

from poresim.bench.size_laws import VOLUME
from poresim.bench.size_parts import parts_of
from poresim.bench.sizes import LawFit, Sizing
from poresim.solid.sizes import Lognormal

_UM = 1e6
_FILL_IN = "FILL_IN"


def law_keys(fit: LawFit, what: str, factor: float = 1.0) -> dict[str, Any]:
    """A scenario's keys of a law of a "radius" or "diameter"; factor : of what was fitted."""
    law = fit.law
    if isinstance(law, Lognormal):
        return {
            "law": "lognormal",
            f"median_{what}_um": law.median * factor * _UM,
            "log_sd": law.log_sd,
        }
    return {"law": "weibull", f"scale_{what}_um": law.scale * factor * _UM, "shape": law.shape}


def block_of(sizing: Sizing, volume_fraction: float | None) -> tuple[str, list[str]]:
    """The block, and what must be known of it.

    Grains without a volume fraction, and what a scenario would refuse, come as comments.
    """
    tubes = sizing.kind == "intrusion"
    what, name = ("radius", "tubes") if tubes else ("diameter", "particles")
    keys, said = _size_keys(sizing, what, tubes)
    fault = _refused(keys, name, volume_fraction)
    if fault:
        return "", [*said, f"no block for a scenario: {fault}"]
    fraction = "" if tubes else f"volume_fraction = {_fraction(volume_fraction)}, "
    line = f"{name} = {{ {fraction}{_toml(keys)} }}"
    if not tubes and volume_fraction is None:
        said.append(
            f"sizes do not tell how many grains there are: give --volume-fraction, or put it in "
            f"place of {_FILL_IN} and take away the #"
        )
        line = "\n".join(f"# {row}" for row in line.split("\n"))
    return line + "\n", said


def _size_keys(sizing: Sizing, what: str, tubes: bool) -> tuple[dict[str, Any], list[str]]:
    factor = 0.5 if tubes else 1.0
    best = sizing.fits[0] if sizing.fits else None
    if best is not None and best.close:
        if tubes or best.told_by == "volume":
            return law_keys(best, what, factor), []
        if best.kind == "lognormal" and sizing.volume_fits:
            return law_keys(sizing.volume_fits[0], what, factor), []
    one = sizing.files[0]
    said = []
    if best is None or not best.close:
        said.append("neither law describes the sizes: the block holds them as they were measured")
    else:
        said.append(
            "a Weibull law by number is none by volume: the block holds the sizes as measured"
        )
    if len(sizing.files) > 1:
        said.append(f"it holds those of {one.table.path} alone")
    if one.table.direct:
        said.append("the file is looked up beside the scenario")
        return {"law": "table", "file": os.fspath(one.table.path)}, said
    edges, share = parts_of(one, 0.0 if tubes else VOLUME)
    parts = [
        {
            "share": float(s),
            "law": "uniform",
            f"least_{what}_um": float(a) * factor * _UM,
            f"greatest_{what}_um": float(b) * factor * _UM,
        }
        for a, b, s in zip(edges[:-1], edges[1:], share, strict=True)
        if s > 0
    ]
    return {"law": "mixture", "parts": parts}, said


def _refused(keys: dict[str, Any], name: str, volume_fraction: float | None) -> str:
    """Why a scenario would refuse these keys; "" where it takes them."""
    from pydantic import ValidationError

    from poresim.scenario.schema import PARTICLES, TUBES

    given = _rounded(keys)
    try:
        if name == "tubes":
            TUBES[keys["law"]](**given)
        else:
            fraction = 0.01 if volume_fraction is None else volume_fraction
            PARTICLES[keys["law"]](**({"volume_fraction": fraction} | given))
    except ValidationError as fault:
        first = fault.errors()[0]
        where = ".".join(str(place) for place in first["loc"])
        return f"{where} is {first['input']}; {first['msg'].lower()}"
    return ""


def _fraction(given: float | None) -> str:
    return _FILL_IN if given is None else f"{given:g}"


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.4g}")
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return [_rounded(item) for item in value] if isinstance(value, list) else value


def _toml(keys: dict[str, Any]) -> str:
    rows = []
    for key, value in keys.items():
        if isinstance(value, list):
            inner = ",\n".join(f"    {{ {_toml(part)} }}" for part in value)
            rows.append(f"{key} = [\n{inner},\n]")
        elif isinstance(value, str):
            rows.append(f"{key} = {_quoted(value)}")
        else:
            rows.append(f"{key} = {float(f'{value:.4g}')!r}")
    return ", ".join(rows)


def _quoted(text: str) -> str:
    """As a TOML string, whatever a file's name holds."""
    kept = text.replace("\\", "\\\\").replace('"', '\\"')
    return (
        '"'
        + "".join(c if ord(c) >= 32 and ord(c) != 127 else f"\\u{ord(c):04X}" for c in kept)
        + '"'
    )
