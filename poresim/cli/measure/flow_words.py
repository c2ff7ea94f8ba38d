"""What is said of fitted flow laws: values, what the points leave open, JSON, the block."""

from __future__ import annotations

import math
from typing import Any

from poresim.bench.flow_fit import RIVAL, FlowFit, FlowFits
from poresim.bench.pore_rates import PORES, missing
from poresim.cli.measure.telling import with_sd
from poresim.outcome.spread import finite

#: Shear rates, 1/s, at which viscosities are told.
TOLD_AT = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5)
_WORDS = {
    "mPa_s": ("", "mPa s"),
    "consistency_Pa_sn": ("consistency", "Pa s^n"),
    "index": ("index", ""),
    "yield_Pa": ("yield stress", "Pa"),
    "plastic_mPa_s": ("plastic viscosity", "mPa s"),
    "zero_mPa_s": ("at rest", "mPa s"),
    "infinite_mPa_s": ("at high rates", "mPa s"),
    "time_s": ("time", "s"),
    "exponent": ("exponent", ""),
}


def short(value: float) -> str:
    """Three digits, without powers of ten up to a million."""
    return f"{float(f'{value:.3g}'):g}"


def percent(share: float) -> str:
    """Two digits or more of a share."""
    return f"{float(f'{100 * share:.2g}'):g} %"


def parameters(fit: FlowFit) -> str:
    """As "yield stress 0.30 ± 0.01 Pa, index 0.6 ± 0.02"."""
    return ", ".join(_parameter(fit, name) for name in fit.law.names)


def _parameter(fit: FlowFit, name: str) -> str:
    word, unit = _WORDS[name]
    low, high = fit.intervals[name]
    value = with_sd(fit.values[name], fit.sd[name], unit)
    if fit.loose(name):
        unit = f" {unit}" if unit else ""
        if low > 0 and math.isfinite(high):
            value = f"{short(low)} to {short(high)}{unit}"
        elif low > 0:
            value = f"above {short(low)}{unit}"
        elif math.isfinite(high):
            value = f"at most {short(high)}{unit}"
        else:
            value = "not known"
    return f"{word} {value}".strip()


def rows(fits: FlowFits) -> list[tuple[str, str]]:
    """The table: points, weights, a law a row, viscosities at some rates."""
    rate = fits.points.rate
    where = f" in {fits.files} files" if fits.files > 1 else ""
    told = [
        ("points", f"{len(rate)}{where}, {short(rate.min())} to {short(rate.max())} 1/s"),
        ("weights", _weights(fits)),
    ]
    for fit in fits.fits:
        share = f"{100 * fit.weight:.0f} %" if fit.weight >= 0.005 else "under 0.5 %"
        said = f"weight {share}, off by {percent(fit.rms)}: {parameters(fit)}"
        told.append((fit.law.word, said))
    for one in told_at(fits):
        value = with_sd(one["viscosity_mPa_s"], one["sd_mPa_s"] or math.inf, "mPa s")
        if not one["inside"]:
            value += ", outside the points"
            if len(fits.possible) > 1:
                value += f" ({one['lowest_mPa_s']:.3g} to {one['highest_mPa_s']:.3g} by law)"
        told.append((f"viscosity at {one['shear_rate_1_s']:g} 1/s", value))
    return told


def _weights(fits: FlowFits) -> str:
    if not fits.weighted:
        return f"each point's relative error alike, {percent(fits.scatter)} by the scatter"
    if fits.beyond > 1.0:
        return f"by the sds, which are {fits.beyond:.2g} times too small for the scatter"
    return "by the sds"


def told_at(fits: FlowFits) -> list[dict[str, Any]]:
    """Viscosities by the best law, and by those that the points do not rule out."""
    rate = fits.points.rate
    here = [r for r in TOLD_AT if r >= PORES[0] or rate.min() / 10 <= r <= rate.max() * 10]
    viscosity, share = fits.best.viscosity(here)
    every = [fit.viscosity(here)[0] * 1e3 for fit in fits.possible]
    return [
        {
            "shear_rate_1_s": r,
            "viscosity_mPa_s": 1e3 * float(viscosity[k]),
            "sd_mPa_s": finite(1e3 * float(viscosity[k] * share[k])),
            "lowest_mPa_s": float(min(v[k] for v in every)),
            "highest_mPa_s": float(max(v[k] for v in every)),
            "inside": bool(rate.min() * 0.999 <= r <= rate.max() * 1.001),
        }
        for k, r in enumerate(here)
    ]


def remarks(fits: FlowFits) -> list[str]:
    """What a reader must know: what is not told apart, not determined, not measured."""
    said = []
    if len(fits.rivals) > 1:
        names = ", ".join(f"{f.law.word} {100 * f.weight:.0f} %" for f in fits.rivals)
        said.append(
            f"the points cannot tell these laws apart: {names} (Akaike weights of "
            f"{100 * RIVAL:g} % and more)"
        )
    more = [fit.law.word for fit in fits.possible if fit not in fits.rivals]
    if more:
        said.append(
            f"{' and '.join(more)} would go through the points as well, with more parameters than "
            "these need: not ruled out"
        )
    for fit in fits.rivals:
        said += [f"{fit.law.word}: {words}" for words in _open(fit, fits)]
    if fits.stray:
        said.append(
            f"the points stray from the best law {fits.stray}: its intervals are too narrow; "
            'law = "measured" with the points themselves may be better'
        )
    if math.isfinite(fits.hysteresis):
        way = "lower" if fits.hysteresis > 0 else "higher"
        said.append(
            f"on the way down in rate, stresses lie {percent(abs(fits.hysteresis))} {way} than "
            "on the way up: the liquid's structure lags behind; the laws go through the middle"
        )
    if fits.between > 0:
        said.append(
            f"the files differ as a whole by about {percent(fits.between)}; intervals take that "
            f"from {fits.files} files"
        )
    if fits.left_out:
        said.append(f"too few points or rates for {', '.join(fits.left_out)}")
    return [*said, pores(fits)]


def _open(fit: FlowFit, fits: FlowFits) -> list[str]:
    """What the points leave open of one law."""
    rate, said = fits.points.rate, []
    for name in fit.law.names:
        if not fit.loose(name):
            continue
        if name == "zero_mPa_s":
            said.append(
                f"the plateau at rest is not reached ({name} {_range(fit, name)}); measure below "
                f"{short(rate.min())} 1/s"
            )
        elif name == "infinite_mPa_s":
            said.append(
                f"the plateau at high rates is not reached ({name} {_range(fit, name)}); measure "
                f"above {short(rate.max())} 1/s"
            )
        elif name == "yield_Pa":
            said.append(
                f"a yield stress is not told from none ({name} {_range(fit, name)}); measure below "
                f"{short(rate.min())} 1/s"
            )
        else:
            said.append(f"the points do not determine {name} ({_range(fit, name)})")
    return said


def _range(fit: FlowFit, name: str) -> str:
    low, high = fit.intervals[name]
    if math.isfinite(high):
        return f"at most {short(high)}" if low == 0 else f"{short(low)} to {short(high)}"
    return f"at least {short(low)}" if low > 0 else "anything"


def pores(fits: FlowFits) -> str:
    """Which rates of a liquid that soaks in lie outside the points."""
    rate = fits.points.rate
    parts = missing(float(rate.min()), float(rate.max()))
    span = f"{PORES[0]:g} to {PORES[1]:g} 1/s"
    about = f"while a liquid soaks in, pores shear it at about {span}"
    if not parts:
        return f"{about}: the points cover that"
    gaps = " and ".join(f"{short(low)} to {short(high)}" for low, high in parts)
    return f"{about}: {gaps} 1/s lie outside the points, where the law is a guess"


def chosen(fits: FlowFits, key: str = "") -> FlowFit | None:
    """The law for the block: the one asked for, or the best that a scenario takes."""
    fitting = [f for f in fits.fits if not f.usable and key in ("", f.law.key)]
    return fitting[0] if fitting else None


def block(fit: FlowFit, of: str) -> str:
    """TOML for a liquid."""
    pairs = ", ".join(f"{n} = {fit.values[n]:.5g}" for n in fit.law.names)
    rate = f"{of}; weight {100 * fit.weight:.0f} % among six laws, off by {percent(fit.rms)}"
    return f'# {rate}\nviscosity = {{ law = "{fit.law.key}", {pairs} }}\n'


def as_json(fits: FlowFits) -> dict[str, Any]:
    """For ``--json``; NaN and infinity become null."""
    rate = fits.points.rate
    return {
        "points": len(rate),
        "shear_rate_1_s": [float(rate.min()), float(rate.max())],
        "weights": "sd" if fits.weighted else "relative",
        "scatter": fits.scatter,
        "between_files": fits.between,
        "sd_factor": finite(fits.beyond),
        "hysteresis": finite(fits.hysteresis),
        "stray": fits.stray,
        "law": fits.best.law.key,
        "rivals": [fit.law.key for fit in fits.rivals],
        "rival_weight": RIVAL,
        "not_ruled_out": [fit.law.key for fit in fits.possible],
        "left_out": list(fits.left_out),
        "fits": {fit.law.key: _fit_json(fit) for fit in fits.fits},
        "at": told_at(fits),
        "pores": {
            "shear_rate_1_s": list(PORES),
            "missing": [list(p) for p in missing(float(rate.min()), float(rate.max()))],
        },
    }


def _fit_json(fit: FlowFit) -> dict[str, Any]:
    return {
        **fit.values,
        "sd": {name: finite(sd) for name, sd in fit.sd.items()},
        "interval95": {name: [low, finite(high)] for name, (low, high) in fit.intervals.items()},
        "undetermined": [name for name in fit.law.names if fit.loose(name)],
        "weight": fit.weight,
        "rms": fit.rms,
        "aicc": fit.aicc,
        "scenario_refuses": fit.usable,
    }
