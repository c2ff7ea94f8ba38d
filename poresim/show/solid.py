"""The curves of a solid: suction against saturation, and mercury intrusion."""

from __future__ import annotations

from typing import Any

import numpy as np

from poresim.curves.capillary import InvasionCurve
from poresim.curves.summary import SolidCurves
from poresim.outcome.words import capital, short
from poresim.show.lines import plain_ticks
from poresim.show.style import (
    INK,
    SOFT,
    characters,
    colour,
    label,
    readable,
    styled,
    text_size,
)
from poresim.show.tables import Table, column

_WIDTH, _HEIGHT = 5.4, 7.6  # inches
_TRAPPED = {"none": "solid", "pockets": (0, (5, 1.6)), "tubes": (0, (1.2, 1.2))}
_MOST = 6
_REST = 0.003  # share of the volume that the axes may leave out at either end
_WORDS = (
    "Solid line: what is displaced always leaves; dashed: pockets that are cut off stay; dotted: "
    "so does what is alone in a tube with two wet ends. Quasi-static, without gravity, one solid."
)


def curves_figure(found: SolidCurves, title: str, invented: bool = False) -> Any:
    """Suction against saturation for each way of wetting, and the mercury curve below."""
    from poresim.show.picture import Picture

    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, _HEIGHT))
        size = text_size(_WIDTH)
        head = label(f"{capital(title)}: what a bench would see", characters(4.5, 1.3 * size), 3)
        figure.text(0.02, 0.99, head, va="top", fontsize=1.15 * size, fontweight="bold", color=INK)
        words = label(
            _WORDS + (" Invented example values." if invented else ""),
            characters(_WIDTH * 0.96, size),
            6,
        )
        figure.text(0.02, 0.008, words, va="bottom", color=SOFT, linespacing=1.15)
        top = 1 - (1.25 * size / 72 * 1.15 * (head.count("\n") + 1) + 0.38) / _HEIGHT
        low = (1.25 * size / 72 * (words.count("\n") + 1) + 0.75) / _HEIGHT
        gap, left, right = 1.05 / _HEIGHT, 0.16, 0.97
        tall = (top - low - gap) / 2
        upper = figure.add_axes((left, low + tall + gap, right - left, tall))
        lower = figure.add_axes((left, low, right - left, tall))
        figure.tables[""] = _suction(upper, found)
        if (mercury := _intrusion(lower, found)) is not None:
            figure.tables["mercury"] = mercury
    return figure


def _suction(axes: Any, found: SolidCurves) -> Table:
    """Draws it; what is drawn."""
    axes.set_title("Uptake at a suction")
    ways = _ways(found)
    seen = np.concatenate([_shown(kinds["none"], "capillary_pressure_Pa") for _, kinds in ways])
    factor, unit = _pressure_unit(float(np.abs(seen).max()))
    drawn = []
    for place, (name, kinds) in enumerate(ways):
        for kind, curve in kinds.items():
            full, suction = _steps(curve.saturation, curve.capillary_pressure_Pa * factor)
            drawn.append((name, kind, full, suction))
            axes.plot(
                full,
                suction,
                color=colour(place),
                ls=_TRAPPED[kind],
                label=name if kind == "none" else None,
            )
    if seen.min() > 0:
        axes.set_yscale("log")
        axes.set_ylim(seen.min() * factor / 1.1, seen.max() * factor * 1.1)
    else:
        axes.axhline(0, color=SOFT, lw=1)
        room = 0.05 * np.ptp(np.append(seen, 0.0)) * factor
        axes.set_ylim(min(seen.min(), 0.0) * factor - room, max(seen.max(), 0.0) * factor + room)
    axes.set_xlim(0, 1)
    axes.set_xlabel("Share of the pores that is full")
    axes.set_ylabel(f"Suction ({unit})")
    legend = axes.legend(frameon=False, loc="upper right", handlelength=1.2)
    for place, text in enumerate(legend.get_texts()):
        text.set_color(readable(colour(place)))
    plain_ticks(axes.yaxis)
    return Table(("liquids", "what_stays", "share_full", column("suction", unit)), drawn)


def _intrusion(axes: Any, found: SolidCurves) -> Table | None:
    """Draws it; what is drawn, if there is anything."""
    axes.set_title("Mercury pressed in")
    curve = found.intrusion
    if curve is None:
        axes.text(0.5, 0.5, "no faces", transform=axes.transAxes, ha="center", color=SOFT)
        return None
    per_mass = bool(np.isfinite(found.per_mass))
    volume = curve.volume_m3 * found.per_mass * 1e3 if per_mass else curve.saturation
    width, intruded = _steps(curve.equivalent_diameter_m * 1e6, volume)
    axes.plot(width, intruded, color=INK)
    axes.set_xscale("log")
    seen = _shown(curve, "equivalent_diameter_m") * 1e6
    widest = 4 * 2e6 * found.makeup.radius_m[-1]  # few mouths are wider
    axes.set_xlim(1.5 * min(np.nanmax(seen), widest), np.nanmin(seen) / 1.5)
    axes.set_ylim(0, None)
    axes.set_xlabel("Equivalent diameter (µm), 4 γ |cos θ| / pressure")
    axes.set_ylabel("Intruded (mL/g)" if per_mass else "Share of the pores")
    plain_ticks(axes.xaxis)
    what = "intruded_mL_g" if per_mass else "share_full"
    return Table(("equivalent_diameter_um", what), [(width, intruded)])


def _shown(curve: InvasionCurve, column: str) -> np.ndarray:
    """The part of a column that is worth the room: without the first and last of the volume."""
    share = curve.volume_m3 / curve.volume_m3[-1]
    inside = (share >= _REST) & (np.append(0.0, share[:-1]) <= 1 - _REST)
    values: np.ndarray = getattr(curve, column)[inside]
    return values


def _steps(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """At most some thousand points, evenly apart along the curve."""
    stride = max(1, len(x) // 4000)
    at = np.unique(np.append(np.arange(0, len(x), stride), max(len(x) - 1, 0)))
    return x[at[at < len(x)]], y[at[at < len(x)]]


def _ways(found: SolidCurves) -> list[tuple[str, dict[str, InvasionCurve]]]:
    """Each way of wetting, the first six, named by its liquids."""
    told = []
    for names, kinds in found.ways()[:_MOST]:
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        told.append((short(label(names[0]), 26) + more, kinds))
    return told


def _pressure_unit(highest: float) -> tuple[float, str]:
    for factor, unit in ((1e-6, "MPa"), (1e-3, "kPa")):
        if highest * factor >= 1:
            return factor, unit
    return 1.0, "Pa"
